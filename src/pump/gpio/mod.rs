//! Pins of a real board: outputs that are off before they are outputs, and contacts that are pulled towards "unsafe".
//!
//! Two drivers: `rppal` writes the registers of a Raspberry Pi, `chardev` asks the kernel. What they promise: the off level is set
//! before the pin is driven; a level can be read back; a pin is claimed by one daemon only; dropping an output drives it off.
//! What they do not promise: that a pin goes off when the process is killed. With `rppal`, and on the Raspberry Pi's own kernel
//! also with `chardev`, it stays as it is; `dosewright outputs-off`, run by the service manager, and the hardware are for that.

mod chardev;
mod claim;
mod force;
mod recognise;
mod registers;

pub use chardev::choose_chip;
pub(super) use claim::Claim;
pub use claim::{CLAIMS_FOLDER, Claims, OutputRecord, PwmRecord};
pub use force::{Found, force_off};
pub use recognise::{Recognised, RecognisedPwm, Recognition, recognise};

use thiserror::Error;

use super::switched::Output;
use crate::config::{ActiveLevel, BoardDriver, LineBy, Output as OutputPin};

/// A pin that is read.
pub trait Contact: Send {
    /// The level now; `None` when it cannot be read.
    fn level(&mut self) -> Option<ActiveLevel>;
}

/// Why a pin cannot be had.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum GpioError {
    /// The board is not one that the driver knows.
    #[error(
        "driver \"{driver}\" does not work here: {why}; use the other driver, or set mode = \"dry-run\""
    )]
    Board { driver: &'static str, why: String },
    /// No chip, or several, have the label.
    #[error(
        "{found} GPIO chips are labelled \"{label}\", and it must be exactly one (there are: {known}); mend board.chip-label"
    )]
    Chip {
        /// The label looked for.
        label: String,
        /// How many have it.
        found: usize,
        /// The labels there are.
        known: String,
    },
    /// No line, or several, have the name.
    #[error(
        "{found} lines of chip \"{label}\" are named GPIO{gpio}, and it must be exactly one; use line-by = \"offset\" if its lines have no such names"
    )]
    Line {
        label: String,
        gpio: u8,
        /// How many lines have that name.
        found: usize,
    },
    /// Another daemon drives the pin.
    #[error("GPIO{gpio} is driven by another dosewright daemon (lock file {path}); stop that one")]
    Taken { gpio: u8, path: String },
    /// The lock file cannot be made.
    #[error(
        "GPIO{gpio} cannot be claimed: {path}: {why}; the service manager makes that folder (RuntimeDirectory), or make it for the daemon's user"
    )]
    Claim { gpio: u8, path: String, why: String },
    /// The driver refused the pin.
    #[error("GPIO{gpio} cannot be used: {why}")]
    Pin {
        gpio: u8,
        /// What the driver said.
        why: String,
    },
}

/// The pins of a board.
#[derive(Debug)]
pub struct Pins {
    driver: Driver,
    claims: Claims,
}

#[derive(Debug)]
enum Driver {
    Registers(registers::Registers),
    Chardev(chardev::Chip),
}

impl Driver {
    fn open(driver: &BoardDriver) -> Result<Self, GpioError> {
        Ok(match driver {
            BoardDriver::Rppal => Self::Registers(registers::Registers::open()?),
            BoardDriver::Chardev {
                chip_label,
                line_by,
            } => Self::Chardev(chardev::Chip::open(chip_label, *line_by)?),
        })
    }

    fn output(&self, pin: &OutputPin) -> Result<Box<dyn Output>, GpioError> {
        Ok(match self {
            Self::Registers(registers) => Box::new(registers.output(pin)?),
            Self::Chardev(chip) => Box::new(chip.output(pin)?),
        })
    }
}

impl Pins {
    /// Opens the board. Drives nothing.
    ///
    /// # Errors
    /// When the driver does not know this machine, or the chip's label does not name exactly one chip.
    pub fn open(driver: &BoardDriver, claims: Claims) -> Result<Self, GpioError> {
        Ok(Self {
            driver: Driver::open(driver)?,
            claims,
        })
    }

    /// Claims a pin for this process and drives it to its off level, which is set before the pin becomes an output. `what` says
    /// in the claim's record what hangs on it.
    ///
    /// # Errors
    /// When another daemon has it, or the driver refuses it.
    pub fn output(&self, pin: &OutputPin, what: &str) -> Result<Box<dyn Output>, GpioError> {
        let (chip_label, line_by) = match &self.driver {
            Driver::Registers(_) => (None, LineBy::Offset),
            Driver::Chardev(chip) => (Some(chip.label().to_owned()), chip.line_by()),
        };
        let record = OutputRecord {
            gpio: pin.gpio,
            active_low: pin.active == ActiveLevel::Low,
            chip_label,
            by_name: line_by == LineBy::Name,
            what: what.to_owned(),
        };
        let claim = self.claims.take(&record)?;
        Ok(Box::new(Claimed {
            output: self.driver.output(pin)?,
            claim,
        }))
    }

    /// A pin to read, pulled by the board's own resistor towards `pull` where the board can.
    ///
    /// # Errors
    /// When the driver refuses it.
    pub fn contact(&self, gpio: u8, pull: ActiveLevel) -> Result<Box<dyn Contact>, GpioError> {
        Ok(match &self.driver {
            Driver::Registers(registers) => Box::new(registers.contact(gpio, pull)?),
            Driver::Chardev(chip) => Box::new(chip.contact(gpio, pull)?),
        })
    }
}

/// An output and its claim: off first, then given back.
struct Claimed {
    output: Box<dyn Output>,
    claim: Claim,
}

impl Output for Claimed {
    fn set_on(&mut self) -> Result<(), super::PumpError> {
        self.output.set_on()
    }

    fn set_off(&mut self) -> Result<(), super::PumpError> {
        self.output.set_off()
    }

    fn is_on(&mut self) -> Option<bool> {
        self.output.is_on()
    }
}

impl Drop for Claimed {
    fn drop(&mut self) {
        // A pin that does not go off keeps its record, so that `outputs-off` still finds it.
        if self.output.set_off().is_ok() && self.output.is_on() != Some(true) {
            self.claim.forget();
        }
    }
}

/// The level that means "off".
pub(super) fn off_level(active: ActiveLevel) -> ActiveLevel {
    match active {
        ActiveLevel::High => ActiveLevel::Low,
        ActiveLevel::Low => ActiveLevel::High,
    }
}
