//! The numbers of proposals, as they are shown and confirmed.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::chemistry::Quantity;
use crate::quantity::{Alkalinity, Millis, Name, Volume};
use crate::record::{Departure, Destination, DoseKind};

/// A course before it begins, with everything else that is in force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CourseFigures {
    /// The number that it will have.
    pub course: i64,
    pub what: Departure,
    /// Days of an addition; steps of a changeover.
    pub days: u32,
    /// First local date of an addition; the date from which a changeover's first step is looked at.
    pub since: Date,
    /// From today on.
    pub by_day: Vec<CourseDay>,
}

/// One local day of a course.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CourseDay {
    pub date: Date,
    /// Of each line that the course moves, all of it.
    #[serde(rename = "volumes_ul")]
    pub volumes: BTreeMap<Name, Volume>,
    /// What all lines add that day.
    #[serde(rename = "alkalinity_dkh")]
    pub alkalinity: Alkalinity,
    /// The most that any 24 h across the midnight before it may add; null for today, and where less is given.
    #[serde(rename = "across_midnight_dkh")]
    pub across_midnight: Option<Alkalinity>,
}

/// Every number of a dose by hand.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DoseFigures {
    pub line: Name,
    pub solution: Name,
    /// Whether it burns skin and eyes.
    pub caustic: bool,
    /// The most that it can be, for a run by time.
    #[serde(rename = "volume_ul")]
    pub volume: Volume,
    #[serde(rename = "run_time_ms")]
    pub run_time: Millis,
    pub kind: DoseKind,
    pub into: Destination,
    /// Most of the line in any hour.
    #[serde(rename = "hourly_cap_ul")]
    pub hourly_cap: Volume,
    /// The largest planned dose of the line.
    #[serde(rename = "usual_ul")]
    pub usual: Volume,
}

/// Every number of a new established uptake.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UptakeFigures {
    #[serde(rename = "quantity")]
    pub of: Quantity,
    /// In the quantity's unit.
    #[serde(rename = "uptake_per_day")]
    pub uptake: f64,
    /// `None` for the first of all.
    #[serde(rename = "before_per_day")]
    pub before: Option<f64>,
}
