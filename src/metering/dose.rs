//! What a fitted calibration can meter: run time for a dose with its limits, and the smallest dose worth the name.
//!
//! Terms: the *half-width* of a dose is how far one single dose may lie off, at the confidence of the rules; it holds the
//! scatter of doses and the uncertainty of the line. Nothing here is silently rounded into range: a dose outside
//! the calibrated range or beyond the tolerance is refused.

use serde::{Deserialize, Serialize};

use super::calibration::{Calibration, CalibrationError};
use super::fit::CalibrationFit;
use super::refusal::DoseRefusal;
use crate::quantity::{Millis, Volume, f64_from_i64, i64_from_f64};

/// A dose as it would be metered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeteredDose {
    pub on_time: Millis,
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
    /// Longest run that is covered and meets the tolerance.
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
        let ml = volume.as_ml();
        let half = self.half_width(on_time);
        Ok(MeteredDose {
            on_time,
            dose_limits_ml: (ml - half, ml + half),
        })
    }

    /// Smallest dose whose half-width is at most `tolerance_percent` of itself, within the calibrated range.
    ///
    /// # Errors
    /// [`DoseRefusal::NeverPrecise`] when no dose is, [`DoseRefusal::Tolerance`] for a tolerance outside 0.1 to 50 %.
    pub fn smallest_dose(&self, tolerance_percent: f64) -> Result<Volume, DoseRefusal> {
        Ok(self.metering_limits(tolerance_percent)?.dose_min)
    }

    /// What the plan check needs of this calibration.
    ///
    /// # Errors
    /// As [`Self::smallest_dose`].
    pub fn metering_limits(&self, tolerance_percent: f64) -> Result<MeteringLimits, DoseRefusal> {
        if !(0.1..=50.0).contains(&tolerance_percent) {
            return Err(DoseRefusal::Tolerance { tolerance_percent });
        }
        let (shortest, longest) = self.precise_runs(tolerance_percent)?;
        Ok(MeteringLimits {
            run_min: self.run_range().0,
            run_max: longest,
            dose_min: smallest_of(&self.calibration(), shortest),
            tolerance_percent,
        })
    }

    /// How many runs of each length would let it meter `volume` within the tolerance, if more of them scatter as those there are;
    /// `None` when 20 would not.
    pub fn repeats_for(&self, volume: Volume, tolerance_percent: f64) -> Option<u32> {
        let on_time = run_within(&self.calibration(), volume, self.run_range()).ok()?;
        (2..=REPEATS_MAX).find(|repeats| {
            let repeats = f64::from(*repeats);
            repeats > self.scatter().repeats()
                && self.is_precise(on_time, tolerance_percent, Some(repeats))
        })
    }

    /// The widest stretch of run times all of which meet the tolerance.
    fn precise_runs(&self, tolerance_percent: f64) -> Result<(Millis, Millis), DoseRefusal> {
        let is_good = |run: &Millis| self.is_precise(*run, tolerance_percent, None);
        let looked_at = self.looked_at();
        let mut good = looked_at.split(|run| !is_good(run));
        let widest = good.clone().map(<[Millis]>::len).max().unwrap_or(0);
        let stretch = good.find(|stretch| stretch.len() == widest);
        let ends = stretch.and_then(|stretch| stretch.first().zip(stretch.last()));
        let (first, last) = if let Some((first, last)) = ends {
            (*first, *last)
        } else {
            let best = self.best_run(&looked_at);
            if !is_good(&best) {
                let volume = self.calibration().volume(best);
                return Err(DoseRefusal::NeverPrecise {
                    tolerance_percent,
                    best_percent: self.percent(best),
                    repeats: self.repeats_for(volume, tolerance_percent),
                });
            }
            (best, best)
        };
        let (run_min, run_max) = self.run_range();
        let below = looked_at.iter().rfind(|run| **run < first);
        let above = looked_at.iter().find(|run| **run > last);
        let beyond = Millis::new(1);
        Ok((
            edge(
                first,
                below.map_or(run_min.minus(beyond), |run| *run),
                is_good,
            ),
            edge(
                last,
                above.map_or(run_max.plus(beyond), |run| *run),
                is_good,
            ),
        ))
    }

    /// Run times by which the covered range is looked through: evenly by their ratio, and its lengths, where scatter has its peaks.
    fn looked_at(&self) -> Vec<Millis> {
        let (run_min, run_max) = self.run_range();
        let ratio = run_max.as_secs() / run_min.as_secs();
        let even = (1..LOOKS).filter_map(|look| {
            let part = f64::from(look) / f64::from(LOOKS);
            Millis::from_secs_f64(run_min.as_secs() * ratio.powf(part))
        });
        let lengths = self.lengths().iter().map(|length| length.on_time);
        let mut all: Vec<Millis> = even.chain(lengths).chain([run_min, run_max]).collect();
        all.retain(|run| (run_min..=run_max).contains(run));
        all.sort();
        all.dedup();
        all
    }

    /// The run time at which the half-width is the smallest part of the dose, between the neighbours of the best of those looked at.
    fn best_run(&self, looked_at: &[Millis]) -> Millis {
        let each = looked_at.iter().map(|run| (*run, self.percent(*run)));
        let best = each.min_by(|a, b| a.1.total_cmp(&b.1));
        let best = best.map_or(self.run_range().0, |(run, _)| run);
        let below = looked_at.iter().rfind(|run| **run < best);
        let above = looked_at.iter().find(|run| **run > best);
        let (mut low, mut high) = (*below.unwrap_or(&best), *above.unwrap_or(&best));
        while high.minus(low) > Millis::new(2) {
            let third = high.minus(low).as_ms() / 3;
            let (left, right) = (low.plus(Millis::new(third)), high.minus(Millis::new(third)));
            if self.percent(left) < self.percent(right) {
                high = right;
            } else {
                low = left;
            }
        }
        let ends = [low, best, high].map(|run| (run, self.percent(run)));
        let found = ends.into_iter().min_by(|a, b| a.1.total_cmp(&b.1));
        found.map_or(best, |(run, _)| run)
    }

    fn is_precise(&self, run: Millis, tolerance_percent: f64, repeats: Option<f64>) -> bool {
        let seconds = run.as_secs();
        let error = self.scatter().of_one(seconds, repeats);
        let allowed = self.line().at(seconds) * tolerance_percent / 100.0;
        allowed > 0.0 && error.is_within(allowed, self.rules().confidence)
    }

    /// Half-width of one dose, mL.
    fn half_width(&self, run: Millis) -> f64 {
        let error = self.scatter().of_one(run.as_secs(), None);
        error.half_width(self.rules().confidence)
    }

    /// The same in % of the dose.
    fn percent(&self, run: Millis) -> f64 {
        let ml = self.line().at(run.as_secs());
        if ml > 0.0 {
            100.0 * self.half_width(run) / ml
        } else {
            f64::INFINITY
        }
    }
}

/// How many steps the covered range is looked through in.
const LOOKS: u32 = 32;

/// Most runs of one length that anybody is asked for.
const REPEATS_MAX: u32 = 20;

/// The run time farthest from `good` towards `bad` that is still good, to the millisecond.
fn edge(good: Millis, bad: Millis, is_good: impl Fn(&Millis) -> bool) -> Millis {
    let (mut good, mut bad) = (good.as_ms(), bad.as_ms());
    while good.abs_diff(bad) > 1 {
        let middle = i64::midpoint(good, bad);
        if is_good(&Millis::new(middle)) {
            good = middle;
        } else {
            bad = middle;
        }
    }
    Millis::new(good)
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
