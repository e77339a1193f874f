//! Checks of a calibrated head against what came out, and what they say about its drift.
//!
//! Terms: a *verification* is one metered dose, measured; its *error* is measured less expected, in % of expected; *run time* is
//! how long the head has been running since it was calibrated, in hours of rotation, not of calendar. Drift is the slope of
//! error against run time. Few checks cannot tell drift from scatter, and then nothing is predicted.

use thiserror::Error;

use crate::quantity::{Millis, Volume, f64_from_i64};
use crate::statistics::{Confidence, Line};

/// One metered dose that was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Verification {
    /// Run time of the head since its calibration.
    pub run_time: Millis,
    pub expected: Volume,
    pub measured: Volume,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Passed,
    /// Outside it, or not to be judged.
    Failed,
}

/// Why a check or a history is of no use.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum VerificationError {
    #[error("a verification of {expected} says nothing; meter a usual dose")]
    Expected { expected: Volume },
    #[error("{measured} cannot have come out; check the vessel's own weight")]
    Quantity { measured: Volume },
    #[error("a tolerance of {percent} % makes no sense; it must be from 0.1 to 50 %")]
    Tolerance { percent: f64 },
}

impl Verification {
    /// Error in % of what was asked for.
    ///
    /// # Errors
    /// Nothing asked for, or a negative volume.
    pub fn error_percent(&self) -> Result<f64, VerificationError> {
        let Self {
            expected, measured, ..
        } = *self;
        if expected <= Volume::ZERO {
            return Err(VerificationError::Expected { expected });
        }
        if measured < Volume::ZERO {
            return Err(VerificationError::Quantity { measured });
        }
        let off = f64_from_i64(measured.saturating_sub(expected).as_ul());
        Ok(100.0 * off / f64_from_i64(expected.as_ul()))
    }

    /// Whether the error is within `tolerance_percent`.
    ///
    /// # Errors
    /// As [`Self::error_percent`], and a tolerance outside 0.1 to 50 %.
    pub fn judge(&self, tolerance_percent: f64) -> Result<Outcome, VerificationError> {
        check_tolerance(tolerance_percent)?;
        // A reading at the very limit passes: the last bit of the division is no error of the head.
        let within = self.error_percent()?.abs() <= tolerance_percent + 1e-9;
        Ok(if within {
            Outcome::Passed
        } else {
            Outcome::Failed
        })
    }
}

fn check_tolerance(percent: f64) -> Result<(), VerificationError> {
    if (0.1..=50.0).contains(&percent) {
        Ok(())
    } else {
        Err(VerificationError::Tolerance { percent })
    }
}

/// Why a history says nothing yet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NotYet {
    /// Fewer than [`Drift::CHECKS_MIN`] checks.
    TooFew { checks: usize },
    /// All at the same run time.
    NoRunTime,
    /// The limits of the slope include zero: what is seen may be scatter.
    WithinScatter {
        /// Slope limits, % per hour of run time, low.
        low: f64,
        /// Slope limits, % per hour of run time, high.
        high: f64,
    },
}

/// What a history of checks says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Drift {
    CannotTellYet(NotYet),
    /// The latest check or the fitted line is already outside the tolerance: calibrate now.
    OutNow {
        /// Error now by the line, or of the last check when that is larger, %.
        error_percent: f64,
    },
    Drifts {
        /// Slope, % per hour of run time.
        percent_per_hour: f64,
        /// Its confidence limits, low and high.
        limits: (f64, f64),
        /// Run time since calibration at which the line leaves the tolerance; `None` beyond [`Drift::HORIZON_HOURS`].
        leaves_at: Option<Millis>,
        /// Run time at which its confidence limit leaves it: calibrate by then. `None` beyond the horizon.
        leaves_earliest: Option<Millis>,
    },
}

impl Drift {
    /// Fewest checks from which a drift is estimated (our rule: two are left over to judge scatter by).
    pub const CHECKS_MIN: usize = 4;

    /// Farthest run time that is predicted, h: longer than tubes last (from memory, low confidence).
    pub const HORIZON_HOURS: f64 = 5_000.0;

    /// Estimates the drift from all checks since the last calibration, in any order.
    ///
    /// # Errors
    /// A check without a sensible volume, or a tolerance outside 0.1 to 50 %.
    pub fn of(
        checks: &[Verification],
        tolerance_percent: f64,
        confidence: Confidence,
    ) -> Result<Self, VerificationError> {
        check_tolerance(tolerance_percent)?;
        let mut points = Vec::with_capacity(checks.len());
        for check in checks {
            points.push((check.run_time.as_secs() / 3600.0, check.error_percent()?));
        }
        let last = points.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0));
        let Some((now, last_error)) = last else {
            return Ok(Self::CannotTellYet(NotYet::TooFew { checks: 0 }));
        };
        if last_error.abs() > tolerance_percent + 1e-9 {
            return Ok(Self::OutNow {
                error_percent: last_error,
            });
        }
        if points.len() < Self::CHECKS_MIN {
            return Ok(Self::CannotTellYet(NotYet::TooFew {
                checks: points.len(),
            }));
        }
        let Some(line) = Line::through(&points) else {
            return Ok(Self::CannotTellYet(NotYet::NoRunTime));
        };
        Ok(Self::of_line(&line, now, tolerance_percent, confidence))
    }

    fn of_line(line: &Line, now: f64, tolerance: f64, confidence: Confidence) -> Self {
        if line.at(now).abs() > tolerance {
            return Self::OutNow {
                error_percent: line.at(now),
            };
        }
        let (low, high) = line.slope_limits(confidence);
        if low <= 0.0 && high >= 0.0 {
            return Self::CannotTellYet(NotYet::WithinScatter { low, high });
        }
        let direction = line.slope.signum();
        Self::Drifts {
            percent_per_hour: line.slope,
            limits: (low, high),
            leaves_at: first_beyond(now, tolerance, |hours| line.at(hours) * direction),
            leaves_earliest: first_beyond(now, tolerance, |hours| {
                line.at(hours) * direction + line.half_width_of_line(hours, confidence)
            }),
        }
    }

    /// Calendar days until the head must be calibrated again, at `run_hours_per_day` of rotation: from the earlier of the two
    /// predictions. `None` when nothing is predicted or the head does not run. Zero when it is out now.
    pub fn days_left(&self, run_time_now: Millis, run_hours_per_day: f64) -> Option<f64> {
        match *self {
            Self::OutNow { .. } => Some(0.0),
            Self::CannotTellYet(_) => None,
            Self::Drifts {
                leaves_earliest, ..
            } => {
                let left = leaves_earliest?.minus(run_time_now).as_secs() / 3600.0;
                let runs = run_hours_per_day > 0.0 && run_hours_per_day.is_finite();
                runs.then(|| left.max(0.0) / run_hours_per_day)
            }
        }
    }
}

/// First run time from `now` on at which `error` exceeds the tolerance, to a millisecond; `None` beyond the horizon.
///
/// After the last check the error of a drifting line only grows, and so does its limit once it has passed the tolerance.
fn first_beyond(now: f64, tolerance: f64, error: impl Fn(f64) -> f64) -> Option<Millis> {
    let horizon = Drift::HORIZON_HOURS;
    if now >= horizon || error(horizon) <= tolerance {
        return None;
    }
    let (mut inside, mut outside) = (now, horizon);
    for _ in 0..80 {
        let middle = f64::midpoint(inside, outside);
        if error(middle) > tolerance {
            outside = middle;
        } else {
            inside = middle;
        }
    }
    Millis::from_secs_f64(outside * 3600.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(hours: i64, measured_ul: i64) -> Verification {
        Verification {
            run_time: Millis::from_mins(60 * hours),
            expected: Volume::from_ul(10_000),
            measured: Volume::from_ul(measured_ul),
        }
    }

    fn drift(checks: &[(i64, i64)], tolerance: f64) -> Drift {
        let checks: Vec<_> = checks
            .iter()
            .map(|(hours, ul)| check(*hours, *ul))
            .collect();
        Drift::of(&checks, tolerance, Confidence::P95).unwrap()
    }

    #[test]
    fn a_check_passes_up_to_its_tolerance_and_not_beyond() {
        for (ul, want) in [
            (10_000, Outcome::Passed),
            (9_500, Outcome::Passed),
            (9_499, Outcome::Failed),
            (10_500, Outcome::Passed),
            (10_501, Outcome::Failed),
            (0, Outcome::Failed),
        ] {
            assert_eq!(check(1, ul).judge(5.0), Ok(want), "{ul}");
        }
        assert!(check(1, -1).judge(5.0).is_err());
        assert!(
            Verification {
                expected: Volume::ZERO,
                ..check(1, 5)
            }
            .judge(5.0)
            .is_err()
        );
        for percent in [0.0, -5.0, 51.0, f64::NAN] {
            assert!(check(1, 10_000).judge(percent).is_err(), "{percent}");
        }
    }

    #[test]
    fn an_exact_drift_gives_the_hour_it_leaves_the_tolerance() {
        // -0.05 % an hour from 0: 5 % is left at 100 h.
        let seen = drift(
            &[
                (0, 10_000),
                (10, 9_950),
                (20, 9_900),
                (30, 9_850),
                (40, 9_800),
            ],
            5.0,
        );
        let Drift::Drifts {
            percent_per_hour,
            leaves_at,
            leaves_earliest,
            ..
        } = seen
        else {
            panic!("{seen:?}")
        };
        assert!((percent_per_hour + 0.05).abs() < 1e-9);
        assert!((leaves_at.unwrap().as_secs() / 3600.0 - 100.0).abs() < 1e-3);
        assert!((leaves_earliest.unwrap().as_secs() / 3600.0 - 100.0).abs() < 1e-3);
        let days = seen.days_left(Millis::from_mins(60 * 40), 0.5).unwrap();
        assert!((days - 120.0).abs() < 1e-2, "{days}");
        assert_eq!(seen.days_left(Millis::ZERO, 0.0), None);
    }

    #[test]
    fn scatter_makes_the_earliest_hour_earlier() {
        let seen = drift(
            &[
                (0, 10_010),
                (10, 9_930),
                (20, 9_910),
                (30, 9_840),
                (40, 9_810),
            ],
            5.0,
        );
        let Drift::Drifts {
            limits: (low, high),
            leaves_at: Some(at),
            leaves_earliest: Some(earliest),
            ..
        } = seen
        else {
            panic!("{seen:?}")
        };
        assert!(low < -0.05 && high < 0.0);
        assert!(
            earliest < at && earliest > Millis::from_mins(60 * 40),
            "{earliest} {at}"
        );
    }

    #[test]
    fn scatter_alone_few_checks_and_no_run_time_cannot_tell() {
        let seen = drift(&[(0, 10_050), (10, 9_950), (20, 10_040), (30, 9_960)], 5.0);
        assert!(
            matches!(seen, Drift::CannotTellYet(NotYet::WithinScatter { .. })),
            "{seen:?}"
        );
        assert_eq!(seen.days_left(Millis::ZERO, 1.0), None);
        assert_eq!(
            drift(&[(0, 10_000), (9, 9_900), (20, 9_800)], 5.0),
            Drift::CannotTellYet(NotYet::TooFew { checks: 3 })
        );
        assert_eq!(
            drift(&[], 5.0),
            Drift::CannotTellYet(NotYet::TooFew { checks: 0 })
        );
        assert_eq!(
            drift(&[(3, 9_900); 5], 5.0),
            Drift::CannotTellYet(NotYet::NoRunTime)
        );
    }

    #[test]
    fn one_lucky_check_does_not_hide_a_line_that_has_left_the_tolerance() {
        let seen = drift(
            &[
                (0, 10_000),
                (10, 9_800),
                (20, 9_500),
                (30, 9_300),
                (40, 9_510),
            ],
            5.0,
        );
        let Drift::OutNow { error_percent } = seen else {
            panic!("{seen:?}")
        };
        assert!((error_percent + 6.74).abs() < 1e-9, "{error_percent}");
    }

    #[test]
    fn a_head_whose_last_check_failed_is_out_now_however_few_the_checks() {
        let seen = drift(&[(4, 9_300), (1, 10_000)], 5.0);
        assert_eq!(
            seen,
            Drift::OutNow {
                error_percent: -7.0
            }
        );
        assert_eq!(seen.days_left(Millis::ZERO, 1.0), Some(0.0));
    }

    proptest! {
        #[test]
        fn no_history_panics_and_no_prediction_lies_in_the_past(
            checks in proptest::collection::vec((any::<i64>(), 1_i64..30_000, 0_i64..30_000), 0..8),
            tolerance in 0.1_f64..50.0, per_day in any::<f64>(),
        ) {
            let checks: Vec<_> = checks.iter().map(|(ms, expected, measured)| Verification {
                run_time: Millis::new(*ms), expected: Volume::from_ul(*expected), measured: Volume::from_ul(*measured),
            }).collect();
            let seen = Drift::of(&checks, tolerance, Confidence::P95).unwrap();
            if let Some(days) = seen.days_left(Millis::ZERO, per_day) {
                prop_assert!(days >= 0.0);
            }
        }
    }
}
