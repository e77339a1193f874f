//! Everything that is written beside intents and outcomes.

use serde::{Deserialize, Serialize};

use super::arming::Arming;
use super::bench::Bench;
use super::calibration::{StoredCalibration, StoredVerification};
use super::corridor::Corridor;
use super::course::Course;
use super::forgotten::Forgotten;
use super::hold::HoldChange;
use super::lab::LabColumns;
use super::note::Note;
use super::observation::Observation;
use super::refill::Refill;
use super::slot::{OutageMissed, SlotNotGiven};
use super::stamp::Stamp;
use super::taken_back::TakenBack;
use super::uptake::Uptake;
use super::wrong_time::WrongTime;

/// Everything that is written beside intents and outcomes: a kind, and the record that it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "body", rename_all = "kebab-case")]
pub enum Entry {
    #[serde(rename = "not-given")]
    SlotNotGiven(SlotNotGiven),
    /// Slots missed in an outage.
    #[serde(rename = "outage")]
    OutageMissed(OutageMissed),
    /// A hold was set or lifted.
    Hold(HoldChange),
    /// A bottle was filled.
    Refill(Refill),
    /// Something was told of the water.
    Observation(Observation),
    LabColumns(LabColumns),
    /// A head was calibrated.
    Calibration(StoredCalibration),
    /// A head was checked against its calibration.
    Verification(StoredVerification),
    /// A session at the bench was opened or is over, or a head has a new tube.
    Bench(Bench),
    /// The uptake was changed.
    Uptake(Uptake),
    /// Outputs may be driven from now on, or no longer.
    Arming(Arming),
    /// A course was begun, moved on, paused, resumed, turned or ended.
    Course(Course),
    /// A corridor was granted, or has ended.
    Corridor(Corridor),
    /// Something told no longer counts.
    TakenBack(TakenBack),
    /// The ledger may lack what was given before.
    Forgotten(Forgotten),
    /// The clock was wrong from then to then.
    WrongTime(WrongTime),
    #[serde(rename = "event")]
    Note(Note),
}

impl Entry {
    /// When it was written down.
    pub const fn at(&self) -> Stamp {
        match self {
            Self::SlotNotGiven(SlotNotGiven { at, .. })
            | Self::OutageMissed(OutageMissed { at, .. })
            | Self::Hold(HoldChange { at, .. })
            | Self::Refill(Refill { at, .. })
            | Self::Observation(Observation { at, .. })
            | Self::LabColumns(LabColumns { at, .. })
            | Self::Calibration(StoredCalibration { at, .. })
            | Self::Verification(StoredVerification { at, .. })
            | Self::Bench(Bench { at, .. })
            | Self::Uptake(Uptake { at, .. })
            | Self::Arming(Arming { at, .. })
            | Self::Course(Course { at, .. })
            | Self::Corridor(Corridor { at, .. })
            | Self::TakenBack(TakenBack { at, .. })
            | Self::Forgotten(Forgotten { at, .. })
            | Self::WrongTime(WrongTime { at, .. })
            | Self::Note(Note { at, .. }) => *at,
        }
    }
}
