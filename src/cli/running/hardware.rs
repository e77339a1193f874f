//! Heads and pins in words, as `check` prints them.

use crate::config::{Head, HeadOutput, OldCalibration, Output, header_pin};

pub(super) fn head_words(head: &Head) -> String {
    let old = match head.calibration_old {
        OldCalibration::Warn => "an alarm",
        OldCalibration::Block => "no dose",
    };
    format!(
        "{}; {} nominal, runs of at most {}, doses of at least {}; calibration older than {:.0} days or {:.1} h of running: {old}",
        output_words(&head.output),
        head.nominal_rate,
        head.run_max,
        head.dose_min,
        head.calibration_age_max.as_days(),
        head.calibration_run_max.as_secs() / 3600.0
    )
}

fn output_words(output: &HeadOutput) -> String {
    let level = |pin: &Output| pin.active.as_str();
    match output {
        HeadOutput::Switched(pin) => format!("{}, on when {}", pin_words(pin.gpio), level(pin)),
        HeadOutput::Pwm(pwm) => format!(
            "{pwm} on {}, channel {} of chip {}, off when low",
            pin_words(pwm.pin),
            pwm.channel,
            pwm.chip
        ),
        HeadOutput::Stepper(stepper) => {
            let direction = stepper
                .direction
                .as_ref()
                .map_or("fixed by a wire".to_owned(), |pin| {
                    format!("{} {}", pin_words(pin.gpio), level(pin))
                });
            let enable = stepper
                .enable
                .as_ref()
                .map_or("fixed by a wire".to_owned(), |pin| {
                    format!("{}, on when {}", pin_words(pin.gpio), level(pin))
                });
            let speed = stepper.speed;
            format!(
                "stepper at {} steps/s, {} steps/s2, step {}, direction {direction}, enable {enable}",
                speed.steps_per_s,
                speed.steps_per_s2,
                pin_words(stepper.step)
            )
        }
    }
}

/// Both numbers side by side, because one is easily taken for the other.
pub(super) fn pin_words(gpio: u8) -> String {
    let pin = header_pin(gpio).map_or_else(
        || "no header pin".to_owned(),
        |pin| format!("header pin {pin}"),
    );
    format!("GPIO{gpio} ({pin})")
}
