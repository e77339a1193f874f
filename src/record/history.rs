//! What the ledger knows at start.

use jiff::Timestamp;

use super::bench::Bench;
use super::brought::Brought;
use super::calibration::{StoredCalibration, StoredVerification};
use super::change::Change;
use super::corridor::Corridor;
use super::course::Course;
use super::dose::{Carried, Intent, PastDose};
use super::forgotten::PastForgotten;
use super::hold::Hold;
use super::observation::Observation;
use super::refill::Content;
use super::stamp::Stamp;
use super::uptake::Uptake;
use super::wrong_time::WrongTime;
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume};

/// So many of one subject can still be corrected or taken back; the newest by when they were so.
pub const TOLD_MAX: usize = 1_000;

/// One start of the daemon, as far as the ledger knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastSession {
    /// The kernel's boot id: sessions of one boot share the elapsed clock.
    pub boot: String,
    /// Largest elapsed time written down in this session.
    pub elapsed_last: Millis,
    /// Its wall clock was trusted by the owner's word, which proves no age.
    pub vouched: bool,
}

/// What the ledger knows at start.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    /// Highest dose number so far; 0 in a new ledger.
    pub dose_last: i64,
    /// Newest wall time of any entry that was written with a trusted clock, and that nobody has called wrong.
    pub newest_wall: Option<Timestamp>,
    /// Doses that may still count in a 24 h window, oldest first, intents without outcome included in full.
    pub doses: Vec<PastDose>,
    /// Sessions, oldest first, at least all that `doses` refer to, and all after those.
    pub sessions: Vec<PastSession>,
    /// The session in which the mode (live, dry run) of the present one began, and when; `None` when it is longer ago than a window or there
    /// was no other.
    pub mode_began: Option<(usize, Stamp)>,
    /// Intents without an outcome; the engine closes them as uncertain.
    pub open: Vec<Intent>,
    /// Doses that the estimate of the water goes by, oldest first; open ones are not among them.
    pub brought: Vec<Brought>,
    /// What of the change journal is not in `told`, oldest first.
    pub journal: Vec<Change>,
    /// Bottle contents by the books, open intents not yet taken off.
    pub reservoirs: Vec<(Name, Volume)>,
    /// What is in them.
    pub contents: Vec<Content>,
    /// The latest calibration of each head that has had no new tube since, with the run time of its head since then.
    pub calibrations: Vec<(StoredCalibration, Millis)>,
    /// Checks of those calibrations, oldest first.
    pub verifications: Vec<StoredVerification>,
    /// The newest word on each session at the bench that is not over.
    pub benches: Vec<Bench>,
    /// The newest word of all on each head at the bench, for the runs that were measured.
    pub measured: Vec<Bench>,
    /// Sessions that count as given to the tank.
    pub silent: Vec<Bench>,
    /// Highest number of a session at the bench so far.
    pub bench_last: i64,
    pub holds: Vec<Hold>,
    /// Slots settled (given, missed one by one, or refused) on recent local dates.
    pub settled: Vec<SlotKey>,
    /// What was told and still counts, by number: the newest [`TOLD_MAX`] of each subject.
    pub told: Vec<Observation>,
    /// Highest number of anything told so far.
    pub told_last: i64,
    /// What was added of each quantity since its last reading was taken (since ever without one), all lines, open intents in full.
    pub added_since_reading: Carried,
    /// Every uptake that was put into force, oldest first.
    pub uptakes: Vec<Uptake>,
    /// The newest word on each course, ended ones included.
    pub courses: Vec<Course>,
    /// The newest word on the corridor of each quantity.
    pub corridors: Vec<Corridor>,
    /// Courses that dosewright ended, as they ran before that, and the record of their end.
    pub courses_ended: Vec<(Course, Stamp)>,
    /// When the ledger last was one that may have forgotten something.
    pub forgotten: Option<PastForgotten>,
    /// Times on record that were wrong.
    pub wrong_times: Vec<WrongTime>,
}
