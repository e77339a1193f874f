//! What the log and the displays say of each effect: one text for both.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::engine::Effect;
use crate::mqtt::EventLine;
use crate::quantity::Name;
use crate::record::{DoseId, Entry, Outcome, Said, Who};

/// The lines of an effect, their numbers still to be given; none when it is no event to people.
pub(super) fn events(
    effect: &Effect,
    open: &BTreeMap<DoseId, (Name, bool)>,
    zone: &TimeZone,
) -> Vec<EventLine> {
    match effect {
        Effect::StoreOutcome(outcome) => {
            let line = open.get(&outcome.id).map(|(line, _)| line.clone());
            vec![dose(outcome, line)]
        }
        Effect::Store { entries, .. } => {
            let of_people = |entry: &&Entry| !matches!(entry, Entry::LabColumns(_));
            let line = |it: &Entry| entry(&it.said(zone), it.at().wall);
            entries.iter().filter(of_people).map(line).collect()
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
    let mut text = format!(
        "dose {}: {} booked, {} left in the bottle",
        outcome.id.0, outcome.delivered, outcome.reservoir_left
    );
    if !outcome.cause.is_empty() {
        text = format!("{text}: {}", outcome.cause);
    }
    EventLine {
        id: 0,
        at: outcome.at.wall,
        code: format!("dose-{}", outcome.end),
        line,
        text,
        who: Who::Daemon.to_string(),
    }
}

pub(super) fn entry(said: &Said<'_>, at: Timestamp) -> EventLine {
    EventLine {
        id: 0,
        at,
        code: said.code.to_owned(),
        line: said.line.cloned(),
        text: said.text.clone(),
        who: said.who.to_string(),
    }
}
