//! How accurate deliveries are, each figure under its proper name.
//!
//! Terms, in the manner of ISO 8655-6: *systematic error* is the mean less what was set, *CV* (coefficient of variation) is the
//! standard deviation in % of the mean. In the words of API 675: *steady-state accuracy* is variation at a fixed
//! setting in % of the mean, *repeatability* is what a setting gives when it is left and returned to, in % of rated
//! capacity, *linearity* is the distance from the best line of flow against setting, in % of rated capacity. A CV is
//! never called accuracy here. Definitions as read in a published summary of API 675, not in the standard itself.

use crate::quantity::f64_from_usize;
use crate::statistics::{Confidence, Line, mean_and_sd, t_two_sided};

/// Steady-state accuracy that API 675 allows, +/- % of the mean.
pub const API675_STEADY_STATE_PERCENT: f64 = 1.0;
/// Repeatability that API 675 allows, +/- % of rated capacity.
pub const API675_REPEATABILITY_PERCENT: f64 = 3.0;
/// Deviation from linearity that API 675 allows, +/- % of rated capacity.
pub const API675_LINEARITY_PERCENT: f64 = 3.0;
/// Turndown (largest to smallest flow) over which API 675 wants these held.
pub const API675_TURNDOWN: f64 = 10.0;

/// Repeated deliveries of one set volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeliveryStats {
    pub count: usize,
    pub mean_ml: f64,
    /// Mean less what was set, mL.
    pub systematic_ml: f64,
    /// The same in % of what was set.
    pub systematic_percent: f64,
    /// Standard deviation, n - 1 in the denominator, mL.
    pub sd_ml: f64,
    /// Standard deviation in % of the mean.
    pub cv_percent: f64,
    /// Half-width of the confidence limits of the mean, mL.
    pub half_width_ml: f64,
}

impl DeliveryStats {
    /// Figures of repeated deliveries (mL) of `set_ml`.
    ///
    /// `None` with fewer than two, a set volume that is not positive, a mean of zero, or a number that is not finite.
    /// ISO 8655-6 wants ten.
    pub fn of(delivered_ml: &[f64], set_ml: f64, confidence: Confidence) -> Option<Self> {
        let (mean_ml, sd_ml) = mean_and_sd(delivered_ml)?;
        let systematic_ml = mean_ml - set_ml;
        let count = f64_from_usize(delivered_ml.len());
        let stats = Self {
            count: delivered_ml.len(),
            mean_ml,
            systematic_ml,
            systematic_percent: 100.0 * systematic_ml / set_ml,
            sd_ml,
            cv_percent: 100.0 * sd_ml / mean_ml,
            half_width_ml: t_two_sided(confidence, count - 1.0) * sd_ml / count.sqrt(),
        };
        let good =
            set_ml > 0.0 && stats.cv_percent.is_finite() && stats.systematic_percent.is_finite();
        good.then_some(stats)
    }
}

/// Steady-state accuracy in the words of API 675: largest distance of a flow from the mean, in % of the mean, the setting untouched.
///
/// `None` with fewer than two flows, a mean that is not positive, or a number that is not finite.
pub fn steady_state_percent(flows: &[f64]) -> Option<f64> {
    let (mean, _) = mean_and_sd(flows)?;
    (mean > 0.0).then(|| 100.0 * largest_distance(flows, mean) / mean)
}

/// Repeatability in the words of API 675: largest distance of a flow from the mean, in % of rated capacity, the setting moved and
/// returned between flows.
///
/// `None` with fewer than two flows, a rated capacity that is not positive, or a number that is not finite.
pub fn repeatability_percent(flows: &[f64], rated: f64) -> Option<f64> {
    let (mean, _) = mean_and_sd(flows)?;
    (rated > 0.0 && rated.is_finite()).then(|| 100.0 * largest_distance(flows, mean) / rated)
}

fn largest_distance(flows: &[f64], mean: f64) -> f64 {
    flows
        .iter()
        .map(|flow| (flow - mean).abs())
        .fold(0.0, f64::max)
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Linearity {
    /// Flow for one of the setting.
    pub slope: f64,
    /// Flow at setting zero.
    pub intercept: f64,
    /// Largest distance of a flow from the best line.
    pub deviation_max: f64,
    /// The same in % of rated capacity.
    pub percent_of_rated: f64,
}

impl Linearity {
    /// Linearity in the words of API 675, from pairs of setting and flow.
    ///
    /// `None` with fewer than three pairs, settings that do not vary, a rated capacity that is not positive, or a
    /// number that is not finite.
    pub fn of(settings_and_flows: &[(f64, f64)], rated: f64) -> Option<Self> {
        let line = Line::through(settings_and_flows)?;
        let deviation_max = settings_and_flows
            .iter()
            .map(|(setting, flow)| (flow - line.at(*setting)).abs())
            .fold(0.0, f64::max);
        (rated > 0.0 && rated.is_finite()).then_some(Self {
            slope: line.slope,
            intercept: line.intercept,
            deviation_max,
            percent_of_rated: 100.0 * deviation_max / rated,
        })
    }
}

/// Turndown: largest over smallest of the flows at which `error_percent` is within `limit_percent`, from triples of nothing
/// but what was measured: (flow, error in %).
///
/// `None` when no positive flow is within the limit.
pub fn turndown(flows_and_errors: &[(f64, f64)], limit_percent: f64) -> Option<f64> {
    let good = || {
        flows_and_errors
            .iter()
            .filter(|(flow, error)| *flow > 0.0 && flow.is_finite() && error.abs() <= limit_percent)
            .map(|(flow, _)| *flow)
    };
    let (low, high) = (
        good().fold(f64::INFINITY, f64::min),
        good().fold(0.0, f64::max),
    );
    (high > 0.0).then(|| high / low)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::{Air, Liquid};
    use proptest::prelude::*;

    /// Rows a5.grav.masses and a5.grav.result: ten net masses, nominal 10 mL, water 23.0 C, 101.3 kPa, 50 % RH; made up,
    /// results computed with own code and scipy 1.17.1, to 1e-5.
    #[test]
    fn the_gravimetric_worked_example_comes_out() {
        let masses = [
            9.912, 9.884, 9.951, 9.897, 9.923, 9.908, 9.94, 9.876, 9.915, 9.931,
        ];
        let air = Air {
            hpa: 1013.0,
            ..Air::standard(23.0)
        };
        let z = Liquid::Water { celsius: 23.0 }.ml_per_gram(air).unwrap();
        let volumes = masses.map(|grams| grams * z);
        let stats = DeliveryStats::of(&volumes, 10.0, Confidence::P95).unwrap();
        for (got, want) in [
            (z, 1.003_509_55),
            (stats.mean_ml, 9.948_492_65),
            (stats.systematic_ml, -0.051_507_35),
            (stats.systematic_percent, -0.515_073_5),
            (stats.sd_ml, 0.023_860_42),
            (stats.cv_percent, 0.239_839_55),
            (t_two_sided(Confidence::P95, 9.0), 2.262_157_16),
            (stats.half_width_ml, 0.017_068_72),
        ] {
            assert!((got - want).abs() < 1e-5, "{got} is not {want}");
        }
    }

    /// Row a5.api675.worked: computed with numpy 2.4.6, to 1e-5. Limits: rows a5.api675.linearity and .turndown (3 %, 10).
    #[test]
    fn the_linearity_worked_example_comes_out() {
        let pairs = [
            (10.0, 5.1),
            (25.0, 12.4),
            (50.0, 25.3),
            (75.0, 37.2),
            (100.0, 50.1),
        ];
        let got = Linearity::of(&pairs, 50.1).unwrap();
        for (got, want) in [
            (got.slope, 0.499_212_01),
            (got.intercept, 0.060_975_61),
            (got.deviation_max, 0.301_876_17),
            (got.percent_of_rated, 0.602_547_25),
        ] {
            assert!((got - want).abs() < 1e-5, "{got} is not {want}");
        }
        assert!(got.percent_of_rated <= API675_LINEARITY_PERCENT);
    }

    #[test]
    fn steady_state_is_of_the_mean_and_repeatability_of_the_rated_flow() {
        let flows = [9.9, 10.0, 10.1, 10.0];
        assert!((steady_state_percent(&flows).unwrap() - API675_STEADY_STATE_PERCENT).abs() < 1e-9);
        assert!((repeatability_percent(&flows, 50.0).unwrap() - 0.2).abs() < 1e-9);
    }

    #[test]
    fn turndown_counts_only_flows_within_the_limit() {
        let flows = [
            (1.0, 4.0),
            (2.0, -0.9),
            (10.0, 0.2),
            (20.0, 1.0),
            (40.0, f64::NAN),
        ];
        let got = turndown(&flows, API675_STEADY_STATE_PERCENT).unwrap();
        assert!((got - API675_TURNDOWN).abs() < 1e-12, "{got}");
        assert_eq!(turndown(&[(1.0, 4.0)], 1.0), None);
    }

    proptest! {
        #[test]
        fn no_number_panics_and_no_figure_is_nan(values in proptest::collection::vec(any::<f64>(), 0..10), set in any::<f64>()) {
            if let Some(stats) = DeliveryStats::of(&values, set, Confidence::P95) {
                prop_assert!(stats.mean_ml.is_finite() && stats.cv_percent.is_finite());
            }
            for figure in [steady_state_percent(&values), repeatability_percent(&values, set)].into_iter().flatten() {
                prop_assert!(!figure.is_nan());
            }
            let pairs: Vec<_> = values.iter().map(|v| (*v, set)).collect();
            if let Some(ratio) = turndown(&pairs, 5.0) {
                prop_assert!(ratio >= 1.0);
            }
            if let Some(line) = Linearity::of(&pairs, set) {
                prop_assert!(!line.percent_of_rated.is_nan());
            }
        }
    }
}
