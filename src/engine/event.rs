//! What comes in.

use std::sync::Arc;

use jiff::Timestamp;

use super::effect::Ticket;
use crate::config::Plan;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{CalibrationRun, DoseId, DoseKind, HoldScope, Measured, ReadingValue, Who};

/// The time, on both clocks, as the shell read them together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// The wall clock. May step.
    pub wall: Timestamp,
    /// The elapsed clock of this boot. Counts through suspend, never steps.
    pub elapsed: Millis,
}

/// Something that happened.
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
    /// An intent is on disk.
    IntentStored(DoseId),
    /// An intent could not be stored.
    IntentFailed {
        /// Which.
        id: DoseId,
        /// Why.
        why: String,
    },
    /// A head has stopped, and its driver has seen it stop.
    RunEnded {
        /// Which dose it ran for.
        id: DoseId,
        /// What was measured.
        report: RunReport,
    },
    /// A head does not obey: it could not be switched off, or does not answer.
    PumpFault {
        /// Which.
        head: Name,
        /// What is wrong.
        why: String,
    },
    /// A plan was read again and found good.
    PlanReplaced {
        /// The new plan.
        plan: Arc<Plan>,
        /// Who waits for the answer.
        ticket: Option<Ticket>,
        /// Who asked.
        who: Who,
    },
    /// A contact was read.
    Input {
        /// Which.
        input: Name,
        /// Whether it shows its safe level; `None` when it could not be read.
        safe: Option<bool>,
    },
    /// The board's under-voltage flag.
    UnderVoltage(bool),
    /// Somebody wants something.
    Command {
        /// Who waits for the answer.
        ticket: Ticket,
        /// Who asks.
        who: Who,
        /// What.
        command: Command,
    },
    /// The daemon is being stopped: no new dose, all heads off.
    Stopping,
}

/// Who says that the wall clock is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
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
    /// Why it ended.
    pub end: RunEnd,
}

/// Why a run ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunEnd {
    /// It ran its time.
    Completed,
    /// It was stopped.
    Stopped,
    /// The driver failed.
    Failed {
        /// What is wrong.
        why: String,
    },
}

/// What can be asked of the engine.
#[derive(Debug, Clone, PartialEq)]
pub enum Command {
    /// Stop one line or all, until an explicit resume.
    Hold {
        /// What to stop.
        scope: HoldScope,
        /// Why.
        reason: String,
    },
    /// Lift all holds of this scope.
    Resume {
        /// Which.
        scope: HoldScope,
    },
    /// First step of a dose by hand: what would it be?
    PrepareDose {
        /// The line.
        line: Name,
        /// How much.
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
        /// The bottle.
        reservoir: Name,
        /// Its content.
        level: RefillLevel,
        /// In the owner's words.
        note: String,
    },
    /// A water test result.
    AddReading(NewReading),
    /// First step of a run by time: what it would give at most, and how long it takes.
    PrepareRun {
        /// The head.
        head: Name,
        /// How long.
        run_time: Millis,
        /// Priming, or a calibration run.
        kind: DoseKind,
    },
    /// Ends one run.
    StopRun {
        /// Which.
        dose: DoseId,
    },
    /// A head's calibration.
    Calibrate(NewCalibration),
    /// A check of a head against its calibration.
    Verify(NewVerification),
    /// A fact for the record.
    AddFact(NewFact),
    /// A course, from the next local day on.
    AddCourse(NewCourse),
    /// Pauses, resumes or ends a course.
    SetCourse {
        /// Its number.
        number: i64,
        /// What to do with it.
        action: CourseAction,
    },
    /// A changeover, from the next local day on.
    StartChangeover(NewChangeover),
    /// Another solution is in the bottle of a line.
    StartSwap(NewSwap),
    /// Pauses, resumes or turns the changeover that is under way.
    SetChangeover(ChangeoverAction),
    /// The owner accepts this uptake per day; within the same limits as a declaration in the plan.
    AcceptUptake(crate::quantity::Alkalinity),
    /// The owner says the wall clock is right.
    TrustClock,
    /// An alarm has been seen.
    Acknowledge {
        /// Its code; all when `None`.
        code: Option<String>,
    },
    /// Dry run only: what a contact shows.
    SimulateInput {
        /// Which.
        input: Name,
        /// Whether it shows its safe level.
        safe: bool,
    },
}

/// How a refill is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RefillLevel {
    /// To its capacity.
    Full,
    /// To this content.
    To(Volume),
    /// By this much more.
    Add(Volume),
}

/// A reading as it is entered.
#[derive(Debug, Clone, PartialEq)]
pub struct NewReading {
    /// What was measured.
    pub measured: Measured,
    /// The result.
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
    /// The head.
    pub head: Name,
    /// Its runs.
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
    /// The head.
    pub head: Name,
    /// The dose that was measured.
    pub dose: DoseId,
    /// What the books say that came out.
    pub expected: Volume,
    /// What was measured.
    pub measured: Volume,
    /// As the owner wrote it.
    pub typed: String,
}

/// A fact as it is told.
#[derive(Debug, Clone, PartialEq)]
pub struct NewFact {
    /// What kind.
    pub kind: crate::record::FactKind,
    /// What it is about.
    pub name: String,
    /// A number.
    pub value: Option<f64>,
    /// One standard uncertainty of it.
    pub uncertainty: Option<f64>,
    /// In words.
    pub text: String,
    /// When it was so; now when `None`.
    pub happened: Option<Timestamp>,
}

/// A course as it is asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCourse {
    /// Whether it has an aim or a review date.
    pub kind: crate::record::CourseKind,
    /// The line.
    pub line: Name,
    /// What it raises.
    pub raises: Measured,
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
    /// The line that fades in; on standby in the plan.
    pub to: Name,
    /// What stays equal.
    pub by: Measured,
    /// Over how many days.
    pub days: u32,
    /// In the owner's words.
    pub note: String,
}

/// A swapped bottle as it is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewSwap {
    /// The line.
    pub line: Name,
    /// The solution in the new bottle.
    pub to: Name,
    /// What stays equal.
    pub by: Measured,
    /// What the tube holds between bottle and outlet.
    pub tube: Volume,
    /// The daily volume of the new solution that the owner was shown; `None` when nothing was shown.
    pub expected: Option<Volume>,
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
    /// End it now.
    End,
    /// Let a top-up go on for so many days from tomorrow.
    Confirm {
        /// How many, at most 92.
        days: u32,
        /// When the sample was taken whose result shows that it is still needed.
        read: Timestamp,
    },
}
