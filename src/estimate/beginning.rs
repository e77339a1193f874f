//! An uptake to begin with, from as little as two tests, or from a dose that keeps a level where it is.
//!
//! A test has a standard uncertainty of its own; what was given in between is taken to be known. Nothing here knows how uptake changes
//! from day to day: the interval is that of the tests alone. All amounts are in the quantity's own unit, dKH or mg/L.

use thiserror::Error;

/// Standard deviations of a 95 % interval; the uncertainty of a kit is stated, not estimated from few numbers.
const WITHIN_95: f64 = 1.96;

/// Shortest time between two tests that says something of a day, days. Ours: uptake by day is not uptake by night.
const DAYS_MIN: f64 = 0.5;

/// Longest, days. Ours: over more the uptake is another one at its end.
const DAYS_MAX: f64 = 60.0;

/// How far a volume by hand or by an old head may be off at 95 %, part of it. Ours: the default tolerance of a head.
const VOLUME_OFF: f64 = 0.05;

#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum BeginningError {
    #[error(
        "{days:.2} days between two tests say nothing of an uptake a day; give {DAYS_MIN} to {DAYS_MAX} days, whole days where you can"
    )]
    Days { days: f64 },
    #[error("an uncertainty of {uncertainty} is none; give more than 0")]
    Uncertainty { uncertainty: f64 },
    #[error(
        "by these tests the water gained what it was not given: {per_day:.3} a day; look at the tests, and at what was added between them"
    )]
    Rose { per_day: f64 },
}

/// A test: when, in days from the first one, and one standard uncertainty.
type Test = (f64, f64);

/// Two tests and what was given between them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fall {
    /// Value and one standard uncertainty.
    pub from: (f64, f64),
    pub to: (f64, f64),
    pub days: f64,
    /// By all that was given in between.
    pub added: f64,
}

/// An uptake a day with one standard error.
#[derive(Debug, Clone, PartialEq)]
pub struct Beginning {
    pub per_day: f64,
    pub standard_error: f64,
    /// What of the error no further test takes away.
    fixed: f64,
    tests: Vec<Test>,
}

impl Beginning {
    /// (first - second + given) / time, with the standard error of both tests together over that time; for two tests by the same kit that is
    /// the square root of two times its uncertainty, over the time.
    ///
    /// # Errors
    /// [`BeginningError`].
    pub fn of_fall(fall: &Fall) -> Result<Self, BeginningError> {
        let Fall {
            from,
            to,
            days,
            added,
        } = *fall;
        let tests = vec![(0.0, from.1), (days, to.1)];
        check(&tests)?;
        let per_day = (from.0 - to.0 + added) / days;
        if per_day < 0.0 {
            return Err(BeginningError::Rose { per_day });
        }
        Ok(Self::new(per_day, 0.0, tests))
    }

    /// What is given a day to a level that has not moved for so many days, as far as a kit can see that. The volume that was given may be
    /// off too.
    ///
    /// # Errors
    /// [`BeginningError`].
    pub fn of_standstill(given_per_day: f64, days: f64, kit: f64) -> Result<Self, BeginningError> {
        let tests = vec![(0.0, kit), (days, kit)];
        check(&tests)?;
        let fixed = VOLUME_OFF / WITHIN_95 * given_per_day;
        Ok(Self::new(given_per_day, fixed, tests))
    }

    fn new(per_day: f64, fixed: f64, tests: Vec<Test>) -> Self {
        Self {
            per_day,
            standard_error: slope_error(&tests).hypot(fixed),
            fixed,
            tests,
        }
    }

    /// At 95 %; animals give nothing back.
    pub fn uptake_interval(&self) -> (f64, f64) {
        let half = self.half_width();
        ((self.per_day - half).max(0.0), self.per_day + half)
    }

    pub fn half_width(&self) -> f64 {
        WITHIN_95 * self.standard_error
    }

    /// The half width of the 95 % interval with a further test by the same kit, so many days after the last one.
    pub fn half_width_with_test_after(&self, days: f64) -> f64 {
        let last = self.tests.last().copied().unwrap_or_default();
        let mut tests = self.tests.clone();
        tests.push((last.0 + days, last.1));
        WITHIN_95 * slope_error(&tests).hypot(self.fixed)
    }
}

fn check(tests: &[Test]) -> Result<(), BeginningError> {
    let days = tests.last().map_or(0.0, |(at, _)| *at);
    if !(DAYS_MIN..=DAYS_MAX).contains(&days) {
        return Err(BeginningError::Days { days });
    }
    let bad = tests.iter().find(|(_, u)| !(*u > 0.0 && u.is_finite()));
    bad.map_or(Ok(()), |(_, uncertainty)| {
        Err(BeginningError::Uncertainty {
            uncertainty: *uncertainty,
        })
    })
}

/// The standard error of the slope of the weighted line through tests of known uncertainty: one over the root of the sum of
/// weight times squared distance in time from the weighted middle (York 1966 without errors in time; any text on weighted least squares).
fn slope_error(tests: &[Test]) -> f64 {
    let weight = |u: f64| 1.0 / (u * u);
    let whole: f64 = tests.iter().map(|(_, u)| weight(*u)).sum();
    let middle = tests.iter().map(|(t, u)| weight(*u) * t).sum::<f64>() / whole;
    let spread = tests.iter().map(|(t, u)| weight(*u) * (t - middle).powi(2));
    1.0 / spread.sum::<f64>().sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::{Line, Point};

    fn near(found: f64, wanted: f64) {
        assert!((found - wanted).abs() < 1e-9, "{found} {wanted}");
    }

    fn fall(from: f64, to: f64, days: f64, added: f64) -> Result<Beginning, BeginningError> {
        Beginning::of_fall(&Fall {
            from: (from, 0.15),
            to: (to, 0.15),
            days,
            added,
        })
    }

    /// By hand: 0.6 dKH in a day, sqrt(2) x 0.15 = 0.2121; over 3 days with 1.5 dKH given, (0.6 + 1.5)/3 = 0.7 and 0.0707.
    #[test]
    fn two_tests_give_an_uptake_with_the_error_of_both() {
        let one = fall(8.4, 7.8, 1.0, 0.0).unwrap();
        near(one.per_day, 0.6);
        near(one.standard_error, 0.15 * 2.0_f64.sqrt());
        let (low, high) = one.uptake_interval();
        near(low, 0.6 - 1.96 * 0.15 * 2.0_f64.sqrt());
        near(high, 0.6 + 1.96 * 0.15 * 2.0_f64.sqrt());
        let three = fall(8.4, 7.8, 3.0, 1.5).unwrap();
        near(three.per_day, 0.7);
        near(three.standard_error, 0.15 * 2.0_f64.sqrt() / 3.0);
        // Two kits: their errors add as squares.
        let mixed = Beginning::of_fall(&Fall {
            from: (8.4, 0.3),
            to: (7.8, 0.4),
            days: 2.0,
            added: 0.0,
        });
        near(mixed.unwrap().standard_error, 0.25);
        // What cannot be told from none begins at none, never below.
        near(fall(8.0, 7.9, 1.0, 0.0).unwrap().uptake_interval().0, 0.0);
    }

    /// The same as an ordinary line fit of three tests says of its slope when the scatter is what the kit states.
    #[test]
    fn a_further_test_narrows_it_as_a_line_through_all_of_them_would() {
        let one = fall(8.4, 7.8, 1.0, 0.0).unwrap();
        // Times 0, 1, 2 have a sum of squares of 2 about their middle; 0, 1, 4 of 26/3.
        near(
            one.half_width_with_test_after(1.0),
            1.96 * 0.15 / 2.0_f64.sqrt(),
        );
        near(
            one.half_width_with_test_after(3.0),
            1.96 * 0.15 / (26.0_f64 / 3.0).sqrt(),
        );
        assert!(one.half_width_with_test_after(3.0) < one.half_width_with_test_after(1.0));
        let points = [(0.0, 8.4), (1.0, 7.8), (4.0, 6.0)].map(|(x, y)| Point { x, y, u: 0.15 });
        let line = Line::weighted(&points).unwrap();
        near(line.slope_se, 0.15 / (26.0_f64 / 3.0).sqrt());
        // Kits of 0.3, 0.4 and 0.4: numpy 2 polyfit([0, 1, 4], y, 1, w = 1/u, cov = "unscaled").
        near(
            slope_error(&[(0.0, 0.3), (1.0, 0.4), (4.0, 0.4)]),
            0.124_140_101_790_361_22,
        );
    }

    /// 60 mL that carry 0.64 dKH, still for 10 days by a kit of 0.15: 0.0212 a day unseen, and 5 % of 0.64 over 1.96.
    #[test]
    fn a_dose_that_keeps_a_level_still_is_the_uptake_as_far_as_a_kit_sees_that() {
        let still = Beginning::of_standstill(0.64, 10.0, 0.15).unwrap();
        near(still.per_day, 0.64);
        let unseen = 0.15 * 2.0_f64.sqrt() / 10.0;
        near(still.standard_error, unseen.hypot(0.05 / 1.96 * 0.64));
        let week = Beginning::of_standstill(0.64, 7.0, 0.15).unwrap();
        assert!(week.standard_error > still.standard_error);
        // More tests say nothing of the volume.
        assert!(still.half_width_with_test_after(60.0) > 0.05 * 0.64);
    }

    #[test]
    fn what_says_nothing_is_refused() {
        for days in [0.0, 0.4, -1.0, 61.0, f64::NAN] {
            let refused = fall(8.4, 7.8, days, 0.0);
            assert!(
                matches!(refused, Err(BeginningError::Days { .. })),
                "{days}"
            );
        }
        assert!(matches!(
            fall(7.8, 8.4, 1.0, 0.0),
            Err(BeginningError::Rose { .. })
        ));
        assert!(fall(7.8, 8.4, 1.0, 1.0).is_ok());
        for kit in [0.0, -0.1, f64::NAN, f64::INFINITY] {
            let refused = Beginning::of_standstill(0.6, 7.0, kit);
            assert!(
                matches!(refused, Err(BeginningError::Uncertainty { .. })),
                "{kit}"
            );
        }
    }
}
