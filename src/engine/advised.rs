//! What is advised of one water quantity. Amounts are in the quantity's own unit, dKH or mg/L; rates are a day's.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::estimate_status::EstimateStatus;
use super::figures::{CourseFigures, UptakeFigures};
use crate::chemistry::Quantity;
use crate::quantity::{Name, Second, Volume};

/// Where the water is, where it is going, what to do or not to do, and when to test next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Advice {
    #[serde(rename = "quantity")]
    pub of: Quantity,
    pub unit: String,
    /// When it was worked out.
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub verdict: Verdict,
    /// Why, with the numbers, and what to do about it.
    pub because: String,
    /// Null without a band.
    pub target: Option<f64>,
    /// How far from target is still well.
    pub well: Option<f64>,
    /// As in the status.
    pub water: EstimateStatus,
    pub adds: AddedNow,
    /// Should nothing be changed.
    pub as_it_is: Option<AdviceOutlook>,
    pub change: Option<AdviceChange>,
    pub next_test: Option<NextTestAdvice>,
    /// What the estimate does not see, in words.
    pub unseen: Vec<String>,
    /// The corridor that is granted, in words.
    pub corridor: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    LeaveAlone,
    Change,
    /// Nothing is proposed before something else is done.
    NotNow,
}

impl Verdict {
    pub const fn words(self) -> &'static str {
        match self {
            Self::LeaveAlone => "LEAVE IT ALONE",
            Self::Change => "CHANGE",
            Self::NotNow => "NOT NOW",
        }
    }
}

/// What the plan adds as it is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AddedNow {
    pub per_day: f64,
    /// On top, or less where negative, by courses for so many days.
    pub course_per_day: f64,
    pub course_days: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AdviceOutlook {
    /// Of the first so many days,
    pub weighed_days: usize,
    /// how many are likely spent too far from target.
    pub days_outside: f64,
    pub days: Vec<AdviceDay>,
}

/// The end of one day of an outlook.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AdviceDay {
    pub date: Date,
    pub added: f64,
    pub level: f64,
    pub level_low: f64,
    pub level_high: f64,
}

/// What is put into force together: the uptake that holds the level, and a course that brings it back and ends by itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AdviceChange {
    pub uptake: UptakeFigures,
    /// What each line that follows gives a day by it, without courses.
    #[serde(rename = "volumes_ul")]
    pub volumes: BTreeMap<Name, Volume>,
    pub course: Option<CourseFigures>,
    /// Why there is none although the level is off target.
    pub no_course: Option<String>,
    /// Why the uptake does not go as far as it should.
    pub held_back: Option<String>,
    /// Numbers of the courses that end with it.
    pub ends_courses: Vec<i64>,
    pub outlook: AdviceOutlook,
}

/// When to test next, and what such a test would teach: 95 % half widths on that day, before it and after it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NextTestAdvice {
    pub date: Date,
    pub in_days: usize,
    pub why: TestBecause,
    pub level_before: f64,
    pub level_after: f64,
    pub uptake_before: f64,
    pub uptake_after: f64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TestBecause {
    /// The newest reading does not fit; a second one decides.
    Questioned,
    /// By then the level may be too far from target.
    MayLeave,
    /// Nothing presses.
    Routine,
}
