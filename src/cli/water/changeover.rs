//! Changeovers: shown day by day before they begin, listed, paused and turned.

use std::io::Write;

use serde_json::{Value, json};

use crate::chemistry::Quantity;
use crate::chemistry::{Element, Rises};
use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::{ChangeoverArgs, ChangeoverCommand, ChangeoverStart};
use crate::cli::words::{agreed, amount, configuration, unread, usage};
use crate::config::Controller;
use crate::control::Request;
use crate::daemon::machine_now;
use crate::plan::{
    ChangeoverShape, ChangeoverWish, across_midnights, drift_per_day, shape_changeover,
};
use crate::quantity::{Name, Volume, f64_from_i64};
use crate::record::Changeover;

pub(in crate::cli) fn changeover(
    place: &Place,
    options: &ChangeoverArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    let set = |action: &str, json: bool, out: &mut Out| {
        let request = Request::ChangeoverSet {
            action: action.to_owned(),
        };
        ask(place, &request, json, out).map(drop)
    };
    match &options.command {
        ChangeoverCommand::Start(start) => begin(place, start, out),
        ChangeoverCommand::List { json } => list(place, *json, out),
        ChangeoverCommand::Pause { json } => set("pause", *json, out),
        ChangeoverCommand::Resume { json } => set("resume", *json, out),
        ChangeoverCommand::Back { json } => set("back", *json, out),
    }
}

pub(in crate::cli) fn measure(word: &str) -> Result<Option<Element>, Failure> {
    let measured = Quantity::from_word(word).ok_or_else(|| {
        usage(format!(
            "\"{word}\" is not known; give \"alkalinity\" or the symbol of an element such as \"Ca\""
        ))
    })?;
    Ok(measured.element().cloned())
}

/// The smallest dose of a line's head, by the configuration and by its newest calibration.
pub(in crate::cli) fn dose_min(place: &Place, controller: &Controller, line: &Name) -> Volume {
    let Some(config) = controller.lines.iter().find(|l| l.name == *line) else {
        return Volume::ZERO;
    };
    let head = controller.heads.get(&config.head);
    let calibrated = head.and_then(|head| {
        let stored = open(place).ok()?.calibrations_of(&head.name).ok()?.pop()?;
        let limits = stored.coverage(head.tolerance_percent).limits()?;
        Some(limits.smallest(&stored.calibration))
    });
    head.map_or(Volume::ZERO, |h| h.dose_min)
        .max(calibrated.unwrap_or(Volume::ZERO))
}

fn begin(place: &Place, start: &ChangeoverStart, out: &mut Out) -> Result<(), Failure> {
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let wish = ChangeoverWish {
        from: Name::new(&start.from).map_err(usage)?,
        to: Name::new(&start.to).map_err(usage)?,
        by: measure(&start.by)?,
        days: start.days,
    };
    let today = controller.time_zone.to_datetime(machine_now().wall).date();
    let shape = shape_changeover(
        (controller, &loaded.plan),
        &wish,
        (loaded.plan.alkalinity_uptake(), today),
        &|_| Volume::ZERO,
        &|line| dose_min(place, controller, line),
    )
    .map_err(|error| Failure::new(exit::REFUSED, format!("no such changeover: {error}")))?;
    if !start.json {
        show(controller, &shape, &start.by, out)?;
        let crossings =
            across_midnights(controller, &loaded.plan, (&shape, today), &|_| Volume::ZERO);
        let worst = crossings
            .iter()
            .max_by(|a, b| a.alkalinity.as_dkh().total_cmp(&b.alkalinity.as_dkh()));
        if let Some(worst) = worst {
            writeln!(
                out,
                "all lines add at most {:.3} dKH in any 24 h across a midnight (before day {})",
                worst.alkalinity.as_dkh(),
                worst.day
            )?;
        }
    }
    if !start.yes {
        agreed(
            "Begin it? Type yes to go on:",
            "no changeover was begun",
            out,
        )?;
    }
    let request = Request::ChangeoverStart {
        from: start.from.clone(),
        to: start.to.clone(),
        by: start.by.clone(),
        days: start.days,
        note: start.note.clone(),
    };
    ask(place, &request, start.json, out).map(drop)
}

/// What one line adds a day.
fn rises_of(controller: &Controller, line: &Name, volume: Volume) -> Rises {
    let config = controller.lines.iter().find(|l| l.name == *line);
    let effect = config
        .and_then(|l| controller.solutions.get(&l.solution))
        .map(|s| &s.effect);
    let parts: Vec<_> = effect.map(|e| (e, volume)).into_iter().collect();
    Rises::of(&parts, controller.tank)
}

fn show(
    controller: &Controller,
    shape: &ChangeoverShape,
    by: &str,
    out: &mut Out,
) -> Result<(), Failure> {
    let (from, to) = (&shape.from.line, &shape.to.line);
    writeln!(
        out,
        "from line {from} to line {to} over {} days, at equal {by}; begins with the next local day",
        shape.days
    )?;
    writeln!(
        out,
        "{:>4}  {:>14}  {:>14}  alkalinity a day of both",
        "day",
        from.as_str(),
        to.as_str(),
    )?;
    for step in 0..=shape.days {
        let day = shape.at(step);
        let dkh = |line: &Name, volume| rises_of(controller, line, volume).alkalinity.as_dkh();
        let (old, new) = (dkh(from, day.from), dkh(to, day.to));
        let number = if step == 0 {
            "now".to_owned()
        } else {
            step.to_string()
        };
        writeln!(
            out,
            "{number:>4}  {:>14}  {:>14}  {old:.3} + {new:.3} = {:.3} dKH",
            day.from.to_string(),
            day.to.to_string(),
            old + new
        )?;
    }
    let caps = |line: &Name| controller.lines.iter().find(|l| l.name == *line);
    for side in [&shape.from, &shape.to] {
        if let Some(line) = caps(&side.line) {
            writeln!(
                out,
                "line {}: {} doses a day of at least {}, caps {} a day and {} a dose",
                side.line, side.doses, side.dose_min, line.daily_cap, line.dose_cap
            )?;
        }
    }
    if let Some(limits) = &controller.alkalinity {
        writeln!(
            out,
            "the ramp allows uptake and {} a day, uptake alone without a fresh reading",
            limits.max_rise
        )?;
    }
    let skipped = (1..shape.days).any(|s| {
        let day = shape.at(s);
        day.from == Volume::ZERO || day.to == Volume::ZERO
    });
    if skipped {
        writeln!(
            out,
            "where a line's share would make doses that its head cannot meter, the other line gives all of it"
        )?;
    }
    drifts(controller, shape, out)?;
    writeln!(
        out,
        "a day on which line {to} gave less than half of its share is not a step; a missed dose is not made up for"
    )?;
    Ok(())
}

fn drifts(controller: &Controller, shape: &ChangeoverShape, out: &mut Out) -> Result<(), Failure> {
    let drifts = drift_per_day(controller, shape);
    if drifts.is_empty() {
        writeln!(out, "nothing else changes")?;
    }
    let over = over_the_changeover(shape);
    for (element, per_day) in drifts {
        let whole = format!(
            "; {} over the changeover, if nothing takes it up",
            amount((per_day * over).abs())
        );
        drift_lines(&[(element, per_day)], &whole, out)?;
    }
    Ok(())
}

/// How much more or less of each element is added from now on, a line each.
pub(in crate::cli) fn drift_lines(
    drifts: &[(Element, f64)],
    and: &str,
    out: &mut Out,
) -> Result<(), Failure> {
    for (element, per_day) in drifts {
        let sign = if *per_day < 0.0 { "less" } else { "more" };
        writeln!(
            out,
            "{}: {} {sign} each day afterwards, {} a year{and}",
            element.symbol(),
            amount(per_day.abs()),
            amount((per_day * 365.0).abs())
        )?;
    }
    Ok(())
}

/// Days' worth of the full change that the days of the changeover make together.
fn over_the_changeover(shape: &ChangeoverShape) -> f64 {
    let whole = f64_from_i64(shape.at(shape.days).to.as_ul()).max(1.0);
    (1..=shape.days)
        .map(|step| f64_from_i64(shape.at(step).to.as_ul()) / whole)
        .sum()
}

/// The newest row of each changeover.
fn newest(place: &Place) -> Result<Vec<Changeover>, Failure> {
    let rows = open(place)?.changeovers().map_err(|e| unread(&e))?;
    Ok(newest_of(rows, |row| row.number))
}

/// The last of the rows of each number, oldest first.
pub(in crate::cli) fn newest_of<T>(rows: Vec<T>, number: impl Fn(&T) -> i64) -> Vec<T> {
    let mut newest: Vec<T> = Vec::new();
    for row in rows {
        newest.retain(|known| number(known) != number(&row));
        newest.push(row);
    }
    newest
}

/// What is under way that makes the plan file's volumes not those in force, in words.
pub(in crate::cli) fn in_the_way(place: &Place) -> Result<Option<String>, Failure> {
    let fade = under_way(place)?;
    Ok(fade.map(|c| format!("changeover {} from {} to {}", c.number, c.from, c.to)))
}

/// The changeover that is under way, if one is.
pub(in crate::cli) fn under_way(place: &Place) -> Result<Option<Changeover>, Failure> {
    Ok(newest(place)?.pop().filter(Changeover::is_under_way))
}

fn list(place: &Place, as_json: bool, out: &mut Out) -> Result<(), Failure> {
    let all = newest(place)?;
    if as_json {
        let rows: Vec<Value> = all
            .iter()
            .map(|c| {
                json!({
                    "changeover": c.number, "from": c.from.as_str(), "to": c.to.as_str(), "state": c.state,
                    "step": c.step, "days": c.days, "by": c.by.as_str(), "on_date": c.on.to_string(), "note": c.note,
                })
            })
            .collect();
        return Ok(out.json(&rows)?);
    }
    if all.is_empty() {
        writeln!(out, "no changeover is on record")?;
    }
    for c in &all {
        let note = if c.note.is_empty() {
            String::new()
        } else {
            format!(" ({})", c.note)
        };
        writeln!(
            out,
            "changeover {} from {} to {}: {}, step {} of {} on {}{note}",
            c.number, c.from, c.to, c.state, c.step, c.days, c.on
        )?;
    }
    Ok(())
}
