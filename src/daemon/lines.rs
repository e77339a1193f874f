//! What the log and the displays say of each effect: one text for both.

use std::collections::BTreeMap;

use tracing::Level;

use crate::engine::Effect;
use crate::mqtt::EventLine;
use crate::quantity::Name;
use crate::record::{DoseId, Entry, HoldChange, HoldScope, NotGiven, OutageMissed, Outcome, Who};

/// The lines of an effect, their numbers still to be given; none when it is no event to people.
pub(super) fn events(effect: &Effect, open: &BTreeMap<DoseId, (Name, bool)>) -> Vec<EventLine> {
    match effect {
        Effect::StoreOutcome(outcome) => {
            let line = open.get(&outcome.id).map(|(line, _)| line.clone());
            vec![dose(outcome, line)]
        }
        Effect::Store { entries, .. } => {
            let of_people = |entry: &&Entry| !matches!(entry, Entry::LabColumns(_));
            entries.iter().filter(of_people).map(entry).collect()
        }
        Effect::StoreIntent(_)
        | Effect::StartPump { .. }
        | Effect::StopPump { .. }
        | Effect::SaveHolds { .. }
        | Effect::Reply { .. }
        | Effect::Exit { .. } => Vec::new(),
    }
}

pub(super) fn dose(outcome: &Outcome, line: Option<Name>) -> EventLine {
    EventLine {
        id: 0,
        at: outcome.at.wall,
        code: format!("dose-{}", outcome.end),
        line,
        text: format!(
            "dose {}: {} booked, {} left in the bottle{}",
            outcome.id.0,
            outcome.delivered,
            outcome.reservoir_left,
            unless_empty(": ", &outcome.cause, "")
        ),
        who: Who::Daemon.to_string(),
    }
}

pub(super) fn entry(entry: &Entry) -> EventLine {
    let (code, who, line, text) = said(entry);
    EventLine {
        id: 0,
        at: entry.at().wall,
        code: code.to_owned(),
        line: line.cloned(),
        text,
        who: who.to_string(),
    }
}

/// A stable word, who it came from, the line that it concerns, and the text.
fn said(entry: &Entry) -> (&str, &Who, Option<&Name>, String) {
    let daemon = &Who::Daemon;
    match entry {
        Entry::SlotNotGiven(slot) => {
            let code = match slot.kind {
                NotGiven::Missed => "dose-missed",
                NotGiven::Refused => "dose-refused",
            };
            let text = format!("{} due at {:.0}: {}", slot.volume, slot.due, slot.reason);
            (code, daemon, Some(&slot.key.line), text)
        }
        Entry::OutageMissed(it) => ("doses-missed", daemon, Some(&it.line), missed(it)),
        Entry::Hold(change) => hold(change),
        Entry::Refill(it) => {
            let note = unless_empty(" (", &it.note, ")");
            let text = format!("reservoir {} holds {}{note}", it.reservoir, it.level);
            ("refill", &it.who, None, text)
        }
        Entry::Observation(it) => ("observation", &it.who, None, it.what.to_string()),
        Entry::LabColumns(it) => (
            "lab-columns",
            daemon,
            None,
            format!("columns of {}", it.lab),
        ),
        Entry::Verification(it) => {
            let text = format!(
                "head {} checked: {} measured where {} should be",
                it.head, it.measured, it.expected
            );
            ("verification", &it.who, None, text)
        }
        Entry::Calibration(it) => {
            let text = format!("head {} calibrated: {}", it.head, it.calibration.rate());
            ("calibration", &it.who, None, text)
        }
        Entry::Bench(it) => {
            let text = format!("head {} at the bench: {}", it.head, it.what);
            ("bench", &it.who, Some(&it.line), text)
        }
        Entry::Uptake(it) => {
            let before = it.amount_before().unwrap_or_else(|| "none".to_owned());
            let (of, now, how) = (&it.of, it.amount(), it.how.as_str());
            let text = format!("uptake of {of} is {now} a day now ({how}), {before} before");
            ("uptake", &it.who, None, text)
        }
        Entry::Arming(it) if it.armed => {
            let text = "outputs are driven from now on".to_owned();
            ("armed", &it.who, None, text)
        }
        Entry::Arming(it) => {
            let text = "outputs are no longer driven".to_owned();
            ("disarmed", &it.who, None, text)
        }
        Entry::Course(it) => ("course", &it.who, Some(it.what.line()), it.to_string()),
        Entry::Corridor(it) => ("corridor", &it.who, None, it.to_string()),
        Entry::TakenBack(it) => {
            let by = it.replaced_by.map(|by| format!("corrected by {by}"));
            let what = by.unwrap_or_else(|| "taken back".to_owned());
            let text = format!("observation {} is {what}: {}", it.number, it.why);
            ("taken-back", &it.who, None, text)
        }
        Entry::Forgotten(it) => ("books-forgotten", daemon, None, it.why.clone()),
        Entry::WrongTime(it) => ("clock-was-wrong", &it.who, None, it.to_string()),
        Entry::Note(it) => (it.code.as_str(), &it.who, it.line.as_ref(), it.text.clone()),
    }
}

/// How loud it is in the log.
pub(super) fn level(entry: &Entry) -> Level {
    match entry {
        Entry::Forgotten(_) => Level::ERROR,
        Entry::SlotNotGiven(_)
        | Entry::OutageMissed(_)
        | Entry::Hold(_)
        | Entry::Arming(_)
        | Entry::WrongTime(_) => Level::WARN,
        Entry::Note(note) if note.code == "alarm-raised" => Level::WARN,
        Entry::Refill(_)
        | Entry::Observation(_)
        | Entry::LabColumns(_)
        | Entry::Calibration(_)
        | Entry::Verification(_)
        | Entry::Bench(_)
        | Entry::Uptake(_)
        | Entry::Course(_)
        | Entry::Corridor(_)
        | Entry::TakenBack(_)
        | Entry::Note(_) => Level::INFO,
    }
}

fn missed(missed: &OutageMissed) -> String {
    let slots = missed.slots.map(|n| format!("{n} doses"));
    let slots = slots.unwrap_or_else(|| "more doses than were counted".to_owned());
    format!(
        "{slots} missed from {:.0} to {:.0}; they are not made up",
        missed.from, missed.until
    )
}

fn hold(change: &HoldChange) -> (&str, &Who, Option<&Name>, String) {
    let (line, what) = match &change.scope {
        HoldScope::All => (None, "all dosing".to_owned()),
        HoldScope::Line(line) => (Some(line), format!("line {line}")),
    };
    match &change.reason {
        Some(reason) => (
            "hold-set",
            &change.who,
            line,
            format!("{what} on hold: {reason}"),
        ),
        None => (
            "hold-lifted",
            &change.who,
            line,
            format!("hold on {what} lifted"),
        ),
    }
}

fn unless_empty(before: &str, text: &str, after: &str) -> String {
    if text.is_empty() {
        String::new()
    } else {
        format!("{before}{text}{after}")
    }
}
