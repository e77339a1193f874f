//! Whether the rate of a new calibration can be that of its head.
//!
//! A slipped decimal fits as well as the right number, and every cap is reckoned by what the calibration says.

use thiserror::Error;

use crate::quantity::FlowRate;

/// A rate this far from the nominal one, or from that of the calibration before, is asked about, %. Ours: heads differ by some percent,
/// tubes wear by ten or twenty.
pub const DOUBTFUL_PERCENT: f64 = 30.0;

/// A rate beyond this factor of the nominal one is refused. Ours: no tube, height or wear explains it, and a slipped decimal is ten.
pub const IMPOSSIBLE_FACTOR: f64 = 3.0;

/// A rate that cannot be that of its head.
#[derive(Debug, Clone, PartialEq, Error)]
#[error(
    "{rate} is beyond a factor of {IMPOSSIBLE_FACTOR} of the head's nominal {nominal}; look for a slipped decimal sign or a wrong unit in what came out, or set nominal-rate-ml-per-min in controller.toml right"
)]
pub struct ImpossibleRate {
    pub rate: FlowRate,
    pub nominal: FlowRate,
}

/// Why a rate is to be asked about; `None` when it is as expected.
///
/// # Errors
/// [`ImpossibleRate`].
pub fn doubt_rate(
    rate: FlowRate,
    nominal: FlowRate,
    before: Option<FlowRate>,
) -> Result<Option<String>, ImpossibleRate> {
    let factor = rate.as_ml_per_min() / nominal.as_ml_per_min();
    // Asked as "is it within", so that NaN is not within.
    if !(1.0 / IMPOSSIBLE_FACTOR..=IMPOSSIBLE_FACTOR).contains(&factor) {
        return Err(ImpossibleRate { rate, nominal });
    }
    let against = [
        Some((nominal, "the head's nominal")),
        before.map(|rate| (rate, "the calibration before,")),
    ];
    let far = against.into_iter().flatten().find_map(|(other, what)| {
        let off = 100.0 * (rate.as_ml_per_min() / other.as_ml_per_min() - 1.0);
        (!(-DOUBTFUL_PERCENT..=DOUBTFUL_PERCENT).contains(&off))
            .then(|| format!("{rate} is {off:+.0} % from {what} {other}"))
    });
    Ok(far)
}

/// Whether a rate that was said again is the one that was shown: within 1 %, or what two decimals show.
pub fn same_rate(said: FlowRate, shown: FlowRate) -> bool {
    let (said, shown) = (said.as_ml_per_min(), shown.as_ml_per_min());
    (said - shown).abs() <= (0.01 * shown).max(0.005_001)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(ml_per_min: f64) -> FlowRate {
        FlowRate::from_ml_per_min(ml_per_min)
    }

    #[test]
    fn a_rate_is_asked_about_beyond_30_percent_and_refused_beyond_a_factor_of_3() {
        let doubt = |r, before: Option<f64>| doubt_rate(rate(r), rate(6.0), before.map(rate));
        for good in [4.3, 6.0, 7.7] {
            assert_eq!(doubt(good, None), Ok(None), "{good}");
        }
        for far in [2.1, 4.1, 7.9, 17.9] {
            let why = doubt(far, None).unwrap().unwrap();
            assert!(why.contains("nominal 6.00 mL/min"), "{why}");
        }
        for impossible in [0.6, 1.9, 18.1, 60.0, f64::NAN] {
            let why = doubt(impossible, None).unwrap_err().to_string();
            assert!(why.contains("slipped decimal"), "{why}");
        }
        let worn = doubt(5.0, Some(7.5)).unwrap().unwrap();
        assert!(
            worn.contains("-33 % from the calibration before, 7.50"),
            "{worn}"
        );
        assert_eq!(doubt(5.5, Some(7.5)), Ok(None));
    }

    #[test]
    fn a_rate_said_again_is_the_one_shown() {
        assert!(same_rate(rate(4.12), rate(4.1234)));
        assert!(same_rate(rate(0.21), rate(0.2149)));
        assert!(!same_rate(rate(4.3), rate(4.1234)));
        assert!(!same_rate(rate(41.2), rate(4.1234)));
        assert!(!same_rate(rate(f64::NAN), rate(4.1234)));
    }
}
