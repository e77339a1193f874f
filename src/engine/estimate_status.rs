//! What is shown of an estimate: in the status, in advice and over MQTT.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::Second;

/// An estimate at this moment. Null without a reading, and while the clock is not trusted.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EstimateStatus {
    /// Of all amounts here: dKH or mg/L.
    pub unit: String,
    pub level: Option<f64>,
    /// Low and high end of the 95 % interval.
    pub level_low: Option<f64>,
    pub level_high: Option<f64>,
    pub uptake_per_day: Option<f64>,
    pub uptake_low_per_day: Option<f64>,
    pub uptake_high_per_day: Option<f64>,
    /// Age of the newest reading.
    pub reading_age_s: Option<i64>,
    /// How many readings it rests on.
    pub readings: usize,
    /// In words, when the newest reading does not fit and waits for a second one.
    pub questioned: Option<String>,
    /// How the readings scatter about what was foretold, beside what kit and tank allow: 1 when as assumed.
    pub scatter: Option<f64>,
    /// In words, when that is much more or much less.
    pub liveliness: Option<String>,
    /// The newest break of the uptake.
    #[serde(rename = "break")]
    pub broke: Option<BreakStatus>,
}

/// What was believed at a time, by what was so until then; 95 % intervals.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EstimateAt {
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub level: f64,
    pub level_low: f64,
    pub level_high: f64,
    pub uptake_per_day: f64,
    pub uptake_low_per_day: f64,
    pub uptake_high_per_day: f64,
}

/// Uptake changed at once between two readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BreakStatus {
    #[serde(with = "Second")]
    pub since: Timestamp,
    #[serde(with = "Second")]
    pub seen: Timestamp,
    pub before_per_day: f64,
    pub after_per_day: f64,
    /// What the change journal has from the days before, in words.
    pub changes: Vec<String>,
}
