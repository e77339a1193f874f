//! What a bottle holds, told by the owner.

use super::stamp::{Stamp, Who};
use crate::quantity::{Name, Volume};

/// A change of what a bottle holds, told by the owner.
#[derive(Debug, Clone, PartialEq)]
pub struct Refill {
    pub reservoir: Name,
    pub level: Volume,
    /// What the books said before; `None` for the first entry.
    pub before: Option<Volume>,
    pub who: Who,
    pub note: String,
    pub at: Stamp,
}
