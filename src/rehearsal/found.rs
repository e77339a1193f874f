//! What a rehearsal found, in numbers.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Serialize;

use super::watch::Broken;
use crate::chemistry::{Quantity, Unit};
use crate::quantity::{Name, Second, Volume, f64_from_usize};

/// All of it, as `--json` prints it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Found {
    pub scenario: String,
    pub seed: u64,
    /// Local date of day 0.
    pub begins: Date,
    #[serde(skip)]
    pub zone: TimeZone,
    /// Days that were rehearsed.
    pub days: f64,
    /// When they are over.
    #[serde(with = "Second")]
    pub ends: Timestamp,
    /// Why it ended before its time.
    pub ended: Option<String>,
    pub events: u64,
    /// Of all events and effects: the same for the same run.
    pub digest: String,
    /// Heads that ran.
    pub doses: u64,
    /// Broken rules.
    pub violations: usize,
    /// The first of them.
    pub broken: Vec<Broken>,
    /// Changes of what the water gets that the owner was asked for.
    pub asked: usize,
    /// Changes of what the water gets that the owner made.
    pub changes: u64,
    /// What went wrong, as the scenario had it.
    pub faults: Vec<FaultMet>,
    pub water: BTreeMap<Quantity, WaterFound>,
    pub lines: BTreeMap<Name, LineFound>,
    /// Slots that were not given, by reason.
    pub refusals: BTreeMap<String, u64>,
    pub reservoirs: BTreeMap<Name, BottleFound>,
    /// What the owner was asked to see to.
    pub tasks: BTreeMap<String, Task>,
    /// What the owner wanted and was not given, by reason.
    pub denied: BTreeMap<String, u64>,
}

/// Where a quantity went, in its unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WaterFound {
    pub unit: &'static str,
    pub target: f64,
    pub band: Option<(f64, f64)>,
    /// Of alkalinity: of days, by their mean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub share_within_half_dkh: Option<f64>,
    /// The same of an element.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub share_within_5_percent: Option<f64>,
    /// From the target, at any hour.
    pub largest_distance: f64,
    pub largest_move_24h: f64,
    pub days_outside_band: usize,
    /// Mean of each day.
    pub by_day: Vec<f64>,
    /// Day and value of each test.
    pub readings: Vec<(i64, f64)>,
    /// Changes that the owner was asked for.
    pub asked: usize,
    pub changes_asked: Vec<Asked>,
    /// When advice was put off, and why.
    pub put_off: Vec<Asked>,
}

/// What an owner was told on a day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Asked {
    pub day: i64,
    pub told: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FaultMet {
    pub day: i64,
    #[serde(with = "Second")]
    pub at: Timestamp,
    pub what: &'static str,
    pub text: String,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct LineFound {
    pub doses: u64,
    /// What its slots were to give.
    #[serde(rename = "planned_ul")]
    pub planned: Volume,
    /// What really came out.
    #[serde(rename = "delivered_ul")]
    pub delivered: Volume,
    /// What came out besides, of a bottle that was empty in truth.
    #[serde(rename = "air_ul")]
    pub air: Volume,
    pub not_given: u64,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct BottleFound {
    /// From the begin on, as fast as its slots were to draw on it; none when nothing was to.
    pub lasts_days: Option<f64>,
    /// Days.
    pub refilled_on: Vec<i64>,
    /// Days on which a dose was refused because it was used up.
    pub empty_days: usize,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Task {
    pub times: u64,
    pub first_day: i64,
    pub last_day: i64,
    /// As it was first said.
    pub text: String,
}

/// A day counts as near the target within this: dKH, and the part of an element's target.
const NEAR_DKH: f64 = 0.5;
const NEAR_PART: f64 = 0.05;

impl WaterFound {
    /// From what it was at every full hour.
    pub(super) fn of(of: &Quantity, hours: &[f64], target: f64, band: Option<(f64, f64)>) -> Self {
        let mean = |day: &[f64]| day.iter().sum::<f64>() / f64_from_usize(day.len().max(1));
        let by_day: Vec<f64> = hours.chunks(24).map(mean).collect();
        let share_within = |near: f64| {
            let count = by_day
                .iter()
                .filter(|v| (*v - target).abs() <= near)
                .count();
            f64_from_usize(count) / f64_from_usize(by_day.len().max(1))
        };
        let (dkh, part) = match of.unit() {
            Unit::Dkh => (Some(share_within(NEAR_DKH)), None),
            Unit::MgPerL => (None, Some(share_within(NEAR_PART * target))),
        };
        let largest =
            |values: &mut dyn Iterator<Item = f64>| values.map(f64::abs).fold(0.0, f64::max);
        let day_later = hours.iter().skip(24).zip(hours);
        let outside = by_day
            .iter()
            .filter(|v| band.is_some_and(|(low, high)| **v < low || **v > high));
        Self {
            unit: of.unit().as_str(),
            target,
            band,
            share_within_half_dkh: dkh,
            share_within_5_percent: part,
            largest_distance: largest(&mut hours.iter().map(|v| v - target)),
            largest_move_24h: largest(&mut day_later.map(|(later, v)| later - v)),
            days_outside_band: outside.count(),
            by_day,
            readings: Vec::new(),
            asked: 0,
            changes_asked: Vec::new(),
            put_off: Vec::new(),
        }
    }
}
