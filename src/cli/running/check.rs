//! `check`: the start-up code, without starting anything.

use std::collections::BTreeMap;
use std::io::Write;

use clap::Args;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::json;

use super::explain::explain;
use crate::cli::words::put_in_force;
use crate::cli::{Failure, Out, Place, Result, Tone, exit};
use crate::config::Loaded;
use crate::daemon::{load_all, machine_now};
use crate::plan::{Schedule, Slot, plan_daily_volumes, uptake_from};
use crate::quantity::{Name, Volume};

/// Options of `check`.
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dosewright check --config config --day 2026-10-25\nExit code 0: no mistake. 78: mistakes, each named with its place; nothing would be started."
)]
pub(crate) struct Check {
    /// Show the slots of this local date (YYYY-MM-DD); today when left out
    #[arg(long, value_name = "DATE")]
    day: Option<jiff::civil::Date>,
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
    for note in notes {
        writeln!(out, "note: {note}")?;
    }
    print(&loaded, day, &slots, out)
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

fn print(loaded: &Loaded, day: jiff::civil::Date, slots: &[Slot], out: &mut Out) -> Result {
    for warning in &loaded.warnings {
        writeln!(out, "{} {warning}", out.tone(Tone::Bad, "warning"))?;
    }
    writeln!(out, "{}", explain(loaded))?;
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
    writeln!(
        out,
        "{}",
        out.tone(Tone::Good, "no mistakes in controller.toml and plan.toml")
    )?;
    Ok(())
}
