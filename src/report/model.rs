//! The report as one value. Units are in the names; amounts of a quantity are in its `unit`.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use crate::chemistry::{Measurand, Quantity};
use crate::engine::{AdviceDay, EstimateAt, EstimateStatus};
use crate::quantity::{FlowRate, Known, Ml, Name, Second, Volume};
use crate::record::UptakeHow;

#[derive(Debug, Clone, Serialize)]
pub struct Report {
    pub name: Name,
    #[serde(with = "Second")]
    pub at: Timestamp,
    /// The begin of the first local day.
    #[serde(with = "Second")]
    pub since: Timestamp,
    pub days: u32,
    pub time_zone: String,
    #[serde(skip)]
    pub zone: TimeZone,
    /// Whether outputs were driven by the daemon that wrote last.
    pub live: bool,
    /// Whether its days are virtual: invented or rehearsed.
    pub invented: bool,
    /// Null for a record of what was.
    pub rehearsed: Option<Rehearsed>,
    pub glance: Glance,
    pub due: Vec<Due>,
    /// What happened and whether it works, a sentence each; the first one answers.
    pub story: Vec<String>,
    pub water: Vec<WaterReport>,
    pub readings: Vec<ReadingsReport>,
    pub lines: Vec<LineReport>,
    pub bottles: Vec<BottleReport>,
    pub panels: Vec<PanelReport>,
    pub heads: Vec<HeadReport>,
    pub holds: Vec<Held>,
    /// What may have changed the water, oldest first.
    pub changes: Vec<Happened>,
    pub events: Vec<Happened>,
}

/// What of a report a model tank has made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Rehearsed {
    /// What lies before is on record.
    #[serde(with = "Second")]
    pub since: Timestamp,
    pub scenario: String,
    pub seed: u64,
    /// What went wrong, as the scenario had it.
    pub faults: Vec<Happened>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Wellness {
    Well,
    /// Well, with something to see to.
    SeeTo,
    NotWell,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Glance {
    pub wellness: Wellness,
    pub sentence: String,
}

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Due {
    /// Null for what is due at once.
    pub by: Option<Date>,
    pub what: String,
    pub presses: bool,
}

/// A quantity that there is an estimate of.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WaterReport {
    pub of: Quantity,
    pub unit: &'static str,
    pub target: Option<f64>,
    pub band_low: Option<f64>,
    pub band_high: Option<f64>,
    pub now: EstimateStatus,
    pub readings: Vec<Read>,
    /// As it was believed at the time.
    pub estimates: Vec<EstimateAt>,
    /// Should nothing be changed.
    pub outlook: Vec<AdviceDay>,
    /// By doses, each local day.
    pub added: Vec<(Date, f64)>,
    pub uptakes: Vec<UptakeSet>,
    /// Local midnights at which there was an estimate, and how many of them it was in the band.
    pub days_known: usize,
    pub days_in_band: usize,
    /// Why it should be left alone or changed.
    pub advice: String,
}

/// A test or a lab's value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Read {
    #[serde(with = "Second")]
    pub at: Timestamp,
    /// The detection limit, where it was below that.
    pub value: f64,
    pub below: bool,
    /// One standard uncertainty.
    pub uncertainty: f64,
}

/// An uptake that was put into force.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct UptakeSet {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub per_day: f64,
    pub how: UptakeHow,
}

/// Anything else that is read of the water.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReadingsReport {
    #[serde(serialize_with = "word")]
    pub of: Measurand,
    pub unit: &'static str,
    pub readings: Vec<Read>,
}

fn word<S: serde::Serializer>(of: &Measurand, out: S) -> Result<S::Ok, S::Error> {
    of.as_str().serialize(out)
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineReport {
    pub line: Name,
    pub solution: Name,
    pub days: Vec<Day>,
    pub doses: u64,
    pub slots_missed: u64,
    pub slots_refused: u64,
    pub all: Day,
}

/// One local day of a line, or all of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Day {
    pub date: Date,
    /// What its slots were to give.
    #[serde(rename = "planned_ml", with = "Ml")]
    pub planned: Volume,
    /// By slots, into the tank.
    #[serde(rename = "given_ml", with = "Ml")]
    pub given: Volume,
    /// Besides, into the tank.
    #[serde(rename = "by_hand_ml", with = "Ml")]
    pub by_hand: Volume,
    #[serde(rename = "missed_ml", with = "Ml")]
    pub missed: Volume,
    #[serde(rename = "refused_ml", with = "Ml")]
    pub refused: Volume,
    /// Of what was given: nobody knows how much of it really was.
    #[serde(rename = "uncertain_ml", with = "Ml")]
    pub uncertain: Volume,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BottleReport {
    pub bottle: Name,
    pub solution: Name,
    #[serde(rename = "capacity_ml", with = "Ml")]
    pub capacity: Volume,
    #[serde(rename = "reserve_ml", with = "Ml")]
    pub reserve: Volume,
    #[serde(rename = "left_ml", with = "Known")]
    pub left: Option<Volume>,
    pub days_left: Option<f64>,
    /// When its reserve is reached, by the plan in force.
    pub empty_on: Option<Date>,
    /// By the books, whenever it changed its course: at the end of each local day, and before and after a refill.
    #[serde(serialize_with = "levels")]
    pub levels: Vec<(Timestamp, Volume)>,
    pub refills: Vec<Refilled>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Refilled {
    #[serde(with = "Second")]
    pub at: Timestamp,
    #[serde(rename = "before_ml", with = "Known")]
    pub before: Option<Volume>,
    #[serde(rename = "level_ml", with = "Ml")]
    pub level: Volume,
    pub solution: Name,
}

fn levels<S: serde::Serializer>(levels: &[(Timestamp, Volume)], out: S) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    struct Level {
        #[serde(with = "Second")]
        at: Timestamp,
        #[serde(rename = "left_ml", with = "Ml")]
        left: Volume,
    }
    let each = levels.iter().map(|(at, left)| Level {
        at: *at,
        left: *left,
    });
    out.collect_seq(each)
}

/// An element of lab reports against natural seawater.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PanelReport {
    pub element: Quantity,
    pub natural_mg_per_l: Option<f64>,
    pub values: Vec<PanelValue>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PanelValue {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub lab: String,
    /// The detection limit, where it was not found.
    pub mg_per_l: f64,
    pub below: bool,
    /// Told apart from natural, and outside what is natural.
    pub low: bool,
    pub high: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeadReport {
    pub head: Name,
    pub tolerance_percent: f64,
    #[serde(rename = "rate_ml_per_min", with = "Known")]
    pub rate: Option<FlowRate>,
    /// Whether its line is to give anything at present.
    pub in_use: bool,
    /// When its calibration is old.
    pub due_on: Option<Date>,
    pub calibrations: Vec<Calibrated>,
    pub checks: Vec<Checked>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Calibrated {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub rate_ml_per_min: f64,
    /// Against the one before.
    pub change_percent: Option<f64>,
    pub runs: usize,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Checked {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub error_percent: f64,
    pub passed: bool,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Held {
    /// Null for all dosing.
    pub line: Option<Name>,
    #[serde(with = "Second")]
    pub since: Timestamp,
    /// Null while it lasts.
    pub until: Option<Timestamp>,
    pub reason: String,
    pub who: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Happened {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub what: String,
}
