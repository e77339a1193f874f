//! The picture of lab reports.

use jiff::Timestamp;

use super::axis::{TimeAxis, WIDTH};
use super::model::{PanelReport, Report};
use super::picture::Picture;
use super::plot::{DATES, Plot, Point};
use super::tables::Table;
use super::words::{fig, minute};
use crate::quantity::f64_from_usize;

const ROW: f64 = 26.0;

/// A row an element: where it lies between a quarter of natural and four times that.
pub(super) fn panel(rows: &[PanelReport], report: &Report, time: &TimeAxis) -> Picture {
    let height = ROW * f64_from_usize(rows.len()) + DATES + 4.0;
    let name = format!(
        "Lab reports over {} days against natural seawater, {} elements",
        report.days,
        rows.len()
    );
    let mut plot = Plot::new(name, height, time);
    for (number, row) in rows.iter().enumerate() {
        let middle = ROW * (f64_from_usize(number) + 0.5) + 2.0;
        element(&mut plot, row, middle, time);
    }
    let all = rows.iter().flat_map(|row| &row.values);
    let mut dates: Vec<Timestamp> = all.map(|value| value.at).collect();
    dates.sort();
    dates.dedup();
    let labs: Vec<String> = dates.iter().map(|at| minute(*at, &report.zone)).collect();
    Picture {
        id: "panels-natural".to_owned(),
        title: "Elements".to_owned(),
        words: format!("of {}", super::words::joined(&labs)),
        plot,
        table: panel_table(rows, &dates, &labs),
    }
}

fn element(plot: &mut Plot, row: &PanelReport, middle: f64, time: &TimeAxis) {
    if row.natural_mg_per_l.is_some() {
        plot.across("target", middle, (0.0, WIDTH));
    }
    let mut points: Vec<Point> = Vec::new();
    for value in &row.values {
        let natural = row.natural_mg_per_l.filter(|natural| *natural > 0.0);
        let ratio = natural.map_or(1.0, |natural| value.mg_per_l / natural);
        let octaves = ratio.max(1e-9).log2().clamp(-2.0, 2.0);
        let at = (time.x(value.at), middle - octaves * (ROW / 2.0 - 3.0) / 2.0);
        points.push(at);
        let class = match (value.below, value.low || value.high) {
            (true, _) => "dot below",
            (false, true) => "dot out",
            (false, false) => "dot",
        };
        plot.dot(class, at);
    }
    plot.line("joined", &points);
    plot.label("scale", (0.0, middle - 2.0), row.element.as_str());
    let words = row.values.last().map_or_else(String::new, |value| {
        let below = if value.below { "<" } else { "" };
        format!("{below}{} mg/L", fig(value.mg_per_l))
    });
    plot.label_at_end("name", middle - 3.0, &words);
}

fn panel_table(rows: &[PanelReport], dates: &[Timestamp], labs: &[String]) -> Table {
    let heads = ["element", "natural, mg/L"].into_iter();
    let heads: Vec<&str> = heads.chain(labs.iter().map(String::as_str)).collect();
    let mut table = Table::new(&heads);
    for row in rows {
        let cell = |at: &Timestamp| {
            let found = row.values.iter().find(|value| value.at == *at);
            found.map_or_else(String::new, |value| {
                let below = if value.below { "<" } else { "" };
                let judged = match (value.low, value.high) {
                    (true, _) => " low",
                    (false, true) => " high",
                    (false, false) => "",
                };
                format!("{below}{}{judged}", fig(value.mg_per_l))
            })
        };
        let natural = row.natural_mg_per_l.map_or_else(String::new, fig);
        let first = [row.element.to_string(), natural].into_iter();
        table.row(first.chain(dates.iter().map(cell)));
    }
    table
}
