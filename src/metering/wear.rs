//! A new calibration against the one before: is the tube worn, or was it changed?
//!
//! A peristaltic tube takes a set and delivers less per turn as it ages, fastest when new and again before it fails
//! (general trade knowledge; no measured figure was found, so the threshold is the owner's to set).

use std::fmt;

use super::calibration::Calibration;
use super::fit::CalibrationFit;
use crate::quantity::{FlowRate, Volume};

/// Change of rate from which a word is said, % (common practice, no source).
pub const WEAR_PERCENT: f64 = 5.0;

/// What a change of rate means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TubeVerdict {
    Steady,
    /// Slower by more than the threshold.
    SlowerPerhapsWorn,
    /// Faster by more than the threshold: a tube does not do that by itself.
    FasterPerhapsChanged,
}

/// A calibration against an earlier one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    pub rate_before: FlowRate,
    pub rate_now: FlowRate,
    /// Change of the rate, % of the earlier one.
    pub rate_change_percent: f64,
    /// Change of the offset.
    pub offset_change: Volume,
    /// Whether the earlier rate lies outside the confidence limits of the new one, so that the change is more than scatter.
    pub beyond_scatter: bool,
    pub verdict: TubeVerdict,
}

impl CalibrationFit {
    /// Compares with an earlier calibration of the same head; `threshold_percent` is the change of rate that is spoken of
    /// ([`WEAR_PERCENT`] by default; a NaN speaks of any change).
    pub fn compare(&self, before: &Calibration, threshold_percent: f64) -> Comparison {
        let (was, now) = (
            before.rate().as_ml_per_min(),
            self.calibration().rate().as_ml_per_min(),
        );
        let rate_change_percent = 100.0 * (now - was) / was;
        let (low, high) = self.rate_limits();
        let verdict = if rate_change_percent.abs() <= threshold_percent {
            TubeVerdict::Steady
        } else if rate_change_percent < 0.0 {
            TubeVerdict::SlowerPerhapsWorn
        } else {
            TubeVerdict::FasterPerhapsChanged
        };
        Comparison {
            rate_before: before.rate(),
            rate_now: self.calibration().rate(),
            rate_change_percent,
            offset_change: self.calibration().offset().saturating_sub(before.offset()),
            beyond_scatter: !(low..=high).contains(&before.rate()),
            verdict,
        }
    }
}

impl fmt::Display for Comparison {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{:+.1} % against the calibration before ({} -> {}){}",
            self.rate_change_percent,
            self.rate_before,
            self.rate_now,
            if self.beyond_scatter {
                ""
            } else {
                ", within the scatter of the runs"
            }
        )?;
        match self.verdict {
            TubeVerdict::Steady => Ok(()),
            TubeVerdict::SlowerPerhapsWorn => {
                f.write_str(": tube worn? look at it, and change it if it is flat or cracked")
            }
            TubeVerdict::FasterPerhapsChanged => {
                f.write_str(": faster than before; was the tube or the supply voltage changed?")
            }
        }
    }
}
