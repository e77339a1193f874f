//! Calibrations of heads and checks of them.

use super::ask::{NewCalibration, NewVerification};
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::{Engine, HeadMemory};
use crate::config::Head;
use crate::metering::{FitRules, Outcome, Verification, doubt_rate, fit, same_rate};
use crate::quantity::{FlowRate, Millis};
use crate::record::{CalibrationRun, Entry, StoredCalibration, StoredVerification, Who};

impl Engine {
    /// Writes a check of a head down, and says whether it passed.
    pub(super) fn verify(
        &mut self,
        new: NewVerification,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.benches.word(&new.head, now);
        let head = self.controller().head_named(new.head.as_str())?;
        let refuse = |why: String| Denial::new("verification-refused", why);
        let Some(run_since) = self
            .heads
            .get(&new.head)
            .filter(|m| m.calibration.is_some())
            .map(|m| m.run_since)
        else {
            return Err(refuse(format!(
                "head {} is not calibrated, so there is nothing to check",
                new.head
            )));
        };
        if new.dose.0 < 1
            || new.dose > self.books.last_dose_id()
            || self.books.active.contains_key(&new.dose)
        {
            return Err(refuse(format!(
                "dose {} is not over, or never was",
                new.dose.0
            )));
        }
        if !self.may_verify(&new) {
            return Err(refuse(format!(
                "the calibration of head {} waits for a check of one run that was made with it, and dose {} of {} is none; make one with `dosewright bench {} verify VOLUME`",
                new.head, new.dose.0, new.expected, new.head
            )));
        }
        let tolerance_percent = head.tolerance_percent;
        let check = Verification {
            run_time: run_since,
            expected: new.expected,
            measured: new.measured,
        };
        let error = check.error_percent().map_err(|e| refuse(e.to_string()))?;
        let outcome = check
            .judge(tolerance_percent)
            .map_err(|e| refuse(e.to_string()))?;
        let verdict = match outcome {
            Outcome::Passed => {
                self.heads.entry(new.head.clone()).or_default().verified = true;
                self.touch_all_lines();
                "passed"
            }
            Outcome::Failed => "FAILED: look at tube and outlet, then calibrate the head again",
        };
        let text = format!(
            "head {}: {} measured where {} should be, {error:+.1} %; the tolerance is {tolerance_percent} %: {verdict}",
            new.head, new.measured, new.expected
        );
        let entry = StoredVerification {
            head: new.head,
            dose: new.dose,
            expected: new.expected,
            measured: new.measured,
            typed: new.typed.into(),
            tolerance_percent,
            run_since,
            who,
            at: self.stamp(now),
        };
        self.mark_written(now);
        self.store(
            Entry::Verification(entry),
            Some((ticket, Answer::done(text))),
        );
        Ok(())
    }

    /// Whether a check may let a calibration that was asked about dose: of a run that this calibration metered, and as it is booked.
    fn may_verify(&self, new: &NewVerification) -> bool {
        let Some(memory) = self.heads.get(&new.head) else {
            return false;
        };
        memory.unverified().is_none()
            || self.books.window.iter().any(|d| {
                d.id == new.dose
                    && d.id >= memory.dose_first
                    && d.head == new.head
                    && d.ended.is_some()
                    && d.volume == new.expected
            })
    }

    /// Fits a calibration to its runs and puts it into force.
    pub(super) fn calibrate(
        &mut self,
        new: NewCalibration,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.benches.word(&new.head, now);
        let head = self.controller().head_named(new.head.as_str())?;
        let runs = CalibrationRun::used(&new.runs);
        let rules = FitRules {
            resolution: new.resolution,
            ..FitRules::default()
        };
        let refuse = |why: String| {
            Denial::new(
                "calibration-refused",
                format!("not taken, the head stays as it was: {why}"),
            )
        };
        let fitted = fit(&runs, &rules).map_err(|e| refuse(e.to_string()))?;
        let questioned = self.question_rate(head, fitted.calibration().rate(), new.sure_of)?;
        let limits = fitted
            .metering_limits(head.tolerance_percent)
            .map_err(|e| refuse(e.to_string()))?;
        let stored = StoredCalibration {
            head: new.head.clone(),
            calibration: fitted.calibration(),
            variation: Some(fitted.cv_percent() / 100.0),
            limits: Some(limits),
            // Runs that were timed by hand are of the real head whatever mode this is.
            simulated: !self.live && new.runs.iter().any(|run| run.dose.is_some()),
            runs: new.runs,
            resolution: Some(new.resolution),
            weighing: new.weighing.into(),
            drive: head.output.speed(),
            method: new.method.into(),
            questioned,
            who,
            at: self.stamp(now),
        };
        let mut text = format!(
            "head {} is calibrated: {} with an offset of {}; it meters doses of at least {} within {} %, in runs of {} to {}",
            stored.head,
            stored.calibration.rate(),
            stored.calibration.offset(),
            limits.dose_min,
            limits.tolerance_percent,
            limits.run_min,
            limits.run_max
        );
        let mut memory = HeadMemory::with(stored.clone(), limits.tolerance_percent, Millis::ZERO);
        memory.dose_first = self.books.next_dose_id();
        self.heads.insert(new.head.clone(), memory);
        self.touch_all_lines();
        self.mark_written(now);
        if !stored.questioned.is_empty() {
            text = format!(
                "{text}; BUT {}, so it doses nothing until one run was measured: `dosewright bench {} verify VOLUME`",
                stored.questioned, stored.head
            );
        }
        for gap in self.unmetered().iter().filter(|gap| gap.head == new.head) {
            text.push_str("; BUT ");
            text.push_str(&gap.text);
        }
        self.store(
            Entry::Calibration(stored),
            Some((ticket, Answer::done(text))),
        );
        Ok(())
    }

    /// Why the rate of a new calibration is doubtful although its owner is sure of it; empty when it is as expected.
    fn question_rate(
        &self,
        head: &Head,
        rate: FlowRate,
        sure_of: Option<FlowRate>,
    ) -> Result<String, Denial> {
        let memory = self.heads.get(&head.name);
        let before = memory
            .and_then(|m| m.calibration.as_ref())
            // What a dry run assumed was never measured.
            .filter(|c| c.variation.is_some())
            .map(|c| c.calibration.rate());
        let doubt = doubt_rate(rate, head.nominal_rate, before).map_err(|why| {
            Denial::new(
                "calibration-implausible",
                format!("not taken, the head stays as it was: {why}"),
            )
        })?;
        match doubt {
            None => Ok(String::new()),
            Some(why) if sure_of.is_some_and(|said| same_rate(said, rate)) => Ok(why),
            Some(why) => Err(Denial::new(
                "calibration-questioned",
                format!(
                    "{why}; look at what was entered, and if it is right say the rate again: --rate \"{rate}\""
                ),
            )),
        }
    }
}
