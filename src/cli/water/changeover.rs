//! Changeovers: shown day by day before they begin, listed, paused and turned.

use std::io::Write;

use serde_json::{Value, json};

use crate::chemistry::Quantity;
use crate::cli::args::Place;
use crate::cli::exit::Failure;
use crate::cli::out::Out;
use crate::cli::proposal::{Consent, propose};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::{ChangeoverArgs, ChangeoverCommand, ChangeoverStart};
use crate::cli::words::{unread, usage};
use crate::engine::{ChangeoverAction, Command, NewChangeover, Wish};
use crate::quantity::Name;
use crate::record::Changeover;

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
    }
}

fn measure(word: &str) -> Result<Quantity, Failure> {
    Quantity::from_word(word).ok_or_else(|| {
        usage(format!(
            "\"{word}\" is not known; give \"alkalinity\" or the symbol of an element such as \"Ca\""
        ))
    })
}

fn begin(place: &Place, start: &ChangeoverStart, out: &mut Out) -> Result<(), Failure> {
    let wish = Wish::Changeover(NewChangeover {
        from: Name::new(&start.from).map_err(usage)?,
        to: Name::new(&start.to).map_err(usage)?,
        by: measure(&start.by)?,
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
