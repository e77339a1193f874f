//! Doses: the intent, its outcome, and what a past dose still counts for.

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::plan::SlotKey;
use crate::quantity::{Alkalinity, Millis, Name, Volume};

/// Number of a dose, counted up from 1 over the life of a ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DoseId(pub i64);

/// Why a head runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DoseKind {
    /// A slot of the plan.
    Plan,
    Hand,
    Prime,
    Calibration,
}

impl DoseKind {
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Plan => "plan",
            Self::Hand => "hand",
            Self::Prime => "prime",
            Self::Calibration => "calibration",
        }
    }
}

/// A dose about to be given. Stored and synced before the output goes on.
#[derive(Debug, Clone, PartialEq)]
pub struct Intent {
    pub id: DoseId,
    pub line: Name,
    /// The head that runs.
    pub head: Name,
    /// The bottle it draws from.
    pub reservoir: Name,
    /// The solution in it.
    pub solution: Name,
    pub kind: DoseKind,
    /// The slot, for planned doses.
    pub slot: Option<SlotKey>,
    /// Volume meant; never zero.
    pub volume: Volume,
    pub run_time: Millis,
    /// Alkalinity that the whole volume adds to the tank.
    pub alkalinity: Alkalinity,
    pub who: Who,
    /// Whether an output is really driven.
    pub live: bool,
    pub at: Stamp,
}

/// How a dose ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DoseEnd {
    Delivered,
    /// Stopped before its time; the volume is by time.
    Interrupted,
    /// The driver failed; the volume is the most it can have been.
    Failed,
    /// Nobody saw the end (power cut, kill): counted in full.
    Uncertain,
    /// Never started: delivered nothing.
    NotStarted,
}

/// The end of a dose.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    pub id: DoseId,
    pub end: DoseEnd,
    pub delivered: Volume,
    /// Quantity on-time; `None` when nobody measured it.
    pub on_time: Option<Millis>,
    /// What is left in the bottle by the books.
    pub reservoir_left: Volume,
    /// Why it ended so, in words; empty for an ordinary end.
    pub cause: String,
    pub at: Stamp,
}

/// A past dose, as much of it as the windows need. Its age is worked out from its session's clocks.
#[derive(Debug, Clone, PartialEq)]
pub struct PastDose {
    pub id: DoseId,
    pub line: Name,
    pub head: Name,
    pub reservoir: Name,
    pub solution: Name,
    pub kind: DoseKind,
    /// The slot, for planned doses.
    pub slot: Option<SlotKey>,
    /// Volume that counts: delivered, or all of it when nobody saw the end.
    pub counted: Volume,
    /// Run time that counts.
    pub run_time: Millis,
    /// How it ended; `Uncertain` for an intent without an outcome.
    pub end: DoseEnd,
    pub alkalinity: Alkalinity,
    pub at: Stamp,
    /// Session it belongs to, an index into [`History::sessions`].
    pub session: usize,
}
