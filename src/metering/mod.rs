//! From volumes to run times and back. Pure arithmetic on one head's calibration.

mod calibration;

pub use calibration::{Calibration, CalibrationError};
