//! From times and amounts to places in a picture.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::days::begin;
use crate::quantity::{f64_from_i64, i64_from_f64};

/// Pictures are as wide as the page; across it this many parts are counted.
pub(super) const WIDTH: f64 = 1000.0;

/// One for all pictures of a page: from the first local midnight to some days after now.
#[derive(Debug, Clone)]
pub(super) struct TimeAxis {
    from: Timestamp,
    pub(super) now: Timestamp,
    until: Timestamp,
    zone: TimeZone,
}

/// A line across all pictures: at a local midnight.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Tick {
    pub(super) x: f64,
    pub(super) label: String,
    /// A month begins here, or, in a short window, a week.
    pub(super) is_major: bool,
}

fn ms(from: Timestamp, until: Timestamp) -> f64 {
    f64_from_i64(until.as_millisecond().saturating_sub(from.as_millisecond()))
}

impl TimeAxis {
    pub(super) fn new(from: Timestamp, now: Timestamp, until: Timestamp, zone: &TimeZone) -> Self {
        Self {
            from,
            now,
            until: until.max(now),
            zone: zone.clone(),
        }
    }

    pub(super) fn x(&self, at: Timestamp) -> f64 {
        let whole = ms(self.from, self.until).max(1.0);
        (ms(self.from, at) / whole * WIDTH).clamp(0.0, WIDTH)
    }

    pub(super) fn date_x(&self, date: Date) -> Option<f64> {
        begin(&self.zone, date).map(|at| self.x(at))
    }

    pub(super) fn ends_by(&self) -> Timestamp {
        self.until
    }

    /// First days of months with their names; between them Mondays, or every day where there is room.
    pub(super) fn ticks(&self) -> Vec<Tick> {
        let days = ms(self.from, self.until) / 86_400_000.0;
        let mut ticks = Vec::new();
        let mut date = self.zone.to_datetime(self.from).date();
        let last = self.zone.to_datetime(self.until).date();
        while date <= last {
            let is_month = date.day() == 1;
            let is_monday = date.weekday() == jiff::civil::Weekday::Monday;
            let is_minor = days <= 35.0 || (is_monday && days <= 130.0);
            let label = if is_month && (days <= 450.0) {
                date.strftime(if days > 45.0 { "%b" } else { "%-d %b" })
                    .to_string()
            } else if is_monday && days <= 45.0 {
                date.strftime("%-d %b").to_string()
            } else {
                String::new()
            };
            if let Some(x) = self.date_x(date).filter(|_| is_month || is_minor) {
                ticks.push(Tick {
                    x,
                    label,
                    is_major: is_month || (is_monday && days <= 45.0),
                });
            }
            let Ok(next) = date.tomorrow() else { break };
            date = next;
        }
        ticks
    }
}

/// Amounts from the bottom to the top of a picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct ValueAxis {
    low: f64,
    high: f64,
    top: f64,
    bottom: f64,
}

impl ValueAxis {
    /// Round numbers round all that is shown, in a picture with these edges.
    pub(super) fn of(shown: impl Iterator<Item = f64>, (top, bottom): (f64, f64)) -> Self {
        let mut ends: Option<(f64, f64)> = None;
        for value in shown.filter(|value| value.is_finite()) {
            let (low, high) = ends.unwrap_or((value, value));
            ends = Some((low.min(value), high.max(value)));
        }
        let (low, high) = ends.unwrap_or((0.0, 1.0));
        let room = ((high - low) * 0.04).max(high.abs() * 1e-3).max(1e-9);
        Self {
            low: low - room,
            high: high + room,
            top,
            bottom,
        }
    }

    /// From nothing on.
    pub(super) fn from_zero(shown: impl Iterator<Item = f64>, edges: (f64, f64)) -> Self {
        let axis = Self::of(shown.chain([0.0]), edges);
        Self { low: 0.0, ..axis }
    }

    pub(super) fn y(&self, value: f64) -> f64 {
        let part = (value - self.low) / (self.high - self.low);
        (self.bottom - part * (self.bottom - self.top)).clamp(self.top - 2.0, self.bottom + 2.0)
    }

    /// Round numbers, a few of them, with as many decimals as they need.
    pub(super) fn ticks(&self, about: f64) -> Vec<(f64, String)> {
        let rough = (self.high - self.low) / about.max(1.0);
        let power = 10_f64.powf(rough.log10().floor());
        let steps = [1.0, 2.0, 5.0, 10.0].map(|step| step * power);
        let step = steps
            .into_iter()
            .find(|step| *step >= rough)
            .unwrap_or(power * 10.0);
        let decimals = i64_from_f64((-step.log10()).ceil().max(0.0)).unwrap_or(0);
        let decimals = usize::try_from(decimals).unwrap_or(0).min(6);
        let mut ticks = Vec::new();
        let mut at = (self.low / step).ceil() * step;
        while at <= self.high && ticks.len() < 12 {
            // Adding up steps never shows a zero with a sign.
            ticks.push((at, format!("{:.decimals$}", at + 0.0)));
            at += step;
        }
        ticks
    }
}
