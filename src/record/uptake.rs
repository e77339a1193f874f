//! Accepted changes of the established uptake.

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::quantity::Alkalinity;

/// An accepted change of the established uptake.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UptakeAccepted {
    /// The new value per day.
    #[serde(rename = "uptake_dkh_per_day")]
    pub uptake: Alkalinity,
    #[serde(rename = "before_dkh_per_day")]
    pub before: Alkalinity,
    /// What the plan file declared at that time, so that a new declaration can be told from the old one.
    #[serde(rename = "declared_dkh_per_day")]
    pub declared: Alkalinity,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}
