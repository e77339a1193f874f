//! Changeovers: shown day by day before they begin, listed, paused, turned, and put into the plan file when they are complete.

use std::io::Write;

use serde_json::{Value, json};

use super::args::Place;
use super::daemon::ask;
use super::exit::{self, Failure};
use super::ledger::open;
use super::out::Out;
use super::owner_args::{ChangeoverArgs, ChangeoverCommand, ChangeoverStart, ChangeoverSwap};
use super::plan_edit::{Edit, PlanChange, written_ml};
use super::words::{agreed, amount, configuration, unread, usage};
use crate::chemistry::{Element, Rises, figures};
use crate::config::{Controller, Loaded, Times};
use crate::control::Request;
use crate::daemon::machine_now;
use crate::plan::{
    ChangeoverShape, ChangeoverWish, across_midnights, drift_per_day, plan_daily_volumes,
    shape_changeover, shape_under_way,
};
use crate::quantity::{Alkalinity, Millis, Name, Volume, f64_from_i64, parse_volume};
use crate::record::{Changeover, ChangeoverState, Measured};

/// Everything about changeovers.
pub(super) fn changeover(
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
        ChangeoverCommand::Finish { yes, json } => finish(place, (*yes, *json), out),
        ChangeoverCommand::Swap(swap) => swap_bottle(place, swap, out),
    }
}

fn measure(word: &str) -> Result<Option<Element>, Failure> {
    let measured = Measured::from_word(word).ok_or_else(|| {
        usage(format!(
            "\"{word}\" is not known; give \"alkalinity\" or the symbol of an element such as \"Ca\""
        ))
    })?;
    Ok(measured.element().cloned())
}

/// The smallest dose of a line's head, by the configuration and by its newest calibration.
fn dose_min(place: &Place, controller: &Controller, line: &Name) -> Volume {
    let Some(config) = controller.lines.iter().find(|l| l.name == *line) else {
        return Volume::ZERO;
    };
    let head = controller.heads.get(&config.head);
    let calibrated = open(place)
        .ok()
        .and_then(|reader| reader.calibrations_of(&config.head).ok()?.pop()?.dose_min());
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
        (loaded.plan.uptake, today),
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

/// What else changes.
fn drifts(controller: &Controller, shape: &ChangeoverShape, out: &mut Out) -> Result<(), Failure> {
    let drifts = drift_per_day(controller, shape);
    if drifts.is_empty() {
        writeln!(out, "nothing else changes")?;
    }
    for (element, per_day) in drifts {
        let sign = if per_day < 0.0 { "less" } else { "more" };
        writeln!(
            out,
            "{}: {} {sign} each day afterwards, {} a year; {} over the changeover, if nothing takes it up",
            element.symbol(),
            amount(per_day.abs()),
            amount((per_day * 365.0).abs()),
            amount((per_day * over_the_changeover(shape)).abs())
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
    let mut newest: Vec<Changeover> = Vec::new();
    for row in rows {
        newest.retain(|known| known.number != row.number);
        newest.push(row);
    }
    Ok(newest)
}

/// The changeover that is under way, if one is.
pub(super) fn under_way(place: &Place) -> Result<Option<Changeover>, Failure> {
    Ok(newest(place)?.pop().filter(Changeover::is_under_way))
}

fn list(place: &Place, as_json: bool, out: &mut Out) -> Result<(), Failure> {
    let all = newest(place)?;
    if as_json {
        let rows: Vec<Value> = all
            .iter()
            .map(|c| {
                json!({
                    "changeover": c.number, "from": c.from.as_str(), "to": c.to.as_str(), "state": c.state.as_str(),
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
            c.number,
            c.from,
            c.to,
            c.state.as_str(),
            c.step,
            c.days,
            c.on
        )?;
    }
    Ok(())
}

/// Puts a complete changeover into the plan file.
fn finish(place: &Place, (yes, as_json): (bool, bool), out: &mut Out) -> Result<(), Failure> {
    let refused = |why: &str| Failure::new(exit::REFUSED, why.to_owned());
    let current = under_way(place)?.ok_or_else(|| refused("no changeover is under way"))?;
    if current.state != ChangeoverState::Complete {
        return Err(refused(
            "the changeover is not complete yet; `dosewright changeover list` shows its step",
        ));
    }
    let loaded = configuration(place)?;
    let change = PlanChange::prepare(
        place,
        &loaded.controller,
        &finishing(place, &loaded, &current)?,
    )?;
    if !as_json {
        writeln!(out, "plan.toml gets {}", change.words())?;
    }
    if !yes {
        agreed(
            "Change it? Type yes to go on:",
            "plan.toml is as it was",
            out,
        )?;
    }
    let response = change.apply(place)?;
    if as_json {
        Ok(out.json(&response)?)
    } else {
        Ok(writeln!(out, "{}", response.text)?)
    }
}

fn finishing(place: &Place, loaded: &Loaded, current: &Changeover) -> Result<Vec<Edit>, Failure> {
    let controller = &loaded.controller;
    let shape = shape_under_way((controller, &loaded.plan), &current.wish(), &|line| {
        dose_min(place, controller, line)
    })
    .map_err(|error| Failure::new(exit::REFUSED, error.to_string()))?;
    let full = shape.at(shape.days).to;
    let planned = loaded.plan.lines.iter().find(|l| l.line == current.to);
    let leader = planned.and_then(|l| match &l.times {
        Times::Follow { leader, .. } => Some(leader.clone()),
        Times::Spread { .. } | Times::At(_) | Times::Cron(_) => None,
    });
    let leader = leader.and_then(|leader| {
        let raw = loaded.plan.lines.iter().find(|l| l.line == leader);
        raw.map(|l| l.daily_volume)
    });
    let volume = Edit::volume(current.to.clone(), full.as_ml(), leader);
    Ok(vec![
        Edit::Standby(current.from.clone(), true),
        Edit::Standby(current.to.clone(), false),
        volume,
    ])
}

/// Another solution in the bottle of the same line: what follows from it, and when. Nothing is changed by it.
fn swap_bottle(place: &Place, swap: &ChangeoverSwap, out: &mut Out) -> Result<(), Failure> {
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let by = measure(&swap.by)?;
    let line = Name::new(&swap.line).map_err(usage)?;
    let tube = parse_volume(&swap.tube).map_err(usage)?;
    let config = controller.lines.iter().find(|l| l.name == line);
    let config = config.ok_or_else(|| usage(format!("there is no line {line}")))?;
    let to = Name::new(&swap.to).map_err(usage)?;
    let of = |name: &Name| {
        controller.solutions.get(name).map(|s| &s.effect).ok_or_else(|| {
            let known: Vec<&str> = controller.solutions.keys().map(Name::as_str).collect();
            usage(format!(
                "there is no solution {name}; describe it in controller.toml first; the solutions are: {}",
                known.join(", ")
            ))
        })
    };
    let standing = plan_daily_volumes(&loaded.plan)
        .get(&line)
        .copied()
        .filter(|v| *v > Volume::ZERO)
        .ok_or_else(|| usage(format!("line {line} gives nothing by plan")))?;
    let litre = Volume::from_ul(1_000_000);
    let per_litre = |name: &Name| -> Result<f64, Failure> {
        Ok(Rises::of(&[(of(name)?, litre)], controller.tank).measure(by.as_ref()))
    };
    let (old, new) = (per_litre(&config.solution)?, per_litre(&to)?);
    if !(old > 0.0 && new > 0.0) {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "one of the two solutions carries no {}; choose another measure with --by",
                swap.by
            ),
        ));
    }
    let volume = standing
        .scaled(old / new)
        .ok_or_else(|| usage("that volume cannot be counted"))?;
    let rises = |name: &Name, volume: Volume| {
        Ok::<_, Failure>(Rises::of(&[(of(name)?, volume)], controller.tank))
    };
    let swapped = Swapped {
        before: rises(&config.solution, standing)?,
        after: rises(&to, volume)?,
        standing,
        volume,
        tube,
        over_cap: (volume > config.daily_cap).then_some(config.daily_cap),
    };
    if swap.json {
        return Ok(out.json(&json!({
            "line": line.as_str(), "from": config.solution.as_str(), "to": to.as_str(), "daily_ul_before": standing.as_ul(),
            "daily_ul_after": volume.as_ul(), "tube_ul": tube.as_ul(), "hours_until_new_solution": swapped.until_new().as_secs() / 3600.0,
            "over_daily_cap": swapped.over_cap.is_some(),
            "drift_mg_per_l_per_day": swapped.after.more_than(&swapped.before).iter().map(|(e, d)| (e.symbol().to_owned(), json!(d))).collect::<serde_json::Map<_, _>>(),
        }))?);
    }
    swapped.say((&line, &config.solution, &to), &swap.by, out)
}

/// A swapped bottle worked out.
struct Swapped {
    before: Rises,
    after: Rises,
    standing: Volume,
    volume: Volume,
    tube: Volume,
    over_cap: Option<Volume>,
}

impl Swapped {
    /// How long what is in the tube lasts at the old volume.
    fn until_new(&self) -> Millis {
        let part = self.tube.as_ml() / self.standing.as_ml();
        Millis::from_secs_f64(part * 86_400.0).unwrap_or(Millis::MAX)
    }

    fn say(
        &self,
        (line, from, to): (&Name, &Name, &Name),
        by: &str,
        out: &mut Out,
    ) -> Result<(), Failure> {
        let dkh = |a: Alkalinity| figures(a.as_dkh());
        writeln!(
            out,
            "line {line}: {} of {from} a day are worth {} of {to} by {by}; alkalinity {} dKH a day before, {} after",
            self.standing,
            self.volume,
            dkh(self.before.alkalinity),
            dkh(self.after.alkalinity)
        )?;
        if let Some(cap) = self.over_cap {
            writeln!(
                out,
                "REFUSED as it stands: that is over the line's daily cap of {cap}; a stronger solution, or another cap, comes first"
            )?;
        }
        for (element, per_day) in self.after.more_than(&self.before) {
            let sign = if per_day < 0.0 { "less" } else { "more" };
            writeln!(
                out,
                "{}: {} {sign} each day, {} a year, at once and not faded in",
                element.symbol(),
                amount(per_day.abs()),
                amount((per_day * 365.0).abs())
            )?;
        }
        writeln!(
            out,
            "after the swap the tube still gives its {} of {from}, for {} at the old volume",
            self.tube,
            self.until_new()
        )?;
        writeln!(
            out,
            "1. dosewright hold {line} --reason \"bottle swap\"; change the bottle; dosewright refill its reservoir; dosewright resume {line}"
        )?;
        writeln!(
            out,
            "2. leave everything as it is until the tube is through ({})",
            self.until_new()
        )?;
        writeln!(
            out,
            "3. then write solution = \"{to}\" in controller.toml and daily-ml = {} in plan.toml, dosewright check, restart, arm again",
            written_ml(self.volume.as_ml())
        )?;
        writeln!(
            out,
            "CAUTION: lines that follow {line} in plan.toml change by the same factor; divide their ratio by it, or their elements are overdosed or run short\nbetween the swap and step 3 the books know the old solution only; where the new one is the stronger, do step 3 early rather than late. To fade over days, use a second line (dosewright changeover start)."
        )?;
        Ok(())
    }
}
