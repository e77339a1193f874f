//! Driving an output off from a process of its own, whoever drove it before.

use super::Driver;
use super::error::GpioError;
use super::found::Found;
use crate::config::{BoardDriver, Output};

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
