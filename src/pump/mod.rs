//! Heads: the driver trait, the simulated driver, and the thread that each head runs on.
//!
//! A driver promises: the output is driven off before it is driven at all, on for the permit's run time at most, and off on
//! every way out. It does not promise that liquid flows; only a calibration and a bottle tell that.
//!
//! Runs are timed here, on the elapsed clock, on a thread of their own: nothing that stalls the event loop, the disk or the
//! network moves an off-edge.

mod clock;
mod control;
mod simulated;
mod switched;
mod thread;

pub use clock::{Pace, elapsed};
pub use control::{RunControl, Waited};
pub use simulated::{SimulatedOutput, SimulatedTrace, Trouble};
pub use switched::{Output, SwitchedPump};
pub use thread::{PumpHandle, PumpReport};

use thiserror::Error;

use crate::engine::RunReport;
use crate::guard::DosePermit;

/// One head's driver. Consumes a permit for each run.
pub trait Pump: Send {
    /// Drives the output to its off level.
    ///
    /// # Errors
    /// When the output does not obey; it must be tried again.
    fn off(&mut self) -> Result<(), PumpError>;

    /// Runs the head: on, wait, off. Returns when the output is off and known to be, whatever else happened.
    fn run(&mut self, permit: DosePermit, control: &RunControl) -> RunReport;
}

/// Why an output did not do what it was told.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PumpError {
    /// The level could not be set.
    #[error("the output could not be switched {to}: {why}")]
    Write {
        /// `on` or `off`.
        to: &'static str,
        /// What the driver said.
        why: String,
    },
    /// The level that was read back is not the one that was set.
    #[error("the output was switched {to} but reads as the opposite")]
    ReadBack {
        /// `on` or `off`.
        to: &'static str,
    },
}
