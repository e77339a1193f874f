//! Student's t, for whole degrees of freedom.
//!
//! The finite series of Abramowitz & Stegun 26.7.3 and 26.7.4; exact to rounding, no tables. Private to this folder.

/// Most degrees of freedom that are told apart; beyond, the distribution is that of 10,000, which differs from the normal one by 2e-4 in t.
const DEGREES_MAX: u32 = 10_000;

/// Probability that |t| is larger than `t` by chance (two-sided p). One when `t` is not a number; at least one degree is taken.
pub(super) fn two_sided_p(t: f64, degrees: u32) -> f64 {
    if t.is_nan() {
        return 1.0;
    }
    let degrees = degrees.clamp(1, DEGREES_MAX);
    let angle = (t.abs() / f64::from(degrees).sqrt()).atan();
    let (sine, cosine) = angle.sin_cos();
    // Terms c, (2/3) c^3, (2/3)(4/5) c^5 ... for odd, 1, (1/2) c^2, (1/2)(3/4) c^4 ... for even degrees.
    let odd = degrees % 2 == 1;
    let (mut term, mut sum) = if odd { (cosine, 0.0) } else { (1.0, 0.0) };
    let terms = if odd { (degrees - 1) / 2 } else { degrees / 2 };
    for k in 1..=terms {
        sum += term;
        let k = f64::from(k);
        let ratio = if odd {
            2.0 * k / (2.0 * k + 1.0)
        } else {
            (2.0 * k - 1.0) / (2.0 * k)
        };
        term *= ratio * cosine * cosine;
    }
    let inside = if odd {
        std::f64::consts::FRAC_2_PI * (angle + sine * sum)
    } else {
        sine * sum
    };
    (1.0 - inside).clamp(0.0, 1.0)
}

/// The t that |t| stays under with 95 % probability: t(0.975, degrees).
pub(super) fn t95(degrees: u32) -> f64 {
    let (mut low, mut high) = (0.0, 20.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if two_sided_p(middle, degrees) > 0.05 {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Row `a6.t975`: t(0.975, dof), computed with scipy 1.17.1; tolerance 5e-5.
    #[test]
    fn the_limits_are_those_of_the_tables() {
        let table = [
            12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.306, 2.2622, 2.2281, 2.201,
            2.1788, 2.1604, 2.1448, 2.1314,
        ];
        for (degrees, wanted) in (1..).zip(table) {
            assert!(
                (t95(degrees) - wanted).abs() < 6e-5,
                "{degrees}: {}",
                t95(degrees)
            );
        }
        assert!((t95(20) - 2.086).abs() < 6e-5 && (t95(30) - 2.0423).abs() < 6e-5);
        assert!((t95(u32::MAX) - 1.96).abs() < 3e-4);
    }

    /// Rows `a6.decide.change` and `a6.decide.hold`: two-sided p of t = 15.71306 with 9 and of 3.421184 with 2 degrees.
    #[test]
    fn probabilities_agree_with_the_published_decisions() {
        assert!((two_sided_p(15.713_06, 9) / 7.531_766e-8 - 1.0).abs() < 1e-5);
        assert!((two_sided_p(-3.421_184, 2) / 0.075_844_96 - 1.0).abs() < 1e-6);
        assert!((two_sided_p(f64::NAN, 5) - 1.0).abs() < f64::EPSILON);
        assert!(two_sided_p(f64::INFINITY, 5) < 1e-12);
    }
}
