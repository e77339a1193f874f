//! From volumes to run times and back. Pure arithmetic on one head's calibration.

mod calibration;
mod dose;
mod fit;
mod line;
mod refusal;
mod runs;
mod student;
mod water;

pub use calibration::{Calibration, CalibrationError};
pub use dose::{MeteredDose, MeteringLimits};
pub use fit::{CalibrationFit, FitRules, LackOfFit, fit};
pub use line::{LineFit, OriginFit};
pub use refusal::{CalibrationRefusal, DoseRefusal};
pub use runs::{LengthStats, Run, SuspectRun};
pub use student::{Confidence, f_probability_upper, t_probability_two_sided, t_two_sided};
pub use water::{Air, Liquid, WeighingError, water_density};
