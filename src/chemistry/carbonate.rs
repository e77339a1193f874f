//! The constants of the carbonate system in seawater at the surface.
//!
//! All on the total pH scale in mol per kg of seawater, except those of bisulphate and hydrogen fluoride, which are on the free scale:
//! K1, K2 Lueker et al. 2000 (Mar. Chem. 70, 105); KB Dickson 1990 (Deep-Sea Res. 37, 755); KW Millero 1995 (Geochim. Cosmochim. Acta 59, 661);
//! KS Dickson 1990 (J. Chem. Thermodyn. 22, 113); KF Dickson & Riley 1979 (Mar. Chem. 7, 89); aragonite Mucci 1983 (Am. J. Sci. 283, 780);
//! borate Uppstrom 1974, sulphate Morris & Riley 1966, fluoride Riley 1965; activity of H on the NBS scale Takahashi et al. 1982.
//! This file only evaluates published formulas; what may be concluded from them is said in `saturation`.

use super::water::{Celsius, Salinity};

/// The scale a pH is read on. They differ by more than the daily swing of a tank, so none is assumed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PhScale {
    /// Total hydrogen ion: the scale of oceanography (spectrophotometric dyes, tris buffers in seawater).
    Total,
    /// Seawater scale: total plus hydrogen fluoride.
    Seawater,
    Free,
    /// NBS or NIST: a glass electrode calibrated in the usual 4, 7 and 10 buffers. Reads about 0.13 above the total scale in seawater.
    Nbs,
}

impl PhScale {
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Total => "total",
            Self::Seawater => "seawater",
            Self::Free => "free",
            Self::Nbs => "nbs",
        }
    }

    pub fn from_word(word: &str) -> Option<Self> {
        let all = [Self::Total, Self::Seawater, Self::Free, Self::Nbs];
        all.into_iter().find(|scale| scale.as_str() == word)
    }
}

/// A pH with its scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ph {
    pub value: f64,
    pub scale: PhScale,
}

/// Constants and totals at one salinity and temperature.
pub(super) struct Constants {
    pub(super) k1: f64,
    pub(super) k2: f64,
    pub(super) kb: f64,
    pub(super) kw: f64,
    bisulphate_free: f64,
    fluoride_free: f64,
    pub(super) k_aragonite: f64,
    pub(super) borate: f64,
    sulphate: f64,
    fluoride: f64,
    /// Activity coefficient that ties the NBS scale to the seawater scale.
    activity: f64,
}

impl Constants {
    pub(super) fn at(salinity: Salinity, temperature: Celsius) -> Self {
        let (s, t) = (salinity.as_practical(), temperature.as_kelvin());
        let strength = 19.924 * s / (1000.0 - 1.005 * s);
        let per_kg_seawater = 1.0 - 0.001_005 * s;
        let bisulphate_free = ln_ks(strength, t).exp() * per_kg_seawater;
        let fluoride_free = (1590.2 / t - 12.641 + 1.525 * strength.sqrt()).exp() * per_kg_seawater;
        let sulphate = 0.14 / 96.062 * s / 1.806_55;
        let fluoride = 0.000_067 / 18.998 * s / 1.806_55;
        let free_share = 1.0 + sulphate / bisulphate_free;
        let seawater_to_total = free_share / (free_share + fluoride / fluoride_free);
        Self {
            k1: 10_f64.powf(
                61.2172 - 3633.86 / t - 9.677_70 * t.ln() + 0.011_555 * s - 0.000_115_2 * s * s,
            ),
            k2: 10_f64.powf(
                -25.929 - 471.78 / t + 3.169_67 * t.ln() + 0.017_81 * s - 0.000_112_2 * s * s,
            ),
            kb: ln_kb(s, t).exp(),
            kw: ln_kw(s, t).exp() * seawater_to_total,
            bisulphate_free,
            fluoride_free,
            k_aragonite: 10_f64.powf(log_aragonite(s, t)),
            borate: 0.000_415_7 * s / 35.0,
            sulphate,
            fluoride,
            activity: 1.2948 - 0.002_036 * t + (0.000_460_7 - 0.000_001_475 * t) * s * s,
        }
    }

    /// Hydrogen ion on the total scale, mol/kg.
    pub(super) fn hydrogen_total(&self, ph: Ph) -> f64 {
        let read = 10_f64.powf(-ph.value);
        match ph.scale {
            PhScale::Total => read,
            PhScale::Seawater => read * self.seawater_to_total(),
            PhScale::Free => read * self.free_share(),
            PhScale::Nbs => read / self.activity * self.seawater_to_total(),
        }
    }

    fn free_share(&self) -> f64 {
        1.0 + self.sulphate / self.bisulphate_free
    }

    fn seawater_to_total(&self) -> f64 {
        self.free_share() / (self.free_share() + self.fluoride / self.fluoride_free)
    }

    /// Alkalinity that is not carbonate, mol/kg: borate and hydroxide less free acid, bisulphate and hydrogen fluoride.
    pub(super) fn other_alkalinity(&self, hydrogen: f64) -> f64 {
        let free = hydrogen / self.free_share();
        let bisulphate = self.sulphate / (1.0 + self.bisulphate_free / free);
        let fluoride = self.fluoride / (1.0 + self.fluoride_free / free);
        self.borate * self.kb / (self.kb + hydrogen) + self.kw / hydrogen
            - free
            - bisulphate
            - fluoride
    }

    /// Carbonate alkalinity of one mole of inorganic carbon.
    pub(super) fn alkalinity_per_carbon(&self, hydrogen: f64) -> f64 {
        let (k1, k2) = (self.k1, self.k2);
        (k1 * hydrogen + 2.0 * k1 * k2) / (hydrogen * hydrogen + k1 * hydrogen + k1 * k2)
    }

    /// Share of carbonate in the inorganic carbon.
    pub(super) fn carbonate_share(&self, hydrogen: f64) -> f64 {
        let (k1, k2) = (self.k1, self.k2);
        k1 * k2 / (hydrogen * hydrogen + k1 * hydrogen + k1 * k2)
    }
}

fn ln_kb(s: f64, t: f64) -> f64 {
    let root = s.sqrt();
    (-8966.9 - 2890.53 * root - 77.942 * s + 1.728 * s * root - 0.0996 * s * s) / t
        + 148.0248
        + 137.1942 * root
        + 1.621_42 * s
        - (24.4344 + 25.085 * root + 0.2474 * s) * t.ln()
        + 0.053_105 * root * t
}

/// On the seawater scale.
fn ln_kw(s: f64, t: f64) -> f64 {
    148.9802 - 13_847.26 / t - 23.6521 * t.ln() + (-5.977 + 118.67 / t + 1.0495 * t.ln()) * s.sqrt()
        - 0.016_15 * s
}

/// Per kg of water, free scale.
fn ln_ks(strength: f64, t: f64) -> f64 {
    let root = strength.sqrt();
    -4276.1 / t + 141.328 - 23.093 * t.ln()
        + (-13_856.0 / t + 324.57 - 47.986 * t.ln()) * root
        + (35_474.0 / t - 771.54 + 114.723 * t.ln()) * strength
        - 2698.0 / t * strength * root
        + 1776.0 / t * strength * strength
}

fn log_aragonite(s: f64, t: f64) -> f64 {
    let root = s.sqrt();
    -171.945 - 0.077_993 * t
        + 2903.293 / t
        + 71.595 * t.log10()
        + (-0.068_393 + 0.001_727_6 * t + 88.135 / t) * root
        - 0.100_18 * s
        + 0.005_941_5 * s * root
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows `a4.const.*` at S = 35, 25 C: computed with PyCO2SYS 1.8.3.4; tolerance 1e-5 in log10, totals 1e-4 relative.
    #[test]
    fn constants_agree_with_the_published_values() {
        let k = Constants::at(Salinity::STANDARD, Celsius::from_degrees(25.0));
        for (found, minus_log10, row) in [
            (k.k1, 5.847_15, "a4.const.k_carbonic_1"),
            (k.k2, 8.965_95, "a4.const.k_carbonic_2"),
            (k.kb, 8.597_47, "a4.const.k_borate"),
            (k.kw, 13.220_42, "a4.const.k_water"),
            (k.bisulphate_free, 0.998_69, "a4.const.k_bisulfate"),
            // The row is named as on the total scale; its value is the constant on the free scale.
            (k.fluoride_free, 2.626_08, "a4.const.k_fluoride"),
            (k.k_aragonite, 6.188_31, "a4.const.k_aragonite"),
        ] {
            assert!(
                (-found.log10() - minus_log10).abs() < 1e-5,
                "{row}: {}",
                -found.log10()
            );
        }
        for (found, micromoles, row) in [
            (k.borate, 415.7, "a4.const.total_borate"),
            (k.sulphate, 28_235.434, "a4.const.total_sulfate"),
            (k.fluoride, 68.326, "a4.const.total_fluoride"),
        ] {
            assert!(
                (found * 1e6 / micromoles - 1.0).abs() < 1e-4,
                "{row}: {found}"
            );
        }
    }

    /// Row `a4.phscale.offset`: pH(NBS) - pH(total) = 0.137 at S = 35, 25 C; tolerance 0.02.
    #[test]
    fn an_nbs_electrode_reads_above_the_total_scale() {
        let k = Constants::at(Salinity::STANDARD, Celsius::from_degrees(25.0));
        let nbs = Ph {
            value: 8.2,
            scale: PhScale::Nbs,
        };
        let total = -k.hydrogen_total(nbs).log10();
        assert!((8.2 - total - 0.137).abs() < 0.001, "{total}");
    }
}
