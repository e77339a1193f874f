//! What follows from contacts and from the supply.

use std::sync::Arc;

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::{CHATTER_CHANGES, CHATTER_SPAN, Engine, meaning};
use crate::config::{Blocks, Input, InputRole};
use crate::quantity::{Name, Volume};
use crate::record::{HoldScope, Who};

/// Books and float of a bottle may differ by this part of its capacity before it is an alarm (our rule).
const FLOAT_MARGIN: f64 = 0.1;

impl Engine {
    /// Lets debounced states follow, and acts on what changed.
    pub(super) fn settle_inputs(&mut self, now: Now) {
        let controller = Arc::clone(&self.in_force.controller);
        for (name, config) in &controller.inputs {
            let Some(settled) = self.inputs.settle(config, now.elapsed) else {
                continue;
            };
            if let Some(is_safe) = settled.changed_to_safe {
                self.input_changed(config, is_safe, now);
            }
            let text = format!(
                "input {name} changed more than {CHATTER_CHANGES} times in {CHATTER_SPAN} and counts as unsafe; look at its wiring"
            );
            self.alarm_if(
                AlarmCode::InputChattering,
                name.as_str(),
                settled.chattering.then_some(text),
                now,
            );
        }
    }

    fn input_changed(&mut self, config: &Input, is_safe: bool, now: Now) {
        let says = meaning(config);
        let text = if is_safe {
            format!("input {} is safe again", config.name)
        } else {
            format!("input {}: {says}", config.name)
        };
        self.note("input-changed", None, text, Who::Daemon, now);
        if is_safe {
            self.clear(AlarmCode::InputUnsafe, config.name.as_str(), now);
            return;
        }
        if config.role == InputRole::StopButton {
            self.set_hold(
                HoldScope::All,
                format!("stop button {} was pressed", config.name),
                Who::Daemon,
                None,
                now,
            );
        }
        if config.stops_running {
            self.stop_running(
                &format!("input {}: {says}", config.name),
                |line| match &config.blocks {
                    Blocks::All => true,
                    Blocks::Lines(lines) => lines.contains(line),
                },
            );
        }
        self.raise(
            AlarmCode::InputUnsafe,
            config.name.as_str(),
            format!("input {}: {says}", config.name),
            now,
        );
    }

    pub(super) fn under_voltage(&mut self, low: bool, now: Now) {
        if !self.inputs.supply_seen(low) {
            return;
        }
        if low {
            self.stop_running("under-voltage: the board's supply is too low", |_| true);
        }
        let text = "the board's supply is too low; check the power supply and its cable".to_owned();
        self.alarm_if(AlarmCode::UnderVoltage, "", low.then_some(text), now);
    }

    /// How books and float of a bottle contradict each other, if they do.
    pub(super) fn float_disagrees(&self, reservoir: &Name) -> Option<String> {
        let config = self.controller().reservoirs.get(reservoir)?;
        let float = self
            .controller()
            .inputs
            .values()
            .find(|i| i.role == InputRole::ReservoirFloat(reservoir.clone()))?;
        // A float that has just begun to be read says nothing yet.
        if !self.inputs.is_established(&float.name) {
            return None;
        }
        let says = self.inputs.says(&float.name);
        let left = self.books.left_in(reservoir)?;
        let margin = config.capacity.scaled(FLOAT_MARGIN).unwrap_or(Volume::ZERO);
        if says == Some(false) && left > config.reserve.saturating_add(margin) {
            return Some(format!(
                "float {} says reservoir {reservoir} is empty, the books say {left} are left; look at the bottle, the float and the tube, then `dosewright refill {reservoir} VOLUME`",
                float.name
            ));
        }
        let used_up = left <= config.reserve;
        (says == Some(true) && used_up).then(|| {
            format!("float {} says reservoir {reservoir} holds liquid, the books say it is used up ({left}, {} of it reserve); look at the bottle and whether the float sticks, then `dosewright refill {reservoir} VOLUME`", float.name, config.reserve)
        })
    }
}
