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
mod output;
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
    CLAIMS_FOLDER, Claims, Found, GpioError, OutputRecord, Pins, PwmRecord, Recognised,
    RecognisedPwm, Recognition, choose_chip, force_off, is_absent, recognise,
};
pub use inputs::{InputReport, InputWatch, WatchedInput};
pub use output::{Contact, Output, PumpError};
pub use priority::{Priority, ask_for_real_time};
pub use pwm::{PwmChip, PwmClass, PwmError, PwmTaken, force_pwm_off};
pub use ramp::{steps_in, time_for};
pub use simulated::{SimulatedOutput, SimulatedTrace, Trouble};
pub use simulated_line::{LineTrace, SimulatedLine};
pub use stepper::{MotorCurrent, StepperLines};
pub use switched::{Safeguards, SwitchedPump};
pub use thread::{PumpHandle, PumpReport, not_started};

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
