//! A head that runs while one output is on, and what every head shares: cut-off, run-sense, faults. Steps are in `stepper.rs`.

use std::sync::Arc;

use super::Pump;
use super::clock::{Pace, elapsed, elapsed_us};
use super::control::{RunControl, Waited};
use super::cutoff::CutOff;
use super::output::{Contact, Output, PumpError, check_on, switch_off};
use super::stepper::{Motion, MotorCurrent, StepperLines};
use crate::config::{ActiveLevel, StepSpeed};
use crate::engine::{RunEnd, RunReport};
use crate::guard::DosePermit;
use crate::quantity::{Millis, Name};
use crate::record::DoseId;

/// What a switched head tells while it cannot be switched off, or does what it was not told to.
pub(super) type FaultReport = Box<dyn Fn(&PumpError) + Send>;

/// What watches over a head beside its own output.
pub struct Safeguards {
    /// The head's longest run: the driver's own bound, whatever a permit says.
    pub run_max: Millis,
    /// The common cut-off, when there is one.
    pub cut_off: Option<Arc<CutOff>>,
    /// The contact that shows whether the motor has voltage, and its level while it has; when there is one.
    pub sense: Option<(Box<dyn Contact>, ActiveLevel)>,
}

impl Safeguards {
    /// Without cut-off and run-sense.
    pub const fn only(run_max: Millis) -> Self {
        Self {
            run_max,
            cut_off: None,
            sense: None,
        }
    }
}

/// Runs a head by switching one [`Output`].
pub struct SwitchedPump<O: Output> {
    head: Name,
    output: O,
    pace: Pace,
    safeguards: Safeguards,
    fault: FaultReport,
    /// Looks in a row at which the idle head seemed to run.
    suspicious: u32,
    /// What makes steps while the output is on; `None` for a motor that simply runs.
    motion: Option<Motion>,
}

/// Time between two tries to switch off an output that does not obey, in microseconds.
const RETRY_US: i64 = 50_000;
/// Time between two looks at a running head, in microseconds.
const WATCH_US: i64 = 100_000;
/// Time that relay, motor and run-sense contact together may take to follow the output, in microseconds (ours).
const SETTLE_US: i64 = 300_000;
/// Looks in a row, [`super::IDLE_LOOK`] apart, before an idle head that seems to run counts as running.
const SUSPICIOUS_MAX: u32 = 2;

impl SwitchedPump<MotorCurrent> {
    /// Takes over the outputs of a stepper head and drives them off. `fault` is told when the head does not obey.
    ///
    /// # Errors
    /// When an output cannot be driven off: such a head is not used.
    pub fn stepper(
        head: &Name,
        lines: StepperLines,
        speed: StepSpeed,
        safeguards: Safeguards,
        fault: FaultReport,
    ) -> Result<Self, PumpError> {
        let (current, motion) = lines.split(speed);
        // Steps cannot be sent faster than the motor turns, so this head knows real time only.
        let pace = Pace::REAL;
        Self::with_motion(head, current, Some(motion), pace, safeguards, fault)
    }
}

impl<O: Output> SwitchedPump<O> {
    /// Takes over an output and drives it off. `fault` is told when the head does not obey.
    ///
    /// # Errors
    /// When the output cannot be driven off: such a head is not used.
    pub fn new(
        head: &Name,
        output: O,
        pace: Pace,
        safeguards: Safeguards,
        fault: FaultReport,
    ) -> Result<Self, PumpError> {
        Self::with_motion(head, output, None, pace, safeguards, fault)
    }

    fn with_motion(
        head: &Name,
        output: O,
        motion: Option<Motion>,
        pace: Pace,
        safeguards: Safeguards,
        fault: FaultReport,
    ) -> Result<Self, PumpError> {
        let mut pump = Self {
            head: head.clone(),
            output,
            pace,
            safeguards,
            fault,
            suspicious: 0,
            motion,
        };
        pump.off()?;
        Ok(pump)
    }

    /// The output was on when it was taken over: told, and treated, like one that is found on later.
    pub fn was_on(&self) {
        self.give_alarm(&PumpError::WasOn);
    }

    /// Tells of a fault, and takes the supply from all heads where there is a cut-off.
    fn give_alarm(&self, error: &PumpError) {
        if let Some(cut_off) = &self.safeguards.cut_off {
            let why = format!("head {}: {error}", self.head);
            if let Err(second) = cut_off.trip(&why) {
                (self.fault)(&PumpError::CutOff {
                    why: second.to_string(),
                });
            }
        }
        (self.fault)(error);
    }

    /// Switches off until the output is known to be off. Tells of the first failure and goes on trying.
    fn force_off(&mut self) -> Option<PumpError> {
        let mut first: Option<PumpError> = None;
        // Nobody stops this wait: the number is above every dose that could be stopped.
        let (patience, nobody) = (RunControl::default(), DoseId(i64::MAX));
        while let Err(error) = self.off() {
            if first.is_none() {
                self.give_alarm(&error);
                first = Some(error);
            }
            patience.wait(nobody, elapsed_us().saturating_add(RETRY_US));
        }
        first
    }

    fn switch_on(&mut self) -> Result<(), PumpError> {
        self.output.set_on()?;
        check_on(&mut self.output)
    }

    /// Whether the motor has voltage, by its contact. `None` when there is no contact; unreadable is an error.
    fn motor_has_voltage(&mut self) -> Option<Result<bool, PumpError>> {
        let (contact, running) = self.safeguards.sense.as_mut()?;
        Some(
            contact
                .level()
                .map(|level| level == *running)
                .ok_or(PumpError::SenseUnreadable),
        )
    }

    /// Waits for the end of the run, looking at the head all the while.
    fn wait_and_watch(
        &mut self,
        dose: DoseId,
        control: &RunControl,
        (on_us, end_us): (i64, i64),
    ) -> Result<Waited, PumpError> {
        loop {
            let look_us = elapsed_us().saturating_add(WATCH_US);
            let waited = control.wait(dose, look_us.min(end_us));
            if waited == Waited::Stopped || look_us >= end_us {
                return Ok(waited);
            }
            check_on(&mut self.output)?;
            let settled = elapsed_us().saturating_sub(on_us) >= SETTLE_US;
            match self.motor_has_voltage() {
                Some(Ok(false)) if settled => {
                    return Err(PumpError::Sense {
                        shows: "no voltage",
                        told: "on",
                    });
                }
                Some(Err(error)) => return Err(error),
                Some(Ok(_)) | None => {}
            }
        }
    }

    /// After switching off: the motor must lose its voltage while the cut-off is still on, or its relay is welded.
    fn check_motor_off(&mut self) -> Result<(), PumpError> {
        let until = elapsed_us().saturating_add(SETTLE_US);
        let (patience, nobody) = (RunControl::default(), DoseId(i64::MAX));
        loop {
            match self.motor_has_voltage() {
                None | Some(Ok(false)) => return Ok(()),
                Some(Ok(true)) if elapsed_us() < until => {}
                Some(Ok(true)) => {
                    return Err(PumpError::Sense {
                        shows: "voltage",
                        told: "off",
                    });
                }
                Some(Err(error)) => return Err(error),
            }
            patience.wait(nobody, elapsed_us().saturating_add(RETRY_US / 5));
        }
    }

    fn supply(&self) -> Result<(), PumpError> {
        self.safeguards
            .cut_off
            .as_ref()
            .map_or(Ok(()), |cut_off| cut_off.supply(&self.head))
    }

    fn release_supply(&self) -> Result<(), PumpError> {
        self.safeguards
            .cut_off
            .as_ref()
            .map_or(Ok(()), |cut_off| cut_off.release(&self.head))
    }

    /// On-time of a run that began at `on_us` and is over now. What a busy machine adds to a warped one is not the head's doing, unless
    /// the output did not obey.
    fn measured(&self, on_us: i64, run_time: Millis, obeyed: bool) -> Millis {
        let on_time = self.pace.on_this_clock(elapsed_us().saturating_sub(on_us));
        if self.pace.is_warped() && obeyed {
            on_time.min(run_time)
        } else {
            on_time
        }
    }

    /// One run between switching on and off, however it ends. Gives the measured on-time.
    fn run_once(
        &mut self,
        dose: DoseId,
        control: &RunControl,
        run_time: Millis,
    ) -> (Millis, Result<Waited, PumpError>) {
        let on_us = elapsed_us();
        let end_us = on_us.saturating_add(self.pace.real_us(run_time));
        let waited = match (self.switch_on(), &mut self.motion) {
            (Err(error), _) => Err(error),
            (Ok(()), None) => self.wait_and_watch(dose, control, (on_us, end_us)),
            (Ok(()), Some(motion)) => {
                motion.step_and_watch(&self.head, &mut self.output, (dose, control), run_time)
            }
        };
        if let Err(error) = &waited {
            // Off before anybody is told.
            let off = self.output.set_off();
            drop(off);
            self.give_alarm(error);
        }
        let off_error = self.force_off();
        let on_time = match &self.motion {
            None => {
                let obeyed = waited.is_ok() && off_error.is_none();
                self.measured(on_us, run_time, obeyed)
            }
            Some(motion) => motion.done.on_time,
        };
        let motor = self.check_motor_off();
        if let Err(error) = &motor {
            self.give_alarm(error);
        }
        let ended = match (waited, off_error, motor) {
            (Err(error), _, _) | (Ok(_), Some(error), _) | (Ok(_), None, Err(error)) => Err(error),
            (Ok(waited), None, Ok(())) => Ok(waited),
        };
        (on_time, ended)
    }
}

impl<O: Output> Pump for SwitchedPump<O> {
    fn off(&mut self) -> Result<(), PumpError> {
        let steps = self
            .motion
            .as_mut()
            .map_or(Ok(()), |motion| switch_off(&mut motion.step));
        // Also when the step output does not obey: without current there is no step.
        switch_off(&mut self.output).and(steps)
    }

    fn run(&mut self, permit: DosePermit, control: &RunControl) -> RunReport {
        let dose = permit.dose();
        let run_time = permit.run_time().min(self.safeguards.run_max);
        // An order that waited through a suspend or a stall is not carried out late. Virtual time has a clock of its own.
        let is_late = !self.pace.is_warped() && permit.expires() < elapsed();
        if is_late || control.is_stopped(dose) {
            return RunReport {
                on_time: Millis::ZERO,
                end: RunEnd::Stopped,
            };
        }
        let (on_time, ended) = match self.supply() {
            Ok(()) => self.run_once(dose, control, run_time),
            Err(error) => (Millis::ZERO, Err(error)),
        };
        let released = self.release_supply();
        if let Err(error) = &released {
            self.give_alarm(error);
        }
        if let Some(motion) = &self.motion {
            motion.done.log(&self.head, dose);
        }
        let end = match ended.and_then(|waited| released.map(|()| waited)) {
            Err(why) => RunEnd::Failed {
                why: why.to_string(),
            },
            Ok(Waited::ToTheEnd) => RunEnd::Completed,
            Ok(Waited::Stopped) => RunEnd::Stopped,
        };
        RunReport { on_time, end }
    }

    fn drives_something(&self) -> bool {
        let steps = self.motion.as_ref();
        self.output.drives_something() || steps.is_some_and(|m| m.step.drives_something())
    }

    fn watch(&mut self) {
        let step_on = self.motion.as_mut().and_then(|m| m.step.is_on());
        let output_on = self.output.is_on() == Some(true) || step_on == Some(true);
        let motor_on = matches!(self.motor_has_voltage(), Some(Ok(true)));
        if output_on {
            // Somebody else's doing: off at once, whatever it was.
            let error = PumpError::FoundOn;
            let off = self.output.set_off();
            drop(off);
            self.give_alarm(&error);
            self.force_off();
        }
        self.suspicious = if motor_on {
            self.suspicious.saturating_add(1)
        } else {
            0
        };
        if self.suspicious == SUSPICIOUS_MAX {
            self.give_alarm(&PumpError::Sense {
                shows: "voltage",
                told: "off",
            });
        }
    }
}

impl<O: Output> Drop for SwitchedPump<O> {
    /// Off on every way out that runs destructors; the others are the business of a separate process.
    fn drop(&mut self) {
        if let Err(error) = self.off() {
            (self.fault)(&error);
        }
        if let Err(error) = self.release_supply() {
            (self.fault)(&error);
        }
    }
}
