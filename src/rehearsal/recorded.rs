//! What goes on record, and what of it the model goes by or the owner is told.

use super::found::Task;
use super::world::{Report, World};
use crate::record::{Entry, NotGiven, Outcome};
use crate::shell::Write;

/// Slots of a time in which no process was there for them.
const OUTAGE: &str = "missed, outage";

impl World {
    pub(super) fn write(&mut self, write: &Write) -> Option<Report> {
        let ledger = self.ledger.as_mut()?;
        Some(match write {
            Write::Intent(intent) => {
                #[cfg(test)]
                if self.trouble == super::plant::Trouble::Lies {
                    return Some(Report::Intent(intent.id, Ok(())));
                }
                let stored = ledger.store_intent(intent);
                if stored.is_ok() {
                    self.open.insert(intent.id, intent.clone());
                }
                Report::Intent(intent.id, stored)
            }
            Write::Outcome(outcome) => {
                let stored = ledger.store_outcome(outcome);
                self.book(outcome);
                Report::Outcome(stored)
            }
            Write::Entries(entries) => {
                let stored = ledger.store(entries);
                for entry in entries {
                    self.take(entry);
                }
                Report::Entries(stored)
            }
            Write::Probe(at) => Report::Probe(ledger.probe(*at)),
        })
    }

    /// The end of a dose is on record.
    fn book(&mut self, outcome: &Outcome) {
        let at = self.wall();
        let Some(intent) = self.open.remove(&outcome.id) else {
            return;
        };
        let last = (outcome.id, outcome.delivered);
        self.last.insert(intent.head.clone(), last);
        let Some(bottle) = self.bottles.get_mut(&intent.reservoir) else {
            return;
        };
        bottle.booked = bottle.booked.saturating_sub(outcome.delivered);
        let flowed = self.gave.remove(&outcome.id);
        let what = (outcome, &intent.reservoir, bottle.booked);
        self.watch.booked(at, what, flowed);
    }

    /// What of the record the model goes by, and what is told to its owner.
    fn take(&mut self, entry: &Entry) {
        if let Entry::Refill(refill) = entry {
            if let Some(bottle) = self.bottles.get_mut(&refill.reservoir) {
                bottle.booked = refill.level;
            }
        } else if let Entry::Uptake(uptake) = entry {
            self.recorded.insert(uptake.of.clone(), uptake.uptake);
            self.work_out();
        } else if let Entry::Calibration(stored) = entry {
            if let Some(head) = self.heads.get_mut(&stored.head) {
                head.calibration = stored.calibration;
            }
        } else if let Entry::SlotNotGiven(slot) = entry {
            let line = self.lines.entry(slot.key.line.clone()).or_default();
            line.planned = line.planned.saturating_add(slot.volume);
            line.not_given = line.not_given.saturating_add(1);
            let code = match slot.kind {
                NotGiven::Missed => format!("missed, {}", slot.code),
                NotGiven::Refused => slot.code.clone(),
            };
            let day = self.day();
            if let Some(line) = self.controller.line(&slot.key.line)
                && slot.code == "reservoir-used-up"
            {
                self.used_up.insert((line.reservoir.clone(), day));
            }
            let count = self.refusals.entry(code).or_default();
            *count = count.saturating_add(1);
        } else if let Entry::OutageMissed(outage) = entry {
            let line = self.lines.entry(outage.line.clone()).or_default();
            let (slots, volume) = (outage.slots, outage.volume.unwrap_or_default());
            let slots = u64::from(slots.unwrap_or_default());
            line.planned = line.planned.saturating_add(volume);
            line.not_given = line.not_given.saturating_add(slots);
            let count = self.refusals.entry(OUTAGE.to_owned()).or_default();
            *count = count.saturating_add(slots);
        } else if let Entry::Note(note) = entry
            && note.code == "alarm-raised"
        {
            self.task(&note.text);
        }
    }

    fn task(&mut self, raised: &str) {
        let day = self.day();
        let (what, text) = raised.split_once(": ").unwrap_or((raised, ""));
        let task = self.tasks.entry(what.to_owned()).or_insert_with(|| Task {
            times: 0,
            first_day: day,
            last_day: day,
            text: text.to_owned(),
        });
        task.times = task.times.saturating_add(1);
        task.last_day = day;
    }
}
