//! Driving an output off from a process of its own, whoever drove it before.

use super::{Driver, GpioError};
use crate::config::{BoardDriver, Output};

/// What a pin was found doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Found {
    /// Driven to its on level.
    On,
    /// Driven to its off level.
    Off,
    /// Not driven at all.
    NotDriven,
    /// In another function: hardware PWM or a bus.
    Other,
    /// It could not be looked at.
    Unknown,
}

impl Found {
    /// In words, and for JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Off => "off",
            Self::NotDriven => "not driven",
            Self::Other => "in another function",
            Self::Unknown => "unknown",
        }
    }
}

/// Looks at a pin, then drives it to its off level and leaves it so. Needs no claim: this must work against a daemon, too.
///
/// # Errors
/// When the driver does not work here, or refuses the pin, or the pin does not obey.
pub fn force_off(driver: &BoardDriver, output: &Output) -> Result<Found, GpioError> {
    match Driver::open(driver)? {
        Driver::Registers(registers) => registers.force_off(output),
        Driver::Chardev(chip) => chip.force_off(output),
    }
}
