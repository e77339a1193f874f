//! The normal distribution: density, probability below, and what is left of it under a bound.

use std::f64::consts::TAU;

pub fn normal_density(z: f64) -> f64 {
    (-0.5 * z * z).exp() / TAU.sqrt()
}

/// Probability of a value below `z` standard deviations.
///
/// # Source
/// Up to 3 the series of DLMF 7.6.2; beyond it the continued fraction of the tail, DLMF 7.9.4.
pub fn normal_below(z: f64) -> f64 {
    if z > 3.0 {
        return 1.0 - normal_below(-z);
    }
    if z < -3.0 {
        return normal_density(z) / tail_fraction(-z);
    }
    let (mut term, mut sum) = (z, z);
    for step in 1..60_u32 {
        term *= z * z / f64::from(2 * step + 1);
        sum += term;
    }
    0.5 + normal_density(z) * sum
}

/// Density over tail probability, for `z` from 3 up: z + 1/(z + 2/(z + 3/(z + ...))).
fn tail_fraction(z: f64) -> f64 {
    (1..100_u32)
        .rev()
        .fold(z, |below, step| z + f64::from(step) / below)
}

/// Mean and variance of a normal variable known to lie below a bound, and how probable that was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truncated {
    pub mean: f64,
    pub variance: f64,
    pub probability: f64,
}

/// The part below `bound` of a normal distribution.
///
/// # Source
/// Moments of the truncated normal (Johnson, Kotz & Balakrishnan 1994, section 13.10.1; from memory, checked in the tests by summation):
/// with a = (bound - mean)/sd and r = density(a)/below(a), mean - sd r and variance (1 - a r - r^2).
pub fn truncated_above(mean: f64, sd: f64, bound: f64) -> Truncated {
    let a = (bound - mean) / sd;
    let ratio = if a < -3.0 {
        tail_fraction(-a)
    } else {
        normal_density(a) / normal_below(a)
    };
    Truncated {
        mean: mean - sd * ratio,
        variance: sd * sd * (1.0 - a * ratio - ratio * ratio).clamp(0.0, 1.0),
        probability: normal_below(a),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// scipy 1.17.1, `scipy.stats.norm.cdf`.
    #[test]
    fn probabilities_agree_with_scipy_far_into_the_tails() {
        for (z, want) in [
            (0.0, 0.5),
            (1.0, 0.841_344_746_068_542_9),
            (1.959_963_984_540_054, 0.975),
            (-2.999, 0.001_354_336_533_727_105_7),
            (-3.001, 0.001_345_472_825_084_965_3),
            (-5.0, 2.866_515_718_791_933e-07),
            (-10.0, 7.619_853_024_160_47e-24),
        ] {
            let got = normal_below(z);
            assert!((got / want - 1.0).abs() < 1e-12, "{z}: {got}");
        }
    }

    /// The integrals of density, first and second moment below the bound, summed in steps of 1e-4 standard deviations.
    #[test]
    fn what_is_left_below_a_bound_has_the_moments_of_the_sum() {
        for bound in [-4.5, -1.0, 0.3, 2.0] {
            let (mut mass, mut first, mut second) = (0.0, 0.0, 0.0);
            for k in 0..150_000_u32 {
                let z = bound - (f64::from(k) + 0.5) * 1e-4;
                let weight = normal_density(z) * 1e-4;
                mass += weight;
                first += weight * z;
                second += weight * z * z;
            }
            let (mean, variance) = (first / mass, second / mass - (first / mass).powi(2));
            let left = truncated_above(8.0, 0.2, 8.0 + 0.2 * bound);
            assert!((left.probability / mass - 1.0).abs() < 1e-6, "{bound}");
            assert!((left.mean - (8.0 + 0.2 * mean)).abs() < 1e-6, "{bound}");
            assert!(
                (left.variance / (0.04 * variance) - 1.0).abs() < 1e-4,
                "{bound}"
            );
        }
    }

    proptest! {
        #[test]
        fn more_lies_below_a_higher_bound(z in -30.0..30.0_f64, more in 0.0..3.0_f64) {
            prop_assert!(normal_below(z) <= normal_below(z + more) + 1e-15);
        }

        #[test]
        fn a_bound_never_raises_the_mean_nor_widens(mean in -9.0..9.0_f64, sd in 0.01..5.0_f64, bound in -9.0..9.0_f64) {
            let left = truncated_above(mean, sd, bound);
            prop_assert!(left.mean <= mean && left.variance <= sd * sd);
        }
    }
}
