//! What every driver is built on: outputs that are switched and read back, contacts that are read, and why they do not obey.

use thiserror::Error;

use crate::config::ActiveLevel;

/// One output that can be switched and read back.
pub trait Output: Send {
    /// Drives the on level.
    ///
    /// # Errors
    /// When the output does not obey.
    fn set_on(&mut self) -> Result<(), PumpError>;

    /// Drives the off level.
    ///
    /// # Errors
    /// When the output does not obey.
    fn set_off(&mut self) -> Result<(), PumpError>;

    /// Whether the output is on now, by reading it back; `None` when it cannot be read.
    fn is_on(&mut self) -> Option<bool>;

    /// Whether it drives anything at all.
    fn drives_something(&self) -> bool {
        true
    }
}

impl Output for Box<dyn Output> {
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.as_mut().set_on()
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.as_mut().set_off()
    }

    fn is_on(&mut self) -> Option<bool> {
        self.as_mut().is_on()
    }

    fn drives_something(&self) -> bool {
        self.as_ref().drives_something()
    }
}

/// Drives the off level, and is an error when the output then reads as on.
pub(super) fn switch_off(output: &mut impl Output) -> Result<(), PumpError> {
    output.set_off()?;
    match output.is_on() {
        Some(true) => Err(PumpError::ReadBack { to: "off" }),
        Some(false) | None => Ok(()),
    }
}

/// An error when an output that was switched on reads as off.
pub(super) fn check_on(output: &mut impl Output) -> Result<(), PumpError> {
    match output.is_on() {
        Some(false) => Err(PumpError::ReadBack { to: "on" }),
        Some(true) | None => Ok(()),
    }
}

/// A pin that is read.
pub trait Contact: Send {
    /// The level now; `None` when it cannot be read.
    fn level(&mut self) -> Option<ActiveLevel>;
}

/// Why an output did not do what it was told.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PumpError {
    #[error("the output could not be switched {to}: {why}")]
    Write { to: &'static str, why: String },
    #[error("the output was switched {to} but reads as the opposite")]
    ReadBack { to: &'static str },
    #[error(
        "the output was found on although no dose runs, and was switched off; another program drives this pin"
    )]
    FoundOn,
    #[error(
        "the output was found on when it was taken over, and was switched off; what it gave is in no book, so look at the bottle and the tank"
    )]
    WasOn,
    #[error("its run-sense contact shows {shows} although it was switched {told}")]
    Sense {
        shows: &'static str,
        told: &'static str,
    },
    #[error("its run-sense contact cannot be read")]
    SenseUnreadable,
    #[error("its steps failed: {why}")]
    Steps { why: String },
    #[error(
        "the common cut-off is off: {why}; look at the heads and their wiring, then restart the daemon"
    )]
    CutOff {
        /// What made it trip, or what it does.
        why: String,
    },
}
