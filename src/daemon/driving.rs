//! What the heads hang on: simulated outputs, or the pins of a board when everything that live mode needs is there.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use tokio::sync::mpsc::UnboundedSender;

use super::alarm_output::AlarmOutput;
use super::arming::Acceptance;
use super::ended::DaemonError;
use super::happening::{Happening, send};
use super::pwm;
use super::seen::OutputsSeen;
use crate::config::{ActiveLevel, Board, Controller, Head, HeadOutput, Mode, StepSpeed};
use crate::ledger::Ledger;
use crate::pump::{
    CLAIMS_FOLDER, Claims, CutOff, InputWatch, Output, Pace, Pins, Pump, PumpHandle, PumpReport,
    PwmClass, PwmTaken, Safeguards, SimulatedLine, SimulatedOutput, StepperLines, SwitchedPump,
    WatchedInput, force_off,
};
use crate::quantity::Name;
use crate::record::{OutputPlace, OutputSeen};
use crate::shell::check_arming;

pub(super) enum Driving {
    Simulated {
        /// Why not, when the configuration says live.
        not_live: Option<String>,
    },
    /// The pins of a board.
    Board {
        pins: Pins,
        /// How the board is wired.
        board: Board,
    },
}

impl Driving {
    /// Live only when the configuration says so, the board is one the driver knows, and the latest arming in the ledger is for
    /// this very configuration and board. Drives nothing itself.
    pub(super) fn decide(
        controller: &Controller,
        acceptance: &Acceptance,
        ledger: Result<&Ledger, &str>,
    ) -> Self {
        if controller.mode == Mode::DryRun {
            return Self::Simulated { not_live: None };
        }
        let live = || -> Result<Self, String> {
            let board = controller
                .board
                .clone()
                .ok_or("controller.toml has no table [board]")?;
            let pins = Pins::open(&board.driver, Claims::at(Path::new(CLAIMS_FOLDER)))
                .map_err(|error| error.to_string())?;
            pwm::check(controller, &PwmClass::system())?;
            let ledger = ledger.map_err(|why| {
                format!("the ledger, which holds the arming, cannot be used: {why}")
            })?;
            let arming = ledger.arming().map_err(|error| error.to_string())?;
            check_arming(
                arming.as_ref(),
                &acceptance.fingerprint,
                &acceptance.hardware,
            )?;
            Ok(Self::Board { pins, board })
        };
        live().unwrap_or_else(|why| Self::Simulated {
            not_live: Some(why),
        })
    }

    /// Whether outputs are really driven.
    pub(super) fn is_live(&self) -> bool {
        matches!(self, Self::Board { .. })
    }

    /// Why outputs are not driven although the configuration says live.
    pub(super) fn not_live(&self) -> Option<&str> {
        match self {
            Self::Simulated { not_live } => not_live.as_deref(),
            Self::Board { .. } => None,
        }
    }
}

/// Outputs that a daemon before this one had left on.
#[derive(Debug, Default)]
pub(super) struct Leftovers(Vec<OutputPlace>);

impl Leftovers {
    /// Those among what this start looked at. What the service manager's hook found on before it is the engine's to tell.
    pub(super) fn among(seen: &[OutputSeen]) -> Self {
        let on = seen.iter().filter(|s| s.was_on);
        Self(on.map(|s| s.place.clone()).collect())
    }

    fn of(&self, head: &Head) -> bool {
        self.0.iter().any(|place| place.moves(&head.output))
    }
}

/// Before anything else in live mode: what a daemon before this one drove and did not give back goes off.
pub(super) fn force_off_leftovers(seen: &mut OutputsSeen) {
    let claims = Claims::at(Path::new(CLAIMS_FOLDER));
    for record in claims.records() {
        let done = force_off(&record.driver, &record.output);
        let place = OutputPlace::Gpio(record.output.gpio);
        seen.add(&record.what, place, done.as_ref().ok().copied());
        match done {
            Ok(found) => {
                tracing::warn!(gpio = record.output.gpio, what = %record.what, found = found.as_str(), "a pin that was not given back is driven off");
            }
            Err(error) => {
                tracing::error!(what = %record.what, %error, "a pin that was not given back");
            }
        }
    }
    pwm::force_off_leftovers(&PwmClass::system(), &claims, seen);
}

pub(super) struct Heads {
    pub(super) pumps: BTreeMap<Name, PumpHandle>,
    /// The pin of the watchdog relay.
    pub(super) heartbeat: Option<Box<dyn Output>>,
    pub(super) alarm: Option<AlarmOutput>,
}

/// Drives every output off and starts a thread for each head.
pub(super) fn start_heads(
    controller: &Controller,
    driving: &Driving,
    pace: Pace,
    left_on: &Leftovers,
    tell: &UnboundedSender<Happening>,
) -> Result<Heads, DaemonError> {
    let Common {
        cut_off,
        heartbeat,
        alarm,
    } = common_outputs(driving)?;
    let mut ready: Vec<(Name, Lines, Safeguards, bool)> = Vec::new();
    // All of them off before the first thread starts.
    for (name, head) in &controller.heads {
        let (output, safeguards) = match driving {
            Driving::Simulated { .. } => simulated(head, pace),
            Driving::Board { pins, .. } => {
                on_board(name, head, pins, cut_off.as_ref()).map_err(|why| DaemonError::Head {
                    head: name.clone(),
                    why,
                })?
            }
        };
        ready.push((name.clone(), output, safeguards, left_on.of(head)));
    }
    let mut pumps = BTreeMap::new();
    for (name, output, safeguards, was_on) in ready {
        let handle = start_head(&name, (output, was_on), pace, safeguards, tell)?;
        pumps.insert(name, handle);
    }
    Ok(Heads {
        pumps,
        heartbeat,
        alarm,
    })
}

/// The outputs of a head.
enum Lines {
    Switched(Box<dyn Output>),
    Stepper(StepperLines, StepSpeed),
    Pwm(PwmTaken),
}

fn start_head(
    name: &Name,
    (lines, was_on): (Lines, bool),
    pace: Pace,
    safeguards: Safeguards,
    tell: &UnboundedSender<Happening>,
) -> Result<PumpHandle, DaemonError> {
    let (for_faults, faulty) = (tell.clone(), name.clone());
    let fault = Box::new(move |error: &crate::pump::PumpError| {
        send(
            &for_faults,
            Happening::Pump(PumpReport::fault(&faulty, error)),
        );
    });
    let pump: Result<Box<dyn Pump>, crate::pump::PumpError> = match lines {
        Lines::Switched(output) => SwitchedPump::new(name, output, pace, safeguards, fault)
            .map(|pump| taken_over(pump, was_on)),
        Lines::Pwm(taken) => SwitchedPump::new(name, taken.output, pace, safeguards, fault)
            .map(|pump| taken_over(pump, was_on || taken.was_on)),
        Lines::Stepper(lines, speed) => {
            SwitchedPump::stepper(name, lines, speed, safeguards, fault)
                .map(|pump| taken_over(pump, was_on))
        }
    };
    let pump = pump.map_err(|e| DaemonError::Head {
        head: name.clone(),
        why: e.to_string(),
    })?;
    let for_reports = tell.clone();
    Ok(PumpHandle::spawn(name, pump, move |report| {
        send(&for_reports, Happening::Pump(report));
    })?)
}

fn taken_over<O: Output + 'static>(pump: SwitchedPump<O>, was_on: bool) -> Box<dyn Pump> {
    if was_on {
        pump.was_on();
    }
    Box::new(pump)
}

/// What hangs on the board beside the heads.
#[derive(Default)]
struct Common {
    cut_off: Option<Arc<CutOff>>,
    heartbeat: Option<Box<dyn Output>>,
    alarm: Option<AlarmOutput>,
}

fn common_outputs(driving: &Driving) -> Result<Common, DaemonError> {
    let Driving::Board { pins, board } = driving else {
        return Ok(Common::default());
    };
    let fault = |why: String| DaemonError::Board { why };
    let take = |output: &crate::config::Output, what: &str| {
        let taken = pins.output(output, what);
        taken.map_err(|e| fault(e.to_string()))
    };
    let cut_off = match &board.cut_off {
        None => None,
        Some(output) => {
            let cut_off = CutOff::new(take(output, "common cut-off")?);
            let cut_off = cut_off.map_err(|e| fault(format!("common cut-off: {e}")))?;
            Some(Arc::new(cut_off))
        }
    };
    let heartbeat = board.heartbeat.map(|gpio| crate::config::Output {
        gpio,
        active: ActiveLevel::High,
    });
    let heartbeat = heartbeat.map(|o| take(&o, "heartbeat")).transpose()?;
    let alarm = board.alarm.as_ref();
    let alarm = alarm.map(|o| take(o, "alarm output")).transpose()?;
    Ok(Common {
        cut_off,
        heartbeat,
        alarm: alarm.map(AlarmOutput::new),
    })
}

fn simulated(head: &Head, pace: Pace) -> (Lines, Safeguards) {
    let line = || -> Box<dyn Output> { Box::new(SimulatedLine::default()) };
    let lines = match &head.output {
        // In warped time steps would have to come faster than a thread can send them: the head stands in as a switched one.
        HeadOutput::Stepper(stepper) if !pace.is_warped() => Lines::Stepper(
            StepperLines {
                step: line(),
                direction: stepper.direction.as_ref().map(|_| line()),
                enable: stepper.enable.as_ref().map(|_| line()),
            },
            stepper.speed,
        ),
        HeadOutput::Stepper(_) | HeadOutput::Switched(_) | HeadOutput::Pwm(_) => {
            let (output, _trace) = SimulatedOutput::new(head.simulated.clone(), pace);
            Lines::Switched(Box::new(output))
        }
    };
    (lines, Safeguards::only(head.run_max))
}

/// Every output of a head, driven off.
fn lines_on_board(name: &Name, head: &Head, pins: &Pins) -> Result<Lines, String> {
    if let HeadOutput::Pwm(pwm) = &head.output {
        // Its pin belongs to the kernel.
        return pwm::take(name, pwm).map(Lines::Pwm);
    }
    let mut taken = BTreeMap::new();
    for (use_of, pin) in head.output.pins() {
        let comma = if use_of.is_empty() { "" } else { ", " };
        let output = pins.output(&pin, &format!("head {name}{comma}{use_of}"));
        taken.insert(use_of, output.map_err(|e| e.to_string())?);
    }
    let missing = || "it has no output".to_owned();
    Ok(match &head.output {
        HeadOutput::Switched(_) | HeadOutput::Pwm(_) => {
            Lines::Switched(taken.remove("").ok_or_else(missing)?)
        }
        HeadOutput::Stepper(stepper) => Lines::Stepper(
            StepperLines {
                step: taken.remove("step").ok_or_else(missing)?,
                direction: taken.remove("direction"),
                enable: taken.remove("enable"),
            },
            stepper.speed,
        ),
    })
}

fn on_board(
    name: &Name,
    head: &Head,
    pins: &Pins,
    cut_off: Option<&Arc<CutOff>>,
) -> Result<(Lines, Safeguards), String> {
    let lines = lines_on_board(name, head, pins)?;
    let sense = match head.run_sense {
        None => None,
        Some(sense) => {
            // Pulled towards "not running", so that a broken wire is noticed at the next dose.
            let pull = sense.running.other();
            let contact = pins.contact(sense.gpio, pull).map_err(|e| e.to_string())?;
            Some((contact, sense.running))
        }
    };
    let cut_off = cut_off.map(Arc::clone);
    let run_max = head.run_max;
    let safeguards = Safeguards {
        run_max,
        cut_off,
        sense,
    };
    Ok((lines, safeguards))
}

/// Starts reading the contacts of a board; `None` when they are simulated or there are none.
pub(super) fn start_inputs(
    controller: &Controller,
    driving: &Driving,
    tell: &UnboundedSender<Happening>,
) -> Result<Option<InputWatch>, DaemonError> {
    let Driving::Board { pins, board } = driving else {
        return Ok(None);
    };
    if controller.inputs.is_empty() {
        return Ok(None);
    }
    let inputs = controller.inputs.values().map(|input| WatchedInput {
        name: input.name.clone(),
        safe: input.safe,
        // Pulled towards "unsafe", so that a broken wire reads as unsafe.
        contact: match pins.contact(input.gpio, input.safe.other()) {
            Ok(contact) => Some(contact),
            Err(error) => {
                tracing::error!(input = %input.name, %error, "this input cannot be read and counts as unsafe");
                None
            }
        },
    });
    let for_reports = tell.clone();
    let watch = InputWatch::spawn(inputs.collect(), board.input_poll, move |report| {
        send(&for_reports, Happening::Input(report));
    })?;
    Ok(Some(watch))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sample's heads: switched ones, a stepper and one on PWM.
    fn controller() -> Controller {
        let zones = |zone: &str| jiff::tz::TimeZone::get(zone).ok();
        let heads = include_str!("../../config/controller.toml");
        let plan = include_str!("../../config/plan.toml");
        let texts = [("controller.toml", heads), ("plan.toml", plan)];
        let loaded = crate::config::check_texts(texts, &zones, &crate::plan::check_plan).unwrap();
        let mut controller = loaded.controller;
        let pin = |gpio| crate::config::Output {
            gpio,
            active: ActiveLevel::High,
        };
        let stepper = crate::config::Stepper {
            step: 5,
            direction: Some(pin(6)),
            enable: Some(pin(13)),
            speed: StepSpeed {
                steps_per_s: 1_000,
                steps_per_s2: 4_000,
            },
        };
        let pwm = crate::config::Pwm {
            chip: "fe20c000.pwm".to_owned(),
            channel: 1,
            pin: 19,
            frequency_hz: 20_000,
            duty_percent: 60,
        };
        for (head, output) in [
            ("magnesium", HeadOutput::Stepper(stepper)),
            ("calcium", HeadOutput::Pwm(pwm)),
        ] {
            let head = controller.heads.get_mut(&Name::new(head).unwrap());
            head.unwrap().output = output;
        }
        controller
    }

    /// What a head hangs on, and whether it moves it or gives its motor current.
    fn places(head: &Head) -> Vec<(OutputPlace, bool)> {
        if let HeadOutput::Pwm(pwm) = &head.output {
            let chip = format!("/sys/devices/platform/soc/{}", pwm.chip);
            return vec![
                (OutputPlace::Gpio(pwm.pin), true),
                (OutputPlace::Pwm(chip.clone(), pwm.channel), true),
                (OutputPlace::Pwm(chip, pwm.channel + 1), false),
            ];
        }
        let pins = head.output.pins().into_iter();
        pins.map(|(use_of, pin)| (OutputPlace::Gpio(pin.gpio), use_of != "direction"))
            .collect()
    }

    #[test]
    fn a_head_was_on_when_an_output_was_on_that_moves_it_or_gives_it_current() {
        let controller = controller();
        for head in controller.heads.values() {
            for (place, moves) in places(head) {
                let left_on = Leftovers(vec![place.clone()]);
                assert_eq!(left_on.of(head), moves, "{place:?}");
                let others = controller.heads.values();
                let alarmed = others.filter(|other| left_on.of(other)).count();
                assert_eq!(alarmed, usize::from(moves), "{place:?}");
            }
            assert!(!Leftovers::default().of(head));
        }
    }
}
