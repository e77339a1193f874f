//! Heads: the driver trait, the drivers (simulated, and those of a real board), and the thread that each head runs on. And inputs:
//! the thread that reads them.
//!
//! A driver promises: the output is driven off before it is driven at all, on for the permit's run time at most, and off on
//! every way out. It does not promise that liquid flows; only a calibration and a bottle tell that.
//!
//! Runs are timed here, on the elapsed clock, on a thread of their own: nothing that stalls the event loop, the disk or the
//! network moves an off-edge.

mod clock;
mod control;
mod cutoff;
mod gpio;
mod inputs;
mod priority;
mod pwm;
mod ramp;
mod simulated;
mod simulated_line;
mod stepper;
mod switched;
mod thread;

pub use clock::{Pace, elapsed};
pub use control::{RunControl, Waited};
pub use cutoff::CutOff;
pub use gpio::{
    CLAIMS_FOLDER, Claims, Contact, Found, GpioError, OutputRecord, Pins, PwmRecord, Recognised,
    RecognisedPwm, Recognition, choose_chip, force_off, recognise,
};
pub use inputs::{InputReport, InputWatch, WatchedInput};
pub use priority::{Priority, ask_for_real_time};
pub use pwm::{PwmChip, PwmClass, PwmError, PwmTaken, force_pwm_off};
pub use ramp::{steps_in, time_for};
pub use simulated::{SimulatedOutput, SimulatedTrace, Trouble};
pub use simulated_line::{LineTrace, SimulatedLine};
pub use stepper::{MotorCurrent, StepperLines};
pub use switched::{Output, Safeguards, SwitchedPump};
pub use thread::{PumpHandle, PumpReport, not_started};

use thiserror::Error;

use crate::engine::RunReport;
use crate::guard::DosePermit;

/// How often an idle head is looked at whose output anybody else could drive.
const IDLE_LOOK: std::time::Duration = std::time::Duration::from_millis(100);
/// How often a head that drives nothing shows that its thread is alive: rarely, since every look costs a little power.
const IDLE_BEAT: std::time::Duration = std::time::Duration::from_secs(2);

/// One head's driver. Consumes a permit for each run.
pub trait Pump: Send {
    /// Drives the output to its off level.
    ///
    /// # Errors
    /// When the output does not obey; it must be tried again.
    fn off(&mut self) -> Result<(), PumpError>;

    /// Runs the head: on, wait, off. Returns when the output is off and known to be, whatever else happened.
    fn run(&mut self, permit: DosePermit, control: &RunControl) -> RunReport;

    /// Looks at the idle head, several times a second: one that runs although nobody told it to is switched off and reported.
    fn watch(&mut self);

    /// Whether there is anything that [`Self::watch`] could see. A head that drives nothing need not be looked at often.
    fn drives_something(&self) -> bool {
        true
    }
}

/// Why an output did not do what it was told.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PumpError {
    /// The level could not be set.
    #[error("the output could not be switched {to}: {why}")]
    Write {
        to: &'static str,
        /// What the driver said.
        why: String,
    },
    /// The level that was read back is not the one that was set.
    #[error("the output was switched {to} but reads as the opposite")]
    ReadBack { to: &'static str },
    /// It is on although no dose runs.
    #[error(
        "the output was found on although no dose runs, and was switched off; another program drives this pin"
    )]
    FoundOn,
    /// It was on when it was taken over, and nobody knows since when.
    #[error(
        "the output was found on when it was taken over, and was switched off; what it gave is in no book, so look at the bottle and the tank"
    )]
    WasOn,
    /// The run-sense contact disagrees with what the output was told.
    #[error("its run-sense contact shows {shows} although it was switched {told}")]
    Sense {
        /// What the contact shows.
        shows: &'static str,
        told: &'static str,
    },
    /// The run-sense contact cannot be read.
    #[error("its run-sense contact cannot be read")]
    SenseUnreadable,
    /// The steps of a stepper head were not sent as planned.
    #[error("its steps failed: {why}")]
    Steps { why: String },
    /// The common cut-off is off for good, or does not obey.
    #[error(
        "the common cut-off is off: {why}; look at the heads and their wiring, then restart the daemon"
    )]
    CutOff {
        /// What made it trip, or what it does.
        why: String,
    },
}
