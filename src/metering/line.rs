//! Straight lines by ordinary least squares, with what is needed to say how far to trust them.
//!
//! Terms: *residual* is a value less the line at its place; *leverage* is how strongly one point pulls the line
//! to itself, 0 to 1; *studentised* is a residual in units of its own uncertainty, found without the point itself.
//! Sums are taken about the means in two passes, because one-pass sums lose half of the digits.
//! This module knows nothing of pumps.

use super::student::{Confidence, t_two_sided};
use crate::quantity::f64_from_usize;

/// A line `y = intercept + slope x` through at least three points, and its uncertainties.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineFit {
    /// Rise of y for one of x.
    pub slope: f64,
    /// y at x = 0.
    pub intercept: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    /// Standard error of the intercept.
    pub intercept_se: f64,
    /// Residual standard deviation, with `dof` in the denominator.
    pub residual_sd: f64,
    /// Part of the spread of y that the line explains, 0 to 1; 1 when y does not vary at all.
    pub r_squared: f64,
    /// F statistic of the slope; infinite for exact data.
    pub f_statistic: f64,
    /// Degrees of freedom: points less two.
    pub dof: usize,
    pub count: usize,
    pub x_mean: f64,
    pub y_mean: f64,
    /// Sum of squared deviations of x from its mean.
    pub x_spread: f64,
}

impl LineFit {
    /// Fits the line. `None` with fewer than three points, when x does not vary, or when a number is not finite.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        if points.len() < 3 {
            return None;
        }
        let count = f64_from_usize(points.len());
        let x_mean = points.iter().map(|(x, _)| x).sum::<f64>() / count;
        let y_mean = points.iter().map(|(_, y)| y).sum::<f64>() / count;
        let centred = || points.iter().map(|(x, y)| (x - x_mean, y - y_mean));
        let x_spread: f64 = centred().map(|(x, _)| x * x).sum();
        let y_spread: f64 = centred().map(|(_, y)| y * y).sum();
        if x_spread <= 0.0 {
            return None;
        }
        let slope = centred().map(|(x, y)| x * y).sum::<f64>() / x_spread;
        let rest: f64 = centred().map(|(x, y)| (y - slope * x).powi(2)).sum();
        let dof = points.len().saturating_sub(2);
        let residual_sd = (rest / f64_from_usize(dof)).sqrt();
        let explained = slope * slope * x_spread;
        let fit = Self {
            slope,
            intercept: y_mean - slope * x_mean,
            slope_se: residual_sd / x_spread.sqrt(),
            intercept_se: residual_sd * (1.0 / count + x_mean * x_mean / x_spread).sqrt(),
            residual_sd,
            r_squared: if y_spread > 0.0 {
                1.0 - rest / y_spread
            } else {
                1.0
            },
            f_statistic: if rest > 0.0 {
                explained / (residual_sd * residual_sd)
            } else {
                f64::INFINITY
            },
            dof,
            count: points.len(),
            x_mean,
            y_mean,
            x_spread,
        };
        fit.is_usable().then_some(fit)
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

    /// y on the line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        // About the means, so that a far-away intercept costs no digits.
        self.y_mean + self.slope * (x - self.x_mean)
    }

    /// Leverage of a point at `x`: its share in its own fitted value.
    pub fn leverage(&self, x: f64) -> f64 {
        1.0 / f64_from_usize(self.count) + (x - self.x_mean).powi(2) / self.x_spread
    }

    /// Half-width of the confidence limits of the line itself at `x`.
    pub fn half_width_of_line(&self, x: f64, confidence: Confidence) -> f64 {
        self.t(confidence) * self.residual_sd * self.leverage(x).sqrt()
    }

    /// Half-width within which one further value at `x` lies (the prediction interval).
    pub fn half_width_of_one(&self, x: f64, confidence: Confidence) -> f64 {
        self.t(confidence) * self.residual_sd * (1.0 + self.leverage(x)).sqrt()
    }

    /// Confidence limits of the slope, low and high.
    pub fn slope_limits(&self, confidence: Confidence) -> (f64, f64) {
        let half = self.t(confidence) * self.slope_se;
        (self.slope - half, self.slope + half)
    }

    /// Confidence limits of the intercept, low and high.
    pub fn intercept_limits(&self, confidence: Confidence) -> (f64, f64) {
        let half = self.t(confidence) * self.intercept_se;
        (self.intercept - half, self.intercept + half)
    }

    /// The x at which the line itself has the value `y`, low and high limits (Fieller's theorem).
    ///
    /// `None` when the slope is not distinguishable from zero at this confidence: then every x is possible.
    pub fn inverse_limits(&self, y: f64, confidence: Confidence) -> Option<(f64, f64)> {
        let scale = self.t(confidence) * self.residual_sd / self.slope;
        let rest = 1.0 - scale * scale / self.x_spread;
        let offset = (y - self.y_mean) / self.slope;
        let inner = rest / f64_from_usize(self.count) + offset * offset / self.x_spread;
        let half = scale.abs() * inner.sqrt();
        (rest > 0.0 && half.is_finite()).then(|| {
            let low = self.x_mean + (offset - half) / rest;
            (low, self.x_mean + (offset + half) / rest)
        })
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
        t_two_sided(confidence, self.dof)
    }
}

/// A line `y = slope x` through the origin.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OriginFit {
    /// Rise of y for one of x.
    pub slope: f64,
    /// Standard error of the slope.
    pub slope_se: f64,
    pub residual_sd: f64,
    /// Part of the sum of squares of y *about zero* that the line explains.
    pub r_squared: f64,
    /// Degrees of freedom: points less one.
    pub dof: usize,
}

impl OriginFit {
    /// Fits the line. `None` with fewer than two points, when every x is zero, or when a number is not finite.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        let xx: f64 = points.iter().map(|(x, _)| x * x).sum();
        let yy: f64 = points.iter().map(|(_, y)| y * y).sum();
        if points.len() < 2 || xx <= 0.0 {
            return None;
        }
        let slope = points.iter().map(|(x, y)| x * y).sum::<f64>() / xx;
        let rest: f64 = points.iter().map(|(x, y)| (y - slope * x).powi(2)).sum();
        let dof = points.len().saturating_sub(1);
        let residual_sd = (rest / f64_from_usize(dof)).sqrt();
        let fit = Self {
            slope,
            slope_se: residual_sd / xx.sqrt(),
            residual_sd,
            r_squared: if yy > 0.0 { 1.0 - rest / yy } else { 1.0 },
            dof,
        };
        (fit.slope.is_finite() && fit.slope_se.is_finite() && xx.is_finite()).then_some(fit)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

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
        let fit = LineFit::through(&NORRIS).unwrap();
        close(fit.intercept, -0.262_323_073_774_029, 1e-10);
        close(fit.slope, 1.002_116_818_020_45, 1e-10);
        close(fit.intercept_se, 0.232_818_234_301_152, 1e-10);
        close(fit.slope_se, 0.000_429_796_848_199_937, 1e-10);
        close(fit.residual_sd, 0.884_796_396_144_373, 1e-10);
        close(fit.r_squared, 0.999_993_745_883_712, 1e-10);
        close(fit.f_statistic, 5_436_385.540_797_85, 1e-10);
        assert_eq!(fit.dof, 34);
    }

    /// Row a5.strd.noint1: NIST StRD NoInt1.dat (line through the origin), certified values, 1e-10 relative.
    #[test]
    fn noint1_is_reproduced_to_ten_digits() {
        let points: Vec<_> = (60..=70)
            .map(|x| (f64::from(x), f64::from(x + 70)))
            .collect();
        let fit = OriginFit::through(&points).unwrap();
        close(fit.slope, 2.074_380_165_289_26, 1e-10);
        close(fit.slope_se, 0.016_528_925_619_834_7, 1e-10);
        close(fit.residual_sd, 3.567_530_340_063_38, 1e-10);
        close(fit.r_squared, 0.999_365_492_298_663, 1e-10);
        assert_eq!(fit.dof, 10);
    }

    /// Row a5.strd.noint2: NIST StRD NoInt2.dat; data and slope read, the other values computed with statsmodels 0.15.0.
    #[test]
    fn noint2_is_reproduced_to_ten_digits() {
        let fit = OriginFit::through(&[(4.0, 3.0), (5.0, 4.0), (6.0, 4.0)]).unwrap();
        close(fit.slope, 0.727_272_727_272_727, 1e-10);
        close(fit.slope_se, 0.042_082_731_807_843_2, 1e-10);
        close(fit.residual_sd, 0.369_274_472_937_998, 1e-10);
        close(fit.r_squared, 0.993_348_115_299_335, 1e-10);
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
                LineFit::through(&NORRIS).unwrap(),
                LineFit::through(&others).unwrap(),
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
        assert_eq!(LineFit::through(&[]), None);
        assert_eq!(LineFit::through(&[(1.0, 1.0), (2.0, 2.0)]), None);
        assert_eq!(
            LineFit::through(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]),
            None
        );
        assert_eq!(OriginFit::through(&[(1.0, 1.0)]), None);
        assert_eq!(OriginFit::through(&[(0.0, 1.0), (0.0, 2.0)]), None);
    }

    proptest! {
        #[test]
        fn exact_data_gives_back_its_line(slope in -50.0_f64..50.0, intercept in -5.0_f64..5.0, count in 3_u32..40) {
            let points: Vec<_> = (0..count).map(|k| { let x = f64::from(k) * 2.5; (x, intercept + slope * x) }).collect();
            let fit = LineFit::through(&points).unwrap();
            prop_assert!((fit.slope - slope).abs() < 1e-9 && (fit.intercept - intercept).abs() < 1e-8);
        }

        #[test]
        fn no_number_panics_or_gives_a_line_that_is_not_finite(points in proptest::collection::vec((any::<f64>(), any::<f64>()), 0..12)) {
            if let Some(fit) = LineFit::through(&points) {
                prop_assert!(fit.slope.is_finite() && fit.intercept.is_finite() && fit.residual_sd.is_finite());
                for point in &points {
                    prop_assert!(!fit.studentised(*point).is_nan());
                }
            }
            if let Some(fit) = OriginFit::through(&points) {
                prop_assert!(fit.slope.is_finite() && fit.slope_se.is_finite());
            }
        }
    }
}
