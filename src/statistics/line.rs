//! Straight lines by least squares, with what is needed to say how far to trust them.
//!
//! Terms: *residual* is a value less the line at its place; *leverage* is how strongly one point of weight one pulls the line
//! to itself, 0 to 1; *studentised* is a residual in units of its own uncertainty, found without the point itself; a *floor* is a
//! standard deviation below which points are not believed: four readings that happen to lie on a line do not make the kit better.
//! Sums are taken about the means in two passes, because one-pass sums lose half of the digits.

use thiserror::Error;

use super::student::{Confidence, t_two_sided};
use crate::quantity::f64_from_usize;

/// Most points of one estimate: pairwise slopes grow with the square.
pub const POINTS_MAX: usize = 500;

/// Why no line can be drawn through readings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum StatisticsError {
    #[error(
        "a line with an interval needs at least 3 readings, there are {have}; take more readings"
    )]
    TooFew { have: usize },
    #[error(
        "{have} readings are more than the {POINTS_MAX} of one estimate; choose a shorter time"
    )]
    TooMany { have: usize },
    #[error(
        "reading {number} has a value, time or uncertainty that is no number; correct or leave it out"
    )]
    NotANumber { number: usize },
    #[error(
        "all readings are from the same time, so no rate can be told; take another on another day"
    )]
    OneTime,
}

/// One reading with its standard uncertainty `u`, in the unit of `y` and above zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub x: f64,
    pub y: f64,
    pub u: f64,
}

/// A line `y = intercept + slope x` through at least three points, and its uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    pub slope: f64,
    pub intercept: f64,
    pub slope_se: f64,
    pub intercept_se: f64,
    /// How much points of weight one scatter about the line, with `dof` in the denominator. For points with an uncertainty this
    /// is a ratio: 1 when they scatter as promised.
    pub residual_sd: f64,
    /// What all errors are built on: `residual_sd`, or the floor where that is larger.
    pub sd: f64,
    /// Part of the spread of y that the line explains, 0 to 1; 1 when y does not vary at all.
    pub r_squared: f64,
    /// F statistic of the slope; infinite for exact data.
    pub f_statistic: f64,
    /// Degrees of freedom: points less two.
    pub dof: usize,
    /// Sum of the weights: how many points there are, when each has weight one.
    pub weight: f64,
    pub x_mean: f64,
    pub y_mean: f64,
    /// Sum of squared deviations of x from its mean.
    pub x_spread: f64,
}

impl Line {
    /// The line through points of equal, unknown uncertainty: only their scatter tells.
    ///
    /// `None` with fewer than three points, when x does not vary, or when a number is not finite.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        Self::fit(&points.iter().map(|(x, y)| (*x, *y, 1.0)))
    }

    /// The line through readings with stated uncertainties, which are its floor (rule of section 6 of the reference values:
    /// s = max(residual sd, kit)).
    ///
    /// # Errors
    /// [`StatisticsError`].
    pub fn weighted(points: &[Point]) -> Result<Self, StatisticsError> {
        check(points)?;
        let weighted = points.iter().map(|p| (p.x, p.y, 1.0 / (p.u * p.u)));
        // What is left once the points are checked: times that do not vary, or vary by less than numbers can hold.
        let line = Self::fit(&weighted).ok_or(StatisticsError::OneTime)?;
        Ok(line.with_floor(1.0))
    }

    /// The same line, with errors as if its points scattered by no less than `sd`.
    #[must_use]
    pub fn with_floor(self, sd: f64) -> Self {
        let sd = self.residual_sd.max(sd);
        Self {
            sd,
            slope_se: sd / self.x_spread.sqrt(),
            intercept_se: sd * self.leverage(0.0).sqrt(),
            ..self
        }
    }

    /// From x, y and weight of each point.
    fn fit(points: &(impl Iterator<Item = (f64, f64, f64)> + Clone)) -> Option<Self> {
        let count = points.clone().count();
        let dof = count.checked_sub(2).filter(|dof| *dof > 0)?;
        let sum = |of: &dyn Fn(f64, f64, f64) -> f64| -> f64 {
            points.clone().map(|(x, y, w)| of(x, y, w)).sum()
        };
        let weight = sum(&|_, _, w| w);
        let x_mean = sum(&|x, _, w| w * x) / weight;
        let y_mean = sum(&|_, y, w| w * y) / weight;
        let x_spread = sum(&|x, _, w| w * (x - x_mean).powi(2));
        let y_spread = sum(&|_, y, w| w * (y - y_mean).powi(2));
        if x_spread <= 0.0 {
            return None;
        }
        let slope = sum(&|x, y, w| w * (x - x_mean) * (y - y_mean)) / x_spread;
        let rest = sum(&|x, y, w| w * (y - y_mean - slope * (x - x_mean)).powi(2));
        let residual_sd = (rest / f64_from_usize(dof)).sqrt();
        let exact = Self {
            slope,
            intercept: y_mean - slope * x_mean,
            slope_se: 0.0,
            intercept_se: 0.0,
            residual_sd,
            sd: 0.0,
            r_squared: if y_spread > 0.0 {
                1.0 - rest / y_spread
            } else {
                1.0
            },
            f_statistic: if rest > 0.0 {
                slope * slope * x_spread / (residual_sd * residual_sd)
            } else {
                f64::INFINITY
            },
            dof,
            weight,
            x_mean,
            y_mean,
            x_spread,
        };
        let line = exact.with_floor(0.0);
        line.is_usable().then_some(line)
    }

    /// Whether every number that is built on is finite. Infinite or NaN input ends up here.
    fn is_usable(&self) -> bool {
        [
            self.slope,
            self.intercept,
            self.slope_se,
            self.intercept_se,
            self.residual_sd,
            self.x_spread,
        ]
        .iter()
        .all(|value| value.is_finite())
    }

    pub fn at(&self, x: f64) -> f64 {
        // About the means, so that a far-away intercept costs no digits.
        self.y_mean + self.slope * (x - self.x_mean)
    }

    /// Leverage of a point of weight one at `x`: its share in its own fitted value.
    pub fn leverage(&self, x: f64) -> f64 {
        1.0 / self.weight + (x - self.x_mean).powi(2) / self.x_spread
    }

    /// Half-width of the confidence limits of the line itself at `x`.
    pub fn half_width_of_line(&self, x: f64, confidence: Confidence) -> f64 {
        self.t(confidence) * self.sd * self.leverage(x).sqrt()
    }

    /// Half-width within which one further value of weight one at `x` lies (the prediction interval).
    pub fn half_width_of_one(&self, x: f64, confidence: Confidence) -> f64 {
        self.t(confidence) * self.sd * (1.0 + self.leverage(x)).sqrt()
    }

    /// Half-width of the confidence limits of the slope.
    pub fn half_width_of_slope(&self, confidence: Confidence) -> f64 {
        self.t(confidence) * self.slope_se
    }

    /// Confidence limits of the slope, low and high.
    pub fn slope_limits(&self, confidence: Confidence) -> (f64, f64) {
        let half = self.half_width_of_slope(confidence);
        (self.slope - half, self.slope + half)
    }

    /// Confidence limits of the intercept, low and high.
    pub fn intercept_limits(&self, confidence: Confidence) -> (f64, f64) {
        let half = self.t(confidence) * self.intercept_se;
        (self.intercept - half, self.intercept + half)
    }

    /// The point's externally studentised residual. Infinite when all the other points lie exactly on a line without it.
    ///
    /// Zero when the point is on the line, or when it cannot be judged (three points leave nothing over).
    pub fn studentised(&self, (x, y): (f64, f64)) -> f64 {
        let residual = y - self.at(x);
        let rest = self.residual_sd.powi(2) * f64_from_usize(self.dof);
        let free = 1.0 - self.leverage(x);
        if self.dof < 2 || free <= 0.0 || residual.abs() <= f64::EPSILON * y.abs() {
            return 0.0;
        }
        // What the sum of squares would be without the point; rounding can take it below zero.
        let without = (rest - residual * residual / free).max(0.0);
        residual / (without / f64_from_usize(self.dof.saturating_sub(1)) * free).sqrt()
    }

    /// What the line through all the *other* points gives at this point's place.
    pub fn without(&self, (x, y): (f64, f64)) -> f64 {
        y - (y - self.at(x)) / (1.0 - self.leverage(x))
    }

    /// Student's t for this line's degrees of freedom.
    pub fn t(&self, confidence: Confidence) -> f64 {
        t_two_sided(confidence, f64_from_usize(self.dof))
    }
}

/// Whether readings can make a line at all.
pub(super) fn check(points: &[Point]) -> Result<(), StatisticsError> {
    let have = points.len();
    if have > POINTS_MAX {
        return Err(StatisticsError::TooMany { have });
    }
    let bad = |p: &Point| !(p.x.is_finite() && p.y.is_finite() && p.u > 0.0 && p.u.is_finite());
    if let Some(index) = points.iter().position(bad) {
        return Err(StatisticsError::NotANumber { number: index + 1 });
    }
    if have < 3 {
        return Err(StatisticsError::TooFew { have });
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rows `a6.series.t` and `a6.series.adjusted`: made up; alkalinity less cumulative dose, dKH.
    pub(crate) const ADJUSTED: [f64; 11] = [
        8.3, 7.42, 6.35, 5.48, 4.5, 3.56, 2.66, 1.62, 0.72, -0.2, -1.21,
    ];

    /// Values of successive days, each with the same uncertainty.
    pub(crate) fn readings(ys: &[f64], u: f64) -> Vec<Point> {
        let days = (0..).map(f64::from);
        days.zip(ys).map(|(x, y)| Point { x, y: *y, u }).collect()
    }

    fn bare(ys: &[f64]) -> Vec<(f64, f64)> {
        (0..).map(f64::from).zip(ys.iter().copied()).collect()
    }

    /// NIST StRD linear least squares, Norris.dat (US government work): 36 pairs (x, y).
    const NORRIS: [(f64, f64); 36] = [
        (0.2, 0.1),
        (337.4, 338.8),
        (118.2, 118.1),
        (884.6, 888.0),
        (10.1, 9.2),
        (226.5, 228.1),
        (666.3, 668.5),
        (996.3, 998.5),
        (448.6, 449.1),
        (777.0, 778.9),
        (558.2, 559.2),
        (0.4, 0.3),
        (0.6, 0.1),
        (775.5, 778.1),
        (666.9, 668.8),
        (338.0, 339.3),
        (447.5, 448.9),
        (11.6, 10.8),
        (556.0, 557.7),
        (228.1, 228.3),
        (995.8, 998.0),
        (887.6, 888.8),
        (120.2, 119.6),
        (0.3, 0.3),
        (0.3, 0.6),
        (556.8, 557.6),
        (339.1, 339.3),
        (887.2, 888.0),
        (999.0, 998.5),
        (779.0, 778.9),
        (11.1, 10.2),
        (118.3, 117.6),
        (229.2, 228.9),
        (669.1, 668.4),
        (448.9, 449.2),
        (0.5, 0.2),
    ];

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got / want - 1.0).abs() < relative, "{got} is not {want}");
    }

    /// Rows a5.strd.norris.*: certified values of NIST StRD Norris. The rows allow 1e-9 relative; 1e-10 is met.
    #[test]
    fn norris_is_reproduced_to_ten_digits() {
        let fit = Line::through(&NORRIS).unwrap();
        close(fit.intercept, -0.262_323_073_774_029, 1e-10);
        close(fit.slope, 1.002_116_818_020_45, 1e-10);
        close(fit.intercept_se, 0.232_818_234_301_152, 1e-10);
        close(fit.slope_se, 0.000_429_796_848_199_937, 1e-10);
        close(fit.residual_sd, 0.884_796_396_144_373, 1e-10);
        close(fit.r_squared, 0.999_993_745_883_712, 1e-10);
        close(fit.f_statistic, 5_436_385.540_797_85, 1e-10);
        assert_eq!(fit.dof, 34);
    }

    #[test]
    fn the_line_without_a_point_is_the_line_fitted_without_it() {
        for (at, point) in NORRIS.iter().enumerate() {
            let others: Vec<_> = NORRIS
                .iter()
                .enumerate()
                .filter(|(other, _)| *other != at)
                .map(|(_, pair)| *pair)
                .collect();
            let (all, rest) = (
                Line::through(&NORRIS).unwrap(),
                Line::through(&others).unwrap(),
            );
            assert!((all.without(*point) - rest.at(point.0)).abs() < 1e-9);
            // Studentised: the deviation from the others' line in units of a new value's uncertainty.
            let want = (point.1 - rest.at(point.0))
                / (rest.residual_sd * (1.0 + rest.leverage(point.0)).sqrt());
            assert!((all.studentised(*point) - want).abs() < 1e-9);
        }
    }

    #[test]
    fn too_few_points_and_points_above_each_other_give_no_line() {
        assert_eq!(Line::through(&[]), None);
        assert_eq!(Line::through(&[(1.0, 1.0), (2.0, 2.0)]), None);
        assert_eq!(Line::through(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
    }

    /// Rows `a6.ols`, `a6.ols.consumption`: statsmodels 0.15.0, scipy 1.17.1. A negligible uncertainty is as good as none: the scatter alone counts.
    #[test]
    fn least_squares_agree_with_the_published_fit() {
        let u = 1e-6;
        let weighted = Line::weighted(&readings(&ADJUSTED, u)).unwrap();
        close(weighted.residual_sd * u, 0.039_229_961_8, 1e-8);
        let unweighted = Line::through(&bare(&ADJUSTED)).unwrap();
        close(unweighted.residual_sd, 0.039_229_961_8, 1e-8);
        for line in [weighted, unweighted] {
            close(line.intercept, 8.312_727_27, 1e-8);
            close(line.slope, -0.949_818_182, 1e-8);
            close(line.intercept_se, 0.022_128_682_8, 1e-8);
            close(line.slope_se, 0.003_740_430_09, 1e-8);
            assert_eq!(line.dof, 9);
            let (low, high) = line.slope_limits(Confidence::P95);
            close(-high, 0.941_356_741, 1e-7);
            close(-low, 0.958_279_623, 1e-7);
        }
    }

    /// Rows `a6.ols.pred.day0`, `day5`, `day14`: value, limits of the line, limits of a further reading; tolerance 1e-6 relative.
    #[test]
    fn intervals_of_the_line_and_of_a_further_reading_agree() {
        let line = Line::through(&bare(&ADJUSTED)).unwrap();
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
            let (at, of_line) = (line.at(day), line.half_width_of_line(day, Confidence::P95));
            let of_one = line.half_width_of_one(day, Confidence::P95);
            let found = [at, at - of_line, at + of_line, at - of_one, at + of_one];
            for (f, w) in found.into_iter().zip(wanted) {
                close(f, w, 1e-6);
            }
        }
        // The same by weights: the line's own limits do not depend on the unit of the uncertainty.
        let weighted = Line::weighted(&readings(&ADJUSTED, 1e-6)).unwrap();
        for day in [0.0, 5.0, 14.0] {
            close(
                weighted.half_width_of_line(day, Confidence::P95),
                line.half_width_of_line(day, Confidence::P95),
                1e-6,
            );
        }
    }

    /// Rows `a6.decide.change` and `a6.decide.hold`: standard error of the slope with the floor at u = 0.10 dKH.
    #[test]
    fn the_kit_uncertainty_is_the_floor_of_the_error() {
        let all = Line::weighted(&readings(&ADJUSTED, 0.1)).unwrap();
        close(all.slope_se, 0.009_534_626, 1e-6);
        let four = Line::weighted(&readings(&ADJUSTED[..4], 0.1)).unwrap();
        close(four.slope, -0.953, 1e-6);
        close(four.slope_se, 0.044_721_36, 1e-6);
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
            let line = Line::weighted(&readings(&vec![0.0; n], 1.0)).unwrap();
            close(line.slope_se, se, 1e-5);
            close(line.half_width_of_slope(Confidence::P95), seen, 3e-5);
        }
    }

    #[test]
    fn a_reading_with_a_large_uncertainty_hardly_moves_the_line() {
        let mut mixed = readings(&ADJUSTED, 0.05);
        mixed[4].y += 1.5;
        let moved = Line::weighted(&mixed).unwrap().slope;
        mixed[4].u = 5.0;
        let weighted = Line::weighted(&mixed).unwrap().slope;
        assert!((weighted + 0.9498).abs() < 0.001 && (moved + 0.9635).abs() < 0.001);
    }

    /// Row `a6.outlier.ols`: one bad reading (+1.5 dKH on day 4) moves least squares to -0.963454545 with se 0.0449296563.
    #[test]
    fn one_bad_reading_moves_least_squares() {
        let mut ys = ADJUSTED;
        ys[4] += 1.5;
        let plain = Line::weighted(&readings(&ys, 1e-6)).unwrap();
        close(plain.slope, -0.963_454_545, 1e-8);
        close(plain.slope_se, 0.044_929_656_3, 1e-8);
    }

    #[test]
    fn a_floor_widens_what_is_built_on_scatter_and_leaves_the_line_where_it_is() {
        let line = Line::through(&bare(&ADJUSTED)).unwrap();
        let cautious = line.with_floor(10.0 * line.residual_sd);
        assert_eq!(
            (cautious.slope, cautious.residual_sd),
            (line.slope, line.residual_sd)
        );
        for (wide, narrow) in [
            (cautious.slope_se, line.slope_se),
            (cautious.intercept_se, line.intercept_se),
            (
                cautious.half_width_of_one(3.0, Confidence::P95),
                line.half_width_of_one(3.0, Confidence::P95),
            ),
        ] {
            close(wide, 10.0 * narrow, 1e-12);
        }
        assert_eq!(line.with_floor(0.5 * line.residual_sd), line);
    }

    #[test]
    fn readings_that_cannot_make_a_line_are_refused() {
        let two = readings(&[1.0, 2.0], 0.1);
        assert_eq!(
            Line::weighted(&two),
            Err(StatisticsError::TooFew { have: 2 })
        );
        let same = [Point {
            x: 1.0,
            y: 2.0,
            u: 0.1,
        }; 4];
        assert_eq!(Line::weighted(&same), Err(StatisticsError::OneTime));
        let zero = readings(&ADJUSTED, 0.0);
        assert_eq!(
            Line::weighted(&zero),
            Err(StatisticsError::NotANumber { number: 1 })
        );
    }

    proptest! {
        #[test]
        fn exact_data_gives_back_its_line(slope in -50.0_f64..50.0, intercept in -5.0_f64..5.0, count in 3_u32..40) {
            let points: Vec<_> = (0..count).map(|k| { let x = f64::from(k) * 2.5; (x, intercept + slope * x) }).collect();
            let fit = Line::through(&points).unwrap();
            prop_assert!((fit.slope - slope).abs() < 1e-9 && (fit.intercept - intercept).abs() < 1e-8);
            let ys: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
            let weighted = Line::weighted(&readings(&ys, 0.1)).unwrap();
            prop_assert!((weighted.slope / 2.5 - slope).abs() < 1e-9);
        }

        #[test]
        fn no_number_panics_or_gives_a_line_that_is_not_finite(points in proptest::collection::vec((any::<f64>(), any::<f64>()), 0..12)) {
            if let Some(fit) = Line::through(&points) {
                prop_assert!(fit.slope.is_finite() && fit.intercept.is_finite() && fit.residual_sd.is_finite());
                for point in &points {
                    prop_assert!(!fit.studentised(*point).is_nan());
                }
            }
        }
    }
}
