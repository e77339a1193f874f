//! From grams of water on a scale to millilitres, by the density of water and the buoyancy of air.
//!
//! Terms: *Z* is the factor in mL/g by which a reading of the scale is multiplied (the manner of ISO 8655-6); it is
//! computed from formulas, because tables in circulation contain mistakes. Weights are taken to have 8.0 g/mL, as
//! the scale was adjusted with. What the vessel weighs or how it expands does not enter: only differences count.
//! A solution that is not water needs its own density: see [`Liquid::Density`].

use thiserror::Error;

use crate::quantity::{Kelvins, Volume};

/// Density of the weights a scale is adjusted with, kg/m3 (the conventional value).
const WEIGHTS_KG_PER_M3: f64 = 8000.0;

/// Why a weighing cannot be turned into a volume.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum WeighingError {
    /// The water is outside the range of the density formula or of sensible weighing.
    #[error(
        "a water temperature of {celsius} C is outside {low} to {high} C; weigh water at room temperature"
    )]
    WaterTemperature {
        /// What was given, C.
        celsius: f64,
        low: f64,
        high: f64,
    },
    /// The air is outside the range in which it can be breathed, let alone weighed in.
    #[error("an air temperature of {celsius} C is outside 5 to 40 C")]
    AirTemperature {
        /// What was given, C.
        celsius: f64,
    },
    /// The pressure is not one on the ground; perhaps it is in another unit, or reduced to sea level.
    #[error(
        "an air pressure of {hpa} hPa is outside 600 to 1100 hPa; give the pressure where the scale stands, in hPa"
    )]
    Pressure {
        /// What was given, hPa.
        hpa: f64,
    },
    #[error("a humidity of {percent} % is outside 0 to 100 %")]
    Humidity {
        /// What was given, % relative humidity.
        percent: f64,
    },
    /// The density is not that of a dosing solution.
    #[error("a density of {kg_per_l} kg/L is outside 0.8 to 1.6 kg/L; give kg/L (water has 0.998)")]
    Density {
        /// What was given, kg/L.
        kg_per_l: f64,
    },
    /// The mass is negative, not a number, or more than a scale for this purpose weighs.
    #[error(
        "a net mass of {grams} g cannot be weighed; it must be from 0 to 50000 g, the vessel taken off"
    )]
    Mass {
        /// What was given, g.
        grams: f64,
    },
}

/// The air round the scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    pub celsius: f64,
    /// Pressure where the scale stands (not reduced to sea level), hPa.
    pub hpa: f64,
    pub humidity_percent: f64,
}

impl Air {
    /// Air of the water's temperature at standard pressure and 50 % humidity, for when nobody measured it.
    ///
    /// Taking 1013 hPa at a place that has 900 hPa makes an error of 0.012 %.
    pub const fn standard(celsius: f64) -> Self {
        Self {
            celsius,
            hpa: 1013.25,
            humidity_percent: 50.0,
        }
    }

    /// Density, kg/m3.
    ///
    /// # Errors
    /// [`WeighingError`] when temperature (5 to 40 C), pressure (600 to 1100 hPa) or humidity is out of range.
    ///
    /// # Source
    /// The simplified CIPM formula of OIML R 111 and the annex of ISO 4787 (coefficients from memory; the results
    /// agree with accredited certificates). Its authors state it for 900 to 1100 hPa; lower down to 600 hPa the
    /// effect of its error on a volume is below 0.001 %.
    pub fn density(self) -> Result<f64, WeighingError> {
        let Self {
            celsius,
            hpa,
            humidity_percent,
        } = self;
        if !(5.0..=40.0).contains(&celsius) {
            return Err(WeighingError::AirTemperature { celsius });
        }
        if !(600.0..=1100.0).contains(&hpa) {
            return Err(WeighingError::Pressure { hpa });
        }
        if !(0.0..=100.0).contains(&humidity_percent) {
            return Err(WeighingError::Humidity {
                percent: humidity_percent,
            });
        }
        let damp = 0.009 * humidity_percent * (0.061 * celsius).exp();
        Ok((0.348_48 * hpa - damp) / (Kelvins::AT_ZERO_CELSIUS + celsius))
    }
}

/// What is on the scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Liquid {
    /// Fresh water of this temperature, C.
    Water { celsius: f64 },
    /// Any other liquid of known density, kg/L: for a check weighing of the stock solution itself.
    Density { kg_per_l: f64 },
}

impl Liquid {
    /// Density, kg/m3.
    ///
    /// # Errors
    /// Water outside 5 to 40 C; another liquid outside 0.8 to 1.6 kg/L.
    pub fn density(self) -> Result<f64, WeighingError> {
        match self {
            Self::Water { celsius } if (5.0..=40.0).contains(&celsius) => water_density(celsius),
            Self::Water { celsius } => Err(WeighingError::WaterTemperature {
                celsius,
                low: 5.0,
                high: 40.0,
            }),
            Self::Density { kg_per_l } if (0.8..=1.6).contains(&kg_per_l) => Ok(kg_per_l * 1000.0),
            Self::Density { kg_per_l } => Err(WeighingError::Density { kg_per_l }),
        }
    }

    /// Millilitres for each gram the scale shows.
    ///
    /// # Errors
    /// As [`Self::density`] and [`Air::density`].
    ///
    /// # Source
    /// Z = (1 - air / 8000) / (liquid - air), the manner of ISO 8655-6.
    pub fn ml_per_gram(self, air: Air) -> Result<f64, WeighingError> {
        let (liquid, air) = (self.density()?, air.density()?);
        Ok(1000.0 / (liquid - air) * (1.0 - air / WEIGHTS_KG_PER_M3))
    }

    /// The volume that shows `grams` on the scale, net of the vessel.
    ///
    /// # Errors
    /// As [`Self::ml_per_gram`], and a mass that is negative, not finite, or above 50 kg.
    pub fn volume(self, grams: f64, air: Air) -> Result<Volume, WeighingError> {
        let no_mass = WeighingError::Mass { grams };
        if !(0.0..=50_000.0).contains(&grams) {
            return Err(no_mass);
        }
        Volume::from_ml(grams * self.ml_per_gram(air)?).ok_or(no_mass)
    }
}

/// Density of air-free water at 101.325 kPa, kg/m3, from 0 to 40 C.
///
/// # Errors
/// A temperature outside 0 to 40 C, the range its authors state.
///
/// # Source
/// Tanaka, Girard, Davis, Peuto, Bignell 2001, Metrologia 38, 301, equation for V-SMOW. Tap or distilled water saturated
/// with air is at most 0.005 kg/m3 lighter, which does not matter here.
pub fn water_density(celsius: f64) -> Result<f64, WeighingError> {
    if !(0.0..=40.0).contains(&celsius) {
        return Err(WeighingError::WaterTemperature {
            celsius,
            low: 0.0,
            high: 40.0,
        });
    }
    let from_densest = celsius - 3.983_035;
    Ok(999.974_95
        * (1.0
            - from_densest * from_densest * (celsius + 301.797)
                / (522_528.9 * (celsius + 69.348_81))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn z(celsius: f64, hpa: f64, humidity_percent: f64) -> f64 {
        let air = Air {
            celsius,
            hpa,
            humidity_percent,
        };
        Liquid::Water { celsius }.ml_per_gram(air).unwrap()
    }

    /// Rows a5.rho_w.*: Tanaka et al. 2001, computed with chempy 0.10.2, kg/m3, to 0.001 (here to their last digit).
    #[test]
    fn water_has_the_density_that_tanaka_gives() {
        for (celsius, want) in [
            (4.0, 999.9749),
            (10.0, 999.7027),
            (15.0, 999.1026),
            (20.0, 998.2067),
            (22.0, 997.773),
            (25.0, 997.047),
            (30.0, 995.6488),
            (35.0, 994.0326),
            (40.0, 992.2152),
        ] {
            let got = water_density(celsius).unwrap();
            assert!((got - want).abs() < 1e-4, "{celsius} C: {got}");
        }
    }

    /// Rows a5.rho_air.*: simplified CIPM formula (formula from memory), kg/m3, to 0.001.
    #[test]
    fn air_has_the_density_of_the_simplified_formula() {
        for (celsius, hpa, humidity_percent, want) in [
            (20.0, 1013.25, 50.0, 1.1993),
            (25.0, 1013.25, 50.0, 1.1774),
            (20.0, 950.0, 50.0, 1.1241),
            (30.0, 1013.25, 80.0, 1.15),
        ] {
            let air = Air {
                celsius,
                hpa,
                humidity_percent,
            };
            let got = air.density().unwrap();
            assert!((got - want).abs() < 1e-4, "{air:?}: {got}");
        }
    }

    /// Rows a5.Z.15 to a5.Z.30 and a5.Z.maxdev: computed value to 1e-5, table of ISO 8655-6 annex A at 101.3 kPa
    /// (as transcribed in a public source file) to 1e-4, mL/g.
    #[test]
    fn z_agrees_with_the_table_of_iso_8655_6_from_15_to_30_c() {
        let rows = [
            (15.0, 1.00197, 1.002),
            (16.0, 1.00212, 1.0021),
            (17.0, 1.00229, 1.0023),
            (18.0, 1.00246, 1.0025),
            (19.0, 1.00265, 1.0027),
            (20.0, 1.00285, 1.0029),
            (21.0, 1.00306, 1.0031),
            (22.0, 1.00328, 1.0033),
            (23.0, 1.00351, 1.0035),
            (24.0, 1.00375, 1.0038),
            (25.0, 1.004, 1.004),
            (26.0, 1.00426, 1.0043),
            (27.0, 1.00453, 1.0045),
            (28.0, 1.00481, 1.0048),
            (29.0, 1.00509, 1.0051),
            (30.0, 1.00539, 1.0054),
        ];
        let mut deviation_max = 0.0_f64;
        for (celsius, computed, table) in rows {
            let got = z(celsius, 1013.0, 50.0);
            assert!((got - computed).abs() < 1e-5, "{celsius} C: {got}");
            assert!((got - table).abs() < 1e-4, "{celsius} C: {got}");
            deviation_max = deviation_max.max((got - table).abs());
        }
        assert!((deviation_max - 5e-5).abs() < 1.2e-4, "{deviation_max}");
    }

    /// Rows a5.Z.p800, p950, p1050: 20 C at other pressures, computed and table, to 1e-4 mL/g.
    #[test]
    fn z_follows_the_air_pressure() {
        for (hpa, computed, table) in [
            (800.0, 1.00263, 1.0026),
            (950.0, 1.00278, 1.0028),
            (1050.0, 1.00289, 1.0029),
        ] {
            let got = z(20.0, hpa, 50.0);
            assert!(
                (got - computed).abs() < 1e-5 && (got - table).abs() < 1e-4,
                "{hpa} hPa: {got}"
            );
        }
    }

    /// Rows a5.Z.certificate.*: accredited pipette calibration certificates (ISO/TR 20461) of 2022, to 3e-5 and,
    /// where printed with four decimals, 5e-5 mL/g.
    #[test]
    fn z_agrees_with_accredited_certificates() {
        assert!((z(19.35, 984.0, 63.35) - 1.00267).abs() < 3e-5);
        assert!((z(20.42, 979.0, 62.25) - 1.0029).abs() < 5e-5);
    }

    /// Row a5.Z.simple_error: 1 g taken for 1 mL at 25 C is wrong by -0.398 %, to 0.01.
    #[test]
    fn a_gram_is_not_a_millilitre() {
        let error = 100.0 * (1.0 / z(25.0, 1013.0, 50.0) - 1.0);
        assert!((error + 0.398).abs() < 0.01, "{error}");
    }

    #[test]
    fn a_stock_solution_is_weighed_by_its_own_density() {
        // 100 g of 1.25 kg/L in vacuum are 80 mL; buoyancy adds 0.08 %.
        let stock = Liquid::Density { kg_per_l: 1.25 };
        let got = stock.volume(100.0, Air::standard(22.0)).unwrap();
        assert!((80_050..80_090).contains(&got.as_ul()), "{got}");
    }

    #[test]
    fn what_cannot_be_weighed_is_refused_with_its_limits() {
        let room = Air::standard(22.0);
        let water = Liquid::Water { celsius: 22.0 };
        for celsius in [4.9, 40.1, 72.0, f64::NAN, f64::INFINITY] {
            assert!(
                Liquid::Water { celsius }.volume(10.0, room).is_err(),
                "{celsius}"
            );
            assert!(
                water.volume(10.0, Air { celsius, ..room }).is_err(),
                "{celsius}"
            );
        }
        // 101.3 is a pressure in kPa, 760 one in mmHg that we cannot tell from a mountain.
        for hpa in [101.3, 1101.0, 0.0, f64::NAN] {
            assert!(water.volume(10.0, Air { hpa, ..room }).is_err(), "{hpa}");
        }
        for grams in [-0.1, 50_001.0, f64::NAN, f64::INFINITY] {
            assert!(water.volume(grams, room).is_err(), "{grams}");
        }
        for kg_per_l in [1000.0, 0.0, 1250.0, f64::NAN] {
            assert!(
                Liquid::Density { kg_per_l }.density().is_err(),
                "{kg_per_l}"
            );
        }
        for humidity_percent in [-1.0, 101.0, f64::NAN] {
            assert!(
                Air {
                    humidity_percent,
                    ..room
                }
                .density()
                .is_err()
            );
        }
        assert_eq!(
            water
                .volume(10.0, Air { hpa: 101.3, ..room })
                .unwrap_err()
                .to_string(),
            "an air pressure of 101.3 hPa is outside 600 to 1100 hPa; give the pressure where the scale stands, in hPa"
        );
    }

    proptest! {
        #[test]
        fn z_is_a_little_above_one_or_the_weighing_is_refused(celsius in any::<f64>(), hpa in any::<f64>(), humidity_percent in any::<f64>()) {
            if let Ok(z) = (Liquid::Water { celsius }).ml_per_gram(Air { celsius, hpa, humidity_percent }) {
                prop_assert!((1.0005..1.01).contains(&z));
            }
        }
    }
}
