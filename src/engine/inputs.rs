//! Contacts: debounced, and disbelieved when they chatter or cannot be read.
//!
//! A contact is unsafe until it has been seen safe for its time. A broken wire reads as the unsafe level (the wiring notes say
//! how), and a contact that cannot be read at all is unsafe.

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::{Engine, InputMemory};
use crate::config::{Blocks, Input, InputRole};
use crate::guard::InputBlock;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{HoldScope, Who};

/// More changes of level than this within [`CHATTER_SPAN`] are chatter (our rule).
const CHATTER_CHANGES: usize = 10;
const CHATTER_SPAN: Millis = Millis::from_mins(1);
/// A contact that nobody has read for this long since the start is told as one that cannot be read (our rule).
const UNREAD_MAX: Millis = Millis::from_secs(10);
/// Books and float of a bottle may differ by this part of its capacity before it is an alarm (our rule).
const FLOAT_MARGIN: f64 = 0.1;

impl InputMemory {
    /// Nothing known yet: unsafe.
    pub(super) fn unknown(now: Millis) -> Self {
        Self {
            raw: None,
            raw_since: now,
            safe: false,
            established: false,
            safe_since: now,
            changes: std::collections::VecDeque::new(),
            chattering: false,
        }
    }

    /// A simulated contact in dry run: safe from the start.
    pub(super) fn simulated(now: Millis) -> Self {
        Self {
            raw: Some(true),
            raw_since: now,
            safe: true,
            established: true,
            safe_since: now.minus(Millis::DAY),
            changes: std::collections::VecDeque::new(),
            chattering: false,
        }
    }

    fn wants_safe(&self) -> bool {
        self.raw == Some(true) && !self.chattering
    }

    /// When the debounced state will follow the raw one, if they differ.
    fn follows_at(&self, config: &Input) -> Option<Millis> {
        if self.chattering {
            // A contact that cannot make up its mind is not debounced into safety: it is unsafe at once.
            return (self.safe || !self.established).then_some(self.raw_since);
        }
        if !self.established && self.raw.is_none() {
            return Some(self.raw_since.plus(config.trip_after.max(UNREAD_MAX)));
        }
        let wait = if self.wants_safe() {
            config.clear_after
        } else {
            config.trip_after
        };
        (self.wants_safe() != self.safe || !self.established).then(|| self.raw_since.plus(wait))
    }
}

impl Engine {
    pub(super) fn input_sampled(&mut self, name: &Name, safe: Option<bool>, now: Now) {
        let Some(memory) = self.inputs.get_mut(name) else {
            return;
        };
        if memory.raw != safe {
            memory.raw = safe;
            memory.raw_since = now.elapsed;
            memory.changes.push_back(now.elapsed);
            // As many as chatter takes are all that is looked at.
            if memory.changes.len() > CHATTER_CHANGES.saturating_add(1) {
                memory.changes.pop_front();
            }
        }
    }

    /// Lets debounced states follow, and acts on what changed.
    pub(super) fn settle_inputs(&mut self, now: Now) {
        let names: Vec<Name> = self.inputs.keys().cloned().collect();
        for name in names {
            let Some(config) = self.controller.inputs.get(&name).cloned() else {
                continue;
            };
            let Some(memory) = self.inputs.get_mut(&name) else {
                continue;
            };
            let horizon = now.elapsed.minus(CHATTER_SPAN);
            while memory.changes.front().is_some_and(|at| *at < horizon) {
                memory.changes.pop_front();
            }
            let was_chattering = memory.chattering;
            // Quiet again only when a whole span has passed without a change.
            memory.chattering = memory.changes.len() > CHATTER_CHANGES
                || (was_chattering && !memory.changes.is_empty());
            let chattering = memory.chattering;
            let changed = memory
                .follows_at(&config)
                .is_some_and(|at| at <= now.elapsed);
            if changed {
                memory.safe = memory.wants_safe();
                memory.safe_since = now.elapsed;
                memory.established = true;
            }
            let is_safe = memory.safe;
            if changed {
                self.input_changed(&config, is_safe, now);
            }
            let text = format!(
                "input {name} changed more than {CHATTER_CHANGES} times in {CHATTER_SPAN} and counts as unsafe; look at its wiring"
            );
            self.alarm_if(
                AlarmCode::InputChattering,
                name.as_str(),
                chattering.then_some(text),
                now,
            );
        }
    }

    fn input_changed(&mut self, config: &Input, is_safe: bool, now: Now) {
        let says = says(config);
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

    pub(super) fn input_block(&self, config: &Input) -> Option<InputBlock> {
        let memory = self.inputs.get(&config.name)?;
        let input = config.name.as_str().to_owned();
        // A change to unsafe that is still being debounced does not block, one to safe that is does.
        if !memory.safe {
            return Some(InputBlock {
                input,
                says: says(config),
                until: None,
            });
        }
        let until = memory.safe_since.plus(config.resume_after);
        let waits = config.resume_after > Millis::ZERO && until > self.clock.last.elapsed;
        waits.then(|| InputBlock {
            input,
            says: format!(
                "safe again, and waits {} before dosing goes on",
                config.resume_after
            ),
            until: Some(until),
        })
    }

    pub(super) fn next_input_deadline(&self) -> Option<Millis> {
        let follow = self
            .inputs
            .iter()
            .filter_map(|(name, memory)| memory.follows_at(self.controller.inputs.get(name)?));
        let quiet = self
            .inputs
            .values()
            .filter(|m| m.chattering)
            .filter_map(|m| m.changes.back())
            .map(|at| at.plus(CHATTER_SPAN).plus(Millis::new(1)));
        follow.chain(quiet).min()
    }

    pub(super) fn under_voltage(&mut self, low: bool, now: Now) {
        if low == self.under_voltage {
            return;
        }
        self.under_voltage = low;
        if low {
            self.stop_running("under-voltage: the board's supply is too low", |_| true);
        }
        let text = "the board's supply is too low; check the power supply and its cable".to_owned();
        self.alarm_if(AlarmCode::UnderVoltage, "", low.then_some(text), now);
    }

    /// How books and float of a bottle contradict each other, if they do.
    pub(super) fn float_disagrees(&self, reservoir: &Name) -> Option<String> {
        let config = self.controller.reservoirs.get(reservoir)?;
        let float = self
            .controller
            .inputs
            .values()
            .find(|i| i.role == InputRole::ReservoirFloat(reservoir.clone()))?;
        // A float that has just begun to be read says nothing yet.
        let memory = self.inputs.get(&float.name).filter(|m| m.established)?;
        let left = self.reservoirs.get(reservoir).copied()?;
        let margin = config.capacity.scaled(FLOAT_MARGIN).unwrap_or(Volume::ZERO);
        if !memory.safe && memory.raw.is_some() && left > config.reserve.saturating_add(margin) {
            return Some(format!(
                "float {} says reservoir {reservoir} is empty, the books say {left} are left; look at the bottle, the float and the tube, then `dosewright refill {reservoir} VOLUME`",
                float.name
            ));
        }
        let used_up = left <= config.reserve;
        (memory.safe && used_up).then(|| {
            format!("float {} says reservoir {reservoir} holds liquid, the books say it is used up ({left}, {} of it reserve); look at the bottle and whether the float sticks, then `dosewright refill {reservoir} VOLUME`", float.name, config.reserve)
        })
    }
}

/// What an unsafe contact means, in words.
fn says(config: &Input) -> String {
    match &config.role {
        InputRole::ReservoirFloat(reservoir) => format!("reservoir {reservoir} is empty"),
        InputRole::ReturnPump => {
            "the return pump does not run, so the water stands still".to_owned()
        }
        InputRole::Leak => "water where none should be".to_owned(),
        InputRole::SumpHigh => "the sump is too full".to_owned(),
        InputRole::StopButton => "the stop button is pressed".to_owned(),
    }
}
