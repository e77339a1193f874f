//! Net mass of a weighed run on a scale that creeps.
//!
//! Load cells drift with time and load: some lose or gain two grams in a quarter of an hour, which is several per cent of a
//! calibration run. So the load is read twice before the run and twice after it, each time with nothing moving: two
//! *baselines*, whose slopes are the drift. What the run took up in between is corrected by their mean, and refused
//! when the correction is large or the two do not agree well enough to trust it.

use thiserror::Error;

use crate::quantity::Millis;

/// One reading of the scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When, on any clock that runs evenly.
    pub at: Millis,
    /// What it showed, g.
    pub grams: f64,
}

/// Two readings of an unchanged load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Baseline {
    pub first: Reading,
    /// Last reading, at least [`Baseline::SPAN_MIN`] later.
    pub last: Reading,
}

/// How much drift is taken.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftRules {
    /// Largest correction, % of the net mass. Default 5 (common practice, no source).
    pub correction_percent_max: f64,
    /// Largest doubt of the correction (half the difference of the two baselines), % of the net mass. Default 0.5 (our rule).
    pub doubt_percent_max: f64,
}

impl Default for DriftRules {
    fn default() -> Self {
        Self {
            correction_percent_max: 5.0,
            doubt_percent_max: 0.5,
        }
    }
}

/// What a run weighed, corrected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NetMass {
    /// Net mass, g, drift taken off.
    pub grams: f64,
    /// What was taken off, g; negative when the scale lost.
    pub correction_grams: f64,
    /// Half the difference that the two baselines would make, g.
    pub doubt_grams: f64,
}

/// Why a weighed run is not used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum DriftRefusal {
    /// A reading is not a number.
    #[error("a scale reading of {grams} g is not a number that can be used")]
    Reading {
        /// What was read, g.
        grams: f64,
    },
    /// The readings are not in order, or a baseline is too short to show drift.
    #[error(
        "the {which} baseline lasts {span}; read the resting scale twice, at least {} apart, before the run and again after it",
        Baseline::SPAN_MIN
    )]
    Baseline {
        /// `first` (before the run) or `second` (after it).
        which: &'static str,
        /// How long it lasted.
        span: Millis,
    },
    /// The second baseline begins before the first ends.
    #[error(
        "the baseline after the run begins before the one before it ends; give the readings in the order they were taken"
    )]
    Order,
    #[error("the run added {grams:.2} g; it must add something: check which reading is which")]
    NothingAdded { grams: f64 },
    /// The scale drifted too much.
    #[error(
        "the scale drifted by {correction_grams:.2} g during a run of {grams:.2} g, more than {limit_percent:.1} %; let it warm up for half an hour, then weigh larger amounts in shorter runs"
    )]
    TooLarge {
        /// Drift during the run, g.
        correction_grams: f64,
        grams: f64,
        /// The limit, % of the net mass.
        limit_percent: f64,
    },
    /// The drift changed from before to after, so that what it was in between is a guess.
    #[error(
        "the drift before and after the run differ: {doubt_grams:.2} g of {grams:.2} g are doubtful, more than {limit_percent:.1} %; let the scale settle and repeat the run"
    )]
    Unsteady {
        /// Half the difference, g.
        doubt_grams: f64,
        grams: f64,
        /// The limit, % of the net mass.
        limit_percent: f64,
    },
}

impl Baseline {
    /// Shortest time between the two readings of a baseline (our rule: a scale of 0.1 g sees 0.5 g in 12 min in it).
    pub const SPAN_MIN: Millis = Millis::from_secs(30);

    fn drift(&self, which: &'static str) -> Result<f64, DriftRefusal> {
        for Reading { grams, .. } in [self.first, self.last] {
            if !grams.is_finite() {
                return Err(DriftRefusal::Reading { grams });
            }
        }
        let span = self.last.at.minus(self.first.at);
        if span < Self::SPAN_MIN {
            return Err(DriftRefusal::Baseline { which, span });
        }
        Ok((self.last.grams - self.first.grams) / span.as_secs())
    }
}

/// Net mass of what a run added to the scale between two baselines.
///
/// # Errors
/// [`DriftRefusal`] when readings are unusable or out of order, nothing was added, or the drift is too large or too
/// unsteady against the mass.
pub fn net_mass(
    before: &Baseline,
    after: &Baseline,
    rules: &DriftRules,
) -> Result<NetMass, DriftRefusal> {
    let (drift_before, drift_after) = (before.drift("first")?, after.drift("second")?);
    if after.first.at < before.last.at {
        return Err(DriftRefusal::Order);
    }
    let gap = after.first.at.minus(before.last.at).as_secs();
    let correction_grams = f64::midpoint(drift_before, drift_after) * gap;
    let doubt_grams = (drift_after - drift_before).abs() / 2.0 * gap;
    let grams = after.first.grams - before.last.grams - correction_grams;
    if !(grams > 0.0 && grams.is_finite()) {
        return Err(DriftRefusal::NothingAdded { grams });
    }
    let within = |part: f64, percent: f64| part.abs() <= grams * percent / 100.0;
    if !within(correction_grams, rules.correction_percent_max) {
        return Err(DriftRefusal::TooLarge {
            correction_grams,
            grams,
            limit_percent: rules.correction_percent_max,
        });
    }
    if !within(doubt_grams, rules.doubt_percent_max) {
        return Err(DriftRefusal::Unsteady {
            doubt_grams,
            grams,
            limit_percent: rules.doubt_percent_max,
        });
    }
    Ok(NetMass {
        grams,
        correction_grams,
        doubt_grams,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A run of `grams` over 5 min between baselines of 1 min, on a scale whose drift is `before` and `after` (g/s).
    fn weighed(grams: f64, before: f64, after: f64) -> Result<NetMass, DriftRefusal> {
        let reading = |seconds: i64, grams: f64| Reading {
            at: Millis::from_secs(seconds),
            grams,
        };
        let start = 250.0 + 60.0 * before;
        let end = start + grams + 150.0 * (before + after);
        net_mass(
            &Baseline {
                first: reading(0, 250.0),
                last: reading(60, start),
            },
            &Baseline {
                first: reading(360, end),
                last: reading(420, end + 60.0 * after),
            },
            &DriftRules::default(),
        )
    }

    /// FT-SENS-03: a scale that creeps 2 g in 12 min, a calibration run of 20 g over 5 min, drift either way.
    #[test]
    fn a_drift_of_2_g_in_12_min_is_taken_out_of_a_20_g_run_in_both_directions() {
        for drift in [2.0 / 720.0, -2.0 / 720.0] {
            let net = weighed(20.0, drift, drift).unwrap();
            assert!((net.grams - 20.0).abs() < 1e-9, "{net:?}");
            assert!(
                (net.correction_grams - drift * 300.0).abs() < 1e-9,
                "{net:?}"
            );
        }
    }

    #[test]
    fn a_drift_too_large_for_the_mass_is_refused() {
        // The same 0.83 g are 8.3 % of 10 g.
        let refusal = weighed(10.0, 2.0 / 720.0, 2.0 / 720.0).unwrap_err();
        assert!(
            matches!(refusal, DriftRefusal::TooLarge { .. }),
            "{refusal}"
        );
        assert!(
            refusal
                .to_string()
                .contains("0.83 g during a run of 10.00 g"),
            "{refusal}"
        );
    }

    #[test]
    fn a_drift_that_changes_during_the_run_is_refused() {
        let refusal = weighed(20.0, 2.0 / 720.0, -2.0 / 720.0).unwrap_err();
        assert!(
            matches!(refusal, DriftRefusal::Unsteady { .. }),
            "{refusal}"
        );
        // Half the difference is 0.83 g; a fifth of that drift leaves 0.17 g, still over 0.1 g.
        assert!(weighed(20.0, 0.4 / 720.0, -0.4 / 720.0).is_err());
        assert!(weighed(20.0, 0.2 / 720.0, -0.2 / 720.0).is_ok());
    }

    #[test]
    fn readings_that_tell_nothing_are_refused() {
        assert!(matches!(
            weighed(-3.0, 0.0, 0.0),
            Err(DriftRefusal::NothingAdded { .. })
        ));
        assert!(matches!(
            weighed(0.0, 0.0, 0.0),
            Err(DriftRefusal::NothingAdded { .. })
        ));
        assert!(matches!(
            weighed(20.0, f64::NAN, 0.0),
            Err(DriftRefusal::Reading { .. })
        ));
        let at = |seconds: i64| Reading {
            at: Millis::from_secs(seconds),
            grams: 100.0,
        };
        let base = |from: i64, to: i64| Baseline {
            first: at(from),
            last: at(to),
        };
        let rules = DriftRules::default();
        assert!(matches!(
            net_mass(&base(0, 29), &base(300, 400), &rules),
            Err(DriftRefusal::Baseline { which: "first", .. })
        ));
        assert!(matches!(
            net_mass(&base(0, 30), &base(400, 300), &rules),
            Err(DriftRefusal::Baseline {
                which: "second",
                ..
            })
        ));
        assert_eq!(
            net_mass(&base(300, 400), &base(0, 100), &rules),
            Err(DriftRefusal::Order)
        );
        let no_limit = DriftRules {
            correction_percent_max: f64::NAN,
            doubt_percent_max: 1.0,
        };
        assert!(
            net_mass(
                &base(0, 60),
                &Baseline {
                    first: Reading {
                        grams: 120.0,
                        ..at(90)
                    },
                    last: Reading {
                        grams: 120.0,
                        ..at(150)
                    }
                },
                &no_limit
            )
            .is_err()
        );
    }

    proptest! {
        #[test]
        fn no_reading_panics_or_gives_a_mass_that_is_not_positive(grams in any::<[f64; 4]>(), at in any::<[i64; 4]>()) {
            let reading = |k: usize| Reading { at: Millis::new(at[k]), grams: grams[k] };
            let (before, after) = (Baseline { first: reading(0), last: reading(1) }, Baseline { first: reading(2), last: reading(3) });
            if let Ok(net) = net_mass(&before, &after, &DriftRules::default()) {
                prop_assert!(net.grams > 0.0 && net.grams.is_finite());
            }
        }
    }
}
