//! Straight lines through readings: weighted least squares with the kit's uncertainty as floor, and a robust twin.
//!
//! Terms: a *point* is a reading with its standard uncertainty; the *scatter ratio* is how much the points scatter against what
//! their uncertainties promise. When they scatter less, the uncertainty still counts in full: four readings that happen to lie on
//! a line do not make the kit better. Nothing here knows of tanks or doses.

use thiserror::Error;

use super::student::t95;
use crate::quantity::{f64_from_usize, i64_from_f64};

/// Most points of one fit: pairwise slopes grow with the square.
pub const POINTS_MAX: usize = 500;

/// Why no line can be drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum StatisticsError {
    #[error(
        "a line with an interval needs at least 3 readings, there are {have}; take more readings"
    )]
    TooFew {
        /// How many there are.
        have: usize,
    },
    #[error(
        "{have} readings are more than the {POINTS_MAX} of one estimate; choose a shorter time"
    )]
    TooMany {
        /// How many there are.
        have: usize,
    },
    /// A point that is not a number or has no uncertainty.
    #[error(
        "reading {number} has a value, time or uncertainty that is no number; correct or leave it out"
    )]
    NotANumber { number: usize },
    /// All at one time.
    #[error(
        "all readings are from the same time, so no rate can be told; take another on another day"
    )]
    OneTime,
}

/// One reading in a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub x: f64,
    /// Value, in any one unit.
    pub y: f64,
    /// Standard uncertainty of the value, same unit, above zero.
    pub u: f64,
}

/// A straight line through points, by weighted least squares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    pub slope: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Standard error of the intercept.
    pub intercept_se: f64,
    /// Root of chi squared over the degrees of freedom: 1 when the points scatter as promised.
    pub scatter_ratio: f64,
    pub degrees: u32,
    weight: f64,
    x_mean: f64,
    y_mean: f64,
    sxx: f64,
}

impl Line {
    /// The weighted least squares line through `points`.
    ///
    /// Standard errors use the stated uncertainties times the scatter ratio, but never less than the uncertainties (rule of section 6 of the
    /// reference values: s = max(residual sd, kit)).
    ///
    /// # Errors
    /// [`StatisticsError`].
    pub fn fit(points: &[Point]) -> Result<Self, StatisticsError> {
        let degrees = check(points)?;
        let sum = |f: &dyn Fn(&Point) -> f64| points.iter().map(f).sum::<f64>();
        let weight_of = |p: &Point| 1.0 / (p.u * p.u);
        let weight = sum(&weight_of);
        let x_mean = sum(&|p| weight_of(p) * p.x) / weight;
        let y_mean = sum(&|p| weight_of(p) * p.y) / weight;
        let sxx = sum(&|p| weight_of(p) * (p.x - x_mean).powi(2));
        if !(sxx.is_finite() && sxx > 0.0 && weight.is_finite()) {
            return Err(StatisticsError::OneTime);
        }
        let slope = sum(&|p| weight_of(p) * (p.x - x_mean) * (p.y - y_mean)) / sxx;
        let chi_squared = sum(&|p| weight_of(p) * (p.y - y_mean - slope * (p.x - x_mean)).powi(2));
        let scatter_ratio = (chi_squared / f64::from(degrees)).sqrt();
        let scale = scatter_ratio.max(1.0);
        Ok(Self {
            slope,
            intercept: y_mean - slope * x_mean,
            slope_se: scale / sxx.sqrt(),
            intercept_se: scale * (1.0 / weight + x_mean * x_mean / sxx).sqrt(),
            scatter_ratio,
            degrees,
            weight,
            x_mean,
            y_mean,
            sxx,
        })
    }

    /// Value of the line.
    pub fn at(&self, x: f64) -> f64 {
        self.y_mean + self.slope * (x - self.x_mean)
    }

    /// Standard error of the line at x.
    pub fn se_at(&self, x: f64) -> f64 {
        let scale = self.scatter_ratio.max(1.0);
        scale * (1.0 / self.weight + (x - self.x_mean).powi(2) / self.sxx).sqrt()
    }

    /// Half width of the 95 % interval of the slope.
    pub fn slope_half_width(&self) -> f64 {
        t95(self.degrees) * self.slope_se
    }

    /// 95 % interval of the line itself at x.
    pub fn mean_interval(&self, x: f64) -> (f64, f64) {
        let half = t95(self.degrees) * self.se_at(x);
        (self.at(x) - half, self.at(x) + half)
    }

    /// 95 % interval of a further reading of standard uncertainty `u` at x.
    pub fn reading_interval(&self, x: f64, u: f64) -> (f64, f64) {
        let own = u * self.scatter_ratio.max(1.0);
        let half = t95(self.degrees) * self.se_at(x).hypot(own);
        (self.at(x) - half, self.at(x) + half)
    }
}

/// Degrees of freedom of a line through these points.
fn check(points: &[Point]) -> Result<u32, StatisticsError> {
    let have = points.len();
    if have > POINTS_MAX {
        return Err(StatisticsError::TooMany { have });
    }
    let bad = |p: &Point| !(p.x.is_finite() && p.y.is_finite() && p.u > 0.0 && p.u.is_finite());
    if let Some(index) = points.iter().position(bad) {
        return Err(StatisticsError::NotANumber { number: index + 1 });
    }
    match u32::try_from(have) {
        Ok(n @ 3..) => Ok(n - 2),
        Ok(_) | Err(_) => Err(StatisticsError::TooFew { have }),
    }
}

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

    /// Value of the line.
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

/// Median; `None` of nothing.
pub(super) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut all: Vec<f64> = values.collect();
    all.sort_by(f64::total_cmp);
    median_of_sorted(&all)
}

fn median_of_sorted(sorted: &[f64]) -> Option<f64> {
    let upper = sorted.get(sorted.len() / 2)?;
    let lower = sorted.get(sorted.len().saturating_sub(1) / 2)?;
    Some(f64::midpoint(*lower, *upper))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rows `a6.series.t` and `a6.series.adjusted`: made up; alkalinity less cumulative dose, dKH.
    pub(in crate::chemistry) const ADJUSTED: [f64; 11] = [
        8.3, 7.42, 6.35, 5.48, 4.5, 3.56, 2.66, 1.62, 0.72, -0.2, -1.21,
    ];

    fn points(ys: &[f64], u: f64) -> Vec<Point> {
        let days = (0..).map(f64::from);
        days.zip(ys).map(|(x, y)| Point { x, y: *y, u }).collect()
    }

    fn close(found: f64, wanted: f64, relative: f64, row: &str) {
        assert!(
            (found / wanted - 1.0).abs() <= relative,
            "{row}: {found} is not {wanted}"
        );
    }

    /// Rows `a6.ols`, `a6.ols.consumption`: statsmodels 0.15.0, scipy 1.17.1. The uncertainty is made negligible so that the scatter alone counts.
    #[test]
    fn least_squares_agree_with_the_published_fit() {
        let u = 1e-6;
        let line = Line::fit(&points(&ADJUSTED, u)).unwrap();
        close(line.intercept, 8.312_727_27, 1e-8, "a6.ols");
        close(line.slope, -0.949_818_182, 1e-8, "a6.ols");
        close(line.intercept_se, 0.022_128_682_8, 1e-8, "a6.ols");
        close(line.slope_se, 0.003_740_430_09, 1e-8, "a6.ols");
        close(line.scatter_ratio * u, 0.039_229_961_8, 1e-8, "a6.ols");
        assert_eq!(line.degrees, 9);
        let half = line.slope_half_width();
        close(
            -line.slope - half,
            0.941_356_741,
            1e-7,
            "a6.ols.consumption",
        );
        close(
            -line.slope + half,
            0.958_279_623,
            1e-7,
            "a6.ols.consumption",
        );
    }

    /// Rows `a6.ols.pred.day0`, `day5`, `day14`; tolerance 1e-6 relative.
    #[test]
    fn intervals_of_the_line_and_of_a_further_reading_agree() {
        let u = 1e-6;
        let line = Line::fit(&points(&ADJUSTED, u)).unwrap();
        for (day, wanted) in [
            (
                0.0,
                [
                    8.312_727_3,
                    8.262_668_7,
                    8.362_785_8,
                    8.210_838,
                    8.414_616_5,
                ],
            ),
            (
                5.0,
                [
                    3.563_636_4,
                    3.536_878_9,
                    3.590_393_8,
                    3.470_945_9,
                    3.656_326_8,
                ],
            ),
            (
                14.0,
                [
                    -4.984_727_3,
                    -5.065_444_3,
                    -4.904_010_3,
                    -5.104_688_9,
                    -4.864_765_6,
                ],
            ),
        ] {
            let (mean, reading) = (line.mean_interval(day), line.reading_interval(day, u));
            let found = [line.at(day), mean.0, mean.1, reading.0, reading.1];
            for (f, w) in found.into_iter().zip(wanted) {
                close(f, w, 1e-6, "a6.ols.pred");
            }
        }
    }

    /// Rows `a6.decide.change` and `a6.decide.hold`: standard error of the slope with the floor at u = 0.10 dKH.
    #[test]
    fn the_kit_uncertainty_is_the_floor_of_the_error() {
        let all = Line::fit(&points(&ADJUSTED, 0.1)).unwrap();
        close(all.slope_se, 0.009_534_626, 1e-6, "a6.decide.change");
        let four = Line::fit(&points(&ADJUSTED[..4], 0.1)).unwrap();
        close(four.slope, -0.953, 1e-6, "a6.decide.hold");
        close(four.slope_se, 0.044_721_36, 1e-6, "a6.decide.hold");
    }

    /// Rows `a6.slope_se.n3` to `n14`: standard error per unit sd and the smallest slope seen at 95 %.
    #[test]
    fn few_readings_see_only_large_slopes() {
        for (n, se, seen) in [
            (3, std::f64::consts::FRAC_1_SQRT_2, 8.984_64),
            (4, 0.447_214, 1.924_2),
            (5, 0.316_228, 1.006_38),
            (10, 0.110_096, 0.253_88),
            (14, 0.066_299, 0.144_45),
        ] {
            let line = Line::fit(&points(&vec![0.0; n], 1.0)).unwrap();
            close(line.slope_se, se, 1e-5, "a6.slope_se");
            close(line.slope_half_width(), seen, 3e-5, "a6.slope_se");
        }
    }

    #[test]
    fn a_reading_with_a_large_uncertainty_hardly_moves_the_line() {
        let mut mixed = points(&ADJUSTED, 0.05);
        mixed[4].y += 1.5;
        let moved = Line::fit(&mixed).unwrap().slope;
        mixed[4].u = 5.0;
        let weighted = Line::fit(&mixed).unwrap().slope;
        assert!((weighted + 0.9498).abs() < 0.001 && (moved + 0.9635).abs() < 0.001);
    }

    /// Rows `a6.theilsen`, `a6.theilsen.ranks`, `a6.theilsen.small`: scipy 1.17.1; tolerance 1e-9.
    #[test]
    fn the_robust_line_agrees_with_the_published_one() {
        let line = RobustLine::fit(&points(&ADJUSTED, 0.1)).unwrap();
        for (found, wanted) in [
            (line.slope, -0.95),
            (line.intercept, 8.31),
            (line.slope_low, -0.96),
            (line.slope_high, -0.94),
        ] {
            assert!((found - wanted).abs() < 1e-9, "{found} is not {wanted}");
        }
        assert_eq!(sen_ranks(&points(&ADJUSTED, 0.1), 55), (14, 40));
        let small = RobustLine::fit(&points(&[0.0, 1.0, 2.0, 3.0, 10.0], 0.1)).unwrap();
        assert!((small.slope - 1.0).abs() < 1e-12 && small.intercept.abs() < 1e-12);
    }

    /// Row `a6.outlier.ols`: one bad reading (+1.5 dKH on day 4) moves least squares to -0.963454545 with se 0.0449296563, the robust line hardly.
    #[test]
    fn one_bad_reading_moves_least_squares_but_not_the_robust_line() {
        let mut ys = ADJUSTED;
        ys[4] += 1.5;
        let plain = Line::fit(&points(&ys, 1e-6)).unwrap();
        close(plain.slope, -0.963_454_545, 1e-8, "a6.outlier.ols");
        close(plain.slope_se, 0.044_929_656_3, 1e-8, "a6.outlier.ols");
        let robust = RobustLine::fit(&points(&ys, 0.1)).unwrap();
        assert!((robust.slope + 0.95).abs() < 0.005, "{}", robust.slope);
    }

    #[test]
    fn points_that_cannot_make_a_line_are_refused() {
        let two = points(&[1.0, 2.0], 0.1);
        assert_eq!(Line::fit(&two), Err(StatisticsError::TooFew { have: 2 }));
        let same = [Point {
            x: 1.0,
            y: 2.0,
            u: 0.1,
        }; 4];
        assert_eq!(Line::fit(&same), Err(StatisticsError::OneTime));
        assert_eq!(RobustLine::fit(&same), Err(StatisticsError::OneTime));
        let zero = points(&ADJUSTED, 0.0);
        assert_eq!(
            Line::fit(&zero),
            Err(StatisticsError::NotANumber { number: 1 })
        );
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
            prop_assert!((Line::fit(&points(&ys, 0.1)).unwrap().slope - slope).abs() < 1e-9);
            prop_assert!((RobustLine::fit(&points(&ys, 0.1)).unwrap().slope - slope).abs() < 1e-9);
        }

        #[test]
        fn no_number_makes_a_fit_panic(raw in prop::collection::vec((any::<f64>(), any::<f64>(), any::<f64>()), 0..12)) {
            let all: Vec<Point> = raw.into_iter().map(|(x, y, u)| Point { x, y, u }).collect();
            let both = (Line::fit(&all).is_ok(), RobustLine::fit(&all).is_ok());
            prop_assert!(all.len() > 2 || both == (false, false));
        }
    }
}
