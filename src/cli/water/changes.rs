//! The journal of changes: of plan, solutions and hardware as the daemon saw them, and what the owner notes down.

use std::io::Write;

use jiff::Timestamp;
use serde_json::json;

use crate::cli::exit::Failure;
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::exchanged::water_changes;
use crate::cli::water::owner_args::{Changes as ChangesArgs, ChangesCommand};
use crate::cli::words::{minute, unread, usage, zone};
use crate::engine::{Command, NewFact};
use crate::ledger::LedgerReader;
use crate::quantity::Words;
use crate::record::FactKind;

pub(in crate::cli) struct Change {
    /// By which it can be taken back; `None` for what was not told.
    number: Option<i64>,
    pub(in crate::cli) at: Timestamp,
    /// Stable word: `note`, `water`, `course`, `changeover`, `plan`, `controller`, `uptake`.
    pub(in crate::cli) kind: &'static str,
    pub(in crate::cli) what: String,
}

/// Every change of the record, oldest first.
pub(in crate::cli) fn journal(reader: &LedgerReader) -> Result<Vec<Change>, Failure> {
    let mut all: Vec<Change> = reader
        .facts(FactKind::Change)
        .map_err(|e| unread(&e))?
        .into_iter()
        .map(|fact| Change {
            number: Some(fact.number),
            at: fact.happened,
            kind: "note",
            what: fact.text,
        })
        .collect();
    all.extend(water_changes(reader)?.into_iter().map(|change| Change {
        number: Some(change.number),
        at: change.at,
        kind: "water",
        what: change.words(),
    }));
    for course in reader.courses().map_err(|e| unread(&e))? {
        all.push(Change {
            number: None,
            at: course.at.wall,
            kind: "course",
            what: course.to_string(),
        });
    }
    for uptake in reader.uptakes().map_err(|e| unread(&e))? {
        // The first of all changes nothing.
        if let Some(before) = uptake.amount_before() {
            all.push(Change {
                number: None,
                at: uptake.at.wall,
                kind: "uptake",
                what: format!(
                    "uptake of {} from {before} to {} a day",
                    uptake.of,
                    uptake.amount()
                ),
            });
        }
    }
    for (at, text) in reader.events("plan-reloaded").map_err(|e| unread(&e))? {
        all.push(Change {
            number: None,
            at,
            kind: "plan",
            what: text,
        });
    }
    let sessions = reader.sessions().map_err(|e| unread(&e))?;
    for (before, after) in sessions.iter().zip(sessions.iter().skip(1)) {
        let mut push = |kind, what: &str| {
            all.push(Change {
                number: None,
                at: after.at,
                kind,
                what: what.to_owned(),
            });
        };
        if before.controller_fingerprint != after.controller_fingerprint {
            push(
                "controller",
                "controller.toml: hardware, solutions or limits",
            );
        }
        if before.plan_fingerprint != after.plan_fingerprint {
            push("plan", "plan.toml, seen at a start");
        }
    }
    all.sort_by_key(|change| change.at);
    Ok(all)
}

/// Lists changes, or notes one down.
pub(in crate::cli) fn changes(
    place: &Place,
    options: &ChangesArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    if let Some(ChangesCommand::Add { text, at, json }) = &options.command {
        if text.trim().is_empty() {
            return Err(usage("say in a few words what was changed"));
        }
        let command = Command::AddFact(NewFact {
            kind: FactKind::Change,
            name: Words::default(),
            value: None,
            uncertainty: None,
            text: Words::new(text).into(),
            happened: *at,
            replaces: None,
            sure: false,
        });
        return ask(place, &command.into(), *json, out).map(drop);
    }
    if let Some(ChangesCommand::Water(water)) = &options.command {
        return crate::cli::water::exchanged::add(place, water, out);
    }
    if let Some(ChangesCommand::TakeBack(back)) = &options.command {
        return crate::cli::water::reading::take_back(place, back, out);
    }
    let all = journal(&open(place)?)?;
    if options.json {
        let rows: Vec<_> = all
            .iter()
            .map(|c| json!({ "number": c.number, "at": c.at.to_string(), "kind": c.kind, "what": c.what }))
            .collect();
        return Ok(out.json(&rows)?);
    }
    if all.is_empty() {
        writeln!(out, "no change is on record")?;
    }
    let zone = zone(place);
    for change in &all {
        writeln!(
            out,
            "{:>4}  {}  {:10}  {}",
            change.number.map_or(String::new(), |n| n.to_string()),
            minute(change.at, &zone),
            change.kind,
            change.what
        )?;
    }
    Ok(())
}
