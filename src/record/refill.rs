//! What a bottle holds, told by the owner.

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::quantity::{Name, Volume};

/// A change of what a bottle holds, told by the owner.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Refill {
    pub reservoir: Name,
    #[serde(rename = "level_ul")]
    pub level: Volume,
    /// What the books said before; `None` for the first entry.
    #[serde(rename = "before_ul")]
    pub before: Option<Volume>,
    pub who: Who,
    pub note: String,
    #[serde(flatten)]
    pub at: Stamp,
}
