//! What drives a head or another thing: pins, steppers, hardware PWM. Pure data.

use std::fmt;

use super::pin::pin_words;
use crate::quantity::{Millis, said, worded};

/// A pin that is driven. Written with its numbering scheme, never a bare number.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Output {
    /// BCM GPIO number, from the text `GPIO17`.
    pub gpio: u8,
    /// The level that turns on what hangs on it.
    pub active: ActiveLevel,
}

worded! {
    /// The level that means "on".
    pub enum ActiveLevel {
        High = "high",
        Low = "low",
    }
}

impl ActiveLevel {
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::High => Self::Low,
            Self::Low => Self::High,
        }
    }
}

/// What drives a head.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HeadOutput {
    /// A motor that runs while one output is on.
    Switched(Output),
    /// A stepper motor behind a driver that makes a step of every pulse.
    Stepper(Stepper),
    /// A motor whose speed a PWM channel sets.
    Pwm(Pwm),
}

/// The pins and the motion of a stepper head.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stepper {
    /// BCM GPIO number of the step input; a step is made when it goes high.
    pub step: u8,
    /// The direction input and its level while the head runs; `None` when it is fixed by a wire.
    pub direction: Option<Output>,
    /// The enable input and the level at which the motor has current; `None` when it is fixed by a wire.
    pub enable: Option<Output>,
    /// How fast it turns.
    pub speed: StepSpeed,
}

/// Speed and acceleration of a stepper head. Both are whole numbers, so that the steps of a run time are exact.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StepSpeed {
    /// Steps per second between the ramps, at least 1.
    pub steps_per_s: u32,
    /// Steps per second gained in each second, and lost again before the end, at least 1.
    pub steps_per_s2: u32,
}

impl HeadOutput {
    /// How fast it turns, in words that stay the same as long as the speed does: what a calibration holds for.
    pub fn speed(&self) -> String {
        match self {
            Self::Switched(_) => "switched".to_owned(),
            Self::Stepper(stepper) => format!(
                "{} steps/s, {} steps/s2",
                stepper.speed.steps_per_s, stepper.speed.steps_per_s2
            ),
            Self::Pwm(pwm) => pwm.to_string(),
        }
    }

    /// Every pin, what it is for (empty for a switched head), and its level while the head runs.
    pub fn pins(&self) -> Vec<(&'static str, Output)> {
        match self {
            Self::Switched(output) => vec![("", output.clone())],
            Self::Pwm(pwm) => vec![("pwm", pwm.output())],
            Self::Stepper(stepper) => {
                let step = Output {
                    gpio: stepper.step,
                    active: ActiveLevel::High,
                };
                let named = |name, pin: &Option<Output>| pin.clone().map(|pin| (name, pin));
                // Enable first: once it is off, nothing that happens on the others moves the motor.
                named("enable", &stepper.enable)
                    .into_iter()
                    .chain([("step", step)])
                    .chain(named("direction", &stepper.direction))
                    .collect()
            }
        }
    }
}

impl HeadOutput {
    /// Whether a head that was driven at a speed (empty where that is not on record) is driven like this. Ledgers of before the speed
    /// was kept know no PWM heads, and a change of those that there were was not seen.
    pub fn is_driven_at(&self, speed: &str) -> bool {
        match self {
            Self::Switched(_) | Self::Stepper(_) if speed.is_empty() => true,
            Self::Switched(_) | Self::Stepper(_) | Self::Pwm(_) => speed == self.speed(),
        }
    }

    /// How much longer than meant a run may take. Steps that come late are not crowded together: a stepper head may take twice its time.
    pub const fn late_at_most(&self, run_time: Millis) -> Millis {
        match self {
            Self::Stepper(_) => run_time,
            Self::Switched(_) | Self::Pwm(_) => Millis::ZERO,
        }
    }

    /// Whether it runs on when the program that switched it on is gone.
    pub const fn runs_on_alone(&self) -> bool {
        match self {
            Self::Stepper(_) => false,
            Self::Switched(_) | Self::Pwm(_) => true,
        }
    }

    pub const fn pwm(&self) -> Option<&Pwm> {
        match self {
            Self::Pwm(pwm) => Some(pwm),
            Self::Switched(_) | Self::Stepper(_) => None,
        }
    }
}

impl fmt::Display for HeadOutput {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let level = |pin: &Output| pin.active.as_str();
        let wire = || "fixed by a wire".to_owned();
        match self {
            Self::Switched(pin) => write!(f, "{}, on when {}", pin_words(pin.gpio), level(pin)),
            Self::Pwm(pwm) => write!(
                f,
                "{pwm} on {}, channel {} of chip {}, off when low",
                pin_words(pwm.pin),
                pwm.channel,
                pwm.chip
            ),
            Self::Stepper(Stepper {
                step,
                direction,
                enable,
                ..
            }) => {
                let direction = direction.as_ref();
                let direction = direction.map_or_else(wire, |pin| {
                    format!("{} {}", pin_words(pin.gpio), level(pin))
                });
                let enable = enable.as_ref().map_or_else(wire, |pin| {
                    format!("{}, on when {}", pin_words(pin.gpio), level(pin))
                });
                let (speed, step) = (self.speed(), pin_words(*step));
                write!(
                    f,
                    "stepper at {speed}, step {step}, direction {direction}, enable {enable}"
                )
            }
        }
    }
}

impl StepSpeed {
    /// Time to reach the full speed and to come down from it again, rounded up: a shorter run never reaches it.
    pub fn ramps(self) -> Millis {
        let (v, a) = (i64::from(self.steps_per_s), i64::from(self.steps_per_s2));
        Millis::new(
            v.saturating_mul(2000)
                .saturating_add(a.saturating_sub(1))
                .checked_div(a)
                .unwrap_or(i64::MAX),
        )
    }
}

/// One channel and what it does while the head runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pwm {
    /// The chip by its device, `fe20c000.pwm`, or by the last parts of its path; never by its number, which differs between kernels.
    pub chip: String,
    /// The channel on that chip.
    pub channel: u8,
    /// BCM GPIO number of the pin that the board's set-up puts the channel on. Not driven from here; it must be nobody else's.
    pub pin: u8,
    pub frequency_hz: u32,
    /// How much of the time the output is high, in whole percent.
    pub duty_percent: u8,
}

impl Pwm {
    /// Time from pulse to pulse in nanoseconds, rounded down.
    pub fn period_ns(&self) -> u32 {
        1_000_000_000_u32
            .checked_div(self.frequency_hz)
            .unwrap_or(u32::MAX)
    }

    /// Width of a pulse in nanoseconds, rounded down.
    pub fn duty_ns(&self) -> u32 {
        let whole = u64::from(self.period_ns()).saturating_mul(u64::from(self.duty_percent)) / 100;
        u32::try_from(whole)
            .unwrap_or(u32::MAX)
            .min(self.period_ns())
    }

    /// The pin and its level while the head runs.
    pub(super) fn output(&self) -> Output {
        Output {
            gpio: self.pin,
            active: ActiveLevel::High,
        }
    }
}

said! {
    Pwm: it => "PWM {} % at {} Hz", it.duty_percent, it.frequency_hz;
}
