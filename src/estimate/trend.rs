//! How an element has moved over several lab reports.
//!
//! A straight line by weighted least squares with the labs' stated uncertainty as floor, as for uptake. Deliberately nothing more: a
//! handful of samples a year carries no curve, and reports of different labs differ by more than their statements say.

use std::fmt;

use crate::chemistry::figures;
use crate::statistics::{Confidence, Line, Point};

/// Fewest reports of a trend: two points lie on a line whatever they are.
pub const REPORTS_MIN: usize = 3;

/// Days of a month, for people: 365.25 / 12.
const MONTH_DAYS: f64 = 30.4375;

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    pub reports: usize,
    pub per_day: f64,
    /// 95 % interval of that.
    pub interval: (f64, f64),
}

impl Trend {
    /// From (days since the first report, mg/L, standard uncertainty in mg/L), in any order; `None` with too few reports, or when they
    /// lie on one day.
    pub fn of(found: &[(f64, f64, f64)]) -> Option<Self> {
        if found.len() < REPORTS_MIN {
            return None;
        }
        let mut points: Vec<Point> = found
            .iter()
            .map(|(x, y, u)| Point {
                x: *x,
                y: *y,
                u: *u,
            })
            .collect();
        points.sort_by(|a, b| a.x.total_cmp(&b.x));
        let line = Line::weighted(&points).ok()?;
        Some(Self {
            reports: points.len(),
            per_day: line.slope,
            interval: line.slope_limits(Confidence::P95),
        })
    }

    /// Whether the interval leaves no doubt that it moves at all.
    pub fn is_told(&self) -> bool {
        self.interval.0 > 0.0 || self.interval.1 < 0.0
    }
}

impl fmt::Display for Trend {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let reports = self.reports;
        if !self.is_told() {
            return write!(f, "over {reports} reports no trend that they could tell");
        }
        let word = if self.per_day > 0.0 {
            "rising"
        } else {
            "falling"
        };
        let month = |per_day: f64| figures((per_day * MONTH_DAYS).abs());
        let (near, far) = if self.per_day > 0.0 {
            self.interval
        } else {
            (self.interval.1, self.interval.0)
        };
        write!(
            f,
            "over {reports} reports {word} by {} mg/L a month ({} to {} at 95 %)",
            month(self.per_day),
            month(near),
            month(far)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Slope and its standard error by the textbook formula for equal weights, worked by hand: x 0 30 60 90, y 8.0 7.1 6.1 5.0,
    /// slope = -0.0333..., residual sum of squares 0.01, s = 0.0707, Sxx = 4500, se = 0.001054; stated uncertainty smaller than the
    /// scatter; t(2, 97.5 %) = 4.302653 (row of any t table).
    #[test]
    fn four_reports_that_fall_are_a_trend_with_its_interval() {
        let found = [
            (60.0, 6.1, 0.01),
            (0.0, 8.0, 0.01),
            (30.0, 7.1, 0.01),
            (90.0, 5.0, 0.01),
        ];
        let trend = Trend::of(&found).unwrap();
        assert_eq!(trend.reports, 4);
        assert!((trend.per_day + 0.033_333_3).abs() < 1e-6, "{trend:?}");
        let half = 4.302_653 * (0.01_f64 / 2.0 / 4500.0).sqrt();
        assert!((trend.interval.1 - (trend.per_day + half)).abs() < 1e-6);
        let text = trend.to_string();
        assert!(text.starts_with("over 4 reports falling by 1.0"), "{text}");
    }

    #[test]
    fn scatter_within_the_labs_uncertainty_is_no_trend() {
        let found = [(0.0, 8.0, 0.4), (30.0, 8.1, 0.4), (60.0, 8.2, 0.4)];
        let trend = Trend::of(&found).unwrap();
        assert!(!trend.is_told(), "{trend:?}");
        assert!(trend.to_string().contains("no trend"));
        assert_eq!(Trend::of(&found[..2]), None);
        assert_eq!(Trend::of(&[(0.0, 8.0, 0.4); 3]), None);
    }

    proptest! {
        #[test]
        fn no_number_makes_a_trend_panic(found in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..6)) {
            prop_assert!(Trend::of(&found).is_none_or(|t| !t.to_string().is_empty()));
        }
    }
}
