//! Why a pin cannot be had.

use thiserror::Error;

#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum GpioError {
    #[error(
        "driver \"{driver}\" does not work here: {why}; use the other driver, or set mode = \"dry-run\""
    )]
    Board { driver: &'static str, why: String },
    #[error(
        "{found} GPIO chips are labelled \"{label}\", and it must be exactly one (there are: {known}); mend board.chip-label"
    )]
    Chip {
        label: String,
        found: usize,
        known: String,
    },
    #[error(
        "{found} lines of chip \"{label}\" are named GPIO{gpio}, and it must be exactly one; use line-by = \"offset\" if its lines have no such names"
    )]
    Line {
        label: String,
        gpio: u8,
        /// How many lines have that name.
        found: usize,
    },
    #[error("GPIO{gpio} is driven by another dosewright daemon (lock file {path}); stop that one")]
    Taken { gpio: u8, path: String },
    #[error(
        "GPIO{gpio} cannot be claimed: {path}: {why}; the service manager makes that folder (RuntimeDirectory), or make it for the daemon's user"
    )]
    Claim { gpio: u8, path: String, why: String },
    #[error("GPIO{gpio} cannot be used: {why}")]
    Pin { gpio: u8, why: String },
}
