//! Which pictures there are, in their order.

use jiff::SignedDuration;

use super::axis::TimeAxis;
use super::model::Report;
use super::of_labs::panel;
use super::of_lines::{bottle, daily, head};
use super::of_water::{level, other, uptake};
use super::picture::Picture;
use crate::quantity::i64_from_f64;

pub(super) const PLOT_STYLE: &str = include_str!("plot.css");

pub(super) struct Section {
    pub(super) id: &'static str,
    pub(super) title: &'static str,
    pub(super) words: String,
    pub(super) pictures: Vec<Picture>,
}

/// Each as a file of its own: name and text.
pub fn pictures(report: &Report) -> Vec<(String, String)> {
    let all = sections(report)
        .into_iter()
        .flat_map(|section| section.pictures);
    let each = all.map(|picture| {
        let text = picture.plot.drawn(Some(PLOT_STYLE)).into_string();
        (format!("{}.svg", picture.id), text)
    });
    each.collect()
}

pub(super) fn sections(report: &Report) -> Vec<Section> {
    let time = time_axis(report);
    let mut water = Vec::new();
    for (number, of) in report.water.iter().enumerate() {
        water.push(level(of, report, &time, number == 0));
        water.push(uptake(of, report, &time));
    }
    let readings = report.readings.iter().map(|of| other(of, report, &time));
    water.extend(readings);
    let lines = report.lines.iter().map(|line| daily(line, report, &time));
    let bottles = report.bottles.iter().map(|b| bottle(b, report, &time));
    let heads = report.heads.iter().map(|h| head(h, report, &time));
    let panels = (!report.panels.is_empty()).then(|| panel(&report.panels, report, &time));
    let all = [
        Section {
            id: "water",
            title: "The water",
            words: "Dots are tests with their 95 % interval; the line with its grey band is what was believed of the level at the time, by tests and doses together. Broken on, behind today: where it goes if nothing is changed. Small numbers are those of the journal below.".to_owned(),
            pictures: water,
        },
        Section {
            id: "doses",
            title: "What was given",
            words: "A day each, under the step of the plan. What did not go in stands out: filled when it was refused, hollow when it was missed, and with a broken edge when nobody saw its end.".to_owned(),
            pictures: lines.collect(),
        },
        Section {
            id: "bottles",
            title: "Bottles",
            words: "By the books, down to the reserve that is never pumped.".to_owned(),
            pictures: bottles.collect(),
        },
        Section {
            id: "panels",
            title: "Lab reports",
            words: "Against natural seawater at this salinity: the line in the middle is natural, the edges a quarter of it and four times it.".to_owned(),
            pictures: panels.into_iter().collect(),
        },
        Section {
            id: "heads",
            title: "Heads",
            words: "How far checks were off, against the tolerance; upright marks are calibrations.".to_owned(),
            pictures: heads.collect(),
        },
    ];
    all.into_iter()
        .filter(|section| !section.pictures.is_empty())
        .collect()
}

fn time_axis(report: &Report) -> TimeAxis {
    let ahead = (f64::from(report.days) * 0.17).clamp(3.0, 60.0);
    let hours = i64_from_f64(ahead * 24.0).unwrap_or(72);
    let until = report.at.checked_add(SignedDuration::from_hours(hours));
    TimeAxis::new(
        report.since,
        report.at,
        until.unwrap_or(report.at),
        &report.zone,
    )
}
