//! What comes in.

use std::sync::Arc;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::effect::Ticket;
use crate::chemistry::Quantity;
use crate::config::Plan;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{CalibrationRun, DoseId, DoseKind, HoldScope, ReadingValue, Who};

/// The time, on both clocks, as the shell read them together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// The wall clock. May step.
    pub wall: Timestamp,
    /// The elapsed clock of this boot. Counts through suspend, never steps.
    pub elapsed: Millis,
}

impl Now {
    /// Whole seconds of wall time since an instant; none before it.
    pub fn age_s(&self, since: Timestamp) -> i64 {
        let wall_ms = self.wall.as_millisecond();
        wall_ms.saturating_sub(since.as_millisecond()).max(0) / 1000
    }
}

#[derive(Debug)]
pub enum Event {
    /// A deadline was reached, or the shell looked at the clocks.
    Tick,
    /// The wall clock is known to be set.
    ClockKnown(TrustSource),
    /// The wall clock is not known to be set.
    ClockUnknown {
        /// What is missing, in words.
        why: String,
    },
    /// The last write to the ledger worked and nothing waits to be written.
    LedgerHealthy,
    /// The ledger cannot be written.
    LedgerFault {
        /// What is wrong, in words.
        why: String,
    },
    /// What is on hold is on disk again.
    HoldFileHealthy,
    /// What is on hold is in force and cannot be written to its file.
    HoldFileFault { why: String },
    /// An intent is on disk.
    IntentStored(DoseId),
    /// An intent could not be stored.
    IntentFailed { id: DoseId, why: String },
    /// A head has stopped, and its driver has seen it stop.
    RunEnded {
        /// Which dose it ran for.
        id: DoseId,
        report: RunReport,
    },
    /// A head does not obey: it could not be switched off, or does not answer.
    PumpFault { head: Name, why: String },
    /// A plan was read again and found good.
    PlanReplaced {
        plan: Arc<Plan>,
        /// Who waits for the answer.
        ticket: Option<Ticket>,
        who: Who,
    },
    /// A contact was read.
    Input {
        input: Name,
        /// Whether it shows its safe level; `None` when it could not be read.
        safe: Option<bool>,
    },
    /// The board's under-voltage flag.
    UnderVoltage(bool),
    Command {
        /// Who waits for the answer.
        ticket: Ticket,
        who: Who,
        command: Command,
    },
    /// The daemon is being stopped: no new dose, all heads off.
    Stopping,
}

/// Who says that the wall clock is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TrustSource {
    /// The kernel's clock is synchronised.
    Kernel,
    /// The owner's word, for this boot.
    Owner,
    /// Virtual time, which is right by definition.
    Virtual,
}

/// What a driver measured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunReport {
    /// Time between switching on and switching off; zero when it was never on.
    pub on_time: Millis,
    pub end: RunEnd,
}

/// Why a run ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunEnd {
    /// It ran its time.
    Completed,
    Stopped,
    Failed {
        why: String,
    },
}

/// What can be asked of the engine.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Stop one line or all, until an explicit resume.
    Hold {
        scope: HoldScope,
        reason: String,
    },
    /// Lift all holds of this scope.
    Resume {
        scope: HoldScope,
    },
    /// First step of a dose by hand: what would it be?
    PrepareDose {
        line: Name,
        volume: Volume,
        /// By hand, priming or calibrating.
        kind: DoseKind,
    },
    /// Second step: give the dose that was prepared under this token.
    ConfirmDose {
        /// From the first step; good once, for a minute, and only while nothing else changed on the line.
        token: u64,
        /// The volume again, needed when it is unusually large.
        repeated_volume: Option<Volume>,
    },
    /// What a bottle holds now.
    Refill {
        reservoir: Name,
        level: RefillLevel,
        /// In the owner's words.
        note: String,
    },
    /// A water test result.
    AddReading(NewReading),
    /// First step of a run by time: what it would give at most, and how long it takes.
    PrepareRun {
        head: Name,
        run_time: Millis,
        /// Priming, or a calibration run.
        kind: DoseKind,
    },
    StopRun {
        dose: DoseId,
    },
    Calibrate(NewCalibration),
    /// A check of a head against its calibration.
    Verify(NewVerification),
    /// A fact for the record.
    AddFact(NewFact),
    /// A course, from the next local day on.
    AddCourse(NewCourse),
    /// Pauses, resumes or ends a course.
    SetCourse {
        number: i64,
        /// What to do with it.
        action: CourseAction,
    },
    /// A changeover, from the next local day on.
    StartChangeover(NewChangeover),
    /// Pauses, resumes or turns the changeover that is under way.
    SetChangeover(ChangeoverAction),
    /// An uptake is told or accepted.
    SetUptake(NewUptake),
    /// The owner says the wall clock is right.
    TrustClock,
    /// An alarm has been seen.
    Acknowledge {
        /// Its code; all when `None`.
        code: Option<String>,
    },
    /// Dry run only: what a contact shows.
    SimulateInput {
        input: Name,
        /// Whether it shows its safe level.
        safe: bool,
    },
}

/// How a refill is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RefillLevel {
    Full,
    To(Volume),
    /// By this much more.
    Add(Volume),
}

/// A reading as it is entered.
#[derive(Debug, Clone, PartialEq)]
pub struct NewReading {
    pub measured: Quantity,
    pub value: ReadingValue,
    /// The method, in the owner's words.
    pub method: String,
    /// When the sample was taken; now when `None`.
    pub taken: Option<Timestamp>,
    /// The owner has been asked about an unlikely value and meant it.
    pub confirmed: bool,
}

/// A calibration as it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCalibration {
    pub head: Name,
    pub runs: Vec<CalibrationRun>,
    /// Step of the cylinder or scale, as a volume; zero when not known.
    pub resolution: Volume,
    /// What volumes were read from weights by, in words.
    pub weighing: String,
    /// In the owner's words: the tube, the vessel.
    pub method: String,
}

/// A check of a head as it is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewVerification {
    pub head: Name,
    /// The dose that was measured.
    pub dose: DoseId,
    /// What the books say that came out.
    pub expected: Volume,
    pub measured: Volume,
    /// As the owner wrote it.
    pub typed: String,
}

/// A fact as it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct NewFact {
    pub kind: crate::record::FactKind,
    /// What it is about.
    pub name: String,
    pub value: Option<f64>,
    /// One standard uncertainty of it.
    pub uncertainty: Option<f64>,
    pub text: String,
    /// When it was so; now when `None`.
    pub happened: Option<Timestamp>,
}

/// An uptake as it is told or accepted.
#[derive(Debug, Clone, PartialEq)]
pub struct NewUptake {
    pub of: Quantity,
    /// A day, in the quantity's unit.
    pub per_day: f64,
    pub how: crate::record::UptakeHow,
    /// The owner has been asked about an unlikely one and meant it.
    pub sure: bool,
}

/// A course as it is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCourse {
    /// Whether it has an aim or a review date.
    pub kind: crate::record::CourseKind,
    pub line: Name,
    pub raises: Quantity,
    /// By how much a day: meq/L for alkalinity, mg/L otherwise.
    pub rise_per_day: f64,
    /// Extra volume a day.
    pub extra: Volume,
    /// For how many days.
    pub days: u32,
    /// In the owner's words.
    pub note: String,
}

/// A changeover as it is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewChangeover {
    /// The line that fades out.
    pub from: Name,
    /// The line that fades in; it stands in the plan and gives nothing yet.
    pub to: Name,
    pub by: Quantity,
    /// Over how many days.
    pub days: u32,
    /// In the owner's words.
    pub note: String,
}

/// What to do with the changeover that is under way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChangeoverAction {
    /// Stay at the present step.
    Pause,
    /// Go on, a step further each day.
    Resume,
    /// Go back, a step each day.
    Back,
}

/// What to do with a course.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CourseAction {
    /// Give nothing of it until it is resumed.
    Pause,
    /// Give it again, from the next local day on.
    Resume,
    End,
    /// Let a top-up go on for so many days from tomorrow.
    Confirm {
        /// How many, at most 92.
        days: u32,
        /// When the sample was taken whose result shows that it is still needed.
        read: Timestamp,
    },
}
