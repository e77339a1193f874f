//! The robust twin of the line: a few wild readings do not move it.

use super::line::{Point, StatisticsError, check};
use super::spread::{median, median_of_sorted};
use crate::quantity::{f64_from_usize, i64_from_f64};

/// The robust line: median of all pairwise slopes. A few wild readings do not move it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RobustLine {
    pub slope: f64,
    /// Median of y less slope times median of x.
    pub intercept: f64,
    /// Low end of the 95 % interval of the slope, by ranks (Sen 1968).
    pub slope_low: f64,
    pub slope_high: f64,
}

impl RobustLine {
    /// The Theil-Sen line. Pairs at the same time are left out.
    ///
    /// # Errors
    /// [`StatisticsError`].
    pub fn fit(points: &[Point]) -> Result<Self, StatisticsError> {
        check(points)?;
        let mut slopes: Vec<f64> = Vec::new();
        for (k, a) in points.iter().enumerate() {
            for b in points.iter().skip(k + 1) {
                let slope = (b.y - a.y) / (b.x - a.x);
                if slope.is_finite() {
                    slopes.push(slope);
                }
            }
        }
        slopes.sort_by(f64::total_cmp);
        let slope = median_of_sorted(&slopes).ok_or(StatisticsError::OneTime)?;
        let x = median(points.iter().map(|p| p.x)).ok_or(StatisticsError::OneTime)?;
        let y = median(points.iter().map(|p| p.y)).ok_or(StatisticsError::OneTime)?;
        let (low, high) = sen_ranks(points, slopes.len());
        Ok(Self {
            slope,
            intercept: y - slope * x,
            slope_low: slopes.get(low).copied().unwrap_or(slope),
            slope_high: slopes.get(high).copied().unwrap_or(slope),
        })
    }

    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
}

/// Ranks, from 0, of the limits in the sorted slopes: sigma^2 = n(n-1)(2n+5)/18 less the same for each group of ties.
fn sen_ranks(points: &[Point], slopes: usize) -> (usize, usize) {
    const Z: f64 = 1.959_963_985;
    let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties = |values: Vec<f64>| -> f64 { groups(values).into_iter().map(term).sum() };
    let variance = (term(f64_from_usize(points.len()))
        - ties(points.iter().map(|p| p.x).collect())
        - ties(points.iter().map(|p| p.y).collect()))
        / 18.0;
    let (count, spread) = (f64_from_usize(slopes), Z * variance.max(0.0).sqrt());
    let last = slopes.saturating_sub(1);
    let rank = |value: f64| {
        i64_from_f64(value)
            .map_or(0, |v| usize::try_from(v).unwrap_or(0))
            .min(last)
    };
    (
        rank(((count - spread) / 2.0).round() - 1.0),
        rank(f64::midpoint(count, spread).round()),
    )
}

/// Sizes of the groups of equal values.
fn groups(mut values: Vec<f64>) -> Vec<f64> {
    values.sort_by(f64::total_cmp);
    values
        .chunk_by(|a, b| a.total_cmp(b).is_eq())
        .map(|group| f64_from_usize(group.len()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::line::tests::{ADJUSTED, readings};
    use super::*;
    use crate::statistics::Line;
    use proptest::prelude::*;

    /// Rows `a6.theilsen`, `a6.theilsen.ranks`, `a6.theilsen.small`: scipy 1.17.1; tolerance 1e-9.
    #[test]
    fn the_robust_line_agrees_with_the_published_one() {
        let line = RobustLine::fit(&readings(&ADJUSTED, 0.1)).unwrap();
        for (found, wanted) in [
            (line.slope, -0.95),
            (line.intercept, 8.31),
            (line.slope_low, -0.96),
            (line.slope_high, -0.94),
        ] {
            assert!((found - wanted).abs() < 1e-9, "{found} is not {wanted}");
        }
        assert_eq!(sen_ranks(&readings(&ADJUSTED, 0.1), 55), (14, 40));
        let small = RobustLine::fit(&readings(&[0.0, 1.0, 2.0, 3.0, 10.0], 0.1)).unwrap();
        assert!((small.slope - 1.0).abs() < 1e-12 && small.intercept.abs() < 1e-12);
    }

    #[test]
    fn one_bad_reading_hardly_moves_the_robust_line() {
        let mut ys = ADJUSTED;
        ys[4] += 1.5;
        let robust = RobustLine::fit(&readings(&ys, 0.1)).unwrap();
        assert!((robust.slope + 0.95).abs() < 0.005, "{}", robust.slope);
    }

    #[test]
    fn readings_that_cannot_make_a_line_are_refused() {
        let same = [Point {
            x: 1.0,
            y: 2.0,
            u: 0.1,
        }; 4];
        assert_eq!(RobustLine::fit(&same), Err(StatisticsError::OneTime));
        let many = vec![
            Point {
                x: 1.0,
                y: 2.0,
                u: 0.1
            };
            501
        ];
        assert_eq!(
            RobustLine::fit(&many),
            Err(StatisticsError::TooMany { have: 501 })
        );
    }

    proptest! {
        #[test]
        fn a_straight_series_gives_its_own_slope(slope in -5.0..5.0_f64, start in -20.0..20.0_f64, n in 3_usize..30) {
            let ys: Vec<f64> = (0..).map(f64::from).map(|x| start + slope * x).take(n).collect();
            prop_assert!((Line::weighted(&readings(&ys, 0.1)).unwrap().slope - slope).abs() < 1e-9);
            prop_assert!((RobustLine::fit(&readings(&ys, 0.1)).unwrap().slope - slope).abs() < 1e-9);
        }

        #[test]
        fn no_number_makes_a_fit_panic(raw in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..12)) {
            let all: Vec<Point> = raw.into_iter().map(|(x, y, u)| Point { x, y, u }).collect();
            let both = (Line::weighted(&all).is_ok(), RobustLine::fit(&all).is_ok());
            prop_assert!(all.len() > 2 || both == (false, false));
        }
    }
}
