//! How a head is driven: switched by one output, pulsed by hardware PWM (`pwm.rs`), or stepped through a driver with step, direction and
//! enable.
//!
//! A table `[head.NAME.stepper]` makes a head a stepper; it takes the place of `output` and `active`.

use super::board::level;
use super::drive::{HeadOutput, Output, StepSpeed, Stepper};
use super::keys;
use super::pin::parse_pin;
use super::pwm;
use super::schema::{Of, Text};
use super::tree::RawTable;
use crate::quantity::{FlowRate, Millis, Volume, f64_from_i64, i64_from_f64};

/// Builds what drives a head; `None` when it is wrong, which is then in the sink.
pub(super) fn build(
    raw: &RawTable,
    flow: (Option<FlowRate>, Option<Volume>),
) -> Option<HeadOutput> {
    if let Some(table) = raw.table(keys::head::PWM) {
        return pwm::build(raw, table);
    }
    let Some(table) = raw.table(keys::head::STEPPER) else {
        return Some(HeadOutput::Switched(Output {
            gpio: parse_pin(raw.text(keys::head::OUTPUT)?).ok()?,
            active: level(raw, keys::head::ACTIVE)?,
        }));
    };
    let mut fits = true;
    for key in [
        keys::head::OUTPUT,
        keys::head::ACTIVE,
        keys::head::RUN_SENSE,
        keys::head::RUN_SENSE_RUNNING,
    ] {
        if raw.text(key).is_some() {
            let why = if key.name().starts_with("run-sense") {
                "shows whether a switched motor has voltage, and that of a stepper has it all the time"
            } else {
                "switches a motor, and this head has a table [stepper]"
            };
            raw.refuse(key, format!("{key} {why}; take one of the two out"));
            fits = false;
        }
    }
    let direction = pin_and_level(
        table,
        (
            keys::stepper::DIRECTION,
            keys::stepper::DIRECTION_LEVEL,
            "the level of the pin while the head runs",
        ),
    );
    let enable = pin_and_level(
        table,
        (
            keys::stepper::ENABLE,
            keys::stepper::ENABLE_ACTIVE,
            "the level at which the motor has current (\"low\" on many drivers)",
        ),
    );
    let speed = StepSpeed {
        steps_per_s: table.whole(keys::stepper::STEPS_PER_S)?,
        steps_per_s2: table.whole(keys::stepper::ACCELERATION_STEPS_PER_S2)?,
    };
    check_shortest_run(raw, table, speed, flow);
    let step = parse_pin(table.text(keys::stepper::STEP)?).ok()?;
    let stepper = Stepper {
        step,
        direction: direction.ok()?,
        enable: enable.ok()?,
        speed,
    };
    fits.then_some(HeadOutput::Stepper(stepper))
}

/// A mistake that is in the sink already.
struct Told;

/// A pin and its level: both keys or none. A mistake is then in the sink.
fn pin_and_level(
    table: &RawTable,
    (pin, level_key, meaning): (Of<Text>, Of<Text>, &str),
) -> Result<Option<Output>, Told> {
    match (table.text(pin), table.text(level_key)) {
        (None, None) => Ok(None),
        (Some(text), Some(_)) => Ok(Some(Output {
            gpio: parse_pin(text).map_err(|_| Told)?,
            active: level(table, level_key).ok_or(Told)?,
        })),
        // The other key stands there and was refused: that has been said.
        (Some(_) | None, None | Some(_)) if table.spoiled => Err(Told),
        (Some(_), None) => {
            table.refuse(
                pin,
                format!("{level_key} is missing; give {meaning}, it has no default"),
            );
            Err(Told)
        }
        (None, Some(_)) => {
            table.refuse(
                level_key,
                format!("{level_key} has no meaning without {pin}; give the pin, or take it out"),
            );
            Err(Told)
        }
    }
}

/// Volume goes with time by a straight line only for runs that reach the full speed; a shorter run gives more than the line says.
fn check_shortest_run(
    raw: &RawTable,
    table: &RawTable,
    speed: StepSpeed,
    (rate, dose_min): (Option<FlowRate>, Option<Volume>),
) {
    let (Some(rate), Some(dose_min)) = (rate, dose_min) else {
        return;
    };
    let ramps = speed.ramps();
    let shortest = f64_from_i64(dose_min.as_ul()) / rate.as_ul_per_ms();
    if shortest < f64_from_i64(ramps.as_ms()) {
        let shortest = i64_from_f64(shortest).map_or(Millis::ZERO, Millis::new);
        table.refuse(keys::stepper::ACCELERATION_STEPS_PER_S2, format!("acceleration-steps-per-s2: speeding up and slowing down take {ramps}, and the smallest dose, {dose_min}, takes {shortest} \
                 at the nominal rate: too short to reach the speed; give a higher acceleration, a lower speed, or a larger {}dose-min-ml", raw.label));
    }
}
