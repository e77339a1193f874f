//! Events for the journal that are nothing else.

use super::stamp::{Stamp, Who};
use crate::quantity::Name;

/// An event for the journal that is nothing else above.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// Short stable code, for programs: `started`, `clock-stepped`, `input`, `alarm-raised` and the like.
    pub code: &'static str,
    /// The line concerned, if one is.
    pub line: Option<Name>,
    /// In words, with numbers and units.
    pub text: String,
    pub who: Who,
    pub at: Stamp,
}
