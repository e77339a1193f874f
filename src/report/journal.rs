//! What was changed, what was held, and what else is on record.

use jiff::Timestamp;

use super::days::Days;
use super::material::Material;
use super::model::{Happened, Held};
use crate::engine::Status;
use crate::record::{Change, Entry, HoldAction, HoldScope, UptakeHow};

/// So many events are shown, the newest.
const EVENTS_MAX: usize = 200;

/// Of the change journal, what was told of the water beside readings, and uptakes. Steps of a corridor are too small for it.
pub(super) fn changes(material: &Material<'_>, days: &Days) -> Vec<Happened> {
    let written = material.entries.iter().filter_map(|entry| {
        if let Entry::Uptake(uptake) = entry {
            let before = uptake.amount_before()?;
            let how = match uptake.how {
                UptakeHow::Start | UptakeHow::Corridor => return None,
                UptakeHow::Told => "told",
                UptakeHow::Accepted => "advice accepted",
            };
            return Some(Happened {
                at: uptake.at.wall,
                what: format!(
                    "uptake of {} from {before} to {} a day ({how})",
                    uptake.of,
                    uptake.amount()
                ),
            });
        }
        let Change { at, what } = Change::of(entry)?;
        Some(Happened { at, what })
    });
    let told = material.told.iter().filter(|told| told.reading().is_none());
    let told = told.map(|told| Happened {
        at: told.happened,
        what: told.what.to_string(),
    });
    let mut all: Vec<Happened> = written.chain(told).collect();
    all.retain(|change| change.at >= days.since());
    all.sort_by_key(|change| change.at);
    all
}

/// Spans of holds, in the order in which they were set. One that was set before the window has no begin on record here and is told by the status.
pub(super) fn holds(material: &Material<'_>, status: &Status) -> Vec<Held> {
    let mut spans: Vec<Held> = Vec::new();
    for entry in &material.entries {
        let Entry::Hold(change) = entry else { continue };
        let line = match &change.scope {
            HoldScope::All => None,
            HoldScope::Line(line) => Some(line.clone()),
        };
        let open = spans
            .iter_mut()
            .find(|span| span.line == line && span.until.is_none());
        match (change.action, open) {
            (HoldAction::Lifted, Some(open)) => open.until = Some(change.at.wall),
            (HoldAction::Lifted, None) | (HoldAction::Set, Some(_)) => {}
            (HoldAction::Set, None) => spans.push(Held {
                line,
                since: change.since.unwrap_or(change.at.wall),
                until: None,
                reason: change.reason.clone().unwrap_or_default(),
                who: change.who.to_string(),
            }),
        }
    }
    for hold in &status.holds {
        let known = |span: &Held| span.line == hold.line && span.until.is_none();
        if !spans.iter().any(known) {
            spans.push(Held {
                line: hold.line.clone(),
                since: hold.since,
                until: None,
                reason: hold.reason.clone(),
                who: hold.who.clone(),
            });
        }
    }
    // What is not in force any more and was never lifted by a word ended by itself.
    let now: Timestamp = material.now.wall;
    for span in spans.iter_mut().filter(|span| span.until.is_none()) {
        if !status.holds.iter().any(|hold| hold.line == span.line) {
            span.until = Some(now);
        }
    }
    spans
}

/// Alarms, starts and what else is an event; doses that were not given are counted with the doses.
pub(super) fn events(material: &Material<'_>) -> Vec<Happened> {
    let all = material.entries.iter().filter_map(|entry| {
        let what = event(entry)?;
        let at = entry.at().wall;
        Some(Happened { at, what })
    });
    let all: Vec<Happened> = all.collect();
    let skip = all.len().saturating_sub(EVENTS_MAX);
    all.into_iter().skip(skip).collect()
}

fn event(entry: &Entry) -> Option<String> {
    if let Entry::Note(note) = entry {
        return (!QUIET.contains(&note.code.as_str())).then(|| note.text.clone());
    }
    if let Entry::OutageMissed(outage) = entry {
        let line = &outage.line;
        return Some(match outage.slots {
            Some(1) => format!("line {line}: 1 dose missed in an outage"),
            Some(slots) => format!("line {line}: {slots} doses missed in an outage"),
            None => format!("line {line}: all doses of a long outage missed"),
        });
    }
    if let Entry::TakenBack(back) = entry {
        return Some(format!("observation {} no longer counts", back.number));
    }
    if let Entry::Forgotten(_) = entry {
        return Some("the ledger may lack doses, and all caps counted as full".to_owned());
    }
    None
}

/// Events that say what is shown elsewhere, or nothing that anybody reads again.
const QUIET: [&str; 8] = [
    "plan-reloaded",
    "plan-in-force",
    "alarm-reminder",
    "alarm-acknowledged",
    "clock-trusted",
    "input-changed",
    "ledger-writable",
    "ended",
];
