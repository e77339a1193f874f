//! Pictures of what lines gave, what bottles held, and how heads met.

use super::axis::{TimeAxis, ValueAxis, WIDTH};
use super::model::{BottleReport, Day, HeadReport, LineReport, Report};
use super::picture::{Picture, day_width, edges, marks};
use super::plot::{Block, DATES, Plot, Point};
use super::tables::Table;
use super::words::{day, fig, minute, ml};
use crate::quantity::Volume;

pub(super) fn daily(line: &LineReport, report: &Report, time: &TimeAxis) -> Picture {
    let height = 70.0;
    let whole = |d: &Day| d.given.saturating_add(d.by_hand).as_ml();
    let axis = ValueAxis::from_zero(
        line.days.iter().flat_map(|d| [d.planned.as_ml(), whole(d)]),
        edges(height),
    );
    let name = format!(
        "Daily volume of line {} over {} days: {} given of {} planned",
        line.line,
        report.days,
        ml(line.all.given),
        ml(line.all.planned)
    );
    let mut plot = Plot::new(name, height, time);
    plot.scale(&axis, 2.0);
    marks(&mut plot, report, time, height, false);
    let width = day_width(report);
    let mut kinds: [(&str, Vec<Block>); 5] =
        ["given", "by-hand", "unsure", "refused", "missed"].map(|kind| (kind, Vec::new()));
    let mut plan: Vec<Point> = Vec::new();
    for d in &line.days {
        let Some(x) = time.date_x(d.date) else {
            continue;
        };
        let sure = d.given.saturating_sub(d.uncertain);
        let mut at = 0.0;
        for ((_, blocks), part) in
            kinds
                .iter_mut()
                .zip([sure, d.by_hand, d.uncertain, d.refused, d.missed])
        {
            if part > Volume::ZERO {
                let top = at + part.as_ml();
                blocks.push((x, width * 0.8, axis.y(at), axis.y(top)));
                at = top;
            }
        }
        let y = axis.y(d.planned.as_ml());
        plan.extend([(x, y), (x + width, y)]);
    }
    for (class, blocks) in &kinds {
        plot.blocks(class, blocks);
    }
    plot.line("plan", &plan);
    let most = line
        .days
        .iter()
        .map(|d| d.planned)
        .max()
        .unwrap_or_default();
    plot.label_at_end("name", axis.y(most.as_ml()) + 9.0, "plan");
    Picture {
        id: format!("line-{}", line.line),
        title: line.line.to_string(),
        words: daily_words(line),
        plot,
        table: daily_table(line),
    }
}

fn daily_table(line: &LineReport) -> Table {
    let mut table = Table::new(&[
        "day",
        "planned, mL",
        "given",
        "by hand",
        "missed",
        "refused",
        "of it uncertain",
    ]);
    let cell = |volume: Volume| {
        if volume == Volume::ZERO {
            String::new()
        } else {
            figure(volume)
        }
    };
    for d in &line.days {
        table.row([
            d.date.to_string(),
            figure(d.planned),
            figure(d.given),
            cell(d.by_hand),
            cell(d.missed),
            cell(d.refused),
            cell(d.uncertain),
        ]);
    }
    table
}

fn figure(volume: Volume) -> String {
    format!("{:.2}", volume.as_ml())
}

fn daily_words(line: &LineReport) -> String {
    let mut words = format!(
        "{}, {} of {} planned",
        line.solution,
        ml(line.all.given),
        ml(line.all.planned)
    );
    for (volume, what) in [
        (line.all.by_hand, "by hand besides"),
        (line.all.missed, "missed"),
        (line.all.refused, "refused"),
        (line.all.uncertain, "uncertain"),
    ] {
        if volume > Volume::ZERO {
            words = format!("{words}, {} {what}", ml(volume));
        }
    }
    words
}

pub(super) fn bottle(of: &BottleReport, report: &Report, time: &TimeAxis) -> Picture {
    let height = 70.0;
    let axis = ValueAxis::from_zero([of.capacity.as_ml()].into_iter(), edges(height));
    let left = of.left.map_or_else(|| "content not known".to_owned(), ml);
    let mut plot = Plot::new(
        format!("Bottle {} over {} days, now {left}", of.bottle, report.days),
        height,
        time,
    );
    plot.scale(&axis, 2.0);
    let points: Vec<Point> = of
        .levels
        .iter()
        .map(|(at, left)| (time.x(*at), axis.y(left.as_ml())))
        .collect();
    plot.line("estimate", &points);
    plot.across("target", axis.y(of.reserve.as_ml()), (0.0, WIDTH));
    plot.label_at_end("name", axis.y(of.reserve.as_ml()) - 3.0, "reserve");
    for refill in &of.refills {
        plot.dot("dot", (time.x(refill.at), axis.y(refill.level.as_ml())));
    }
    if let (Some(left), Some(days)) = (of.left, of.days_left) {
        let from = (time.x(report.at), axis.y(left.as_ml()));
        plot.line(
            "estimate ahead",
            &projected(of, report, (time, &axis), from, days),
        );
    }
    let mut table = Table::new(&["time", "in it, mL", "filled with"]);
    for (at, left) in &of.levels {
        let filled = of.refills.iter().find(|r| r.at == *at && r.level == *left);
        table.row([
            minute(*at, &report.zone),
            format!("{:.1}", left.as_ml()),
            filled.map_or_else(String::new, |r| r.solution.to_string()),
        ]);
    }
    let lasts = match (of.empty_on, of.days_left) {
        (Some(empty), Some(days)) => format!(", lasts until {} ({days:.0} days)", day(empty)),
        (Some(_) | None, _) => String::new(),
    };
    Picture {
        id: format!("bottle-{}", of.bottle),
        title: of.bottle.to_string(),
        words: format!("{}, {left} of {}{lasts}", of.solution, ml(of.capacity)),
        plot,
        table,
    }
}

/// Down to the reserve, or as far as the picture goes.
fn projected(
    of: &BottleReport,
    report: &Report,
    (time, axis): (&TimeAxis, &ValueAxis),
    from: Point,
    days: f64,
) -> Vec<Point> {
    let reserve = of.reserve.as_ml();
    let left = of.left.unwrap_or_default().as_ml();
    let ends = time.ends_by();
    let ms = ends
        .as_millisecond()
        .saturating_sub(report.at.as_millisecond());
    let room = crate::quantity::Millis::new(ms).as_days();
    if days <= room {
        let at = super::bottles::after(report.at, days).unwrap_or(ends);
        return vec![from, (time.x(at), axis.y(reserve))];
    }
    let then = left - (left - reserve) * room / days;
    vec![from, (WIDTH, axis.y(then))]
}

pub(super) fn head(of: &HeadReport, report: &Report, time: &TimeAxis) -> Picture {
    let height = 64.0;
    let tolerance = of.tolerance_percent;
    let shown = of.checks.iter().map(|check| check.error_percent);
    let axis = ValueAxis::of(shown.chain([-tolerance, tolerance]), edges(height));
    let name = format!(
        "Head {}: {} calibrations and {} checks over {} days",
        of.head,
        of.calibrations.len(),
        of.checks.len(),
        report.days
    );
    let mut plot = Plot::new(name, height, time);
    plot.blocks(
        "wanted",
        &[(0.0, WIDTH, axis.y(-tolerance), axis.y(tolerance))],
    );
    plot.across("target", axis.y(0.0), (0.0, WIDTH));
    plot.label(
        "scale",
        (0.0, axis.y(tolerance) - 2.0),
        &format!("+- {tolerance} %"),
    );
    for calibrated in &of.calibrations {
        let x = time.x(calibrated.at);
        plot.upright("calibrated", x, (2.0, height - DATES));
        if x < WIDTH * 0.8 {
            plot.label(
                "name",
                (x, 10.0),
                &format!("{} mL/min", fig(calibrated.rate_ml_per_min)),
            );
        }
    }
    let points: Vec<Point> = of
        .checks
        .iter()
        .map(|c| (time.x(c.at), axis.y(c.error_percent)))
        .collect();
    plot.line("joined", &points);
    for check in &of.checks {
        plot.dot(
            if check.passed { "dot" } else { "dot out" },
            (time.x(check.at), axis.y(check.error_percent)),
        );
    }
    let rate = of.rate.map_or_else(
        || "not calibrated".to_owned(),
        |rate| format!("{} mL/min", fig(rate.as_ml_per_min())),
    );
    let due = of
        .due_on
        .map_or_else(String::new, |due| format!(", calibrate by {}", day(due)));
    Picture {
        id: format!("head-{}", of.head),
        title: of.head.to_string(),
        words: format!("{rate}{due}"),
        plot,
        table: head_table(of, report),
    }
}

fn head_table(of: &HeadReport, report: &Report) -> Table {
    let mut table = Table::new(&[
        "time",
        "what",
        "rate, mL/min",
        "against the one before, %",
        "off, %",
    ]);
    for calibrated in &of.calibrations {
        let change = calibrated
            .change_percent
            .map_or_else(String::new, |c| format!("{c:+.1}"));
        table.row([
            minute(calibrated.at, &report.zone),
            format!("calibration of {} runs", calibrated.runs),
            fig(calibrated.rate_ml_per_min),
            change,
            String::new(),
        ]);
    }
    for check in &of.checks {
        table.row([
            minute(check.at, &report.zone),
            "check".to_owned(),
            String::new(),
            String::new(),
            format!("{:+.1}", check.error_percent),
        ]);
    }
    table
}
