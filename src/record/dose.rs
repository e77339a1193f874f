//! Doses: the intent, its outcome, and what a past dose still counts for.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume, f64_from_i64, worded};

/// Number of a dose, counted up from 1 over the life of a ledger.
#[derive(
    Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
pub struct DoseId(pub i64);

worded! {
    /// Why a head runs.
    pub enum DoseKind {
        /// A slot of the plan.
        Plan = "plan",
        Hand = "hand",
        Prime = "prime",
        Calibration = "calibration",
    }
}

worded! {
    /// Where the outlet is.
    pub enum Destination {
        Tank = "tank",
        /// Out of the tank, in a vessel.
        Bench = "bench",
    }
}

/// What a volume adds to the tank's water, of each quantity that it carries: dKH of alkalinity, mg/L of an element.
pub type Carried = BTreeMap<Quantity, f64>;

/// A dose about to be given. Stored and synced before the output goes on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Intent {
    #[serde(rename = "number")]
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
    #[serde(rename = "volume_ul")]
    pub volume: Volume,
    #[serde(rename = "run_time_ms")]
    pub run_time: Millis,
    /// What the whole volume adds to the tank, by the solution as it was when the dose was given.
    pub carries: Carried,
    pub into: Destination,
    pub who: Who,
    /// Whether an output is really driven.
    pub live: bool,
    #[serde(flatten)]
    pub at: Stamp,
}

impl Intent {
    /// What a delivered part of it added to the tank.
    pub fn carried(&self, delivered: Volume) -> Carried {
        part_carried(&self.carries, self.volume, delivered)
    }
}

/// What `delivered` of a volume that carries `whole` carries.
pub fn part_carried(whole: &Carried, volume: Volume, delivered: Volume) -> Carried {
    if delivered == volume {
        return whole.clone();
    }
    let part = f64_from_i64(delivered.as_ul()) / f64_from_i64(volume.as_ul().max(1));
    let scaled = |(of, amount): (&Quantity, &f64)| (of.clone(), amount * part);
    whole.iter().map(scaled).collect()
}

worded! {
    /// How a dose ended.
    pub enum DoseEnd {
        Delivered = "delivered",
        /// Stopped before its time; the volume is by time.
        Interrupted = "interrupted",
        /// The driver failed; the volume is the most it can have been.
        Failed = "failed",
        /// Nobody saw the end (power cut, kill): counted in full, or with the most that it can have been.
        Uncertain = "uncertain",
        /// Never started: delivered nothing.
        NotStarted = "not-started",
    }
}

/// The end of a dose.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Outcome {
    #[serde(rename = "number")]
    pub id: DoseId,
    #[serde(rename = "outcome")]
    pub end: DoseEnd,
    #[serde(rename = "delivered_ul")]
    pub delivered: Volume,
    /// Measured on-time, or the longest it can have been; `None` when nobody measured it.
    #[serde(rename = "on_time_ms")]
    pub on_time: Option<Millis>,
    /// What is left in the bottle by the books.
    #[serde(rename = "reservoir_left_ul")]
    pub reservoir_left: Volume,
    /// Why it ended so, in words; empty for an ordinary end.
    pub cause: String,
    #[serde(flatten)]
    pub at: Stamp,
}

/// A dose as the record tells of it afterwards.
#[derive(Debug, Clone, PartialEq)]
pub struct GivenDose {
    pub at: Timestamp,
    /// The local date of its slot; `None` for a dose that is not of the plan.
    pub slot_date: Option<Date>,
    pub line: Name,
    pub kind: DoseKind,
    /// `None` while it has none.
    pub end: Option<DoseEnd>,
    pub reservoir: Name,
    /// In its bottle, after it; `None` while it has no end.
    pub left: Option<Volume>,
    pub meant: Volume,
    /// Volume that counts: all of it when nobody saw the end.
    pub volume: Volume,
    /// What this volume added to the tank, by the solution as it was then.
    pub carries: Carried,
    /// Whether it counts as given to the tank.
    pub in_tank: bool,
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
    /// What the volume that counts added to the tank.
    pub carries: Carried,
    pub into: Destination,
    pub at: Stamp,
    /// Session it belongs to, an index into `History::sessions`.
    pub session: usize,
}
