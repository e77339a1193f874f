//! Amounts that are measured or computed, not counted: alkalinity, concentrations, rates, the tank.
//!
//! All are finite by construction of the parsers and the config check; arithmetic that could leave the finite range
//! is checked where its result is used.

/// meq/L of alkalinity in one German degree: 1 dKH is 10 mg/L of CaO, each mole of which takes up two moles of acid.
///
/// Computed as 20 / M(CaO) with M(CaO) = 56.077 g/mol (standard atomic weights 2021, IUPAC/CIAAW: Ca 40.078, O 15.999).
pub const MEQ_PER_DKH: f64 = 20.0 / 56.077;

/// mg/L as CaCO3 in 1 meq/L: M(CaCO3) / 2, M(CaCO3) = 100.086 g/mol (standard atomic weights 2021, IUPAC/CIAAW).
pub const MG_CACO3_PER_MEQ: f64 = 100.086 / 2.0;

/// A number with a unit: made of it, read as it, and printed, for people and for debugging.
macro_rules! measured {
    ($($(#[$about:meta])* $kind:ident: $from:ident, $to:ident, $exact:literal, $shown:expr;)*) => {$(
        $(#[$about])*
        #[derive(Clone, Copy, PartialEq, PartialOrd, Default)]
        pub struct $kind(f64);

        impl $kind {
            pub const fn $from(value: f64) -> Self {
                Self(value)
            }

            pub const fn $to(self) -> f64 {
                self.0
            }
        }

        impl std::fmt::Display for $kind {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                let shown: fn(f64) -> String = $shown;
                f.pad(&shown(self.0))
            }
        }

        impl std::fmt::Debug for $kind {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, $exact, self.0)
            }
        }
    )*};
}

pub(crate) use measured;

measured! {
    /// Alkalinity, or a change of it. Kept and written in dKH, the unit that people read, so that what is written reads back as itself.
    Alkalinity: from_dkh, as_dkh, "{} dKH", |v| format!("{v:.2} dKH");
    /// Concentration, or a change of it, in mg/L (not mg/kg: at salinity 35 and 25 C these differ by 2.3 %).
    Concentration: from_mg_per_l, as_mg_per_l, "{} mg/L", |v| match v.abs() {
        size if size >= 10.0 || v == 0.0 => format!("{v:.1} mg/L"),
        size if size >= 0.1 => format!("{v:.3} mg/L"),
        _ => format!("{v:.5} mg/L"),
    };
    /// What a pump head moves, in mL/min.
    FlowRate: from_ml_per_min, as_ml_per_min, "{} mL/min", |v| format!("{v:.2} mL/min");
    /// Net water volume of the system in litres.
    TankVolume: from_litres, as_litres, "{} L", |v| format!("{v:.1} L");
}

impl Alkalinity {
    pub const ZERO: Self = Self(0.0);

    pub const fn from_meq_per_l(value: f64) -> Self {
        Self(value / MEQ_PER_DKH)
    }

    /// From mg/L expressed as CaCO3.
    pub const fn from_mg_per_l_caco3(value: f64) -> Self {
        Self::from_meq_per_l(value / MG_CACO3_PER_MEQ)
    }

    pub const fn as_meq_per_l(self) -> f64 {
        self.0 * MEQ_PER_DKH
    }

    pub const fn as_mg_per_l_caco3(self) -> f64 {
        self.as_meq_per_l() * MG_CACO3_PER_MEQ
    }

    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }

    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }

    /// Times a plain number.
    #[must_use]
    pub const fn times(self, factor: f64) -> Self {
        Self(self.0 * factor)
    }

    /// Whether the value is a number at all; infinities and NaN are not.
    pub const fn is_finite(self) -> bool {
        self.0.is_finite()
    }
}

impl FlowRate {
    /// Microlitres per millisecond, which is numerically mL/s.
    pub const fn as_ul_per_ms(self) -> f64 {
        self.0 / 60.0
    }
}

/// Zero of the Celsius scale in kelvin.
pub struct Kelvins;

impl Kelvins {
    /// 0 C in kelvin (BIPM SI brochure, 9th edition, 2.3.1).
    pub const AT_ZERO_CELSIUS: f64 = 273.15;
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows `a1.meq_per_dKH`, `a1.dKH_per_meq`, `a1.ppmCaCO3_per_dKH`, `a1.ppmCaCO3_per_meq`: German degree = 10 mg/L CaO
    /// (internetchemie.info, "Deutscher Haertegrad"), masses from standard atomic weights 2021; tolerance 1e-5 relative.
    #[test]
    fn alkalinity_units_agree_with_the_published_factors() {
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-5, "{a} is not {b}");
        close(Alkalinity::from_dkh(1.0).as_meq_per_l(), 0.356_652);
        close(Alkalinity::from_meq_per_l(1.0).as_dkh(), 2.803_85);
        close(Alkalinity::from_dkh(1.0).as_mg_per_l_caco3(), 17.848);
        close(Alkalinity::from_meq_per_l(1.0).as_mg_per_l_caco3(), 50.043);
    }

    /// Rows `a1.alk_table.dKH6` to `dKH12`.
    #[test]
    fn the_table_of_dkh_meq_and_caco3_is_reproduced() {
        for (dkh, meq, caco3) in [
            (6.0, 2.139_91, 107.088),
            (7.0, 2.496_57, 124.936),
            (8.0, 2.853_22, 142.784),
            (9.0, 3.209_87, 160.632),
            (11.0, 3.923_18, 196.328),
            (12.0, 4.279_83, 214.176),
        ] {
            let a = Alkalinity::from_dkh(dkh);
            assert!((a.as_meq_per_l() / meq - 1.0).abs() < 1e-5);
            assert!((a.as_mg_per_l_caco3() / caco3 - 1.0).abs() < 1e-5);
        }
    }

    #[test]
    fn a_round_trip_through_meq_returns_the_same_dkh() {
        for tenth in 1..200 {
            let dkh = f64::from(tenth) / 10.0;
            assert!((Alkalinity::from_dkh(dkh).as_dkh() - dkh).abs() < 1e-12);
        }
    }
}
