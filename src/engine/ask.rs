//! What can be asked of the engine. The same type is what the socket carries and what a message on the broker comes to, and it is checked
//! where it is read: bounded words, volumes that can be, names that are names.

use jiff::Timestamp;
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize};

use super::filling::NewRefill;
use super::wish::{Confirm, Wish};
use crate::config::Right;
use crate::quantity::{FlowRate, Millis, Name, Volume, Words, positive};
use crate::record::{CalibrationRun, Columns, DoseId, HoldScope, Observed};

/// One command. Whatever changes what the water gets is prepared first, and confirmed as it was shown.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "command", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Command {
    /// Stop one line or all, until an explicit resume or for so long.
    Hold {
        #[serde(rename = "line")]
        scope: HoldScope,
        reason: Words,
        /// How long; until a resume when absent.
        #[serde(rename = "for_ms", default, skip_serializing_if = "Option::is_none")]
        length: Option<Millis>,
    },
    /// Lift all holds of this scope.
    Resume {
        #[serde(rename = "line")]
        scope: HoldScope,
    },
    /// First step: what would it be?
    Prepare(Wish),
    /// Second step: what was shown is put into force.
    Confirm(Confirm),
    /// What a bottle holds now; with another solution it is prepared.
    Refill(NewRefill),
    /// Something of the water: tests, a lab report, a water change, an addition by hand, a note.
    Tell(Tell),
    StopRun {
        dose: DoseId,
    },
    Calibrate(NewCalibration),
    /// A check of a head against its calibration.
    Verify(NewVerification),
    /// A session at the bench.
    Bench(BenchAsk),
    /// Something told, or a whole lab report, is to count no longer.
    TakeBack {
        number: i64,
        why: Words,
    },
    /// Pauses, resumes, turns, confirms or ends a course.
    SetCourse {
        number: i64,
        action: CourseAction,
    },
    /// The owner says the wall clock is right. With braces, because a unit variant would take any key.
    TrustClock {},
    /// The owner says that the clock was wrong while the record shows times from then to then.
    ClockWrong {
        from: Timestamp,
        to: Timestamp,
    },
    /// An alarm has been seen.
    Acknowledge {
        /// Its code; all when `None`.
        code: Option<Words>,
    },
    /// Raises an alarm that means nothing and ends by itself.
    TestAlarm {},
    /// Dry run only: what a contact shows.
    SimulateInput {
        input: Name,
        /// Whether it shows its safe level.
        safe: bool,
    },
}

impl Command {
    /// What whoever asks must be allowed to do.
    pub const fn right(&self) -> Right {
        match self {
            // Whoever may stop everything may stop one run.
            Self::Hold { .. } | Self::StopRun { .. } => Right::Hold,
            // Each lets dosing go on that something had stopped.
            Self::Resume { .. }
            | Self::TrustClock {}
            | Self::ClockWrong { .. }
            | Self::Acknowledge { .. } => Right::Resume,
            Self::Refill(_) => Right::Refill,
            // A test goes into the record and touches no dosing.
            Self::Tell(_) | Self::TakeBack { .. } | Self::TestAlarm {} => Right::Observe,
            Self::Calibrate(_) | Self::Verify(_) | Self::Bench(_) | Self::SimulateInput { .. } => {
                Right::Dose
            }
            Self::Prepare(wish) => wish.right(),
            Self::Confirm(confirm) => confirm.right(),
            Self::SetCourse { .. } => Right::Propose,
        }
    }
}

/// What is wanted of a session at the bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "bench", rename_all = "kebab-case", deny_unknown_fields)]
pub enum BenchAsk {
    /// The outlet is out of the tank from now on.
    Open(NewBench),
    /// The outlet is back in the tank.
    Back { head: Name },
    /// What came out in one of its runs.
    Measured(NewMeasured),
    /// The head has a new tube.
    NewTube { head: Name, note: Words },
}

/// What came out in a run at the bench; with `used: false` an entry that is taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewMeasured {
    pub head: Name,
    #[serde(deserialize_with = "told_run")]
    pub run: CalibrationRun,
}

/// A session as it is asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewBench {
    pub head: Name,
    /// The most that its runs may give; by the line when `None`.
    #[serde(rename = "cap_ul")]
    pub cap: Option<Volume>,
    /// How many days the plan runs into a bucket; it waits when `None`.
    pub bucket_days: Option<u32>,
    /// In the owner's words.
    pub note: Words,
}

/// What a correction is of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Replaces {
    pub number: i64,
    pub why: Words,
}

/// What is told of the water. The items of a lab are the rows of one report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tell {
    #[serde(deserialize_with = "told_items")]
    pub items: Vec<Observed>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lab: Option<Box<Lab>>,
    /// In the owner's words; that of what is replaced when empty.
    #[serde(default)]
    pub method: Words,
    /// When it was so; when `None`, that of what it replaces, or now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub happened: Option<Timestamp>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaces: Option<Replaces>,
    /// The owner has been asked about an unlikely value and meant it.
    #[serde(default)]
    pub sure: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Lab {
    pub name: Words,
    /// To be remembered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub columns: Option<Columns>,
}

/// A calibration as it is told.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewCalibration {
    pub head: Name,
    #[serde(deserialize_with = "told_runs")]
    pub runs: Vec<CalibrationRun>,
    /// Step of the cylinder or scale, as a volume; 1 when it is finer than a microlitre.
    #[serde(rename = "resolution_ul", deserialize_with = "positive")]
    pub resolution: Volume,
    /// What volumes were read from weights by, in words.
    pub weighing: Words,
    /// In the owner's words: the tube, the vessel.
    pub method: Words,
    /// The rate again, for one that was asked about.
    #[serde(default, rename = "sure_of_ml_per_min")]
    pub sure_of: Option<FlowRate>,
}

/// A check of a head as it is told.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewVerification {
    pub head: Name,
    /// The dose that was measured.
    pub dose: DoseId,
    /// What the books say that came out.
    #[serde(rename = "expected_ul", deserialize_with = "positive")]
    pub expected: Volume,
    #[serde(rename = "measured_ul", deserialize_with = "positive")]
    pub measured: Volume,
    /// As the owner wrote it.
    pub typed: Words,
}

/// What to do with a course.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum CourseAction {
    /// Give nothing of an addition until it is resumed; leave a changeover at its step.
    Pause,
    /// Give it again from the next local day on; a step further each day.
    Resume,
    /// Take a changeover back, a step each day.
    Back,
    End,
    /// Let a top-up go on for so many days from tomorrow.
    Confirm {
        /// How many, at most 92.
        days: u32,
        /// When the sample was taken whose result shows that it is still needed.
        read: Timestamp,
    },
}

/// Most runs of one calibration; nobody measures more.
pub(super) const RUNS_MAX: usize = 100;

fn told_run<'de, D: Deserializer<'de>>(deserializer: D) -> Result<CalibrationRun, D::Error> {
    checked(CalibrationRun::deserialize(deserializer)?).map_err(D::Error::custom)
}

fn checked(mut run: CalibrationRun) -> Result<CalibrationRun, String> {
    if !run.volume.is_told() {
        return Err(format!(
            "a run of {} is out of range; give 0.001 mL to 1000 L",
            run.volume
        ));
    }
    run.typed = Words::new(&run.typed).into();
    Ok(run)
}

fn told_runs<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<CalibrationRun>, D::Error> {
    let runs = Vec::<CalibrationRun>::deserialize(deserializer)?;
    if runs.len() > RUNS_MAX {
        return Err(D::Error::custom(format!(
            "more than {RUNS_MAX} runs are no calibration"
        )));
    }
    let all = runs.into_iter().map(checked).collect::<Result<_, _>>();
    all.map_err(D::Error::custom)
}

/// Most that is told at once; no lab finds more.
const ITEMS_MAX: usize = 500;

fn told_items<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Observed>, D::Error> {
    let items = Vec::<Observed>::deserialize(deserializer)?;
    if (1..=ITEMS_MAX).contains(&items.len()) {
        Ok(items)
    } else {
        Err(D::Error::custom(format!(
            "tell 1 to {ITEMS_MAX} items at once, not {}",
            items.len()
        )))
    }
}
