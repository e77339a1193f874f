//! Errors of several sources in one: scatter, whose size is only estimated, and bounds, within which an error lies anywhere.

use super::student::{Confidence, t_probability_two_sided, t_two_sided};

/// The sum of independent errors.
///
/// Scatter is added as variances; how well their sum is known follows from each one's degrees of freedom (Welch and Satterthwaite,
/// JCGM 100:2008 G.4.1). Bounds are rectangular (4.3.7 there), and as a rectangle has no tails, its limits are its own and not
/// those of a normal distribution of the same variance (G.6.5 there warns of that).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Combined {
    variance: f64,
    /// Sum of the squared variances over their degrees of freedom.
    doubt: f64,
    /// The widest bound, either way.
    widest: f64,
    /// One bound for all the others, of the same variance.
    others: f64,
}

impl Combined {
    #[must_use]
    pub fn with_scatter(self, variance: f64, dof: f64) -> Self {
        Self {
            variance: self.variance + variance,
            doubt: self.doubt + variance * variance / dof,
            ..self
        }
    }

    /// With an error that lies anywhere within `bound` either way.
    #[must_use]
    pub fn with_bound(self, bound: f64) -> Self {
        Self {
            widest: self.widest.max(bound),
            others: self.others.hypot(self.widest.min(bound)),
            ..self
        }
    }

    /// Effective degrees of freedom of the scatter; infinite without any.
    pub fn dof(&self) -> f64 {
        if self.variance > 0.0 {
            self.variance * self.variance / self.doubt
        } else {
            f64::INFINITY
        }
    }

    /// Half-width of the limits of the sum.
    pub fn half_width(&self, confidence: Confidence) -> f64 {
        let scatter = if self.variance > 0.0 {
            t_two_sided(confidence, self.dof()) * self.variance.sqrt()
        } else {
            0.0
        };
        scatter.hypot(self.half_width_of_bounds(confidence))
    }

    /// Whether that is at most `limit`; quicker than to work it out.
    pub fn is_within(&self, limit: f64, confidence: Confidence) -> bool {
        let bounds = self.half_width_of_bounds(confidence);
        if limit.is_nan() || limit < bounds {
            return false;
        }
        let t = ((limit * limit - bounds * bounds) / self.variance).sqrt();
        let outside = 1.0 - confidence.as_fraction();
        // A hair, so that what is exactly at the limit is within it.
        self.variance <= 0.0 || t_probability_two_sided(t, self.dof()) <= outside * (1.0 + 1e-9)
    }

    /// Of the sum of two rectangles, which is a trapezium: exact.
    fn half_width_of_bounds(&self, confidence: Confidence) -> f64 {
        let Self { widest, others, .. } = *self;
        let outside = 1.0 - confidence.as_fraction();
        if others >= outside * widest {
            widest + others - 2.0 * (outside * widest * others).sqrt()
        } else {
            (1.0 - outside) * widest
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got / want - 1.0).abs() < relative, "{got} is not {want}");
    }

    /// The example of JCGM 100:2008 G.4.1 (from memory): relative uncertainties of 0.25 %, 0.57 % and 0.82 % from 10, 5 and 15
    /// observations have 19.0 effective degrees of freedom and an expanded uncertainty of 2.2 % at 95 %.
    #[test]
    fn the_degrees_of_freedom_are_those_of_the_guides_example() {
        let parts = [(0.25_f64, 9.0), (0.57, 4.0), (0.82, 14.0)];
        let sum = parts.iter().fold(Combined::default(), |sum, (u, dof)| {
            sum.with_scatter(u * u, *dof)
        });
        assert!((sum.dof() - 19.0).abs() < 0.05, "{}", sum.dof());
        assert!((sum.half_width(Confidence::P95) - 2.2).abs() < 0.05);
    }

    /// Own arithmetic: a rectangle holds 95 % within 0.95 of its half-width, a triangle of half-width 2 within 2 - sqrt(0.2), and a
    /// trapezium of rectangles of 1.25 and 0.25 within 1.5 - 2 sqrt(0.05 x 1.25 x 0.25).
    #[test]
    fn bounds_have_the_limits_of_rectangles_and_not_of_a_normal_distribution() {
        let of = |bounds: &[f64]| {
            let sum = bounds
                .iter()
                .fold(Combined::default(), |sum, bound| sum.with_bound(*bound));
            sum.half_width(Confidence::P95)
        };
        close(of(&[1.0]), 0.95, 1e-12);
        close(of(&[1.0, 1.0]), 2.0 - 0.2_f64.sqrt(), 1e-12);
        close(of(&[0.25, 1.25]), 1.25, 1e-12);
        close(of(&[1.25, 0.25]), 1.25, 1e-12);
        // One that hardly counts does not make it narrower.
        assert!(of(&[1.0, 0.049]) <= 0.95 + 1e-12 && of(&[1.0, 0.06]) > 0.95);
    }

    #[test]
    fn what_is_at_its_limit_is_within_it_and_beyond_it_is_not() {
        let sums = [
            Combined::default().with_scatter(2.0, 2.6),
            Combined::default().with_bound(0.3),
            Combined::default().with_scatter(0.01, 4.0).with_bound(0.3),
        ];
        for sum in sums {
            let half = sum.half_width(Confidence::P95);
            assert!(sum.is_within(half, Confidence::P95), "{sum:?}");
            assert!(!sum.is_within(half * 0.999, Confidence::P95), "{sum:?}");
            assert!(!sum.is_within(f64::NAN, Confidence::P95), "{sum:?}");
        }
        assert!(Combined::default().is_within(0.0, Confidence::P95));
    }
}
