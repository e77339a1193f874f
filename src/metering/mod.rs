//! From volumes to run times and back, and how well that is known. Pure arithmetic.
//!
//! Terms: a *run* is a head switched on for a time with its volume measured; a *calibration* is the line through runs; a
//! *fit* is a calibration with all that says how good it is; a *verification* is a later check of it. Weighing, drift of
//! the scale, delivery error by window and accuracy terms are here too.
//! Nothing here reads a clock, a file or a pump. Whether a calibration is too old to be used is the guard's business.

mod accuracy;
mod calibration;
mod dose;
mod fit;
mod plausible;
mod refit;
mod refusal;
mod runs;
mod scatter;
#[cfg(test)]
mod tests;
mod trumpet;
mod verify;
mod water;
mod wear;
mod weighed;

pub use accuracy::{
    API675_LINEARITY_PERCENT, API675_STEADY_STATE_PERCENT, Linearity, steady_state_percent,
};
pub use calibration::{Calibration, CalibrationError};
pub use dose::{MeteredDose, MeteringLimits};
pub use fit::{CalibrationFit, FitRules, LackOfFit, fit};
pub use plausible::{DOUBTFUL_PERCENT, IMPOSSIBLE_FACTOR, ImpossibleRate, doubt_rate, same_rate};
pub use refit::{Coverage, OnRecord};
pub use refusal::{CalibrationRefusal, DoseRefusal, NoRefit, Uncovered};
pub use runs::{LengthStats, REPEATS, Run, SuspectRun, lengths_around};
pub use trumpet::{Sample, Trumpet, TrumpetPoint, TrumpetRefusal};
pub use verify::{Drift, NotYet, Outcome, Verification, VerificationError};
pub use water::{Air, Liquid, WeighingError, water_density};
pub use wear::{Comparison, TubeVerdict, WEAR_PERCENT};
pub use weighed::{Baseline, DriftRefusal, DriftRules, NetMass, Reading, net_mass};
