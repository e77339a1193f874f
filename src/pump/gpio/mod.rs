//! Pins of a real board: outputs that are off before they are outputs, and contacts that are pulled towards "unsafe".
//!
//! Two drivers: `rppal` writes the registers of a Raspberry Pi, `chardev` asks the kernel. What they promise: the off level is set
//! before the pin is driven; a level can be read back; a pin is claimed by one daemon only; dropping an output drives it off.
//! What they do not promise: that a pin goes off when the process is killed. With `rppal`, and on the Raspberry Pi's own kernel
//! also with `chardev`, it stays as it is; `dosewright outputs-off`, run by the service manager, and the hardware are for that.

mod chardev;
mod claim;
mod error;
mod force;
mod found;
mod recognise;
mod registers;

pub use chardev::choose_chip;
pub(super) use claim::Claim;
pub use claim::{CLAIMS_FOLDER, Claims, OutputRecord, PwmRecord};
pub use error::GpioError;
pub use force::{force_off, is_absent};
pub use found::Found;
pub use recognise::{Recognised, RecognisedPwm, Recognition, recognise};

use super::output::{Contact, Output, PumpError};
use crate::config::{ActiveLevel, BoardDriver, Output as OutputPin};

#[derive(Debug)]
pub struct Pins {
    opened: Driver,
    driver: BoardDriver,
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
            opened: Driver::open(driver)?,
            driver: driver.clone(),
            claims,
        })
    }

    /// Claims a pin for this process and drives it to its off level, which is set before the pin becomes an output. `what` says
    /// in the claim's record what hangs on it.
    ///
    /// # Errors
    /// When another daemon has it, or the driver refuses it.
    pub fn output(&self, pin: &OutputPin, what: &str) -> Result<Box<dyn Output>, GpioError> {
        let record = OutputRecord {
            driver: self.driver.clone(),
            output: pin.clone(),
            what: what.to_owned(),
        };
        let claim = self.claims.take(&record)?;
        Ok(Box::new(Claimed {
            output: self.opened.output(pin)?,
            claim,
        }))
    }

    /// A pin to read, pulled by the board's own resistor towards `pull` where the board can.
    ///
    /// # Errors
    /// When the driver refuses it.
    pub fn contact(&self, gpio: u8, pull: ActiveLevel) -> Result<Box<dyn Contact>, GpioError> {
        Ok(match &self.opened {
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
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.output.set_on()
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
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
