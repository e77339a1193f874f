//! The driver `rppal`: the registers of a Raspberry Pi, written from user space.

use rppal::gpio::{Gpio, InputPin, Level, Mode, OutputPin, Pin};

use super::error::GpioError;
use super::found::Found;
use crate::config::{ActiveLevel, Output as OutputConfig};
use crate::pump::output::{Contact, Output, PumpError};

#[derive(Debug)]
pub(super) struct Registers {
    gpio: Gpio,
}

impl Registers {
    pub(super) fn open() -> Result<Self, GpioError> {
        let gpio = Gpio::new().map_err(|error| GpioError::Board {
            driver: "rppal",
            why: error.to_string(),
        })?;
        Ok(Self { gpio })
    }

    fn pin(&self, gpio: u8) -> Result<Pin, GpioError> {
        self.gpio.get(gpio).map_err(|error| GpioError::Pin {
            gpio,
            why: error.to_string(),
        })
    }

    /// The output latch gets the off level before the pin becomes an output, so that there is no edge.
    pub(super) fn output(&self, config: &OutputConfig) -> Result<RegisterOutput, GpioError> {
        let pin = self.pin(config.gpio)?;
        let mut pin = match config.active.other() {
            ActiveLevel::Low => pin.into_output_low(),
            ActiveLevel::High => pin.into_output_high(),
        };
        // Dropped, it stays driven off instead of floating.
        pin.set_reset_on_drop(false);
        Ok(RegisterOutput {
            pin,
            active: config.active,
        })
    }

    pub(super) fn contact(
        &self,
        gpio: u8,
        pull: ActiveLevel,
    ) -> Result<RegisterContact, GpioError> {
        let pin = self.pin(gpio)?;
        Ok(RegisterContact {
            pin: match pull {
                ActiveLevel::Low => pin.into_input_pulldown(),
                ActiveLevel::High => pin.into_input_pullup(),
            },
        })
    }

    /// What a pin is, then drives it off.
    pub(super) fn force_off(&self, config: &OutputConfig) -> Result<Found, GpioError> {
        let pin = self.pin(config.gpio)?;
        let mode = pin.mode();
        let was_active = level(pin.read()) == config.active;
        drop(pin);
        let mut output = self.output(config)?;
        output.set_off().map_err(|error| GpioError::Pin {
            gpio: config.gpio,
            why: error.to_string(),
        })?;
        if output.is_on() == Some(true) {
            return Err(GpioError::Pin {
                gpio: config.gpio,
                why: "it was switched off but still reads as on".to_owned(),
            });
        }
        Ok(match (mode, was_active) {
            (Mode::Output, true) => Found::On,
            (Mode::Output, false) => Found::Off,
            (Mode::Input | Mode::Null, _) => Found::NotDriven,
            // Whatever a hardware PWM or a bus did on it has ended: the pin is a plain output now.
            (
                Mode::Alt0
                | Mode::Alt1
                | Mode::Alt2
                | Mode::Alt3
                | Mode::Alt4
                | Mode::Alt5
                | Mode::Alt6
                | Mode::Alt7
                | Mode::Alt8,
                _,
            ) => Found::Other,
        })
    }
}

fn level(level: Level) -> ActiveLevel {
    match level {
        Level::Low => ActiveLevel::Low,
        Level::High => ActiveLevel::High,
    }
}

#[derive(Debug)]
pub(super) struct RegisterOutput {
    pin: OutputPin,
    active: ActiveLevel,
}

impl RegisterOutput {
    fn drive(&mut self, to: ActiveLevel) {
        self.pin.write(match to {
            ActiveLevel::Low => Level::Low,
            ActiveLevel::High => Level::High,
        });
    }
}

impl Output for RegisterOutput {
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.drive(self.active);
        Ok(())
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.drive(self.active.other());
        Ok(())
    }

    fn is_on(&mut self) -> Option<bool> {
        let high = self.pin.is_set_high();
        Some(high == (self.active == ActiveLevel::High))
    }
}

impl Drop for RegisterOutput {
    fn drop(&mut self) {
        self.drive(self.active.other());
    }
}

#[derive(Debug)]
pub(super) struct RegisterContact {
    pin: InputPin,
}

impl Contact for RegisterContact {
    fn level(&mut self) -> Option<ActiveLevel> {
        Some(level(self.pin.read()))
    }
}
