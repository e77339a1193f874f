//! Doses by hand in two steps, and runs by time.
//!
//! A run by time needs no calibration: it is how a head comes to one. Until then the most that the head can give in that time is
//! counted. What is run without a session at the bench counts as given to the tank: the daemon cannot see where the outlet hangs.

use super::command::UNUSUAL_FACTOR;
use super::dose::Cause;
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::figures::DoseFigures;
use super::state::Engine;
use super::wish::{Figures, Wish, Worked};
use crate::config::NoSuchHead;
use crate::guard::{Refusal, Request, examine, judge};
use crate::metering::Calibration;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{Destination, DoseId, DoseKind, Who};

impl Engine {
    /// A metered dose by hand.
    pub(super) fn work_out_dose(
        &self,
        line: &Name,
        (volume, kind): (Volume, DoseKind),
        now: Now,
    ) -> Result<Worked, Denial> {
        self.work_out_by_hand(line, (volume, kind, None), now)
    }

    /// A run by time on the line that a head serves.
    pub(super) fn work_out_run(
        &self,
        head: &Name,
        (run_time, kind): (Millis, DoseKind),
        now: Now,
    ) -> Result<Worked, Denial> {
        let line = &self.controller().line_of_head(head)?.name;
        let config = self.controller().heads.get(head);
        let calibration = self.calibration_of(head);
        let most = config.map_or(Volume::ZERO, |c| c.at_most(calibration.as_ref(), run_time));
        // A dose of nothing is none, and cannot be written down.
        let volume = most.max(Volume::from_ul(1));
        self.work_out_by_hand(line, (volume, kind, Some(run_time)), now)
    }

    fn work_out_by_hand(
        &self,
        line: &Name,
        (volume, kind, timed): (Volume, DoseKind, Option<Millis>),
        now: Now,
    ) -> Result<Worked, Denial> {
        let into = self.destination(line, kind);
        let request = Request {
            id: self.books.next_dose_id(),
            line,
            volume,
            kind,
            timed,
            into,
        };
        let facts = self.facts(line, now).ok_or_else(|| self.no_line(line))?;
        let run_time = examine(&request, &facts, now.elapsed).map_err(|r| self.denied(&r, now))?;
        let usual = self.in_force.largest_slot(line);
        let unusual =
            kind == DoseKind::Hand && volume.as_ul() > usual.as_ul().saturating_mul(UNUSUAL_FACTOR);
        let outlet = facts.outlet.solution();
        let (solution, caustic) = (outlet.name.clone(), outlet.caustic);
        let caution = "CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.";
        let vessel = match into {
            Destination::Tank => "",
            Destination::Bench => " into the vessel at the bench",
        };
        let hour = match (into, kind) {
            (Destination::Bench, DoseKind::Prime | DoseKind::Calibration) => String::new(),
            (Destination::Bench | Destination::Tank, _) => {
                format!("; any hour may get {}", facts.hourly_cap)
            }
        };
        let what = format!(
            "{kind} {volume} of {solution} on line {line}{vessel}, which takes {run_time}{hour}"
        );
        let figures = DoseFigures {
            line: line.clone(),
            solution,
            caustic,
            volume,
            run_time,
            kind,
            into,
            hourly_cap: facts.hourly_cap,
            usual,
        };
        Ok(Worked {
            figures: Figures::Dose(figures),
            text: caustic
                .then(|| caution.to_owned())
                .into_iter()
                .chain([what])
                .collect(),
            ask_twice: unusual.then(|| {
                format!("more than {UNUSUAL_FACTOR} times the line's usual dose of {usual}")
            }),
            quiet: Some(line.clone()),
            seen: None,
        })
    }

    /// A refusal for who asked, with the time at which there is room again.
    fn denied(&self, refusal: &Refusal, now: Now) -> Denial {
        let mut denial = Denial::from(refusal);
        let fills_up = matches!(
            refusal,
            Refusal::DailyCap { .. }
                | Refusal::HourlyCap { .. }
                | Refusal::Rise { .. }
                | Refusal::HourlyRise { .. }
        );
        // Up to the next whole second, so that the time that is said is not too early.
        let until = refusal.until().filter(|_| fills_up);
        let until = until.and_then(|until| Self::wall_at(until.plus(Millis::new(999)), now));
        if let Some(at) = until {
            let at = self.controller().local(at);
            denial.text = format!("{}; there is room again at {at}", denial.text);
        }
        denial
    }

    /// Starts the dose that was confirmed.
    pub(super) fn begin_by_hand(
        &mut self,
        wish: &Wish,
        shown: &DoseFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let timed = match wish {
            Wish::Run { run_time, .. } => Some(*run_time),
            Wish::Dose { .. }
            | Wish::Course(_)
            | Wish::Uptake(_)
            | Wish::Advice { .. }
            | Wish::Corridor { .. }
            | Wish::CorridorBack { .. }
            | Wish::Refill(_) => None,
        };
        let permit = {
            let request = Request {
                id: self.books.next_dose_id(),
                line: &shown.line,
                volume: shown.volume,
                kind: shown.kind,
                timed,
                into: self.destination(&shown.line, shown.kind),
            };
            let facts = self
                .facts(&shown.line, now)
                .ok_or_else(|| self.no_line(&shown.line))?;
            judge(&request, &facts, now.elapsed).map_err(|r| self.denied(&r, now))?
        };
        self.begin(
            permit,
            Cause {
                kind: shown.kind,
                timed: timed.is_some(),
                slot: None,
                who,
                ticket: Some(ticket),
            },
            now,
        );
        Ok(())
    }

    pub(super) fn calibration_of(&self, head: &Name) -> Option<Calibration> {
        let memory = self.heads.get(head)?;
        memory.calibration.as_ref().map(|c| c.calibration)
    }

    /// Ends one run, and leaves everything else as it is.
    pub(super) fn stop_run(&mut self, dose: DoseId, who: &Who, now: Now) -> Result<Answer, Denial> {
        let cause = format!("stopped by {who}");
        let Some(active) = self.books.active.get_mut(&dose) else {
            return Err(Denial::new(
                "not-running",
                format!(
                    "dose {} is not running; it is over, or was never started",
                    dose.0
                ),
            ));
        };
        if active.stop_cause.is_none() {
            active.stop_cause = Some(cause.clone());
            if active.permit.is_none() {
                self.out.push(Effect::StopPump {
                    head: active.intent.head.clone(),
                    why: cause,
                });
            }
        }
        self.clock.last = now;
        Ok(Answer::done(format!("dose {} is being stopped", dose.0)))
    }
}

impl From<NoSuchHead> for Denial {
    fn from(error: NoSuchHead) -> Self {
        let code = match error {
            NoSuchHead::Head { .. } => "unknown-head",
            NoSuchHead::Line { .. } => "no-line",
        };
        Self::new(code, error.to_string())
    }
}
