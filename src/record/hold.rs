//! Lasting stops.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::stamp::Who;
use crate::quantity::Name;

/// What a hold stops.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldScope {
    All,
    Line(Name),
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hold {
    pub scope: HoldScope,
    pub reason: String,
    pub who: Who,
    /// When, by the wall clock.
    pub since: Timestamp,
}
