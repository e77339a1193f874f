//! Changeovers: shown day by day before they begin, listed, paused, turned, and put into the plan file when they are complete.

use std::io::Write;

use serde_json::{Value, json};

use crate::chemistry::{Element, Quantity};
use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::proposal::{Consent, propose};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::{ChangeoverArgs, ChangeoverCommand, ChangeoverStart};
use crate::cli::water::plan_edit::{Edit, PlanChange, written_ml};
use crate::cli::words::{agreed, configuration, unread, usage};
use crate::config::{Controller, Loaded, Plan};
use crate::engine::{ChangeoverAction, Command, NewChangeover, Wish};
use crate::plan::{followers_of, leader_of, shape_under_way};
use crate::quantity::{Name, Volume};
use crate::record::{Changeover, ChangeoverState};

pub(in crate::cli) fn changeover(
    place: &Place,
    options: &ChangeoverArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    let set = |action, json: bool, out: &mut Out| {
        let command = Command::SetChangeover { action };
        ask(place, &command.into(), json, out).map(drop)
    };
    match &options.command {
        ChangeoverCommand::Start(start) => begin(place, start, out),
        ChangeoverCommand::List { json } => list(place, *json, out),
        ChangeoverCommand::Pause { json } => set(ChangeoverAction::Pause, *json, out),
        ChangeoverCommand::Resume { json } => set(ChangeoverAction::Resume, *json, out),
        ChangeoverCommand::Back { json } => set(ChangeoverAction::Back, *json, out),
        ChangeoverCommand::Finish { yes, json } => finish(place, (*yes, *json), out),
        ChangeoverCommand::Swap(swap) => crate::cli::water::swap::begin(place, swap, out),
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
    let wish = Wish::Changeover(NewChangeover {
        from: Name::new(&start.from).map_err(usage)?,
        to: Name::new(&start.to).map_err(usage)?,
        by: measure(&start.by)?.map_or(Quantity::Alkalinity, Quantity::Element),
        days: start.days,
        note: start.note.as_str().into(),
    });
    let consent = Consent {
        yes: start.yes,
        json: start.json,
        question: "Begin it? Type yes to go on:",
        otherwise: "no changeover was begun",
    };
    propose(place, wish, &consent, out)
}

/// What the line that this one follows gives a day; `None` for one that follows none.
pub(in crate::cli) fn leader_volume(plan: &Plan, line: &Name) -> Option<Volume> {
    let leader = leader_of(plan, line)?;
    let leader = plan.lines.iter().find(|l| l.line == *leader)?;
    Some(leader.daily_volume)
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
    let swap = crate::cli::water::swap::under_way(place)?;
    let swap = swap.map(|s| format!("bottle swap {} on line {}", s.number, s.line));
    let fade = under_way(place)?;
    let fade = fade.map(|c| format!("changeover {} from {} to {}", c.number, c.from, c.to));
    Ok(swap.or(fade))
}

/// The changeover that is under way, if one is.
pub(in crate::cli) fn under_way(place: &Place) -> Result<Option<Changeover>, Failure> {
    Ok(newest(place)?.pop().filter(Changeover::is_under_way))
}

fn list(place: &Place, as_json: bool, out: &mut Out) -> Result<(), Failure> {
    let (all, swaps) = (newest(place)?, crate::cli::water::swap::newest(place)?);
    if as_json {
        let mut rows: Vec<Value> = all
            .iter()
            .map(|c| {
                json!({
                    "changeover": c.number, "from": c.from.as_str(), "to": c.to.as_str(), "state": c.state.as_str(),
                    "step": c.step, "days": c.days, "by": c.by.as_str(), "on_date": c.on.to_string(), "note": c.note,
                })
            })
            .collect();
        rows.extend(swaps.iter().map(|s| {
            json!({
                "swap": s.number, "line": s.line.as_str(), "from": s.from.as_str(), "to": s.to.as_str(), "state": s.state.as_str(),
                "tube_ul": s.tube.as_ul(), "daily_ul_before": s.before.as_ul(), "daily_ul_after": s.after.as_ul(), "by": s.by.as_str(), "note": s.note,
            })
        }));
        return Ok(out.json(&rows)?);
    }
    if all.is_empty() && swaps.is_empty() {
        writeln!(out, "no changeover is on record")?;
    }
    for swap in &swaps {
        writeln!(out, "{swap}")?;
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
    if let Some(swap) = crate::cli::water::swap::under_way(place)? {
        return crate::cli::water::swap::finish(place, &swap, (yes, as_json), out);
    }
    let current = under_way(place)?.ok_or_else(|| refused("no changeover is under way"))?;
    if current.state != ChangeoverState::Complete {
        return Err(refused(
            "the changeover is not complete yet; `dosewright changeover list` shows its step",
        ));
    }
    let loaded = configuration(place)?;
    let (edits, along) = finishing(place, &loaded, &current)?;
    let all = [edits.as_slice(), along.as_slice()].concat();
    let (change, left) = match PlanChange::prepare(place, &loaded.controller, &all) {
        Ok(change) => (change, along.is_empty()),
        Err(_) if !along.is_empty() => (
            PlanChange::prepare(place, &loaded.controller, &edits)?,
            true,
        ),
        Err(failure) => return Err(failure),
    };
    if !as_json {
        writeln!(out, "plan.toml gets {}", change.words())?;
        for (line, _) in left_behind(&loaded.plan, &current).filter(|_| left) {
            writeln!(
                out,
                "CAUTION: line {line} keeps its volume and still follows {}, so it will not go along when line {} is changed; give it times of its own",
                current.from, current.to
            )?;
        }
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

/// Lines that follow the old line, but for the new one.
fn left_behind(plan: &Plan, current: &Changeover) -> impl Iterator<Item = (Name, Volume)> {
    let followers = followers_of(plan, &current.from).into_iter();
    followers.filter(|(line, _)| *line != current.to)
}

/// What the plan file gets: both lines as they are now, and apart from it what has the followers of the old line follow the new one at the
/// volume that they have; nothing of that when the new one follows another itself.
fn finishing(
    place: &Place,
    loaded: &Loaded,
    current: &Changeover,
) -> Result<(Vec<Edit>, Vec<Edit>), Failure> {
    let controller = &loaded.controller;
    let shape = shape_under_way((controller, &loaded.plan), &current.wish(), &|line| {
        dose_min(place, controller, line)
    })
    .map_err(|error| Failure::new(exit::REFUSED, error.to_string()))?;
    let full = shape.at(shape.days).to;
    let leader = leader_volume(&loaded.plan, &current.to);
    let edits = vec![
        Edit::Standby(current.from.clone(), true),
        Edit::Standby(current.to.clone(), false),
        Edit::volume(current.to.clone(), full.as_ml(), leader),
    ];
    if leader.is_some() {
        return Ok((edits, Vec::new()));
    }
    let written = Volume::from_ml(written_ml(full.as_ml())).unwrap_or(full);
    let along = left_behind(&loaded.plan, current).flat_map(|(line, volume)| {
        [
            Edit::Follow(line.clone(), current.to.clone()),
            Edit::volume(line, volume.as_ml(), Some(written)),
        ]
    });
    Ok((edits, along.collect()))
}
