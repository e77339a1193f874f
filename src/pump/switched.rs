//! A head that runs while one output is on.

use super::clock::{Pace, elapsed_us};
use super::control::{RunControl, Waited};
use super::{Pump, PumpError};
use crate::engine::{RunEnd, RunReport};
use crate::guard::DosePermit;
use crate::quantity::Millis;
use crate::record::DoseId;

/// One output that can be switched and read back.
pub trait Output: Send {
    /// Drives the on level.
    ///
    /// # Errors
    /// When the output does not obey.
    fn set_on(&mut self) -> Result<(), PumpError>;

    /// Drives the off level.
    ///
    /// # Errors
    /// When the output does not obey.
    fn set_off(&mut self) -> Result<(), PumpError>;

    /// Whether the output is on now, by reading it back; `None` when it cannot be read.
    fn is_on(&mut self) -> Option<bool>;
}

/// What a switched head tells while it cannot be switched off.
type FaultReport = Box<dyn Fn(&PumpError) + Send>;

/// Runs a head by switching one [`Output`].
pub struct SwitchedPump<O: Output> {
    output: O,
    pace: Pace,
    fault: FaultReport,
}

/// Time between two tries to switch off an output that does not obey, in microseconds.
const RETRY_US: i64 = 50_000;
/// In warped time a wake-up that is late by less than this (real time) is not the head's doing.
const WARP_JITTER_US: i64 = 200_000;

impl<O: Output> SwitchedPump<O> {
    /// Takes over an output and drives it off. `fault` is told when an output cannot be switched off.
    ///
    /// # Errors
    /// When the output cannot be driven off: such a head is not used.
    pub fn new(output: O, pace: Pace, fault: FaultReport) -> Result<Self, PumpError> {
        let mut pump = Self {
            output,
            pace,
            fault,
        };
        pump.off()?;
        Ok(pump)
    }

    /// Switches off until the output is known to be off. Tells of the first failure and goes on trying.
    fn force_off(&mut self) -> Option<PumpError> {
        let mut first: Option<PumpError> = None;
        // Nobody stops this wait: the number is above every dose that could be stopped.
        let (patience, nobody) = (RunControl::default(), DoseId(i64::MAX));
        while let Err(error) = self.off() {
            if first.is_none() {
                (self.fault)(&error);
                first = Some(error);
            }
            patience.wait(nobody, elapsed_us().saturating_add(RETRY_US));
        }
        first
    }

    fn measured(&self, on_us: i64, off_us: i64, run_time: Millis) -> Millis {
        let real = off_us.saturating_sub(on_us);
        let late = real.saturating_sub(self.pace.real_us(run_time));
        // A warped dry run has the resolution of its virtual clock, not of the machine that plays it.
        if self.pace.is_warped() && (0..WARP_JITTER_US).contains(&late) {
            run_time
        } else {
            self.pace.on_this_clock(real)
        }
    }
}

impl<O: Output> Pump for SwitchedPump<O> {
    fn off(&mut self) -> Result<(), PumpError> {
        self.output.set_off()?;
        match self.output.is_on() {
            Some(true) => Err(PumpError::ReadBack { to: "off" }),
            Some(false) | None => Ok(()),
        }
    }

    fn run(&mut self, permit: DosePermit, control: &RunControl) -> RunReport {
        let dose = permit.dose();
        // The driver's own bound: whatever the permit says, never longer than the head's longest run.
        let run_time = permit.run_time().min(permit.run_max());
        if control.is_stopped(dose) {
            return RunReport {
                on_time: Millis::ZERO,
                end: RunEnd::Stopped,
            };
        }
        let on_us = elapsed_us();
        let switched = self
            .output
            .set_on()
            .and_then(|()| match self.output.is_on() {
                Some(false) => Err(PumpError::ReadBack { to: "on" }),
                Some(true) | None => Ok(()),
            });
        let waited = match &switched {
            Ok(()) => control.wait(dose, on_us.saturating_add(self.pace.real_us(run_time))),
            Err(_) => Waited::Stopped,
        };
        let off_error = self.force_off();
        let on_time = self.measured(on_us, elapsed_us(), run_time);
        let end = match (switched, off_error, waited) {
            (Err(why), _, _) | (Ok(()), Some(why), _) => RunEnd::Failed {
                why: why.to_string(),
            },
            (Ok(()), None, Waited::ToTheEnd) => RunEnd::Completed,
            (Ok(()), None, Waited::Stopped) => RunEnd::Stopped,
        };
        RunReport { on_time, end }
    }
}

impl<O: Output> Drop for SwitchedPump<O> {
    /// Off on every way out that runs destructors; the others are the business of a separate process.
    fn drop(&mut self) {
        if let Err(error) = self.off() {
            (self.fault)(&error);
        }
    }
}
