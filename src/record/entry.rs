//! Everything that is written beside intents and outcomes.

use super::arming::Arming;
use super::calibration::{StoredCalibration, StoredVerification};
use super::changeover::Changeover;
use super::course::Course;
use super::fact::Fact;
use super::hold::{Hold, HoldScope};
use super::note::Note;
use super::reading::Reading;
use super::refill::Refill;
use super::slot::{OutageMissed, SlotNotGiven};
use super::stamp::{Stamp, Who};
use super::uptake::Uptake;

/// Everything that is written beside intents and outcomes.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// A slot not given.
    SlotNotGiven(SlotNotGiven),
    /// Slots missed in an outage.
    OutageMissed(OutageMissed),
    /// A hold was set.
    HoldSet(Hold, Stamp),
    /// A hold was lifted, by whom.
    HoldLifted(HoldScope, Who, Stamp),
    /// A bottle was filled.
    Refill(Refill),
    /// A reading was entered.
    Reading(Reading),
    /// A head was calibrated.
    Calibration(StoredCalibration),
    /// A head was checked against its calibration.
    Verification(StoredVerification),
    /// The uptake was changed.
    Uptake(Uptake),
    /// Outputs may be driven from now on, or no longer.
    Arming(Arming),
    /// A course was begun, paused, resumed or ended.
    Course(Course),
    /// A changeover was begun, moved on, paused, turned or ended.
    Changeover(Changeover),
    /// The owner told something.
    Fact(Fact),
    Note(Note),
}
