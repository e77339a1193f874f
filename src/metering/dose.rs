//! What a fitted calibration can meter: run time for a dose with its limits, and the smallest dose worth the name.
//!
//! Terms: the *half-width* of a dose is how far one single dose may lie off, at the confidence of the rules; it holds the
//! scatter of doses and the uncertainty of the line. Nothing here is silently rounded into range: a dose outside
//! the calibrated range or below the tolerance is refused.

use serde::{Deserialize, Serialize};

use super::calibration::{Calibration, CalibrationError};
use super::fit::CalibrationFit;
use super::refusal::DoseRefusal;
use crate::quantity::{Millis, Volume, f64_from_i64, i64_from_f64};
use crate::statistics::Line;

/// A dose as it would be metered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeteredDose {
    pub on_time: Millis,
    /// Confidence limits of the run time, from the uncertainty of the line alone, s, low and high.
    pub on_time_limits_s: (f64, f64),
    /// Limits within which one such dose lies, mL, low and high.
    pub dose_limits_ml: (f64, f64),
}

/// What a calibration covers, for the plan check: three numbers that are kept with the calibration.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MeteringLimits {
    /// Shortest run that was calibrated.
    #[serde(rename = "run_min_ms")]
    pub run_min: Millis,
    /// Longest run that is covered.
    #[serde(rename = "run_max_ms")]
    pub run_max: Millis,
    /// Smallest dose that meets the tolerance.
    #[serde(rename = "dose_min_ul")]
    pub dose_min: Volume,
    pub tolerance_percent: f64,
}

impl MeteringLimits {
    /// The smallest dose that passes both: long enough, and known well enough.
    pub fn smallest(&self, calibration: &Calibration) -> Volume {
        smallest_of(calibration, self.run_min).max(self.dose_min)
    }

    /// Run time for a dose, within what the calibration covers.
    ///
    /// # Errors
    /// [`DoseRefusal`] when the dose is below or above the calibrated range, or below the tolerance.
    pub fn run_time(
        &self,
        calibration: &Calibration,
        volume: Volume,
    ) -> Result<Millis, DoseRefusal> {
        let on_time = run_within(calibration, volume, (self.run_min, self.run_max))?;
        if volume < self.dose_min {
            Err(DoseRefusal::BelowTolerance {
                volume,
                tolerance_percent: self.tolerance_percent,
                smallest: self.dose_min,
            })
        } else {
            Ok(on_time)
        }
    }
}

impl CalibrationFit {
    /// Run time for a dose, with its limits.
    ///
    /// # Errors
    /// [`DoseRefusal`] when the dose is below or above the calibrated range.
    pub fn meter(&self, volume: Volume) -> Result<MeteredDose, DoseRefusal> {
        let on_time = run_within(&self.calibration(), volume, self.run_range())?;
        let line = self.cautious_line();
        let (seconds, ml) = (on_time.as_secs(), volume.as_ml());
        let half = line.half_width_of_one(seconds, self.rules().confidence);
        Ok(MeteredDose {
            on_time,
            on_time_limits_s: line
                .inverse_limits(ml, self.rules().confidence)
                .unwrap_or((f64::NEG_INFINITY, f64::INFINITY)),
            dose_limits_ml: (ml - half, ml + half),
        })
    }

    /// Smallest dose whose half-width is at most `tolerance_percent` of itself, within the calibrated range.
    ///
    /// # Errors
    /// [`DoseRefusal::NeverPrecise`] when no dose is, [`DoseRefusal::Tolerance`] for a tolerance outside 0.1 to 50 %.
    pub fn smallest_dose(&self, tolerance_percent: f64) -> Result<Volume, DoseRefusal> {
        if !(0.1..=50.0).contains(&tolerance_percent) {
            return Err(DoseRefusal::Tolerance { tolerance_percent });
        }
        let line = self.cautious_line();
        let confidence = self.rules().confidence;
        // t is looked up once; the half-widths below scale with it.
        let t = line.t(confidence);
        let percent = |run: Millis| {
            let seconds = run.as_secs();
            let half = t * line.sd * (1.0 + line.leverage(seconds)).sqrt();
            let ml = line.at(seconds);
            if ml > 0.0 {
                100.0 * half / ml
            } else {
                f64::INFINITY
            }
        };
        let (run_min, run_max) = self.run_range();
        // The relative half-width falls up to one run time and rises after it, so the first run that passes is found by halving.
        let best = best_run(&line).clamp(run_min, run_max);
        if percent(best) > tolerance_percent {
            return Err(DoseRefusal::NeverPrecise {
                tolerance_percent,
                best_percent: percent(best),
            });
        }
        let (mut fails, mut passes) = (run_min.minus(Millis::new(1)), best);
        while passes.minus(fails) > Millis::new(1) {
            let middle = Millis::new(i64::midpoint(fails.as_ms(), passes.as_ms()));
            if percent(middle) <= tolerance_percent {
                passes = middle;
            } else {
                fails = middle;
            }
        }
        Ok(smallest_of(&self.calibration(), passes))
    }

    /// What the plan check needs of this calibration.
    ///
    /// # Errors
    /// As [`Self::smallest_dose`].
    pub fn metering_limits(&self, tolerance_percent: f64) -> Result<MeteringLimits, DoseRefusal> {
        let (run_min, run_max) = self.run_range();
        Ok(MeteringLimits {
            run_min,
            run_max,
            dose_min: self.smallest_dose(tolerance_percent)?,
            tolerance_percent,
        })
    }

    /// The line with a residual never smaller than what the readings could resolve (a step / sqrt(12), GUM type B).
    fn cautious_line(&self) -> Line {
        let step_sd = self.rules().resolution.or_zero().as_ml() / 12.0_f64.sqrt();
        self.line().with_floor(step_sd)
    }
}

/// Run time at which the half-width is the smallest part of the dose: where d/du of (1 + 1/n + u2/Sxx) / (v + q u)2 is zero.
fn best_run(line: &Line) -> Millis {
    let past_mean = (1.0 + line.leverage(line.x_mean)) * line.x_spread * line.slope / line.y_mean;
    Millis::from_secs_f64(line.x_mean + past_mean).unwrap_or(Millis::MAX)
}

/// Run time for a dose, refused outside `run_min..=run_max`.
fn run_within(
    calibration: &Calibration,
    volume: Volume,
    (run_min, run_max): (Millis, Millis),
) -> Result<Millis, DoseRefusal> {
    let smallest = smallest_of(calibration, run_min);
    let below = || DoseRefusal::BelowRange {
        volume,
        run_min,
        smallest,
    };
    let above = || DoseRefusal::AboveRange {
        volume,
        run_max,
        largest: largest_of(calibration, run_max),
    };
    match calibration.run_time(volume) {
        Ok(on_time) if on_time > run_max => Err(above()),
        Ok(on_time) if on_time < run_min => Err(below()),
        Ok(on_time) => Ok(on_time),
        Err(CalibrationError::TooLarge { .. }) => Err(above()),
        Err(
            CalibrationError::TooSmall { .. }
            | CalibrationError::Rate { .. }
            | CalibrationError::Offset { .. },
        ) => Err(below()),
    }
}

/// Smallest whole microlitre that needs a run of at least `run`.
fn smallest_of(calibration: &Calibration, run: Millis) -> Volume {
    flowed(calibration, run, f64::ceil)
}

/// Largest whole microlitre that needs a run of at most `run`.
fn largest_of(calibration: &Calibration, run: Millis) -> Volume {
    flowed(calibration, run, f64::floor)
}

fn flowed(calibration: &Calibration, run: Millis, rounded: fn(f64) -> f64) -> Volume {
    let ul = rounded(calibration.rate().as_ul_per_ms() * f64_from_i64(run.as_ms()));
    i64_from_f64(ul)
        .map_or(Volume::from_ul(i64::MAX), Volume::from_ul)
        .saturating_add(calibration.offset())
}
