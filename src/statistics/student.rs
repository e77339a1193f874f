//! Student's t and Fisher's F: how far a mean or a line can be trusted when it comes from few runs.
//!
//! Terms: *dof* is degrees of freedom, the number of values left over after the line was fitted; *confidence* is
//! two-sided, so 95 % leaves 2.5 % on each side.
//! Everything is computed from the regularised incomplete beta function; no table is copied. With no degree of
//! freedom the answer is infinite: nothing is known, and no limit built on it can be met by accident.

use crate::quantity::f64_from_usize;

/// A two-sided confidence, as a fraction: 0.95 for limits that hold 19 times in 20.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Confidence(f64);

impl Confidence {
    /// 95 %, what every limit uses unless told otherwise.
    pub const P95: Self = Self(0.95);

    /// A confidence from a fraction from 0.5 to 0.9999; `None` for anything else, NaN included.
    pub fn new(fraction: f64) -> Option<Self> {
        (0.5..=0.9999).contains(&fraction).then_some(Self(fraction))
    }

    pub const fn as_fraction(self) -> f64 {
        self.0
    }
}

impl Default for Confidence {
    fn default() -> Self {
        Self::P95
    }
}

/// Most degrees of freedom that are told apart: at a million t lies within 3e-6 of the normal distribution's, and the fraction
/// below needs the more steps the more there are.
const DOF_MAX: f64 = 1e6;

/// Student's t that is exceeded on either side with probability `1 - confidence`. Infinite without a degree of freedom; of a part of one
/// there can be, where scatter is shared out.
pub fn t_two_sided(confidence: Confidence, dof: f64) -> f64 {
    let outside = 1.0 - confidence.as_fraction();
    let is_outside = |t: f64| t_probability_two_sided(t, dof) > outside;
    let (mut low, mut high) = (0.0_f64, 4.0_f64);
    while is_outside(high) {
        // Nothing is known for practical purposes.
        if high > 1e9 {
            return f64::INFINITY;
        }
        (low, high) = (high, high * 8.0);
    }
    for _ in 0..56 {
        let middle = f64::midpoint(low, high);
        if is_outside(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// Degrees of freedom below which nothing is known for practical purposes.
const DOF_MIN: f64 = 0.1;

/// Probability of a |t| at least this large by chance. One (tells nothing) when `t` is NaN or there is no degree of freedom.
pub fn t_probability_two_sided(t: f64, dof: f64) -> f64 {
    if t.is_nan() || dof.is_nan() || dof < DOF_MIN {
        return 1.0;
    }
    let dof = dof.min(DOF_MAX);
    beta_regularised(dof / 2.0, 0.5, dof / (dof + t * t))
}

/// Probability of an F at least this large by chance, with `above` and `below` degrees of freedom.
/// One (tells nothing) when `f` is NaN or negative, or a degree of freedom is zero.
pub fn f_probability_upper(f: f64, above: usize, below: usize) -> f64 {
    if f.is_nan() || f < 0.0 || above == 0 || below == 0 {
        return 1.0;
    }
    let [above, below] = [above, below].map(|dof| f64_from_usize(dof).min(DOF_MAX));
    beta_regularised(below / 2.0, above / 2.0, below / (below + above * f))
}

/// Regularised incomplete beta function I_x(a, b), for a and b from 0.5 up.
fn beta_regularised(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    // The continued fraction converges fast only below the mean; above it the mirrored one does.
    if x > (a + 1.0) / (a + b + 2.0) {
        1.0 - beta_tail(b, a, 1.0 - x)
    } else {
        beta_tail(a, b, x)
    }
}

/// The continued fraction of the incomplete beta function (DLMF 8.17.22), evaluated forwards by Lentz's method.
fn beta_tail(a: f64, b: f64, x: f64) -> f64 {
    /// Stands in for zero in a denominator.
    const TINY: f64 = 1e-300;
    let away_from_zero = |value: f64| if value.abs() < TINY { TINY } else { value };
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp();
    let mut ratio = 1.0;
    let mut inverse = 1.0 / away_from_zero(1.0 - (a + b) * x / (a + 1.0));
    let mut fraction = inverse;
    for step in 1..5_000_u32 {
        let k = f64::from(step);
        let even = k * (b - k) * x / ((a + 2.0 * k - 1.0) * (a + 2.0 * k));
        inverse = 1.0 / away_from_zero(1.0 + even * inverse);
        ratio = away_from_zero(1.0 + even / ratio);
        fraction *= ratio * inverse;
        let odd = -(a + k) * (a + b + k) * x / ((a + 2.0 * k) * (a + 2.0 * k + 1.0));
        inverse = 1.0 / away_from_zero(1.0 + odd * inverse);
        ratio = away_from_zero(1.0 + odd / ratio);
        fraction *= ratio * inverse;
        if (ratio * inverse - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front * fraction / a
}

/// Natural logarithm of the gamma function for positive `x`: Stirling's series after shifting `x` above 15.
fn ln_gamma(x: f64) -> f64 {
    let (mut shifted, mut product_ln) = (x, 0.0_f64);
    while shifted < 15.0 {
        product_ln += shifted.ln();
        shifted += 1.0;
    }
    let inverse = 1.0 / shifted;
    let square = inverse * inverse;
    // Bernoulli terms 1/12, -1/360, 1/1260, -1/1680, 1/1188: the first left out is below 1e-16 from 15 on.
    let series = inverse
        * (1.0 / 12.0
            - square
                * (1.0 / 360.0
                    - square * (1.0 / 1260.0 - square * (1.0 / 1680.0 - square / 1188.0))));
    (shifted - 0.5) * shifted.ln() - shifted + 0.5 * std::f64::consts::TAU.ln() + series
        - product_ln
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Row a6.t975: Student t(0.975, dof), computed with scipy 1.17.1, to 5e-5. The printed tables of NIST/SEMATECH
    /// e-Handbook 1.3.6.7.2 give the same to three decimals (from memory).
    #[test]
    fn t_agrees_with_the_table_of_the_975_point() {
        let table = [
            12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.306, 2.2622, 2.2281, 2.201,
            2.1788, 2.1604, 2.1448, 2.1314,
        ];
        for (dof, want) in (1_u32..).zip(table) {
            let got = t_two_sided(Confidence::P95, f64::from(dof));
            assert!((got - want).abs() < 5e-5, "dof {dof}: {got}");
        }
        for (dof, want) in [
            (20.0, 2.086),
            (30.0, 2.0423),
            (1e6, 1.96),
            (f64::INFINITY, 1.96),
        ] {
            let got = t_two_sided(Confidence::P95, dof);
            assert!((got - want).abs() < 5e-5, "dof {dof}: {got}");
        }
    }

    /// t(0.975, 9) of row a5.grav.result, to 1e-8 (the row prints eight decimals).
    #[test]
    fn t_is_good_to_eight_decimals() {
        let got = t_two_sided(Confidence::P95, 9.0);
        assert!((got - 2.262_157_16).abs() < 1e-8, "{got}");
    }

    /// Rows `a6.decide.change` and `a6.decide.hold`: two-sided p of t = 15.71306 with 9 and of 3.421184 with 2 degrees.
    #[test]
    fn probabilities_agree_with_the_published_decisions() {
        assert!((t_probability_two_sided(15.713_06, 9.0) / 7.531_766e-8 - 1.0).abs() < 1e-5);
        assert!((t_probability_two_sided(-3.421_184, 2.0) / 0.075_844_96 - 1.0).abs() < 1e-6);
    }

    /// With one degree of freedom t is a Cauchy variable and with two it has a closed form: exact checks.
    #[test]
    fn t_agrees_with_the_closed_forms_for_one_and_two_degrees_of_freedom() {
        for fraction in [0.5, 0.8, 0.9, 0.99, 0.9999] {
            let confidence = Confidence::new(fraction).unwrap();
            let cauchy = (std::f64::consts::FRAC_PI_2 * fraction).tan();
            let two = fraction * (2.0 / (1.0 - fraction * fraction)).sqrt();
            assert!((t_two_sided(confidence, 1.0) / cauchy - 1.0).abs() < 1e-9);
            assert!((t_two_sided(confidence, 2.0) / two - 1.0).abs() < 1e-9);
        }
    }

    /// F with one degree of freedom above is t squared.
    #[test]
    fn f_with_one_degree_of_freedom_above_is_t_squared() {
        for (t, dof) in [(2.262_157_16, 9_u8), (-8.819_94, 13), (0.3, 2)] {
            let (by_f, by_t) = (
                f_probability_upper(t * t, 1, usize::from(dof)),
                t_probability_two_sided(t, f64::from(dof)),
            );
            assert!((by_f / by_t - 1.0).abs() < 1e-12, "{by_f} {by_t}");
        }
        // With two above the upper tail is (1 + 2 f / d)^(-d / 2) exactly.
        let got = f_probability_upper(3.5, 2, 10);
        assert!((got - (1.0_f64 + 0.7).powi(-5)).abs() < 1e-14, "{got}");
    }

    #[test]
    fn nothing_is_known_without_a_degree_of_freedom_or_from_nan() {
        assert!(t_two_sided(Confidence::P95, 0.0).is_infinite());
        for nothing in [
            t_probability_two_sided(f64::NAN, 5.0),
            t_probability_two_sided(9.0, 0.0),
            t_probability_two_sided(9.0, f64::NAN),
            f_probability_upper(f64::NAN, 1, 1),
            f_probability_upper(5.0, 0, 1),
            f_probability_upper(5.0, 1, 0),
        ] {
            assert!((nothing - 1.0).abs() < f64::EPSILON);
        }
        assert!(t_probability_two_sided(f64::INFINITY, 3.0).abs() < f64::EPSILON);
        for bad in [f64::NAN, 0.0, 1.0, -1.0, 95.0, f64::INFINITY] {
            assert_eq!(Confidence::new(bad), None, "{bad}");
        }
    }

    proptest! {
        #[test]
        fn the_probability_of_a_quantile_is_what_was_asked_for(fraction in 0.5_f64..0.9999, dof in 0.6_f64..5_000.0) {
            let confidence = Confidence::new(fraction).unwrap();
            let outside = t_probability_two_sided(t_two_sided(confidence, dof), dof);
            prop_assert!((outside - (1.0 - fraction)).abs() < 1e-9);
        }

        #[test]
        fn probabilities_stay_between_zero_and_one(t in any::<f64>(), real in any::<f64>(), dof in any::<usize>(), other in 0_usize..2_000) {
            prop_assert!((0.0..=1.0).contains(&t_probability_two_sided(t, real)));
            prop_assert!((0.0..=1.0).contains(&f_probability_upper(t, other, dof)));
        }
    }
}
