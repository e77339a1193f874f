//! Effects as lines of the journal that displays show.

use std::collections::BTreeMap;

use crate::engine::Effect;
use crate::mqtt::EventLine;
use crate::quantity::Name;
use crate::record::{DoseEnd, DoseId, Entry, HoldScope, NotGiven, Outcome, Stamp, Who};

/// The lines of an effect, their numbers still to be given; none when it is no event to people.
pub(super) fn events(effect: &Effect, open: &BTreeMap<DoseId, (Name, bool)>) -> Vec<EventLine> {
    match effect {
        Effect::StoreOutcome(outcome) => {
            let line = open.get(&outcome.id).map(|(line, _)| line.clone());
            vec![dose(outcome, line)]
        }
        Effect::Store { entries, .. } => entries.iter().filter_map(entry).collect(),
        Effect::StoreIntent(_)
        | Effect::StartPump { .. }
        | Effect::StopPump { .. }
        | Effect::SaveHolds { .. }
        | Effect::Reply { .. }
        | Effect::Exit { .. } => Vec::new(),
    }
}

fn made(at: Stamp, who: &Who, code: &str, line: Option<Name>, text: String) -> EventLine {
    EventLine {
        id: 0,
        at: at.wall,
        code: code.to_owned(),
        line,
        text,
        who: who.to_string(),
    }
}

fn dose(outcome: &Outcome, line: Option<Name>) -> EventLine {
    let code = match outcome.end {
        DoseEnd::Delivered => "dose-delivered",
        DoseEnd::Interrupted => "dose-interrupted",
        DoseEnd::Failed => "dose-failed",
        DoseEnd::Uncertain => "dose-uncertain",
        DoseEnd::NotStarted => "dose-not-started",
    };
    let because = if outcome.cause.is_empty() {
        String::new()
    } else {
        format!(": {}", outcome.cause)
    };
    let text = format!(
        "dose {}: {} booked, {} left in the bottle{because}",
        outcome.id.0, outcome.delivered, outcome.reservoir_left
    );
    made(outcome.at, &Who::Daemon, code, line, text)
}

fn entry(entry: &Entry) -> Option<EventLine> {
    let daemon = &Who::Daemon;
    Some(match entry {
        Entry::SlotNotGiven(slot) => {
            let code = match slot.kind {
                NotGiven::Missed => "dose-missed",
                NotGiven::Refused => "dose-refused",
            };
            let text = format!("{} due at {:.0}: {}", slot.volume, slot.due, slot.reason);
            made(slot.at, daemon, code, Some(slot.key.line.clone()), text)
        }
        Entry::OutageMissed(missed) => {
            let slots = missed.slots.map_or_else(
                || "more doses than were counted".to_owned(),
                |n| format!("{n} doses"),
            );
            let text = format!(
                "{slots} missed from {:.0} to {:.0}; they are not made up",
                missed.from, missed.until
            );
            let line = Some(missed.line.clone());
            made(missed.at, daemon, "doses-missed", line, text)
        }
        Entry::Hold(change) => {
            let (line, what) = scope(&change.scope);
            let (code, text) = match &change.reason {
                Some(reason) => ("hold-set", format!("{what} on hold: {reason}")),
                None => ("hold-lifted", format!("hold on {what} lifted")),
            };
            made(change.at, &change.who, code, line, text)
        }
        Entry::Refill(_)
        | Entry::Observation(_)
        | Entry::LabColumns(_)
        | Entry::Calibration(_)
        | Entry::Verification(_)
        | Entry::Bench(_)
        | Entry::Uptake(_)
        | Entry::Arming(_)
        | Entry::Course(_)
        | Entry::TakenBack(_) => told(entry)?,
        Entry::Forgotten(forgotten) => made(
            forgotten.at,
            daemon,
            "books-forgotten",
            None,
            forgotten.why.clone(),
        ),
        Entry::WrongTime(wrong) => made(
            wrong.at,
            &wrong.who,
            "clock-was-wrong",
            None,
            wrong.to_string(),
        ),
        Entry::Note(note) => {
            let line = note.line.clone();
            made(
                note.at,
                &note.who,
                note.code.as_str(),
                line,
                note.text.clone(),
            )
        }
    })
}

/// What the owner told.
fn told(entry: &Entry) -> Option<EventLine> {
    Some(match entry {
        Entry::Refill(refill) => {
            let note = if refill.note.is_empty() {
                String::new()
            } else {
                format!(" ({})", refill.note)
            };
            let text = format!(
                "reservoir {} holds {}{note}",
                refill.reservoir, refill.level
            );
            made(refill.at, &refill.who, "refill", None, text)
        }
        Entry::Observation(told) => {
            let text = told.what.to_string();
            made(told.at, &told.who, "observation", None, text)
        }
        Entry::Verification(stored) => {
            let text = format!(
                "head {} checked: {} measured where {} should be",
                stored.head, stored.measured, stored.expected
            );
            made(stored.at, &stored.who, "verification", None, text)
        }
        Entry::Calibration(stored) => {
            let text = format!(
                "head {} calibrated: {}",
                stored.head,
                stored.calibration.rate()
            );
            made(stored.at, &stored.who, "calibration", None, text)
        }
        Entry::Bench(bench) => {
            let text = format!("head {} at the bench: {}", bench.head, bench.what);
            made(
                bench.at,
                &bench.who,
                "bench",
                Some(bench.line.clone()),
                text,
            )
        }
        Entry::Uptake(uptake) => {
            let text = format!(
                "uptake of {} is {} a day now ({}), {} before",
                uptake.of,
                uptake.amount(),
                uptake.how.as_str(),
                uptake.amount_before().unwrap_or_else(|| "none".to_owned())
            );
            made(uptake.at, &uptake.who, "uptake", None, text)
        }
        Entry::Arming(arming) => {
            let (code, text) = if arming.armed {
                ("armed", "outputs are driven from now on")
            } else {
                ("disarmed", "outputs are no longer driven")
            };
            made(arming.at, &arming.who, code, None, text.to_owned())
        }
        Entry::Course(_) | Entry::TakenBack(_) => wanted(entry)?,
        Entry::SlotNotGiven(_)
        | Entry::OutageMissed(_)
        | Entry::Hold(_)
        | Entry::LabColumns(_)
        | Entry::Forgotten(_)
        | Entry::WrongTime(_)
        | Entry::Note(_) => return None,
    })
}

/// What the owner wanted beside the plan, and noted down.
fn wanted(entry: &Entry) -> Option<EventLine> {
    Some(match entry {
        Entry::Course(course) => {
            let text = course.to_string();
            let line = Some(course.what.line().clone());
            made(course.at, &course.who, "course", line, text)
        }
        Entry::TakenBack(back) => {
            let what = match back.replaced_by {
                Some(by) => format!("corrected by {by}"),
                None => "taken back".to_owned(),
            };
            let text = format!("observation {} is {what}: {}", back.number, back.why);
            made(back.at, &back.who, "taken-back", None, text)
        }
        Entry::SlotNotGiven(_)
        | Entry::OutageMissed(_)
        | Entry::Hold(_)
        | Entry::Refill(_)
        | Entry::Observation(_)
        | Entry::LabColumns(_)
        | Entry::Calibration(_)
        | Entry::Verification(_)
        | Entry::Bench(_)
        | Entry::Uptake(_)
        | Entry::Arming(_)
        | Entry::Forgotten(_)
        | Entry::WrongTime(_)
        | Entry::Note(_) => return None,
    })
}

fn scope(scope: &HoldScope) -> (Option<Name>, String) {
    match scope {
        HoldScope::All => (None, "all dosing".to_owned()),
        HoldScope::Line(line) => (Some(line.clone()), format!("line {line}")),
    }
}
