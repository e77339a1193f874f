//! What the status shows and the engine does not know, because it knows only 24 hours.

use std::collections::BTreeMap;

use crate::engine::{Effect, ShellFacts};
use crate::quantity::Name;
use crate::record::{DoseId, History, Outcome};

/// What adds up over the life of the ledger.
#[derive(Debug, Default)]
pub(super) struct Totals {
    pub(super) facts: ShellFacts,
    open: BTreeMap<DoseId, (Name, bool)>,
    live: bool,
}

impl Totals {
    /// From what the ledger knows at start, before anything is written in this session.
    pub(super) fn at_start(facts: ShellFacts, history: &History, live: bool) -> Self {
        let mut totals = Self {
            facts,
            live,
            ..Self::default()
        };
        for intent in &history.open {
            let counts = intent.live == live;
            totals.open.insert(intent.id, (intent.line.clone(), counts));
        }
        totals
    }

    /// Doses without an outcome, with their lines, and whether they count here.
    pub(super) fn open(&self) -> &BTreeMap<DoseId, (Name, bool)> {
        &self.open
    }

    pub(super) fn effect(&mut self, effect: &Effect) {
        match effect {
            Effect::StoreIntent(intent) => {
                let counts = intent.live == self.live;
                let line = intent.line.clone();
                self.open.insert(intent.id, (line, counts));
            }
            Effect::StoreOutcome(outcome) => self.outcome(outcome),
            Effect::Store { .. }
            | Effect::StartPump { .. }
            | Effect::StopPump { .. }
            | Effect::SaveHolds { .. }
            | Effect::Reply { .. }
            | Effect::Exit { .. } => {}
        }
    }

    fn outcome(&mut self, outcome: &Outcome) {
        if let Some((line, true)) = self.open.remove(&outcome.id)
            && let Some(sum) = self.facts.delivered.get_mut(&line)
        {
            *sum = sum.saturating_add(outcome.delivered);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{Millis, Volume, name};
    use crate::record::{Carried, Destination, DoseEnd, DoseKind, Intent, Stamp, Who};

    fn intent(id: i64, live: bool) -> Intent {
        Intent {
            id: DoseId(id),
            line: name("alk"),
            head: name("head"),
            reservoir: name("bottle"),
            solution: name("soda"),
            kind: DoseKind::Hand,
            slot: None,
            volume: Volume::from_ul(2000),
            run_time: Millis::new(2000),
            carries: Carried::new(),
            into: Destination::Tank,
            who: Who::Plan,
            live,
            at: Stamp::trusted_at("2026-11-25T10:00:00Z"),
        }
    }

    fn outcome(id: i64, ul: i64) -> Effect {
        Effect::StoreOutcome(Outcome {
            id: DoseId(id),
            end: DoseEnd::Interrupted,
            delivered: Volume::from_ul(ul),
            on_time: None,
            reservoir_left: Volume::from_ul(500_000),
            cause: "hold".to_owned(),
            at: Stamp::trusted_at("2026-11-25T10:00:00Z"),
        })
    }

    fn totals(known: bool) -> Totals {
        let mut totals = Totals {
            live: true,
            ..Totals::default()
        };
        if known {
            totals
                .facts
                .delivered
                .insert(name("alk"), Volume::from_ul(100));
        }
        totals
    }

    fn sum(totals: &Totals) -> Option<i64> {
        totals.facts.delivered.get(&name("alk")).map(|v| v.as_ul())
    }

    #[test]
    fn the_total_grows_by_what_was_booked_once_for_each_dose() {
        let mut t = totals(true);
        t.effect(&Effect::StoreIntent(intent(1, true)));
        assert_eq!(sum(&t), Some(100), "an intent is no delivery");
        t.effect(&outcome(1, 1500));
        t.effect(&outcome(1, 1500));
        assert_eq!(sum(&t), Some(1600));
        assert!(t.open.is_empty(), "open doses do not pile up");
    }

    #[test]
    fn doses_of_the_other_mode_and_unknown_totals_stay_out() {
        let mut t = totals(true);
        t.effect(&Effect::StoreIntent(intent(1, false)));
        t.effect(&outcome(1, 1500));
        assert_eq!(sum(&t), Some(100));
        let mut unknown = totals(false);
        unknown.effect(&Effect::StoreIntent(intent(1, true)));
        unknown.effect(&outcome(1, 1500));
        assert_eq!(sum(&unknown), None, "no number is made up");
    }
}
