//! Accepted changes of the established uptake.

use super::stamp::{Stamp, Who};
use crate::quantity::Alkalinity;

/// An accepted change of the established uptake.
#[derive(Debug, Clone, PartialEq)]
pub struct UptakeAccepted {
    /// The new value per day.
    pub uptake: Alkalinity,
    pub before: Alkalinity,
    /// What the plan file declared at that time, so that a new declaration can be told from the old one.
    pub declared: Alkalinity,
    pub who: Who,
    pub at: Stamp,
}
