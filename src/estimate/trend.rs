//! How something has moved over several lab reports.
//!
//! Where it was found in all of them, a straight line by weighted least squares with the labs' stated uncertainty as floor, as for uptake;
//! where it was below a detection limit in some, the rank test that bears that. Deliberately nothing more: a handful of samples a year
//! carries no curve, and reports of different labs differ by more than their statements say.

use crate::chemistry::figures;
use crate::statistics::{Confidence, Line, Point, RankTrend, Seen};

/// Fewest reports of a trend: two points lie on a line whatever they are. Ranks need five to tell anything at 95 %.
pub const REPORTS_MIN: usize = 3;

/// Days of a month, for people: 365.25 / 12.
const MONTH_DAYS: f64 = 30.4375;

/// What one report has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampled {
    pub days: f64,
    /// The value or, when it was not found, the detection limit.
    pub value: f64,
    /// One standard uncertainty; `None` when it was not found.
    pub uncertainty: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    pub reports: usize,
    /// In how many of them it was not found.
    pub not_found: usize,
    /// Not finite where the detection limits leave it open.
    pub per_day: f64,
    /// 95 % interval of that; an end that the detection limits leave open is not finite.
    pub interval: (f64, f64),
}

impl Trend {
    /// From samples in any order; `None` with too few reports, or when nothing can be told from them.
    pub fn of(sampled: &[Sampled]) -> Option<Self> {
        let reports = sampled.len();
        if reports < REPORTS_MIN {
            return None;
        }
        let mut points: Vec<Point> = sampled
            .iter()
            .filter_map(|s| {
                Some(Point {
                    x: s.days,
                    y: s.value,
                    u: s.uncertainty?,
                })
            })
            .collect();
        let not_found = reports - points.len();
        let (per_day, interval) = if not_found == 0 {
            points.sort_by(|a, b| a.x.total_cmp(&b.x));
            let line = Line::weighted(&points).ok()?;
            (line.slope, line.slope_limits(Confidence::P95))
        } else {
            let seen = sampled.iter().map(|s| Seen {
                x: s.days,
                y: s.value,
                below: s.uncertainty.is_none(),
            });
            let ranks = RankTrend::of(&seen.collect::<Vec<_>>())?;
            (ranks.slope, (ranks.slope_low, ranks.slope_high))
        };
        Some(Self {
            reports,
            not_found,
            per_day,
            interval,
        })
    }

    /// Whether the interval leaves no doubt that it moves at all.
    pub fn is_told(&self) -> bool {
        self.interval.0 > 0.0 || self.interval.1 < 0.0
    }

    /// In words, with the unit of the values.
    pub fn words(&self, unit: &str) -> String {
        let reports = match self.not_found {
            0 => format!("over {} reports", self.reports),
            n => format!(
                "over {} reports, {n} of them below the limit,",
                self.reports
            ),
        };
        if !self.is_told() {
            return format!("{reports} no trend that they could tell");
        }
        let (low, high) = self.interval;
        let (word, near, far) = if low > 0.0 {
            ("rising", low, high)
        } else {
            ("falling", high, low)
        };
        let month = |per_day: f64| figures((per_day * MONTH_DAYS).abs());
        let (best, least) = (month(self.per_day), month(near));
        match (self.per_day.is_finite(), far.is_finite()) {
            (true, true) => {
                let far = month(far);
                format!("{reports} {word} by {best} {unit} a month ({least} to {far} at 95 %)")
            }
            (true, false) => {
                format!("{reports} {word} by {best} {unit} a month (at least {least} at 95 %)")
            }
            (false, _) => format!("{reports} {word} by at least {least} {unit} a month (at 95 %)"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sampled(days: f64, value: f64, uncertainty: f64) -> Sampled {
        Sampled {
            days,
            value,
            uncertainty: Some(uncertainty),
        }
    }

    /// Slope and its standard error by the textbook formula for equal weights, worked by hand: x 0 30 60 90, y 8.0 7.1 6.1 5.0,
    /// slope = -0.0333..., residual sum of squares 0.01, s = 0.0707, Sxx = 4500, se = 0.001054; stated uncertainty smaller than the
    /// scatter; t(2, 97.5 %) = 4.302653 (row of any t table).
    #[test]
    fn four_reports_that_fall_are_a_trend_with_its_interval() {
        let found = [(60.0, 6.1), (0.0, 8.0), (30.0, 7.1), (90.0, 5.0)];
        let trend = Trend::of(&found.map(|(x, y)| sampled(x, y, 0.01))).unwrap();
        assert_eq!(trend.reports, 4);
        assert!((trend.per_day + 0.033_333_3).abs() < 1e-6, "{trend:?}");
        let half = 4.302_653 * (0.01_f64 / 2.0 / 4500.0).sqrt();
        assert!((trend.interval.1 - (trend.per_day + half)).abs() < 1e-6);
        let text = trend.words("mg/L");
        assert!(text.starts_with("over 4 reports falling by 1.0"), "{text}");
    }

    #[test]
    fn scatter_within_the_labs_uncertainty_is_no_trend() {
        let found = [(0.0, 8.0), (30.0, 8.1), (60.0, 8.2)].map(|(x, y)| sampled(x, y, 0.4));
        let trend = Trend::of(&found).unwrap();
        assert!(!trend.is_told(), "{trend:?}");
        assert!(trend.words("mg/L").contains("no trend"));
        assert_eq!(Trend::of(&found[..2]), None);
        assert_eq!(Trend::of(&[sampled(0.0, 8.0, 0.4); 3]), None);
    }

    /// The first is a case of `tests/reference/kendall.R`.
    #[test]
    fn reports_in_which_it_was_not_found_stay_in_the_trend() {
        let of = |values: [f64; 7]| {
            let days = [0.0, 30.0, 61.0, 92.0, 120.0, 151.0, 184.0];
            let each = days.into_iter().zip(values);
            let each = each.map(|(x, y)| Sampled {
                uncertainty: (y > 0.0).then_some(0.1),
                ..sampled(x, y.abs(), 0.1)
            });
            Trend::of(&each.collect::<Vec<_>>()).unwrap().words("ug/L")
        };
        // 0.027134 a day.
        let text = of([9.0, 8.1, 7.5, -6.0, 6.2, -5.0, -5.0]);
        let wanted = "over 7 reports, 3 of them below the limit, falling by 0.8259 ug/L a month (";
        assert!(text.starts_with(wanted), "{text}");
        let text = of([9.0, 8.1, 7.5, -2.0, -2.0, -2.0, -2.0]);
        assert!(text.contains(" a month (at least "), "{text}");
        let text = of([9.0, -10.0, 7.5, -10.0, -10.0, 9.0, 8.0]);
        assert!(text.contains("no trend"), "{text}");
    }

    proptest! {
        #[test]
        fn no_number_makes_a_trend_panic(found in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..6)) {
            let found: Vec<Sampled> = found.into_iter().map(|(x, y, u)| Sampled { days: x, value: y, uncertainty: (u > 0.0).then_some(u) }).collect();
            prop_assert!(Trend::of(&found).is_none_or(|t| !t.words("mg/L").is_empty()));
        }
    }
}
