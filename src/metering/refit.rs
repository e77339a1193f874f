//! Which doses a calibration on record covers under the tolerance that is set now.
//!
//! What a calibration covers is worked out when it is made, for the tolerance of that day. When the owner sets another one, its
//! runs are fitted again; where that cannot be done the head meters nothing until it is calibrated anew, because a dose
//! that is said to be within 1 % must not be one that was only known within 5 %.

use super::calibration::Calibration;
use super::dose::MeteringLimits;
use super::fit::{FitRules, fit};
use super::refusal::{DoseRefusal, NoRefit, Uncovered};
use super::runs::Run;
use crate::quantity::Volume;

/// Largest difference of two tolerances that are the same number, %.
const SAME_PERCENT: f64 = 1e-9;

/// Largest relative difference of two rates from the same runs: the arithmetic of another build, nothing more.
const SAME_RATE: f64 = 1e-9;

/// A calibration as it is on record.
#[derive(Debug, Clone, Copy)]
pub struct OnRecord<'a> {
    /// The line that is metered by.
    pub calibration: Calibration,
    /// What it covered when it was made, with the tolerance of that day.
    pub limits: Option<MeteringLimits>,
    pub runs: &'a [Run],
    /// The step of the vessel or scale that they were read by; `None` when it is not on record.
    pub resolution: Option<Volume>,
}

/// Which doses a calibration covers.
#[derive(Debug, Clone, PartialEq)]
pub enum Coverage {
    /// All: it is that of a simulated head, assumed for a dry run and exact by definition.
    Assumed,
    /// Those within these limits.
    Limits(MeteringLimits),
    /// None that anybody knows of.
    Unknown(Uncovered),
}

impl Coverage {
    /// Whether a dose is covered.
    ///
    /// # Errors
    /// [`DoseRefusal`] when it is outside the limits, or these are not known.
    pub fn check(&self, calibration: &Calibration, volume: Volume) -> Result<(), DoseRefusal> {
        match self {
            Self::Assumed => Ok(()),
            Self::Limits(limits) => limits.run_time(calibration, volume).map(drop),
            Self::Unknown(why) => Err(DoseRefusal::Uncovered(why.clone())),
        }
    }

    /// The limits, where they are known.
    pub const fn limits(&self) -> Option<MeteringLimits> {
        match self {
            Self::Limits(limits) => Some(*limits),
            Self::Assumed | Self::Unknown(_) => None,
        }
    }
}

impl OnRecord<'_> {
    /// What it covers within `tolerance_percent`.
    ///
    /// The limits on record hold for the tolerance they were made for, and for a wider one when the runs cannot be fitted again:
    /// then they are too strict, which hurts nobody.
    ///
    /// # Errors
    /// [`Uncovered`] when nobody knows.
    pub fn limits_within(&self, tolerance_percent: f64) -> Result<MeteringLimits, Uncovered> {
        let stored = self.limits.ok_or(Uncovered::NoLimits)?;
        let made_for = stored.tolerance_percent;
        if (made_for - tolerance_percent).abs() < SAME_PERCENT {
            return Ok(stored);
        }
        match self.refit(tolerance_percent) {
            Ok(limits) => Ok(limits),
            Err(_) if made_for < tolerance_percent => Ok(stored),
            Err(why) => Err(Uncovered::OtherTolerance {
                made_for,
                now: tolerance_percent,
                why,
            }),
        }
    }

    fn refit(&self, tolerance_percent: f64) -> Result<MeteringLimits, NoRefit> {
        if self.runs.is_empty() {
            return Err(NoRefit::NoRuns);
        }
        let rules = FitRules {
            resolution: self.resolution.ok_or(NoRefit::NoResolution)?,
            ..FitRules::default()
        };
        let fitted = fit(self.runs, &rules).map_err(NoRefit::Runs)?;
        let (now, then) = (fitted.calibration(), self.calibration);
        let rate = then.rate().as_ml_per_min();
        let same_rate = (now.rate().as_ml_per_min() - rate).abs() <= SAME_RATE * rate;
        let offset = now.offset().saturating_sub(then.offset());
        if !same_rate || offset.as_ul().abs() > 1 {
            return Err(NoRefit::OtherRate);
        }
        fitted
            .metering_limits(tolerance_percent)
            .map_err(|why| NoRefit::Never(Box::new(why)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{FlowRate, Millis};
    use proptest::prelude::*;

    fn runs(spread_ul: i64) -> Vec<Run> {
        let run = |(ms, ul): (i64, i64)| Run {
            on_time: Millis::new(ms),
            volume: Volume::from_ul(ul),
        };
        [
            (2_000, 1_000 - spread_ul),
            (2_000, 1_000 + spread_ul),
            (12_000, 6_000 - spread_ul),
            (12_000, 6_000 + spread_ul),
        ]
        .map(run)
        .to_vec()
    }

    /// What is kept of runs that were fitted for a tolerance.
    fn kept(runs: &[Run], resolution: Volume, tolerance: f64) -> OnRecord<'_> {
        let rules = FitRules {
            resolution,
            ..FitRules::default()
        };
        let fitted = fit(runs, &rules).unwrap();
        OnRecord {
            calibration: fitted.calibration(),
            limits: Some(fitted.metering_limits(tolerance).unwrap()),
            runs,
            resolution: Some(resolution),
        }
    }

    fn why(result: Result<MeteringLimits, Uncovered>) -> NoRefit {
        match result.unwrap_err() {
            Uncovered::OtherTolerance { made_for, now, why } => {
                assert_eq!((made_for, now), (5.0, 1.0));
                why
            }
            Uncovered::NoLimits => panic!("limits are there"),
        }
    }

    #[test]
    fn a_narrower_tolerance_asks_for_larger_doses_as_a_new_calibration_of_the_same_runs_would() {
        let runs = runs(10);
        for resolution in [Volume::ZERO, Volume::from_ul(50)] {
            let wide = kept(&runs, resolution, 5.0);
            let narrow = wide.limits_within(2.0).unwrap();
            assert_eq!(Some(narrow), kept(&runs, resolution, 2.0).limits);
            assert!(narrow.dose_min > wide.limits.unwrap().dose_min);
        }
    }

    #[test]
    fn a_coarse_scale_is_remembered_and_an_unknown_one_is_no_fine_one() {
        let runs = runs(0);
        let mut coarse = kept(&runs, Volume::from_ul(50), 5.0);
        assert!(matches!(
            why(coarse.limits_within(1.0)),
            NoRefit::Never(refusal) if matches!(*refusal, DoseRefusal::NeverPrecise { .. })
        ));
        coarse.resolution = None;
        assert_eq!(why(coarse.limits_within(1.0)), NoRefit::NoResolution);
        assert_eq!(coarse.limits_within(5.0).ok(), coarse.limits);
    }

    #[test]
    fn what_cannot_be_fitted_again_is_not_known_and_says_what_to_do() {
        let runs = runs(10);
        let good = kept(&runs, Volume::ZERO, 5.0);
        let none = OnRecord { runs: &[], ..good };
        assert_eq!(why(none.limits_within(1.0)), NoRefit::NoRuns);
        let text = none.limits_within(1.0).unwrap_err().to_string();
        assert!(
            text.contains("made for 5 %")
                && text.contains("now 1 %")
                && text.contains("calibrate the head again"),
            "{text}"
        );
        let part = OnRecord {
            runs: &runs[..3],
            ..good
        };
        assert!(matches!(why(part.limits_within(1.0)), NoRefit::Runs(_)));
        let faster = Calibration::new(FlowRate::from_ml_per_min(31.0), Volume::ZERO).unwrap();
        let other = OnRecord {
            calibration: faster,
            ..good
        };
        assert_eq!(why(other.limits_within(1.0)), NoRefit::OtherRate);
        let blank = OnRecord {
            limits: None,
            ..good
        };
        assert_eq!(blank.limits_within(5.0), Err(Uncovered::NoLimits));
        // A wider tolerance is met by what met a narrower one.
        assert_eq!(none.limits_within(10.0).ok(), good.limits);
    }

    proptest! {
        /// The limits in force are never laxer than those of a calibration that is made now.
        #[test]
        fn no_tolerance_lets_a_smaller_dose_through_than_its_runs_allow(
            spread in 0_i64..25,
            step in 0_i64..60,
            made_for in 1.0_f64..20.0,
            now in 1.0_f64..20.0,
            known in any::<bool>(),
        ) {
            let runs = runs(spread);
            let rules = FitRules { resolution: Volume::from_ul(step), ..FitRules::default() };
            let fitted = fit(&runs, &rules).unwrap();
            let Ok(limits) = fitted.metering_limits(made_for) else { return Ok(()); };
            let stored = OnRecord {
                calibration: fitted.calibration(),
                limits: Some(limits),
                runs: &runs,
                resolution: known.then_some(rules.resolution),
            };
            if let Ok(limits) = stored.limits_within(now) {
                let anew = fitted.metering_limits(now).unwrap();
                prop_assert!(limits.dose_min >= anew.dose_min);
            }
        }
    }
}
