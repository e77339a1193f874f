//! Doses whose end nobody saw.
//!
//! After a power cut the output went off with the supply, so such a dose counts in full and no more. Within the same boot a process that
//! was stopped or hung may have left its output on for longer than was meant: then it counts with the most that the head can have given
//! until its output was seen, and its line is held. The steps of a stepper head end with the process.

use std::collections::BTreeMap;

use super::alarms::AlarmCode;
use super::dose::Ending;
use super::event::Now;
use super::state::Engine;
use crate::config::Controller;
use crate::quantity::{Millis, Volume};
use crate::record::{
    Carried, Destination, DoseEnd, DoseId, HoldScope, Intent, OutputPlace, OutputSeen, Who,
    part_carried, seen_since,
};

/// What a dose can have given at the most, and in what time.
#[derive(Debug, Clone, Copy)]
pub(super) struct AtMost {
    pub(super) volume: Volume,
    run_time: Millis,
}

impl Engine {
    /// Finds the open doses that can have given more than was meant, and counts that among the past ones.
    pub(super) fn measure_unseen(
        &mut self,
        open: &[Intent],
        seen: &[OutputSeen],
        now: Now,
    ) -> BTreeMap<DoseId, AtMost> {
        let mut found = BTreeMap::new();
        for intent in open {
            let Some(most) = self.at_most(intent, seen, now) else {
                continue;
            };
            if let Some(past) = self.past.iter_mut().find(|d| d.id == intent.id) {
                past.counted = most.volume;
                past.run_time = most.run_time;
                past.carries = intent.carried(most.volume);
            }
            found.insert(intent.id, most);
        }
        found
    }

    /// `None` when it is no more than was meant.
    fn at_most(&self, intent: &Intent, seen: &[OutputSeen], now: Now) -> Option<AtMost> {
        let past = self.past.iter().find(|d| d.id == intent.id)?;
        let session = self.past_sessions.get(past.session)?;
        let head = self.controller().heads.get(&intent.head)?;
        if !intent.live || session.boot != self.boot || !head.output.runs_on_alone() {
            return None;
        }
        let mine = |s: &&OutputSeen| {
            s.boot == self.boot && s.at.elapsed >= intent.at.elapsed && s.place.moves(&head.output)
        };
        let mine: Vec<&OutputSeen> = seen.iter().filter(mine).collect();
        let on_until = match mine.last() {
            Some(last) if last.is_off => {
                let on = mine.iter().rev().find(|s| !s.was_off)?;
                on.at.elapsed
            }
            // Nobody looked, or it could not be driven off.
            Some(_) | None => now.elapsed,
        };
        let run_time = on_until.minus(intent.at.elapsed);
        let calibration = self.heads.get(&intent.head)?.calibration.as_ref();
        let volume = head.at_most(calibration.map(|c| &c.calibration), run_time);
        (run_time > intent.run_time && volume > intent.volume)
            .then_some(AtMost { volume, run_time })
    }

    /// Intents without an outcome: they are never given again.
    pub(super) fn close_open(
        &mut self,
        open: Vec<Intent>,
        longer: &BTreeMap<DoseId, AtMost>,
        now: Now,
    ) {
        for intent in open {
            let (id, line) = (intent.id.0, &intent.line);
            let (text, cause, ending) = match longer.get(&intent.id) {
                None => (
                    format!(
                        "dose {id} of line {line} ({}) ended unseen and counts in full",
                        intent.volume
                    ),
                    "the daemon ended in the middle of it; counted in full".to_owned(),
                    (intent.volume, None),
                ),
                Some(most) => {
                    let text = format!(
                        "dose {id} of line {line} was to run {} and give {}, but its output was on, or nobody looked, until {} after its begin: up to {} went in, which is what counts",
                        intent.run_time, intent.volume, most.run_time, most.volume
                    );
                    let cause = format!(
                        "the daemon ended in the middle of it; counted with the most that its head can have given in {}",
                        most.run_time
                    );
                    (text, cause, (most.volume, Some(most.run_time)))
                }
            };
            let subject = id.to_string();
            self.raise(AlarmCode::DoseUncertain, &subject, text.clone(), now);
            self.clear(AlarmCode::DoseUncertain, &subject, now);
            let (delivered, on_time) = ending;
            if on_time.is_some() {
                let reason = format!(
                    "{text}; test the water, and look at the head and what switches it before you resume"
                );
                let scope = HoldScope::Line(line.clone());
                self.set_hold(scope, reason, Who::Daemon, None, now);
                self.add_beyond_intent(&intent, delivered, now);
            }
            let head = self.heads.entry(intent.head.clone()).or_default();
            head.run_since = head.run_since.plus(on_time.unwrap_or(intent.run_time));
            let ending = Ending {
                end: DoseEnd::Uncertain,
                delivered,
                on_time,
                cause,
            };
            self.book(&intent, ending, now);
        }
    }

    /// The ledger has told what the whole intent carried; the water got more.
    fn add_beyond_intent(&mut self, intent: &Intent, delivered: Volume, now: Now) {
        if intent.into == Destination::Tank {
            let more = delivered.saturating_sub(intent.volume);
            let more: Carried = part_carried(&intent.carries, intent.volume, more);
            self.water.add(&more, now.elapsed);
        }
    }

    /// What was on since the last session ended although no dose that it was to end in accounts for it.
    pub(super) fn on_without_reason(
        &self,
        open: &[Intent],
        seen: &[OutputSeen],
    ) -> Vec<OutputSeen> {
        let accounts = |intent: &Intent, seen: &OutputSeen| {
            let head = self.controller().heads.get(&intent.head);
            let ends = intent.at.elapsed.plus(intent.run_time);
            head.is_some_and(|head| seen.place.moves(&head.output))
                && (intent.at.elapsed..=ends).contains(&seen.at.elapsed)
        };
        let new = seen_since(seen, &self.past_sessions, &self.boot).filter(|s| s.was_on);
        new.filter(|seen| !open.iter().any(|intent| accounts(intent, seen)))
            .cloned()
            .collect()
    }

    /// Such an output gives the alarm of a head that does not obey: whoever looked at it first, this start or the service manager's hook.
    /// It is off by now, so that the other heads can be relied on.
    pub(super) fn hold_found_on(&mut self, new: &[OutputSeen], now: Now) {
        if !self.live {
            return;
        }
        for line in self.controller().lines.clone() {
            let head = self.controller().heads.get(&line.head);
            let moved = |s: &&OutputSeen| head.is_some_and(|head| s.place.moves(&head.output));
            let known = self.holds.on(&line.name);
            let is_known = known.iter().any(|hold| hold.who == Who::Daemon);
            if let Some(seen) = new.iter().find(moved).filter(|_| !is_known) {
                let why = format!(
                    "{}, after the daemon had ended",
                    found_on(seen, self.controller())
                );
                self.pump_fault(&line.head, &why, now);
            }
        }
    }

    /// Writes down which outputs were found on since the last session ended.
    pub(super) fn note_found_on(&mut self, seen: &[OutputSeen], now: Now) {
        let new = seen_since(seen, &self.past_sessions, &self.boot);
        let new = new.filter(|s| !(s.was_off && s.is_off));
        let texts: Vec<String> = new.map(|seen| found_on(seen, self.controller())).collect();
        for text in texts {
            self.note("output-found-on", None, text, Who::Daemon, now);
        }
    }
}

fn found_on(seen: &OutputSeen, controller: &Controller) -> String {
    let place = match &seen.place {
        OutputPlace::Gpio(gpio) => format!("GPIO{gpio}"),
        OutputPlace::Pwm(chip, channel) => format!("PWM {chip} channel {channel}"),
    };
    let off = if seen.is_off {
        "and was driven off"
    } else {
        "and could not be driven off"
    };
    let was = if seen.was_on {
        "was on"
    } else {
        "was not known to be off"
    };
    format!(
        "{} ({place}) {was} when it was looked at at {}, {off}",
        seen.what,
        controller.local(seen.at.wall)
    )
}
