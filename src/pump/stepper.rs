//! A head that is stepped: a pulse on one output for each step, direction and enable beside it.
//!
//! The head's own thread gives the motor current, looks at it and bounds the time; pulses come from a second thread that does nothing
//! else. Either sees a stop by itself. A pulse thread that hangs makes no steps, and the head's thread takes the motor's current
//! away meanwhile, so neither needs the other to end a run.
//!
//! Not promised: that the motor follows. Nothing here sees a lost step; only a calibration and a bottle tell.

use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::clock::elapsed_us;
use super::control::{RunControl, Waited};
use super::output::{Output, PumpError, check_on};
use super::ramp::{Schedule, steps_in, time_for};
use crate::config::StepSpeed;
use crate::quantity::{Millis, Name};
use crate::record::DoseId;

/// The outputs of a stepper head.
pub struct StepperLines {
    /// A step is made when it goes on.
    pub step: Box<dyn Output>,
    /// On while the head runs; `None` when the direction is fixed by a wire.
    pub direction: Option<Box<dyn Output>>,
    /// On while the motor has current; `None` when that is fixed by a wire.
    pub enable: Option<Box<dyn Output>>,
}

impl StepperLines {
    /// The output that the head's own thread switches, and what makes the steps while it is on.
    pub(super) fn split(self, speed: StepSpeed) -> (MotorCurrent, Motion) {
        let current = MotorCurrent {
            direction: self.direction,
            enable: self.enable,
            told_on: false,
        };
        let motion = Motion {
            step: self.step,
            speed,
            done: Stepped::default(),
        };
        (current, motion)
    }
}

/// What makes the steps of a head.
pub(super) struct Motion {
    pub(super) step: Box<dyn Output>,
    speed: StepSpeed,
    /// What was done in the latest run.
    pub(super) done: Stepped,
}

/// What a run did.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Stepped {
    planned: i64,
    sent: i64,
    took_ms: i64,
    longest_gap_us: i64,
    /// The run time that the steps sent stand for.
    pub(super) on_time: Millis,
}

impl Stepped {
    /// Tells of the run; after it, because the log may be slow.
    pub(super) fn log(self, head: &Name, dose: DoseId) {
        let Self {
            planned,
            sent,
            took_ms,
            longest_gap_us,
            ..
        } = self;
        tracing::info!(%head, dose = dose.0, planned, sent, took_ms, longest_gap_us, "steps");
    }
}

/// Direction and enable, switched together.
pub struct MotorCurrent {
    direction: Option<Box<dyn Output>>,
    enable: Option<Box<dyn Output>>,
    told_on: bool,
}

/// Time between switching direction and current and the first step, and between the last step and switching off, in microseconds:
/// drivers want some ms to wake up, and the motor to come to rest (ours).
const SETTLE_US: i64 = 5_000;
/// Longest pulse, in microseconds; half an interval at the full speed when that is shorter. Drivers want some microseconds.
const PULSE_US_MAX: i64 = 1_000;
/// Time between two looks at a running head.
const WATCH: Duration = Duration::from_millis(100);
/// A run may take twice its time and this much, in microseconds, before it is given up: less than the engine waits for its end.
const LATE_US_MAX: i64 = 3_000_000;

impl Output for MotorCurrent {
    /// The direction first: it must stand before the motor holds.
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.told_on = true;
        if let Some(direction) = &mut self.direction {
            direction.set_on()?;
        }
        self.enable.as_mut().map_or(Ok(()), Output::set_on)
    }

    /// The current first, and the direction also when that failed.
    fn set_off(&mut self) -> Result<(), PumpError> {
        self.told_on = false;
        let enable = self.enable.as_mut().map_or(Ok(()), Output::set_off);
        let direction = self.direction.as_mut().map_or(Ok(()), Output::set_off);
        enable.and(direction)
    }

    /// Whether the motor has current; a direction that is not as it was told counts as off while it runs.
    fn is_on(&mut self) -> Option<bool> {
        let direction = self.direction.as_mut().and_then(Output::is_on);
        match &mut self.enable {
            Some(_) if self.told_on && direction == Some(false) => Some(false),
            Some(enable) => enable.is_on(),
            None => direction,
        }
    }

    fn drives_something(&self) -> bool {
        let drives =
            |pin: &Option<Box<dyn Output>>| pin.as_ref().is_some_and(Output::drives_something);
        drives(&self.direction) || drives(&self.enable)
    }
}

/// How the pulses of a run ended.
enum Pulses {
    All,
    Stopped,
    /// The head's thread has given the run up.
    GivenUp,
    /// The step output does not obey.
    Broken(PumpError),
}

/// What both threads of a run look at.
struct Shared<'a> {
    dose: DoseId,
    control: &'a RunControl,
    sent: AtomicI64,
    give_up: AtomicBool,
    longest_gap_us: AtomicI64,
}

impl Motion {
    /// Sends the pulses of a run, one after the other, until all are sent or the run ends. The step output is off afterwards.
    fn pulse(&mut self, steps: i64, shared: &Shared<'_>) -> Pulses {
        let ended = self.pulses(steps, shared);
        match self.step.set_off() {
            Ok(()) => ended,
            Err(error) => Pulses::Broken(error),
        }
    }

    fn pulses(&mut self, steps: i64, shared: &Shared<'_>) -> Pulses {
        let wait = |until_us: i64| shared.control.wait(shared.dose, until_us);
        let width_us = (500_000 / i64::from(self.speed.steps_per_s.max(1))).min(PULSE_US_MAX);
        let start_us = elapsed_us().saturating_add(SETTLE_US);
        let mut schedule = Schedule::new(self.speed, steps, start_us);
        let mut last_us: Option<i64> = None;
        while let Some(due_us) = schedule.due_us() {
            if wait(due_us) == Waited::Stopped {
                return Pulses::Stopped;
            }
            if shared.give_up.load(Ordering::SeqCst) {
                return Pulses::GivenUp;
            }
            // Counted before it is sent: a pulse that is cut short, or fails, may have moved the motor.
            shared.sent.fetch_add(1, Ordering::SeqCst);
            if let Err(error) = self.step.set_on() {
                return Pulses::Broken(error);
            }
            let at_us = elapsed_us();
            schedule.sent(at_us);
            if let Some(last_us) = last_us.replace(at_us) {
                let gap = at_us.saturating_sub(last_us);
                shared.longest_gap_us.fetch_max(gap, Ordering::Relaxed);
            }
            if wait(at_us.saturating_add(width_us)) == Waited::Stopped {
                return Pulses::Stopped;
            }
            if let Err(error) = self.step.set_off() {
                return Pulses::Broken(error);
            }
        }
        match wait(elapsed_us().saturating_add(SETTLE_US)) {
            // Stopped or not, all steps are made.
            Waited::ToTheEnd | Waited::Stopped => Pulses::All,
        }
    }

    /// Sends the steps of a run from a thread of their own, looking at the motor's current all the while. `done` keeps how much was done.
    pub(super) fn step_and_watch(
        &mut self,
        head: &Name,
        current: &mut impl Output,
        (dose, control): (DoseId, &RunControl),
        run_time: Millis,
    ) -> Result<Waited, PumpError> {
        self.done = Stepped::default();
        let speed = self.speed;
        let planned = steps_in(speed, run_time);
        let began_us = elapsed_us();
        let shared = Shared {
            dose,
            control,
            sent: AtomicI64::new(0),
            give_up: AtomicBool::new(false),
            longest_gap_us: AtomicI64::new(0),
        };
        let ended = std::thread::scope(|scope| {
            let (tell, told) = channel();
            let (name, for_pulses) = (format!("steps-{head}"), &shared);
            let motion = &mut *self;
            let thread = std::thread::Builder::new()
                .name(name)
                .stack_size(128 * 1024)
                .spawn_scoped(scope, move || {
                    // Told also when it unwinds: the sender goes away.
                    let tell: Sender<Pulses> = tell;
                    drop(tell.send(motion.pulse(planned, for_pulses)));
                });
            match thread {
                Ok(thread) => {
                    let ended = watch_pulses(current, &shared, &told, (began_us, run_time));
                    // A panic in it ends here: it has been told as an error.
                    drop(thread.join());
                    ended
                }
                Err(error) => Err(PumpError::Steps {
                    why: format!("the system gives no thread for them: {error}"),
                }),
            }
        });
        let sent = shared.sent.load(Ordering::SeqCst);
        self.done = Stepped {
            planned,
            sent,
            took_ms: elapsed_us().saturating_sub(began_us) / 1000,
            longest_gap_us: shared.longest_gap_us.load(Ordering::Relaxed),
            on_time: if sent >= planned {
                run_time
            } else {
                time_for(speed, sent).min(run_time)
            },
        };
        ended
    }
}

/// The head's own thread while pulses are sent: ends a run that takes too long, or a head that does not obey, by itself.
fn watch_pulses(
    current: &mut impl Output,
    shared: &Shared<'_>,
    told: &std::sync::mpsc::Receiver<Pulses>,
    (began_us, run_time): (i64, Millis),
) -> Result<Waited, PumpError> {
    let limit_us = began_us
        .saturating_add(run_time.as_ms().saturating_mul(2000))
        .saturating_add(LATE_US_MAX);
    let mut error: Option<PumpError> = None;
    loop {
        let ended = told.recv_timeout(WATCH);
        match (ended, error) {
            (Ok(_) | Err(RecvTimeoutError::Disconnected), Some(error))
            | (Ok(Pulses::Broken(error)), None) => return Err(error),
            (Ok(Pulses::All), None) => return Ok(Waited::ToTheEnd),
            (Ok(Pulses::Stopped), None) => return Ok(Waited::Stopped),
            (Ok(Pulses::GivenUp) | Err(RecvTimeoutError::Disconnected), None) => {
                return Err(PumpError::Steps {
                    why: "their thread has ended before its time".to_owned(),
                });
            }
            (Err(RecvTimeoutError::Timeout), before) => error = before,
        }
        if error.is_none() {
            error = check_on(current).err();
        }
        if error.is_none() && elapsed_us() > limit_us {
            error = Some(PumpError::Steps {
                why: format!(
                    "{} were sent in twice {run_time} and 3 s more, which is not all of them; the machine is too busy for this speed",
                    shared.sent.load(Ordering::SeqCst)
                ),
            });
        }
        if error.is_some() || shared.control.is_stopped(shared.dose) {
            shared.give_up.store(true, Ordering::SeqCst);
            // Off now; it is tried again until it is known to be off when the pulse thread has come back.
            drop(current.set_off());
        }
    }
}
