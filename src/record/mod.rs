//! What is written down: the facts that effects carry to the ledger, and the history that comes back at start. One file a subject.
//!
//! Each is described once: the ledger, the export, the socket and the topics carry these very types as JSON. From the first release on a
//! record grows by fields with a default or gets a new kind; `tests/golden` holds one of each, which is read for ever.

mod arming;
mod bench;
mod brought;
mod calibration;
mod change;
mod corridor;
mod course;
mod dose;
mod entry;
mod forgotten;
mod history;
mod hold;
mod lab;
mod note;
mod observation;
mod refill;
mod seen;
mod slot;
mod stamp;
mod taken_back;
mod uptake;
mod wrong_time;

pub use arming::Arming;
pub use bench::{Bench, BenchStep};
pub use brought::{
    Brought, ESTIMATE_DOSES_MAX, ESTIMATE_READINGS_MAX, ESTIMATE_SPAN, ESTIMATED, REHEARSED_BOOT,
    estimated, likely_part,
};
pub use calibration::{CalibrationRun, StoredCalibration, StoredVerification};
pub use change::{CHANGES_MAX, Change};
pub use corridor::{Corridor, CorridorGrant};
pub use course::{Course, CourseState, Departure, Ends};
pub use dose::{
    Carried, Destination, DoseEnd, DoseId, DoseKind, GivenDose, Intent, Outcome, PastDose,
    part_carried,
};
pub use entry::{Entry, Loudness, Said};
pub use forgotten::{Forgotten, PastForgotten};
pub use history::{History, PastSession, TOLD_MAX};
pub use hold::{Hold, HoldAction, HoldChange, HoldScope, NOTHING_IS_HELD};
pub use lab::{Columns, LabColumns, NoNumber};
pub use note::{Code, Note};
pub use observation::{Addition, Found, Observation, Observed, ObservedKind, Reading};
pub use refill::{Content, Refill};
pub use seen::{OutputPlace, OutputSeen, seen_since};
pub use slot::{NotGiven, OutageMissed, SlotNotGiven};
pub use stamp::{Stamp, Who};
pub use taken_back::TakenBack;
pub use uptake::{Uptake, UptakeHow, amount, starts_not_in_force};
pub use wrong_time::WrongTime;
