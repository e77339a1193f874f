//! `check`: the start-up code, without starting anything.

use std::collections::BTreeMap;
use std::io::Write;

use clap::Args;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::json;

use super::explain::{effect_words, explain, times_words};
use crate::cli::words::put_in_force;
use crate::cli::{Failure, Out, Place, Result, Tone, exit};
use crate::config::Loaded;
use crate::daemon::{load_all, machine_now};
use crate::plan::{Schedule, Slot, plan_daily_volumes, planned_rise, uptake_from};
use crate::quantity::{Name, Volume};

/// Options of `check`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright check --config config\n          dosewright check --config config --day 2026-10-25\nExit code 0: no mistake. 78: mistakes, each named with its place; nothing would be started."
)]
pub(crate) struct Check {
    /// Show the slots of this local date (YYYY-MM-DD); today when left out
    #[arg(long, value_name = "DATE")]
    day: Option<jiff::civil::Date>,
    /// Show every limit, input and caution, and the slots of today too
    #[arg(long)]
    all: bool,
}

/// Loads both files exactly as the daemon does, and shows what would be in force.
pub(crate) fn check(place: &Place, options: &Check, out: &mut Out) -> Result {
    let mut loaded = match load_all(&place.config) {
        Ok(loaded) => loaded,
        Err(mistakes) if place.json => {
            let list: Vec<String> = mistakes.mistakes.iter().map(ToString::to_string).collect();
            out.json(&json!({ "ok": false, "mistakes": list }))?;
            out.flush()?;
            return Err(Failure::new(exit::CONFIG, ""));
        }
        Err(mistakes) => return Err(Failure::new(exit::CONFIG, mistakes.to_string())),
    };
    let notes = put_in_force(place, &mut loaded);
    let zone = loaded.controller.time_zone.clone();
    let day = options
        .day
        .unwrap_or_else(|| zone.to_datetime(machine_now().wall).date());
    let mut schedule = Schedule::new(loaded.controller.clone().into(), &loaded.plan);
    let daily = plan_daily_volumes(&loaded.plan);
    let slots = schedule
        .day(day, &daily)
        .map_err(|e| Failure::new(exit::CONFIG, format!("plan.toml: {day}: {e}")))?;
    if place.json {
        let slots: Vec<_> = slots
            .iter()
            .map(|s| json!({ "line": s.key.line.as_str(), "at": rfc3339(s.at, &zone), "volume_ul": s.volume.as_ul() }))
            .collect();
        let warnings: Vec<String> = loaded.warnings.iter().map(ToString::to_string).collect();
        out.json(&json!({
            "ok": true, "day": day.to_string(), "time_zone": loaded.controller.time_zone_name, "warnings": warnings, "notes": notes,
            "lines": lines(&loaded),
            "controller_fingerprint": loaded.controller_fingerprint, "plan_fingerprint": loaded.plan_fingerprint, "slots": slots,
        }))?;
        return Ok(());
    }
    for warning in &loaded.warnings {
        writeln!(out, "{} {warning}", out.tone(Tone::Bad, "warning"))?;
    }
    for note in notes {
        writeln!(out, "note: {note}")?;
    }
    if options.all {
        writeln!(out, "{}", explain(&loaded))?;
    } else {
        for line in matters(&loaded) {
            writeln!(out, "{line}")?;
        }
    }
    if options.all || options.day.is_some() {
        print_slots(&loaded, day, &slots, out)?;
    } else {
        writeln!(
            out,
            "every limit, input, caution and slot: `dosewright check --all`"
        )?;
    }
    let well = out.tone(Tone::Good, "no mistakes in controller.toml and plan.toml");
    Ok(writeln!(out, "{well}")?)
}

/// What the plan gives and what limits it, and what is kept apart.
fn matters(loaded: &Loaded) -> Vec<String> {
    let (controller, plan) = (&loaded.controller, &loaded.plan);
    let mut said = Vec::new();
    for line in &controller.lines {
        let planned = plan.lines.iter().find(|planned| planned.line == line.name);
        let gives = match planned {
            None => "not planned".to_owned(),
            Some(planned) if planned.gives.waits() => "waits for a changeover".to_owned(),
            Some(planned) => {
                let bottle = controller.reservoirs.get(&line.reservoir);
                let days = bottle.map_or(0.0, |bottle| {
                    bottle.capacity.saturating_sub(bottle.reserve).as_ml()
                        / planned.daily_volume.as_ml()
                });
                format!(
                    "{} a day, {}: {}; a full bottle is {days:.0} such days",
                    planned.daily_volume,
                    times_words(&planned.times),
                    effect_words(controller, &line.name, planned.daily_volume)
                )
            }
        };
        said.push(format!(
            "{}: {gives}; at most {} in any 24 h, {} a dose",
            line.name, line.daily_cap, line.dose_cap
        ));
    }
    for (of, limits) in &controller.water {
        let uptake = plan.uptakes.get(of).copied().unwrap_or(0.0);
        let planned = of.amount(planned_rise(plan, controller, of));
        let most = of.amount(uptake + limits.max_rise);
        let band = limits.tracked.map_or_else(
            || "no band, so no test of it is asked for".to_owned(),
            |band| {
                let ends = [
                    band.band_low,
                    band.band_high,
                    band.alarm_low,
                    band.alarm_high,
                ];
                let [low, high, alarm_low, alarm_high] = ends.map(|level| of.amount(level));
                format!("band {low} to {high}, alarm below {alarm_low} and above {alarm_high}")
            },
        );
        said.push(format!(
            "{of}: the plan adds {planned} a day, at most {most} in any 24 h; {band}"
        ));
    }
    let gaps = controller.apart.iter();
    said.extend(gaps.map(|rule| {
        format!(
            "{} and {} are kept {} apart",
            rule.first, rule.second, rule.gap
        )
    }));
    if controller.apart.is_empty() {
        said.push("no two solutions are kept apart".to_owned());
    }
    said
}

/// What is in force of each line, and whether it comes from a file or from the ledger.
fn lines(loaded: &Loaded) -> Vec<serde_json::Value> {
    let controller = &loaded.controller;
    let lines = controller.lines.iter().filter_map(|line| {
        let outlet = controller.outlet(&line.name)?;
        let tube = outlet.tube.map(
            |(solution, left)| json!({ "solution": solution.name.as_str(), "left_ul": left.as_ul() }),
        );
        let daily = plan_daily_volumes(&loaded.plan).get(&line.name).copied();
        let adds = outlet.solution().effect.carried(daily.unwrap_or_default(), controller.tank);
        Some(json!({
            "plan_daily_ul": daily.map(Volume::as_ul), "adds_per_day": adds, "unstated": outlet.solution().unstated,
            "line": line.name, "reservoir": line.reservoir, "solution": outlet.bottle.name,
            "solution_from": controller.content_from(&line.reservoir), "tube": tube,
            "uptake_from": uptake_from(&loaded.plan, &line.name),
        }))
    });
    lines.collect()
}

/// An instant with the offset of a zone.
fn rfc3339(at: Timestamp, zone: &TimeZone) -> String {
    at.display_with_offset(zone.to_offset(at)).to_string()
}

fn print_slots(loaded: &Loaded, day: jiff::civil::Date, slots: &[Slot], out: &mut Out) -> Result {
    let zone = &loaded.controller.time_zone;
    writeln!(
        out,
        "{}",
        out.tone(
            Tone::Strong,
            &format!("slots of {day} ({})", loaded.controller.time_zone_name)
        )
    )?;
    let width = slots
        .iter()
        .map(|s| s.key.line.as_str().len())
        .max()
        .unwrap_or(4);
    for slot in slots {
        let at = zone.to_datetime(slot.at);
        writeln!(
            out,
            "  {:02}:{:02}:{:02} {}  {:width$}  {}",
            at.hour(),
            at.minute(),
            at.second(),
            zone.to_offset(slot.at),
            slot.key.line,
            slot.volume
        )?;
    }
    let mut sums: BTreeMap<&Name, (usize, Volume)> = BTreeMap::new();
    for slot in slots {
        let sum = sums.entry(&slot.key.line).or_default();
        *sum = (sum.0 + 1, sum.1.saturating_add(slot.volume));
    }
    for (line, (count, volume)) in sums {
        writeln!(out, "  {line}: {volume} in {count} doses")?;
    }
    Ok(())
}
