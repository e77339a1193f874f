//! Facts that the owner tells and that move nothing by themselves.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};

/// A fact that the owner tells and that moves nothing by itself: kept for the journal and the owner's arithmetic.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Fact {
    #[serde(rename = "observation")]
    pub number: i64,
    /// What kind of fact.
    pub kind: FactKind,
    /// What it is about: the quantity, the lab.
    pub name: String,
    /// A number, in the unit that belongs to `name`.
    pub value: Option<f64>,
    /// One standard uncertainty of it; a value without one is a detection limit that was not reached.
    pub uncertainty: Option<f64>,
    pub text: String,
    /// When it was so.
    pub happened: Timestamp,
    pub who: Who,
    /// When it was written down.
    #[serde(flatten)]
    pub at: Stamp,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FactKind {
    /// A reading of salinity, pH, temperature, nitrate or phosphate.
    Water,
    /// A change of anything about the tank.
    Change,
    Panel,
    /// Which columns a lab's reports have.
    PanelColumns,
    /// A water change: litres, and in the text what the new water held, a line each of `alkalinity` (meq/L) or a symbol (mg/L), a tab and
    /// the number.
    WaterChange,
}

impl fmt::Display for FactKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}
