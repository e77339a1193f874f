//! What is written down: the facts that effects carry to the ledger, and the history that comes back at start. One file a subject.
//!
//! These are core types. How they lie in a database is the ledger's business.

mod arming;
mod calibration;
mod changeover;
mod course;
mod dose;
mod entry;
mod fact;
mod history;
mod hold;
mod note;
mod reading;
mod refill;
mod slot;
mod stamp;
mod uptake;

pub use arming::Arming;
pub use calibration::{CalibrationRun, StoredCalibration, StoredVerification};
pub use changeover::{Changeover, ChangeoverState};
pub use course::{Course, CourseKind, CourseState};
pub use dose::{DoseEnd, DoseId, DoseKind, Intent, Outcome, PastDose};
pub use entry::Entry;
pub use fact::{Fact, FactKind};
pub use history::{History, PastSession};
pub use hold::{Hold, HoldScope};
pub use note::Note;
pub use reading::{Reading, ReadingValue};
pub use refill::Refill;
pub use slot::{NotGiven, OutageMissed, SlotNotGiven};
pub use stamp::{Stamp, Who};
pub use uptake::{Uptake, UptakeHow, starts_not_in_force};
