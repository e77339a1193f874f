//! Facts that the owner tells and that move nothing by themselves.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};

/// A fact that the owner tells and that moves nothing by itself: kept for the journal and the owner's arithmetic.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// What kind of fact.
    pub kind: FactKind,
    /// What it is about: the quantity, the lab, the number of a reading.
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
    pub at: Stamp,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FactKind {
    /// A reading of salinity, pH, temperature, nitrate or phosphate.
    Water,
    /// A change of anything about the tank.
    Change,
    /// An earlier reading is replaced by a later one.
    Correction,
    Panel,
    /// Which columns a lab's reports have.
    PanelColumns,
    /// A water change: litres, and in the text what the new water held, a line each of `alkalinity` (meq/L) or a symbol (mg/L), a tab and
    /// the number.
    WaterChange,
}

impl FactKind {
    pub const ALL: [Self; 6] = [
        Self::Water,
        Self::Change,
        Self::Correction,
        Self::Panel,
        Self::PanelColumns,
        Self::WaterChange,
    ];

    /// Stable word, for the ledger and the socket.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Water => "water",
            Self::Change => "change",
            Self::Correction => "correction",
            Self::Panel => "panel",
            Self::PanelColumns => "panel-columns",
            Self::WaterChange => "water-change",
        }
    }
}
