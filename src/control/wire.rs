//! What goes over the socket. These names are promises; core types are not serialised.

use crate::chemistry::Quantity;
use crate::record::UptakeHow;
use serde::{Deserialize, Serialize};

/// A request, one JSON object on one line, told apart by its `request`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "request", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Everything there is to show.
    Status,
    /// Stops one line, or all.
    Hold {
        /// The line; all when absent.
        line: Option<String>,
        reason: String,
    },
    /// Lifts the holds of one line, or those of all.
    Resume {
        /// The line; the holds on all dosing when absent.
        line: Option<String>,
    },
    /// First step of a dose by hand.
    PrepareDose {
        line: String,
        /// How much, in microlitres.
        volume_ul: i64,
        /// `hand`, `prime` or `calibration`.
        kind: String,
    },
    ConfirmDose {
        /// From the first step.
        token: u64,
        /// The volume again, in microlitres, when it was called unusual.
        repeated_volume_ul: Option<i64>,
    },
    /// First step of a run by time.
    PrepareRun {
        head: String,
        run_time_ms: i64,
        kind: String,
    },
    /// Second step of a run that somebody stands beside: it ends when this connection does, or is silent for 5 s.
    ConfirmRun {
        /// From the first step, of a dose too.
        token: u64,
    },
    StopRun {
        /// The number of the dose.
        dose: i64,
    },
    /// A metered run held against what was measured.
    Verify {
        head: String,
        /// The number of the dose.
        dose: i64,
        /// What the books say that came out, in microlitres.
        expected_ul: i64,
        /// What was measured, in microlitres.
        measured_ul: i64,
        /// As the owner wrote it.
        typed: String,
    },
    /// What a bottle holds now.
    Refill {
        reservoir: String,
        /// `full`, `to` or `add`.
        how: String,
        /// In microlitres; not for `full`.
        volume_ul: Option<i64>,
        /// In the owner's words.
        note: String,
    },
    /// A water test result.
    Reading(ReadingRequest),
    Calibrate(CalibrateRequest),
    /// A fact for the record.
    Fact {
        /// `water`, `change`, `correction`, `panel`, `panel-columns` or `water-change`.
        kind: String,
        /// What it is about.
        name: String,
        /// A number; absent when there is none.
        value: Option<f64>,
        /// One standard uncertainty; absent for a detection limit.
        uncertainty: Option<f64>,
        text: String,
        /// RFC 3339; now when absent.
        happened: Option<String>,
    },
    /// A course: so much more on one line for so many days, from the next local day on.
    CourseAdd {
        line: String,
        /// `alkalinity` or an element's symbol.
        raises: String,
        /// meq/L a day for alkalinity, mg/L a day otherwise.
        rise_per_day: f64,
        /// Extra volume a day, in microlitres.
        extra_ul: i64,
        /// For how many days.
        days: u32,
        kind: String,
        /// In the owner's words.
        note: String,
    },
    /// A top-up goes on after a new reading.
    CourseConfirm {
        number: i64,
        /// For how many days from tomorrow.
        days: u32,
        /// When the sample was taken, RFC 3339.
        read: String,
    },
    /// Pauses, resumes or ends a course.
    CourseSet {
        number: i64,
        /// `pause`, `resume` or `end`.
        action: String,
    },
    /// A changeover, from the next local day on.
    ChangeoverStart {
        /// The line that fades out.
        from: String,
        /// The line that fades in; it stands in the plan and gives nothing yet.
        to: String,
        /// What stays equal: `alkalinity` or an element's symbol.
        by: String,
        /// Over how many days.
        days: u32,
        /// In the owner's words.
        note: String,
    },
    /// What to do with the changeover that is under way.
    ChangeoverSet {
        /// `pause`, `resume` or `back`.
        action: String,
    },
    /// The owner tells or accepts an uptake.
    Uptake {
        of: Quantity,
        /// In the quantity's unit.
        per_day: f64,
        how: UptakeHow,
        /// Meant, however unlikely it is.
        sure: bool,
    },
    /// The plan file was edited.
    Reload,
    /// The wall clock is right, says the owner.
    TrustClock,
    /// An alarm has been seen.
    Acknowledge {
        /// Its code; all when absent.
        code: Option<String>,
    },
    /// The owner accepts that outputs are driven.
    Arm {
        /// What the asker was shown: configuration and board.
        fingerprint: String,
        /// The sentence as typed.
        sentence: String,
    },
    /// Outputs are no longer to be driven.
    Disarm,
    /// Dry run only: what a contact shows.
    SimulateInput {
        input: String,
        /// Whether it shows its safe level.
        safe: bool,
    },
}

/// A water test result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingRequest {
    /// `alkalinity` or an element's symbol.
    pub quantity: String,
    /// meq/L for alkalinity, mg/L otherwise.
    pub value: f64,
    /// One standard uncertainty in the same unit.
    pub uncertainty: f64,
    /// The value is a detection limit, and the result is below it.
    pub below: bool,
    /// In the owner's words.
    pub method: String,
    /// RFC 3339; now when absent.
    pub taken: Option<String>,
    /// The owner was asked about an unlikely value and meant it.
    pub sure: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrateRequest {
    pub head: String,
    pub runs: Vec<RunRequest>,
    /// Step of the cylinder or scale, in microlitres; 0 when not known.
    pub resolution_ul: i64,
    /// What volumes were read from weights by, in words.
    pub weighing: String,
    pub method: String,
}

/// One run of a calibration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RunRequest {
    /// How long the head was on.
    pub on_time_ms: i64,
    pub volume_ul: i64,
    /// As the owner wrote it.
    pub typed: String,
    /// The dose that it was; absent for a run that was timed by hand.
    pub dose: Option<i64>,
    /// Whether it counts; absent means that it does.
    #[serde(default = "yes")]
    pub used: bool,
}

const fn yes() -> bool {
    true
}

/// A response, one JSON object on one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// Whether it was done.
    pub ok: bool,
    /// Short stable code of the reason when it was not; absent otherwise.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub code: Option<String>,
    /// In words, with numbers and units.
    pub text: String,
    /// What belongs to it, by request.
    #[serde(skip_serializing_if = "serde_json::Value::is_null", default)]
    pub data: serde_json::Value,
}

impl Response {
    pub fn done(text: impl Into<String>, data: serde_json::Value) -> Self {
        Self {
            ok: true,
            code: None,
            text: text.into(),
            data,
        }
    }

    /// A no, with its reason.
    pub fn denied(code: &str, text: impl Into<String>) -> Self {
        Self {
            ok: false,
            code: Some(code.to_owned()),
            text: text.into(),
            data: serde_json::Value::Null,
        }
    }
}
