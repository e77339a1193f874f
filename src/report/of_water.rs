//! Pictures of the water: level, uptake, and what else is tested.

use jiff::Timestamp;

use super::axis::{TimeAxis, ValueAxis, WIDTH};
use super::model::{ReadingsReport, Report, WaterReport};
use super::picture::{Picture, Z95, day_width, dots, edges, marks};
use super::plot::{Plot, Point};
use super::tables::Table;
use super::words::{fig, minute};
use crate::chemistry::Measurand;
use crate::quantity::capital;

pub(super) fn level(of: &WaterReport, report: &Report, time: &TimeAxis, is_first: bool) -> Picture {
    let height = if is_first { 190.0 } else { 120.0 };
    let band = of.band_low.zip(of.band_high);
    let unit = of.unit;
    let title = capital(of.of.as_str());
    let tests = of
        .readings
        .iter()
        .flat_map(|r| [r.value - Z95 * r.uncertainty, r.value + Z95 * r.uncertainty]);
    let believed = of
        .estimates
        .iter()
        .flat_map(|e| [e.level_low, e.level_high]);
    let ahead = of.outlook.iter().flat_map(|d| [d.level_low, d.level_high]);
    let limits = [of.target, of.band_low, of.band_high].into_iter().flatten();
    let axis = ValueAxis::of(
        tests.chain(believed).chain(ahead).chain(limits),
        edges(height),
    );
    let mut plot = Plot::new(level_name(of, report), height, time);
    if let Some((low, high)) = band {
        plot.blocks("wanted", &[(0.0, WIDTH, axis.y(low), axis.y(high))]);
    }
    plot.scale(&axis, if is_first { 5.0 } else { 3.0 });
    marks(&mut plot, report, time, height, is_first);
    if let Some(target) = of.target {
        plot.across("target", axis.y(target), (0.0, WIDTH));
        plot.label_at_end(
            "name",
            axis.y(target) - 3.0,
            &format!("target {}", fig(target)),
        );
    }
    let line = |at: Timestamp, value: f64| (time.x(at), axis.y(value));
    let edges: Vec<_> = of
        .estimates
        .iter()
        .map(|e| (time.x(e.at), axis.y(e.level_low), axis.y(e.level_high)))
        .collect();
    plot.band("band", &edges);
    let points: Vec<Point> = of.estimates.iter().map(|e| line(e.at, e.level)).collect();
    plot.line("estimate", &points);
    outlook(&mut plot, of, report, (time, &axis));
    dots(&mut plot, &of.readings, band, (time, &axis));
    let now = of.now.level.map_or_else(
        || "no test yet".to_owned(),
        |level| format!("{} {unit} now. {}", fig(level), capital(&of.advice)),
    );
    Picture {
        id: format!("level-{}", of.of),
        title,
        words: now,
        plot,
        table: level_table(of, report),
    }
}

fn level_table(of: &WaterReport, report: &Report) -> Table {
    let unit = of.unit;
    let mut table = Table::new(&[
        "time",
        &format!("level, {unit}"),
        "95 % from",
        "to",
        "test",
        "+- (1 s)",
    ]);
    for e in &of.estimates {
        let test = of.readings.iter().find(|r| r.at == e.at);
        table.row([
            minute(e.at, &report.zone),
            fig(e.level),
            fig(e.level_low),
            fig(e.level_high),
            test.map_or_else(String::new, |r| {
                format!("{}{}", if r.below { "<" } else { "" }, fig(r.value))
            }),
            test.filter(|r| !r.below)
                .map_or_else(String::new, |r| fig(r.uncertainty)),
        ]);
    }
    table
}

fn level_name(of: &WaterReport, report: &Report) -> String {
    let now = of.now.level.map_or_else(
        || "not known".to_owned(),
        |level| format!("{} {} now", fig(level), of.unit),
    );
    format!(
        "{} over {} days: {} tests, {now}",
        of.of,
        report.days,
        of.readings.len()
    )
}

fn outlook(
    plot: &mut Plot,
    of: &WaterReport,
    report: &Report,
    (time, axis): (&TimeAxis, &ValueAxis),
) {
    let Some(last) = of.estimates.last().filter(|_| !of.outlook.is_empty()) else {
        return;
    };
    let x = time.x(report.at);
    let mut points: Vec<Point> = vec![(x, axis.y(last.level))];
    let mut edges = vec![(x, axis.y(last.level_low), axis.y(last.level_high))];
    for day in &of.outlook {
        let Some(x) = day
            .date
            .tomorrow()
            .ok()
            .and_then(|next| time.date_x(next))
            .filter(|x| *x < WIDTH)
        else {
            break;
        };
        points.push((x, axis.y(day.level)));
        edges.push((x, axis.y(day.level_low), axis.y(day.level_high)));
    }
    plot.band("band ahead", &edges);
    plot.line("estimate ahead", &points);
}

pub(super) fn uptake(of: &WaterReport, report: &Report, time: &TimeAxis) -> Picture {
    let height = 92.0;
    let unit = of.unit;
    let believed = of
        .estimates
        .iter()
        .flat_map(|e| [e.uptake_low_per_day, e.uptake_high_per_day]);
    let added = of.added.iter().map(|(_, amount)| *amount);
    let set = of.uptakes.iter().map(|set| set.per_day);
    let axis = ValueAxis::from_zero(believed.chain(added).chain(set), edges(height));
    let name = format!(
        "Uptake of {} over {} days, and what was added of it each day",
        of.of, report.days
    );
    let mut plot = Plot::new(name, height, time);
    plot.scale(&axis, 3.0);
    marks(&mut plot, report, time, height, false);
    let width = day_width(report);
    let bars: Vec<_> = of
        .added
        .iter()
        .filter_map(|(date, amount)| {
            let x = time.date_x(*date)?;
            (*amount > 0.0).then(|| (x, width * 0.8, axis.y(0.0), axis.y(*amount)))
        })
        .collect();
    plot.blocks("added", &bars);
    let edges: Vec<_> = of
        .estimates
        .iter()
        .map(|e| {
            (
                time.x(e.at),
                axis.y(e.uptake_low_per_day),
                axis.y(e.uptake_high_per_day),
            )
        })
        .collect();
    plot.band("band", &edges);
    let points: Vec<Point> = of
        .estimates
        .iter()
        .map(|e| (time.x(e.at), axis.y(e.uptake_per_day)))
        .collect();
    plot.line("estimate", &points);
    let steps = steps(of, report, (time, &axis));
    plot.line("in-force", &steps);
    if let Some((_, y)) = steps.last() {
        plot.label_at_end("name", y - 3.0, "plan goes by");
    }
    let words = of.now.uptake_per_day.map_or_else(
        || "not known without tests".to_owned(),
        |per_day| {
            format!(
                "{} {unit} a day now, and under it what was added",
                fig(per_day)
            )
        },
    );
    Picture {
        id: format!("uptake-{}", of.of),
        title: format!("Uptake of {}", of.of),
        words,
        plot,
        table: uptake_table(of, report),
    }
}

fn uptake_table(of: &WaterReport, report: &Report) -> Table {
    let unit = of.unit;
    let mut table = Table::new(&[
        "day",
        &format!("added, {unit}"),
        &format!("taken up, {unit} a day"),
        "95 % from",
        "to",
    ]);
    for (date, amount) in &of.added {
        let begins = super::days::begin(&report.zone, *date);
        let known = of.estimates.iter().find(|e| Some(e.at) == begins);
        let cell = |value: Option<f64>| value.map_or_else(String::new, fig);
        table.row([
            date.to_string(),
            fig(*amount),
            cell(known.map(|e| e.uptake_per_day)),
            cell(known.map(|e| e.uptake_low_per_day)),
            cell(known.map(|e| e.uptake_high_per_day)),
        ]);
    }
    table
}

/// The uptake that the plan went by.
fn steps(of: &WaterReport, report: &Report, (time, axis): (&TimeAxis, &ValueAxis)) -> Vec<Point> {
    let mut points: Vec<Point> = Vec::new();
    for set in &of.uptakes {
        let (x, y) = (time.x(set.at), axis.y(set.per_day));
        if let Some((_, before)) = points.last().copied() {
            points.push((x, before));
        }
        points.push((x, y));
    }
    if let Some((_, y)) = points.last().copied() {
        points.push((time.x(report.at), y));
    }
    points
}

pub(super) fn other(of: &ReadingsReport, report: &Report, time: &TimeAxis) -> Picture {
    let height = 74.0;
    let shown = of
        .readings
        .iter()
        .flat_map(|r| [r.value - Z95 * r.uncertainty, r.value + Z95 * r.uncertainty]);
    let axis = ValueAxis::of(shown, edges(height));
    let of_what = &of.of;
    let mut plot = Plot::new(
        format!(
            "{of_what} over {} days, {} tests",
            report.days,
            of.readings.len()
        ),
        height,
        time,
    );
    plot.scale(&axis, 2.0);
    marks(&mut plot, report, time, height, false);
    let points: Vec<Point> = of
        .readings
        .iter()
        .map(|r| (time.x(r.at), axis.y(r.value)))
        .collect();
    plot.line("joined", &points);
    dots(&mut plot, &of.readings, None, (time, &axis));
    let mut table = Table::new(&["time", &format!("{of_what} {}", of.unit), "+- (1 s)"]);
    for r in &of.readings {
        table.row([
            minute(r.at, &report.zone),
            format!("{}{}", if r.below { "<" } else { "" }, fig(r.value)),
            fig(r.uncertainty),
        ]);
    }
    let words = of.readings.last().map_or_else(String::new, |last| {
        format!(
            "{}{} on {}",
            if last.below { "below " } else { "" },
            format!("{} {}", fig(last.value), of.unit).trim_end(),
            minute(last.at, &report.zone)
        )
    });
    let title = if matches!(of_what, Measurand::Ph(_)) {
        "pH".to_owned()
    } else {
        capital(of_what.as_str())
    };
    Picture {
        id: format!("test-{}", of_what.as_str().replace(' ', "-")),
        title,
        words,
        plot,
        table,
    }
}
