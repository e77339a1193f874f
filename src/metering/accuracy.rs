//! How accurate deliveries are, each figure under its proper name.
//!
//! In the words of API 675: *steady-state accuracy* is variation at a fixed
//! setting in % of the mean, *linearity* is the distance from the best line of flow against setting, in % of rated capacity. A CV is
//! never called accuracy here. Definitions as read in a published summary of API 675, not in the standard itself.

use crate::statistics::{Line, mean_and_sd};

/// Steady-state accuracy that API 675 allows, +/- % of the mean.
pub const API675_STEADY_STATE_PERCENT: f64 = 1.0;
/// Deviation from linearity that API 675 allows, +/- % of rated capacity.
pub const API675_LINEARITY_PERCENT: f64 = 3.0;

/// Steady-state accuracy in the words of API 675: largest distance of a flow from the mean, in % of the mean, the setting untouched.
///
/// `None` with fewer than two flows, a mean that is not positive, or a number that is not finite.
pub fn steady_state_percent(flows: &[f64]) -> Option<f64> {
    let (mean, _) = mean_and_sd(flows)?;
    (mean > 0.0).then(|| 100.0 * largest_distance(flows, mean) / mean)
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

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
    fn steady_state_is_of_the_mean() {
        let flows = [9.9, 10.0, 10.1, 10.0];
        assert!((steady_state_percent(&flows).unwrap() - API675_STEADY_STATE_PERCENT).abs() < 1e-9);
    }

    proptest! {
        #[test]
        fn no_number_panics_and_no_figure_is_nan(values in proptest::collection::vec(any::<f64>(), 0..10), set in any::<f64>()) {
            if let Some(figure) = steady_state_percent(&values) {
                prop_assert!(!figure.is_nan());
            }
            let pairs: Vec<_> = values.iter().map(|v| (*v, set)).collect();
            if let Some(line) = Linearity::of(&pairs, set) {
                prop_assert!(!line.percent_of_rated.is_nan());
            }
        }
    }
}
