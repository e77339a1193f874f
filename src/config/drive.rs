//! What drives a head or another thing: pins, steppers, hardware PWM. Pure data.

use crate::quantity::Millis;

/// A pin that is driven. Written with its numbering scheme, never a bare number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Output {
    /// BCM GPIO number, from the text `GPIO17`.
    pub gpio: u8,
    /// The level that turns on what hangs on it.
    pub active: ActiveLevel,
}

/// The level that means "on".
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ActiveLevel {
    High,
    Low,
}

impl ActiveLevel {
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::High => "high",
            Self::Low => "low",
        }
    }

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

impl std::fmt::Display for Pwm {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "PWM {} % at {} Hz", self.duty_percent, self.frequency_hz)
    }
}
