//! Driving an output off from a process of its own, whoever drove it before.

use std::fs::read_dir;

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

/// Whether this machine has nothing at all that this driver could drive: no such board, no such chip. A board that is there and refuses
/// (for want of rights, say) is not absent.
pub fn is_absent(driver: &BoardDriver) -> bool {
    match Driver::open(driver) {
        Ok(_) => false,
        Err(GpioError::Chip { found: 0, .. }) => true,
        Err(_) => !["gpiomem", "gpiochip"].into_iter().any(has_device),
    }
}

fn has_device(prefix: &str) -> bool {
    let Ok(devices) = read_dir("/dev") else {
        return true;
    };
    let mut names = devices.flatten().map(|device| device.file_name());
    names.any(|name| name.to_string_lossy().starts_with(prefix))
}
