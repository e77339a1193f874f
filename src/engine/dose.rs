//! The life of one dose, from the permit to the books.

use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::{Now, RunEnd, RunReport};
use super::state::{ActiveDose, Engine};
use crate::guard::{Counted, DosePermit, Request, look_again};
use crate::metering::Calibration;
use crate::plan::{Slot, SlotKey};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{
    Destination, DoseEnd, DoseId, DoseKind, HoldScope, Intent, NotGiven, Outcome, Who, likely_part,
};

/// A run that lasted this much longer than meant has escaped its timer; the head's line is held.
const OVERRUN_MAX: Millis = Millis::from_secs(2);

/// How a dose ended, as it is booked.
#[derive(Debug)]
pub(super) struct Ending {
    pub(super) end: DoseEnd,
    pub(super) delivered: Volume,
    pub(super) on_time: Option<Millis>,
    pub(super) cause: String,
}

/// What a dose is given for.
#[derive(Debug)]
pub(super) struct Cause {
    pub(super) kind: DoseKind,
    /// Whether it is a run by time.
    pub(super) timed: bool,
    pub(super) slot: Option<SlotKey>,
    pub(super) who: Who,
    pub(super) ticket: Option<Ticket>,
}

impl Engine {
    /// Starts the life of a dose that has a permit: its intent goes to the ledger first.
    pub(super) fn begin(&mut self, permit: DosePermit, cause: Cause, now: Now) {
        let Some(line) = self.in_force.line_config(permit.line()).cloned() else {
            return;
        };
        let Some(outlet) = self.controller().outlet(&line.name) else {
            return;
        };
        let carries = outlet.carried(permit.volume(), self.controller().tank);
        let solution = outlet.solution().name.clone();
        let id = permit.dose();
        self.books.number(id);
        let into = self.destination(&line.name, cause.kind);
        self.benches.word(&line.head, now);
        let due = now.elapsed.plus(permit.run_time());
        let intent = Intent {
            id,
            line: line.name.clone(),
            head: line.head.clone(),
            reservoir: line.reservoir.clone(),
            solution: solution.clone(),
            kind: cause.kind,
            slot: cause.slot.clone(),
            volume: permit.volume(),
            run_time: permit.run_time(),
            carries: carries.clone(),
            into,
            who: cause.who,
            live: self.live,
            at: self.stamp(now),
        };
        self.books.window.add(Counted {
            id,
            line: line.name.clone(),
            head: line.head,
            reservoir: line.reservoir,
            solution,
            kind: cause.kind,
            volume: permit.volume(),
            carries,
            into,
            began: now.elapsed,
            ended: None,
            due,
        });
        if let Some(key) = cause.slot {
            self.slots.settled.insert(key);
        }
        self.touch_line(&line.name);
        self.mark_written(now);
        self.out.push(Effect::StoreIntent(intent.clone()));
        let calibration = self.calibration_of(&intent.head);
        let overdue_at = permit
            .expires()
            .plus(permit.run_time())
            .plus(self.waits.grace);
        self.books.active.insert(
            id,
            ActiveDose {
                intent,
                permit: Some(permit),
                timed: cause.timed,
                calibration,
                ticket: cause.ticket,
                stop_cause: None,
                awaited_at: now.elapsed,
                overdue_at,
            },
        );
    }

    /// The intent is on disk: the guard looks once more, and the head starts.
    pub(super) fn intent_stored(&mut self, id: DoseId, now: Now) {
        let Some(permit) = self
            .books
            .active
            .get_mut(&id)
            .and_then(|dose| dose.permit.take())
        else {
            return;
        };
        let Some((line, kind, stopped, timed, into)) = self.books.active.get(&id).map(|d| {
            let timed = d.timed.then_some(d.intent.run_time);
            (
                d.intent.line.clone(),
                d.intent.kind,
                d.stop_cause.clone(),
                timed,
                d.intent.into,
            )
        }) else {
            return;
        };
        if let Some(cause) = stopped {
            return self.not_started(id, &Denial::new("stopped", cause), now);
        }
        let request = Request {
            id,
            line: &line,
            volume: permit.volume(),
            kind,
            timed,
            into,
        };
        let verdict = match self.facts(&line, now) {
            Some(facts) if !self.stopping => {
                look_again(permit, &request, &facts, now.elapsed).map_err(|r| Denial::from(&r))
            }
            Some(_) | None => Err(Denial::new("stopping", "the daemon is being stopped")),
        };
        match verdict {
            Ok(permit) => self.start_pump(id, permit, now),
            Err(denial) => self.not_started(id, &denial, now),
        }
    }

    fn start_pump(&mut self, id: DoseId, permit: DosePermit, now: Now) {
        let due = now.elapsed.plus(permit.run_time());
        self.books.window.update(id, |dose| {
            dose.began = now.elapsed;
            dose.due = due;
        });
        let Some(dose) = self.books.active.get_mut(&id) else {
            return;
        };
        let head = dose.intent.head.clone();
        let config = self.in_force.controller.heads.get(&head);
        let late = config.map(|head| head.output.late_at_most(permit.run_time()));
        let late = late.unwrap_or(Millis::ZERO);
        dose.awaited_at = due;
        dose.overdue_at = due.plus(late).plus(self.waits.grace);
        let answer = Answer::DoseStarted {
            id,
            line: dose.intent.line.clone(),
            volume: permit.volume(),
            run_time: permit.run_time(),
        };
        if let Some(ticket) = dose.ticket.take() {
            self.out.push(Effect::Reply {
                ticket,
                answer: Ok(answer),
            });
        }
        self.out.push(Effect::StartPump { head, permit });
    }

    /// A dose whose intent is stored but that is not to start: the books say that nothing was given.
    fn not_started(&mut self, id: DoseId, denial: &Denial, now: Now) {
        let Some(dose) = self.books.active.remove(&id) else {
            return;
        };
        self.books.forget(id, now);
        if let Some(ticket) = dose.ticket {
            self.out.push(Effect::Reply {
                ticket,
                answer: Err(denial.clone()),
            });
        }
        let ending = Ending {
            end: DoseEnd::NotStarted,
            delivered: Volume::ZERO,
            on_time: Some(Millis::ZERO),
            cause: denial.text.clone(),
        };
        self.book(&dose.intent, ending, now);
    }

    /// An intent that could not be stored: no dose. Whether it is on disk after all is told by the next start, which counts it.
    pub(super) fn intent_failed(&mut self, id: DoseId, why: &str, now: Now) {
        let Some(dose) = self.books.active.remove(&id) else {
            return;
        };
        self.books.forget(id, now);
        let text = format!("the dose could not be recorded, so no pump was started: {why}");
        if let Some(key) = dose.intent.slot.clone() {
            let slot = Slot {
                key,
                at: dose.intent.at.wall,
                volume: dose.intent.volume,
            };
            let denial = Denial::new("ledger-not-writable", text.clone());
            self.slot_not_given(slot, NotGiven::Refused, &denial, now);
        }
        if let Some(ticket) = dose.ticket {
            self.out.push(Effect::Reply {
                ticket,
                answer: Err(Denial::new("ledger-not-writable", text)),
            });
        }
    }

    /// A head has stopped: what it gave is worked out and booked.
    pub(super) fn run_ended(&mut self, id: DoseId, report: &RunReport, now: Now) {
        let Some(dose) = self.books.active.remove(&id) else {
            return;
        };
        let intent = &dose.intent;
        let delivered = self.delivered(intent, dose.calibration.as_ref(), report);
        let (end, cause) = match (&report.end, dose.stop_cause) {
            (RunEnd::Failed { why }, _) => (DoseEnd::Failed, why.clone()),
            (RunEnd::Completed, _) => (DoseEnd::Delivered, String::new()),
            (RunEnd::Stopped, Some(cause)) => (DoseEnd::Interrupted, cause),
            (RunEnd::Stopped, None) => (DoseEnd::Interrupted, "stopped by the driver".to_owned()),
        };
        self.count_end(intent, delivered, report, now);
        if let RunEnd::Failed { why } = &report.end {
            let (line, reason) = (
                intent.line.clone(),
                format!("head {} failed in dose {}: {why}", intent.head, id.0),
            );
            self.set_hold(HoldScope::Line(line), reason, Who::Daemon, None, now);
        }
        let overrun = report.on_time.minus(intent.run_time);
        if overrun > OVERRUN_MAX {
            let reason = format!(
                "dose {} ran {} instead of {}; about {delivered} went in",
                id.0, report.on_time, intent.run_time
            );
            self.set_hold(
                HoldScope::Line(intent.line.clone()),
                reason,
                Who::Daemon,
                None,
                now,
            );
        }
        let ending = Ending {
            end,
            delivered,
            on_time: Some(report.on_time),
            cause,
        };
        self.book(&dose.intent, ending, now);
    }

    /// Volume that a run gave, by its measured on-time and the calibration that it was begun with.
    ///
    /// A run that kept its time to the millisecond gave the volume that was meant: the inverse of the calibration is rounded to
    /// milliseconds, and that rounding is not the pump's. A failed run counts at least in full. A head without a calibration gave at most
    /// what its nominal rate and a margin say.
    fn delivered(
        &self,
        intent: &Intent,
        calibration: Option<&Calibration>,
        report: &RunReport,
    ) -> Volume {
        let head = self.controller().heads.get(&intent.head);
        let by_time = head.map_or(intent.volume, |head| {
            head.at_most(calibration, report.on_time)
        });
        let on_time_error = report
            .on_time
            .minus(intent.run_time)
            .as_ms()
            .saturating_abs();
        match &report.end {
            RunEnd::Completed if on_time_error <= 1 => intent.volume,
            RunEnd::Stopped if report.on_time <= Millis::ZERO => Volume::ZERO,
            RunEnd::Completed | RunEnd::Stopped => by_time,
            RunEnd::Failed { .. } => by_time.max(intent.volume),
        }
    }

    /// Moves caps, ramp, bottle and prediction.
    pub(super) fn count_end(
        &mut self,
        intent: &Intent,
        delivered: Volume,
        report: &RunReport,
        now: Now,
    ) {
        let on_time = report.on_time;
        let carries = intent.carried(delivered);
        if intent.into == Destination::Tank {
            self.water.add(&carries, now.elapsed);
        }
        self.books.window.update(intent.id, |dose| {
            dose.volume = delivered;
            dose.carries = carries;
            // As late as it can have been: the report comes after the end. How a failed run gave what it gave is not known.
            dose.began = match report.end {
                RunEnd::Completed | RunEnd::Stopped => dose.began.max(now.elapsed.minus(on_time)),
                RunEnd::Failed { .. } => now.elapsed,
            };
            dose.ended = Some(now.elapsed);
        });
        let head = self.heads.entry(intent.head.clone()).or_default();
        head.run_since = head.run_since.plus(on_time);
        self.bench_run_ended(intent, delivered, now);
        if intent.into == Destination::Bench {
            return;
        }
        let line = self.lines.entry(intent.line.clone()).or_default();
        line.last_dose = Some((now.wall, delivered));
        line.last_refusal = None;
        self.add_today(&intent.line, delivered, now.wall);
    }

    /// Writes the outcome, and takes the volume off the bottle: once, here, for every dose.
    pub(super) fn book(&mut self, intent: &Intent, ending: Ending, now: Now) {
        let Ending {
            end,
            delivered,
            on_time,
            cause,
        } = ending;
        let left = self.books.take_from(&intent.reservoir, delivered);
        self.estimate_dose(intent, likely_part(end, intent.volume, delivered));
        self.touch_line(&intent.line);
        self.draw(&intent.line, delivered, now);
        self.mark_written(now);
        let at = self.stamp(now);
        self.out.push(Effect::StoreOutcome(Outcome {
            id: intent.id,
            end,
            delivered,
            on_time,
            reservoir_left: left,
            cause,
            at,
        }));
    }

    /// Switches off what runs on these lines. What has a permit but no pump yet will not be started, whatever happens until
    /// its record is stored.
    pub(super) fn stop_running(&mut self, cause: &str, concerned: impl Fn(&Name) -> bool) {
        for dose in self.books.active.values_mut() {
            if !concerned(&dose.intent.line) || dose.stop_cause.is_some() {
                continue;
            }
            dose.stop_cause = Some(cause.to_owned());
            if dose.permit.is_none() {
                self.out.push(Effect::StopPump {
                    head: dose.intent.head.clone(),
                    why: cause.to_owned(),
                });
            }
        }
    }

    pub(super) fn stop_everything(&mut self, now: Now) {
        self.stopping = true;
        self.clock.last = now;
        self.stop_running("the daemon is being stopped", |_| true);
        let denial = Denial::new("stopping", "the daemon was stopped while this dose waited");
        self.drop_waiting(NotGiven::Missed, &denial, now);
    }

    /// A head does not obey. Its line is held; the switch-off has been and is being tried by its driver.
    pub(super) fn pump_fault(&mut self, head: &Name, why: &str, now: Now) {
        let line = self.controller().line_of_head(head).map(|l| l.name.clone());
        if let Ok(line) = line {
            let reason = format!(
                "head {head}: {why}; switch its supply off and look at it before you resume"
            );
            self.set_hold(HoldScope::Line(line), reason, Who::Daemon, None, now);
        }
    }

    /// A run whose end is long overdue: its thread no longer answers, so neither can this process be relied on.
    pub(super) fn check_overdue_runs(&mut self, now: Now) {
        let overdue = self
            .books
            .active
            .values()
            .find(|d| d.permit.is_none() && d.overdue_at <= now.elapsed);
        let Some((head, id)) = overdue.map(|d| (d.intent.head.clone(), d.intent.id)) else {
            return;
        };
        if let Some(dose) = self.books.active.get_mut(&id) {
            dose.overdue_at = Millis::MAX;
        }
        let why = format!("head {head} did not report the end of dose {}", id.0);
        self.pump_fault(&head, &why, now);
        self.out.push(Effect::StopPump {
            head,
            why: why.clone(),
        });
        self.out.push(Effect::Exit { why });
    }
}
