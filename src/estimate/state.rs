//! One normal distribution over level, uptake and trend, moved exactly through time and corrected by readings.
//!
//! Time is in days; the level falls by the uptake, the uptake grows by the trend.

/// What is believed: means, and the six different entries of the covariance matrix, which is symmetric by construction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    pub level: f64,
    /// Per day.
    pub uptake: f64,
    /// Change of the uptake, per day and day.
    pub trend: f64,
    pub cov: Covariance,
}

/// Named by the first letters of level, uptake, trend.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Covariance {
    pub ll: f64,
    pub lu: f64,
    pub lt: f64,
    pub uu: f64,
    pub ut: f64,
    pub tt: f64,
}

/// Variance gained per day by level and uptake, as white noise on their rates. The trend has none: what is not a straight drift is the
/// uptake's own noise.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Noise {
    pub level: f64,
    pub uptake: f64,
}

impl State {
    /// The belief some days on, nothing added: exact for any length of time.
    #[must_use]
    pub fn after(self, days: f64, noise: Noise) -> Self {
        let half = days * days / 2.0;
        let Covariance {
            ll,
            lu,
            lt,
            uu,
            ut,
            tt,
        } = self.cov;
        // Phi P Phi' with Phi = [[1, -d, -d^2/2], [0, 1, d], [0, 0, 1]], a row at a time.
        let (row_u, row_t) = (lu - days * uu - half * ut, lt - days * ut - half * tt);
        let row_l = ll - days * lu - half * lt;
        let uptake_trend = ut + days * tt;
        // The integral of Phi Q Phi' (Durbin & Koopman 2012, section 3.10: continuous time): noise of the uptake reaches the level as its integral.
        let (level, uptake) = (noise.level * days, noise.uptake * days);
        Self {
            level: self.level - days * self.uptake - half * self.trend,
            uptake: self.uptake + days * self.trend,
            trend: self.trend,
            cov: Covariance {
                ll: row_l - days * row_u - half * row_t + level + uptake * days * days / 3.0,
                lu: row_u + days * row_t - noise.uptake * half,
                lt: row_t,
                uu: uu + days * ut + days * uptake_trend + uptake,
                ut: uptake_trend,
                tt,
            },
        }
    }

    #[must_use]
    pub fn added(mut self, amount: f64, variance: f64) -> Self {
        self.level += amount;
        self.cov.ll += variance;
        self
    }

    /// The level times `kept` plus a known amount: a water change, or a change of salinity.
    #[must_use]
    pub fn mixed(mut self, kept: f64, added: f64, variance: f64) -> Self {
        self.level = self.level * kept + added;
        self.cov.ll = self.cov.ll * kept * kept + variance;
        self.cov.lu *= kept;
        self.cov.lt *= kept;
        self
    }

    /// Takes in that the level was found at `value`, with this variance of the finding.
    ///
    /// Joseph's form, (I - K H) P (I - K H)' + K R K', written out: a sum of squares stays positive however the gain was rounded, where the
    /// shorter P - K H P loses it after a sharp reading on a wide belief.
    #[must_use]
    pub fn corrected(self, value: f64, variance: f64) -> Self {
        let Covariance {
            ll,
            lu,
            lt,
            uu,
            ut,
            tt,
        } = self.cov;
        let total = ll + variance;
        let (kl, ku, kt) = (ll / total, lu / total, lt / total);
        let innovation = value - self.level;
        let rest = variance / total;
        Self {
            level: self.level + kl * innovation,
            uptake: self.uptake + ku * innovation,
            trend: self.trend + kt * innovation,
            cov: Covariance {
                ll: rest * rest * ll + kl * kl * variance,
                lu: rest * (lu - ku * ll) + kl * ku * variance,
                lt: rest * (lt - kt * ll) + kl * kt * variance,
                uu: uu - 2.0 * ku * lu + ku * ku * total,
                ut: ut - ku * lt - kt * lu + ku * kt * total,
                tt: tt - 2.0 * kt * lt + kt * kt * total,
            },
        }
    }

    /// The one normal distribution with mean and covariance of a mixture.
    #[must_use]
    pub fn merged(parts: &[(f64, Self)]) -> Self {
        let total: f64 = parts.iter().map(|(weight, _)| weight).sum();
        let mean = |of: fn(&Self) -> f64| parts.iter().map(|(w, s)| w * of(s)).sum::<f64>() / total;
        let (level, uptake, trend) = (mean(|s| s.level), mean(|s| s.uptake), mean(|s| s.trend));
        let mut cov = Covariance::default();
        for (weight, part) in parts {
            let weight = weight / total;
            let (dl, du, dt) = (part.level - level, part.uptake - uptake, part.trend - trend);
            cov.ll += weight * (part.cov.ll + dl * dl);
            cov.lu += weight * (part.cov.lu + dl * du);
            cov.lt += weight * (part.cov.lt + dl * dt);
            cov.uu += weight * (part.cov.uu + du * du);
            cov.ut += weight * (part.cov.ut + du * dt);
            cov.tt += weight * (part.cov.tt + dt * dt);
        }
        Self {
            level,
            uptake,
            trend,
            cov,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Annual flow of the Nile at Aswan 1871 to 1970, 1e8 m3: the copy that comes with statsmodels.
    const NILE: [f64; 100] = [
        1120.0, 1160.0, 963.0, 1210.0, 1160.0, 1160.0, 813.0, 1230.0, 1370.0, 1140.0, 995.0, 935.0,
        1110.0, 994.0, 1020.0, 960.0, 1180.0, 799.0, 958.0, 1140.0, 1100.0, 1210.0, 1150.0, 1250.0,
        1260.0, 1220.0, 1030.0, 1100.0, 774.0, 840.0, 874.0, 694.0, 940.0, 833.0, 701.0, 916.0,
        692.0, 1020.0, 1050.0, 969.0, 831.0, 726.0, 456.0, 824.0, 702.0, 1120.0, 1100.0, 832.0,
        764.0, 821.0, 768.0, 845.0, 864.0, 862.0, 698.0, 845.0, 744.0, 796.0, 1040.0, 759.0, 781.0,
        865.0, 845.0, 944.0, 984.0, 897.0, 822.0, 1010.0, 771.0, 676.0, 649.0, 846.0, 812.0, 742.0,
        801.0, 1040.0, 860.0, 874.0, 848.0, 890.0, 744.0, 749.0, 838.0, 1050.0, 918.0, 986.0,
        797.0, 923.0, 975.0, 815.0, 1020.0, 906.0, 901.0, 1170.0, 912.0, 746.0, 919.0, 718.0,
        714.0, 740.0,
    ];

    fn belief(level: f64, uptake: f64, [ll, uu, tt]: [f64; 3]) -> State {
        State {
            level,
            uptake,
            trend: 0.0,
            cov: Covariance {
                ll,
                uu,
                tt,
                ..Covariance::default()
            },
        }
    }

    fn near(got: f64, want: f64, relative: f64) {
        assert!((got / want - 1.0).abs() < relative, "{got} is not {want}");
    }

    /// Durbin & Koopman 2012, section 2: variances 15099 and 1469.1, diffuse first value: log-likelihood -632.5456, steady gain 0.26705;
    /// last level and its variance by statsmodels (tests/reference/statespace.py).
    #[test]
    fn the_local_level_model_reproduces_the_nile() {
        let noise = Noise {
            level: 1_469.1,
            uptake: 0.0,
        };
        let mut state = belief(NILE[0], 0.0, [15_099.0, 0.0, 0.0]);
        let (mut ln_likelihood, mut steady_gain) = (0.0, 0.0);
        for flow in &NILE[1..] {
            state = state.after(1.0, noise);
            let variance = state.cov.ll + 15_099.0;
            let difference = flow - state.level;
            ln_likelihood -= 0.5
                * (difference * difference / variance + (std::f64::consts::TAU * variance).ln());
            let gain = state.cov.ll / variance;
            state = state.corrected(*flow, 15_099.0);
            steady_gain = gain;
        }
        assert!((ln_likelihood + 632.5456).abs() < 5e-5, "{ln_likelihood}");
        near(steady_gain, 0.267_048_012_570_950_6, 1e-12);
        near(state.level, 798.370_292_608_357_8, 1e-12);
        near(state.cov.ll, 4_032.157_941_808_784, 1e-12);
    }

    /// Check values of the yardstick: seven readings two days apart; without noise the slope of least squares and its standard error
    /// sigma sqrt(12 (n - 1) / (n (n + 1))) / T, with noise on the uptake our own recomputed ones.
    #[test]
    fn without_noise_it_is_weighted_least_squares() {
        let readings = [8.22, 8.11, 7.90, 7.78, 7.61, 7.42, 7.30];
        for (uptake_noise, prior, want, want_se) in [
            (0.0, 1e6, 0.079_107, 0.009_449),
            (4e-4, 100.0, 0.078_269, 0.034_366),
        ] {
            let noise = Noise {
                level: 0.0,
                uptake: uptake_noise,
            };
            let mut state = belief(8.22, 0.0, [prior, prior, 0.0]);
            for (k, reading) in readings.into_iter().enumerate() {
                if k > 0 {
                    state = state.after(2.0, noise);
                }
                state = state.corrected(reading, 0.01);
            }
            assert!((state.uptake - want).abs() < 1e-6, "{}", state.uptake);
            let se = state.cov.uu.sqrt();
            assert!((se - want_se).abs() < 1e-6, "{se}");
        }
        near((12.0_f64 * 6.0 / 56.0).sqrt() * 0.1 / 12.0, 0.009_449, 1e-4);
    }

    /// tests/reference/statespace.py: readings at odd hours with doses in between, matrices by numerical integration.
    #[test]
    fn readings_at_odd_hours_agree_with_statsmodels() {
        let days = [0.0, 0.6, 1.9, 3.05, 6.4, 7.0, 11.75, 14.2];
        let added = [0.0, 0.5, 0.9, 1.0, 2.6, 0.3, 3.9, 2.1];
        let read = [8.3, 8.3, 8.1, 8.0, 8.1, 8.0, 7.8, 7.9];
        let noise = Noise {
            level: 0.008 * 0.008,
            uptake: 0.011 * 0.011,
        };
        let variance = 0.15 * 0.15 + 0.01 / 12.0;
        let run = |trend: f64| {
            let mut state = belief(8.3, 0.8, [0.04, 0.0064, trend]);
            let mut before = 0.0;
            for ((day, added), read) in days.into_iter().zip(added).zip(read) {
                state = state.after(day - before, noise).added(added, 0.0);
                state = state.corrected(read, variance);
                before = day;
            }
            state
        };
        let wandering = run(0.0);
        near(wandering.level, 7.923_540_374_499, 1e-11);
        near(wandering.uptake, 0.825_155_389_789, 1e-10);
        near(wandering.cov.ll, 0.013_412_374_960_47, 1e-9);
        near(wandering.cov.lu, -0.001_785_455_802_121, 1e-9);
        near(wandering.cov.uu, 0.000_661_470_955_174_1, 1e-9);
        let drifting = run(0.004 * 0.004);
        near(drifting.level, 7.914_966_568_046, 1e-11);
        near(drifting.uptake, 0.829_738_442_092_8, 1e-10);
        near(drifting.trend, 7.764_001_320_066e-4, 1e-9);
        near(drifting.cov.ll, 0.014_756_416_263_49, 1e-9);
        near(drifting.cov.lt, -1.217_095_173_274e-4, 1e-9);
        near(drifting.cov.uu, 0.001_045_509_567_229, 1e-9);
        near(drifting.cov.ut, 6.505_874_454_545e-5, 1e-9);
        near(drifting.cov.tt, 1.102_139_240_421e-5, 1e-9);
    }

    /// Determinants of the leading blocks, all positive: Sylvester's criterion.
    fn is_positive(cov: &Covariance) -> bool {
        let two = cov.ll * cov.uu - cov.lu * cov.lu;
        let three = cov.ll * (cov.uu * cov.tt - cov.ut * cov.ut)
            - cov.lu * (cov.lu * cov.tt - cov.ut * cov.lt)
            + cov.lt * (cov.lu * cov.ut - cov.uu * cov.lt);
        cov.ll > 0.0 && two > -1e-12 * cov.ll * cov.uu && three > -1e-12 * cov.ll * cov.uu * cov.tt
    }

    proptest! {
        #[test]
        fn a_day_in_two_parts_is_a_day(whole in 0.1..30.0_f64, part in 0.0..1.0_f64, trend in -0.1..0.1_f64) {
            let noise = Noise { level: 1e-4, uptake: 1e-4 };
            let state = State { trend, ..belief(8.0, 0.8, [0.02, 0.01, 1e-5]) };
            let once = state.after(whole, noise);
            let twice = state.after(whole * part, noise).after(whole * (1.0 - part), noise);
            prop_assert!((once.level - twice.level).abs() < 1e-9 && (once.uptake - twice.uptake).abs() < 1e-9);
            for (a, b) in [(once.cov.ll, twice.cov.ll), (once.cov.lu, twice.cov.lu), (once.cov.lt, twice.cov.lt), (once.cov.uu, twice.cov.uu), (once.cov.ut, twice.cov.ut)] {
                prop_assert!((a - b).abs() <= 1e-9 * a.abs().max(1e-6));
            }
        }

        // Beyond a ratio of 1e9 (calcium known to 1000 mg/L, then read to 0.03) nothing is left of sixteen digits.
        #[test]
        fn a_sharp_reading_on_a_wide_belief_leaves_a_positive_variance(wide in 1e-3..1e6_f64, sharp in 1e-3..1.0_f64, days in 0.01..100.0_f64) {
            let noise = Noise { level: 0.0, uptake: 0.0 };
            let mut state = belief(8.0, 0.8, [wide, wide, 1e-3 * wide]);
            for _ in 0..20 {
                state = state.after(days, noise).corrected(8.0, sharp);
                prop_assert!(state.cov.ll > 0.0 && state.cov.uu > -1e-12 * wide && is_positive(&state.cov), "{state:?}");
            }
        }
    }
}
