//! What goes on record, and what of it the model goes by or the owner is told.

use super::found::Task;
use super::world::World;
use crate::ledger::LedgerReport;
use crate::record::{Entry, NotGiven, Outcome};
use crate::shell::Write;

/// Slots of a time in which no process was there for them.
const OUTAGE: &str = "missed, outage";

impl World {
    /// The ledger answers in `reports`.
    pub(super) fn write(&mut self, write: &Write) {
        match write {
            Write::Intent(intent) => {
                #[cfg(test)]
                if self.trouble == super::plant::Trouble::Lies {
                    let stored = LedgerReport::IntentStored(intent.id);
                    self.reports.borrow_mut().push_back(stored);
                    return;
                }
                self.asked.insert(intent.id, intent.clone());
            }
            Write::Outcome(_) | Write::Entries(_) => self.sent.push_back(write.clone()),
            Write::Probe(_) => {}
        }
        if let Some(keeper) = &mut self.keeper {
            let goes_on = keeper.answer(write.clone());
            debug_assert!(goes_on.is_continue(), "nothing of this is a stop");
        }
    }

    /// What is on record now, in the order in which it was sent.
    pub(super) fn reported(&mut self, report: &LedgerReport) {
        match report {
            LedgerReport::IntentStored(id) => {
                let intent = self.asked.remove(id);
                self.open.extend(intent.map(|intent| (*id, intent)));
            }
            LedgerReport::OutcomeStored(_) | LedgerReport::EntryStored => {
                match self.sent.pop_front() {
                    Some(Write::Outcome(outcome)) => self.book(&outcome),
                    Some(Write::Entries(entries)) => {
                        for entry in &entries {
                            self.take(entry);
                        }
                    }
                    Some(Write::Intent(_) | Write::Probe(_)) | None => {}
                }
            }
            LedgerReport::OutcomeFailed { kept: false, .. }
            | LedgerReport::EntryFailed { kept: false, .. } => {
                self.sent.pop_front();
            }
            LedgerReport::OutcomeFailed { .. }
            | LedgerReport::EntryFailed { .. }
            | LedgerReport::IntentFailed { .. }
            | LedgerReport::Healthy
            | LedgerReport::Fault { .. }
            | LedgerReport::Ended => {}
        }
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
            #[cfg(test)]
            self.settles(&slot.key);
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
        } else if let Entry::Note(note) = entry {
            #[cfg(test)]
            self.chaos.met(note.code.as_str());
            if note.code == "alarm-raised" {
                self.task(&note.text);
            }
        } else if let Entry::Observation(told) = entry
            && let Some(of) = told.reading().and_then(|reading| reading.of.quantity())
        {
            self.told.insert(of.clone(), self.now);
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
