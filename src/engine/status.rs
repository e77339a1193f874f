//! What is shown of the engine and of the daemon round it: one type for the socket, `--json` and, in parts, MQTT.
//!
//! Every key is always there; what is unknown is null. Units are in the keys, times are UTC, and ages are those at the moment in `at`,
//! so that a display can tell how old a value is however late it reads it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::alarms::Alarm;
use super::estimate_status::EstimateStatus;
use super::event::TrustSource;
use crate::config::{Mode, Origin};
use crate::quantity::{
    Alkalinity, FlowRate, Known, KnownSecond, Millis, Ml, Name, Second, Volume, worded,
};
use crate::record::{Corridor, Course, HoldScope, Observation};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Status {
    /// Whether outputs are really driven.
    pub mode: Mode,
    /// When this was so.
    #[serde(with = "Second")]
    pub at: Timestamp,
    /// The controller's name.
    pub name: Name,
    pub daemon: DaemonStatus,
    /// Whether everything is on hold.
    pub held: bool,
    /// All holds in force, those of single lines too.
    pub holds: Vec<HoldStatus>,
    pub clock: ClockStatus,
    pub ledger: LedgerStatus,
    /// Departures from the plan that are under way.
    pub courses: Vec<CourseStatus>,
    /// The next slot of any line that is not held.
    pub next_dose: Option<NextDose>,
    /// All contacts.
    pub inputs: Vec<InputStatus>,
    pub lines: Vec<LineStatus>,
    pub heads: Vec<HeadStatus>,
    pub reservoirs: Vec<ReservoirStatus>,
    pub water: WaterStatus,
    /// Latched ones included.
    pub alarms: Vec<Alarm>,
    /// Those of plan.toml.
    pub jobs: Vec<JobStatus>,
}

/// A job of the owner's that comes again and again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JobStatus {
    pub name: Name,
    pub every_days: f64,
    /// What does it without being told done: `panel`, `water-change`, or the word of what a test is of.
    pub ticked_by: Option<String>,
    /// Null when nothing says that it ever was.
    #[serde(with = "KnownSecond")]
    pub last_done: Option<Timestamp>,
    /// Null when it was never done: then it is due now.
    #[serde(with = "KnownSecond")]
    pub due_at: Option<Timestamp>,
    pub due: bool,
}

/// What only the shell knows of the daemon.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DaemonStatus {
    pub version: String,
    /// Identifies the meaning of the controller's file that is in force.
    pub controller_fingerprint: String,
    /// Identifies the meaning of the plan that is in force.
    pub plan_fingerprint: String,
    /// IANA name of the owner's zone.
    pub time_zone: String,
    /// Whether the owner's acceptance of the cautions is in force for this hardware.
    pub armed: bool,
    /// Why outputs are not driven although the configuration says live.
    pub not_live_because: Option<String>,
    /// How many times faster than real time virtual time runs; null in real time.
    pub warp: Option<u32>,
    /// How the connection to the MQTT broker is, in words; null when MQTT is off, and in what goes over MQTT itself.
    pub mqtt: Option<String>,
}

/// What the shell knows, for [`super::Engine::status`] to put in its place.
#[derive(Debug, Clone, Default)]
pub struct ShellFacts {
    pub daemon: DaemonStatus,
    /// Over the life of the ledger; a line that is missing is unknown.
    pub delivered: BTreeMap<Name, Volume>,
    /// How the thread of each driven head is scheduled.
    pub thread_priority: BTreeMap<Name, String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HoldStatus {
    /// Null for all dosing.
    pub line: Option<Name>,
    pub reason: String,
    pub who: String,
    #[serde(with = "Second")]
    pub since: Timestamp,
    /// When it ends by itself; null when only a resume lifts it.
    #[serde(with = "KnownSecond")]
    pub until: Option<Timestamp>,
    pub age_s: i64,
}

impl HoldStatus {
    pub fn scope(&self) -> HoldScope {
        self.line.clone().map_or(HoldScope::All, HoldScope::Line)
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClockStatus {
    /// Nothing is scheduled until it is.
    pub trusted: bool,
    /// Who vouches for it.
    pub by: Option<TrustSource>,
    /// Why it is not trusted.
    pub reason: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LedgerStatus {
    /// No dose starts when it is not.
    pub writable: bool,
    /// Why it is not.
    pub reason: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NextDose {
    pub line: Name,
    #[serde(with = "Second")]
    pub at: Timestamp,
    #[serde(rename = "volume_ml", with = "Ml")]
    pub volume: Volume,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct InputStatus {
    pub name: Name,
    /// Whether it counts as safe.
    pub safe: bool,
}

/// A course as it is on record, and how it stands in words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CourseStatus {
    #[serde(flatten)]
    pub course: Course,
    pub words: String,
}

worded! {
    /// What a line is doing.
    pub enum LineState {
        /// A dose runs, or is being stored.
        Dosing = "dosing",
        /// Waits for its next slot.
        Waiting = "waiting",
        Held = "held",
        /// Its outlet is out of the tank.
        Bench = "bench",
        /// An interlock does not allow its next dose.
        Blocked = "blocked",
        /// The plan does not name it.
        Unplanned = "unplanned",
    }
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LineStatus {
    pub name: Name,
    /// What leaves its outlet next.
    pub solution: Name,
    /// What its tube still holds of another solution than its bottle; null when nothing.
    pub tube: Option<TubeStatus>,
    pub reservoir: Name,
    /// Where the uptake comes from that its volume goes by; null when it goes by none.
    pub uptake_from: Option<Origin>,
    pub state: LineState,
    /// Why it is not dosing.
    pub reason: Option<Reason>,
    pub running: Option<RunningStatus>,
    /// On this local day.
    #[serde(rename = "delivered_today_ml", with = "Known")]
    pub delivered_today: Option<Volume>,
    /// When this local day began; null while the clock is not trusted.
    #[serde(with = "KnownSecond")]
    pub today_since: Option<Timestamp>,
    /// In the last 24 h of elapsed time.
    #[serde(rename = "delivered_24h_ml", with = "Known")]
    pub delivered_24h: Option<Volume>,
    /// Over the life of the ledger; never falls.
    #[serde(rename = "delivered_lifetime_ml", with = "Known")]
    pub delivered_lifetime: Option<Volume>,
    /// By the plan in force.
    #[serde(rename = "planned_ml_per_day", with = "Ml")]
    pub planned: Volume,
    /// By the standing plan, before limits.
    #[serde(rename = "plan_standing_ml_per_day", with = "Ml")]
    pub plan_standing: Volume,
    /// What was delivered in 24 h, of the plan in force.
    #[serde(with = "Known")]
    pub delivered_of_plan_percent: Option<f64>,
    /// As it is enforced, for any 24 h.
    #[serde(rename = "daily_cap_ml", with = "Ml")]
    pub daily_cap: Volume,
    /// As it is enforced.
    #[serde(rename = "dose_cap_ml", with = "Ml")]
    pub dose_cap: Volume,
    /// As it is enforced, for any 60 min.
    #[serde(rename = "hourly_cap_ml", with = "Ml")]
    pub hourly_cap: Volume,
    /// What the hourly cap leaves for sure.
    #[serde(rename = "hour_left_ml", with = "Known")]
    pub hour_left: Option<Volume>,
    /// What the daily cap still leaves.
    #[serde(rename = "cap_left_ml", with = "Known")]
    pub cap_left: Option<Volume>,
    /// Null while held, and when there is none within 400 days.
    pub next_slot: Option<SlotStatus>,
    pub last_dose: Option<LastDose>,
    /// The last slot that was refused since the last dose.
    pub last_refusal: Option<LastRefusal>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct TubeStatus {
    pub solution: Name,
    #[serde(rename = "left_ml", with = "Ml")]
    pub left: Volume,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Reason {
    /// Stable, for programs.
    pub code: String,
    pub text: String,
    /// Until when, if that is known.
    #[serde(with = "KnownSecond")]
    pub until: Option<Timestamp>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunningStatus {
    /// Number of the dose.
    pub dose: i64,
    /// What is meant.
    #[serde(rename = "volume_ml", with = "Ml")]
    pub volume: Volume,
    /// What has gone in by now, by time.
    #[serde(rename = "so_far_ml", with = "Ml")]
    pub so_far: Volume,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlotStatus {
    #[serde(with = "Second")]
    pub at: Timestamp,
    #[serde(rename = "volume_ml", with = "Ml")]
    pub volume: Volume,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LastDose {
    /// When it ended.
    #[serde(with = "Second")]
    pub at: Timestamp,
    #[serde(rename = "volume_ml", with = "Ml")]
    pub volume: Volume,
    pub age_s: i64,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct LastRefusal {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub text: String,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeadStatus {
    pub name: Name,
    /// The session at the bench that it is in.
    pub bench: Option<BenchStatus>,
    /// By calibration; null when it is not calibrated.
    #[serde(rename = "rate_ml_per_min", with = "Known")]
    pub rate: Option<FlowRate>,
    /// What starting and stopping add, by calibration.
    #[serde(rename = "offset_ml", with = "Known")]
    pub offset: Option<Volume>,
    /// Smallest dose that is metered, by calibration and configuration; null when none is.
    #[serde(rename = "dose_min_ml", with = "Known")]
    pub dose_min: Option<Volume>,
    /// Largest dose that is metered, likewise.
    #[serde(rename = "dose_max_ml", with = "Known")]
    pub dose_max: Option<Volume>,
    /// Shortest run that the calibration covers; null when it is not from runs.
    #[serde(rename = "run_min_ms")]
    pub run_min: Option<Millis>,
    /// Longest run that the calibration covers, likewise.
    #[serde(rename = "run_max_ms")]
    pub run_max: Option<Millis>,
    /// How far a dose within these limits may be off at 95 % confidence.
    #[serde(with = "Known")]
    pub tolerance_percent: Option<f64>,
    /// Why a calibrated head meters no dose.
    pub meters_nothing: Option<String>,
    /// How the calibration was got.
    pub calibration_method: Option<String>,
    pub calibration_age_s: Option<i64>,
    /// Run time since the calibration.
    pub run_since_calibration_s: Option<i64>,
    /// `real_time`, or `ordinary: ` and why real time was refused; null for a head that drives nothing.
    pub thread_priority: Option<String>,
}

/// A session at the bench.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct BenchStatus {
    /// Its number.
    pub session: i64,
    #[serde(with = "Second")]
    pub since: Timestamp,
    /// Nobody knows where the outlet is: what it gave counts as given to the tank.
    pub silent: bool,
    /// How many days the plan runs into a bucket; null when it waits.
    pub bucket_days: Option<u32>,
    /// The most that its runs may give together.
    #[serde(rename = "cap_ml", with = "Ml")]
    pub cap: Volume,
    /// What its runs gave so far.
    #[serde(rename = "given_ml", with = "Ml")]
    pub given: Volume,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReservoirStatus {
    pub name: Name,
    pub solution: Name,
    /// Who says so: a refill, or controller.toml, whose first one is taken until a refill tells.
    pub solution_from: Origin,
    /// By the books; null when nobody has told.
    #[serde(rename = "left_ml", with = "Known")]
    pub left: Option<Volume>,
    /// What is left above the reserve.
    #[serde(rename = "usable_ml", with = "Known")]
    pub usable: Option<Volume>,
    /// When full.
    #[serde(rename = "capacity_ml", with = "Ml")]
    pub capacity: Volume,
    /// What is never pumped.
    #[serde(rename = "reserve_ml", with = "Ml")]
    pub reserve: Volume,
    /// Until it is used up by the plan in force; null when nothing draws on it.
    #[serde(with = "Known")]
    pub days_left: Option<f64>,
    /// Whether the alarm of a low bottle is active; null when the content is unknown.
    pub low: Option<bool>,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WaterStatus {
    /// Established uptake of alkalinity; null when none is.
    #[serde(rename = "uptake_dkh_per_day", with = "Known")]
    pub uptake: Option<Alkalinity>,
    /// Starting values of plan.toml that are not in force any more, in words.
    pub starts_not_in_force: Vec<String>,
    /// What should be known beside the figures, in words.
    pub notes: Vec<String>,
    /// What the standing plan adds.
    #[serde(rename = "planned_dkh_per_day", with = "Known")]
    pub planned: Option<Alkalinity>,
    /// What the plan in force adds.
    #[serde(rename = "in_force_dkh_per_day", with = "Known")]
    pub in_force: Option<Alkalinity>,
    /// The most that may be added in 24 h.
    #[serde(rename = "allowed_dkh_per_day", with = "Known")]
    pub allowed: Option<Alkalinity>,
    /// The most that may be added in any 60 min.
    #[serde(rename = "allowed_dkh_per_hour", with = "Known")]
    pub allowed_in_hour: Option<Alkalinity>,
    pub allowed_because: Option<String>,
    /// Where alkalinity, calcium and magnesium most probably are and what is taken up of them, by their word: each that has a band, an
    /// uptake in force or a reading.
    pub estimates: BTreeMap<String, EstimateStatus>,
    /// How far the standing additions may follow the estimate by themselves.
    pub corridors: Vec<CorridorStatus>,
    /// The last reading of each thing, by its word.
    pub readings: BTreeMap<String, ReadingStatus>,
}

/// A corridor as it is on record, and how it stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CorridorStatus {
    #[serde(flatten)]
    pub corridor: Corridor,
    /// Why it does not step at present; null while it may.
    pub waits: Option<String>,
    pub words: String,
}

/// A reading as it is on record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReadingStatus {
    #[serde(flatten)]
    pub reading: Observation,
    pub age_s: i64,
}
