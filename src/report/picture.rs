//! What all pictures share: their frame, marks of what was changed, tests as dots.

use super::axis::{TimeAxis, ValueAxis, WIDTH};
use super::model::{Read, Report};
use super::plot::{DATES, Plot};
use super::tables::Table;

/// Half width of a 95 % interval in standard uncertainties.
pub(super) const Z95: f64 = 1.96;

pub(super) struct Picture {
    pub(super) id: String,
    pub(super) title: String,
    pub(super) words: String,
    pub(super) plot: Plot,
    pub(super) table: Table,
}

/// Where in a picture amounts may lie.
pub(super) const fn edges(height: f64) -> (f64, f64) {
    (14.0, height - DATES - 3.0)
}

/// Marks what may have changed the water, and shades what was on hold.
pub(super) fn marks(
    plot: &mut Plot,
    report: &Report,
    time: &TimeAxis,
    height: f64,
    numbered: bool,
) {
    let bottom = height - DATES;
    let since = report.rehearsed.as_ref().map(|rehearsed| rehearsed.since);
    if let Some(since) = since.filter(|since| *since > report.since) {
        plot.upright("rehearsed", time.x(since), (0.0, bottom));
        plot.label("name", (time.x(since), 10.0), "rehearsed from here");
    }
    let held = report.holds.iter().filter(|hold| hold.line.is_none());
    let held: Vec<_> = held
        .map(|hold| {
            let (from, to) = (time.x(hold.since), time.x(hold.until.unwrap_or(report.at)));
            (from, (to - from).max(2.0), bottom, 0.0)
        })
        .collect();
    plot.blocks("held", &held);
    for change in &report.changes {
        plot.upright("change", time.x(change.at), (bottom - 5.0, bottom));
    }
    if !numbered {
        return;
    }
    let mut last = -100.0;
    for (number, change) in report.changes.iter().enumerate() {
        let x = time.x(change.at);
        if x - last > 30.0 {
            plot.label("number", (x - 8.0, bottom - 7.0), &(number + 1).to_string());
            last = x;
        }
    }
}

pub(super) fn dots(
    plot: &mut Plot,
    readings: &[Read],
    band: Option<(f64, f64)>,
    (time, axis): (&TimeAxis, &ValueAxis),
) {
    for read in readings {
        let x = time.x(read.at);
        let half = Z95 * read.uncertainty;
        let is_out = band.is_some_and(|(low, high)| !(low..=high).contains(&read.value));
        if !read.below && half > 0.0 {
            let ends = (axis.y(read.value + half), axis.y(read.value - half));
            plot.upright(if is_out { "error out" } else { "error" }, x, ends);
        }
        let class = match (read.below, is_out) {
            (true, _) => "dot below",
            (false, true) => "dot out",
            (false, false) => "dot",
        };
        plot.dot(class, (x, axis.y(read.value)));
    }
}

/// The width of a day.
pub(super) fn day_width(report: &Report) -> f64 {
    let ahead = (f64::from(report.days) * 0.17).clamp(3.0, 60.0);
    WIDTH / (f64::from(report.days) + ahead)
}
