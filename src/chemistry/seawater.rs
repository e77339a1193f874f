//! Density, specific gravity and salinity of seawater at the surface.
//!
//! Terms: *practical salinity* has no unit; *specific gravity* is the density of the sample at one temperature over that of pure water
//! at another, so it needs both temperatures named: 1.0264 at salinity 35 is 25/25, and on a 25/4 scale the same water reads 1.0234.
//! Density is by the one-atmosphere International Equation of State (Millero & Poisson 1981, Deep-Sea Res. 28A, 625; UNESCO tech. pap. mar. sci. 44,
//! 1983), which stays within 0.006 kg/m3 of TEOS-10 over what a reef tank can be. Pressure is deliberately left out.

use thiserror::Error;

use super::element::Element;
use super::water::{Celsius, Salinity};
use crate::quantity::{Concentration, said};

/// Lowest and highest practical salinity of the equation of state.
const SALINITY_RANGE: (f64, f64) = (0.0, 42.0);

/// Lowest and highest temperature used here, C: the equation holds from -2 to 40, the water here is liquid and indoors.
const TEMPERATURE_RANGE: (f64, f64) = (0.0, 40.0);

/// Why a property of the water cannot be computed.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum WaterError {
    /// A conductivity that no water of salinity 2 to 42 has.
    #[error(
        "{ms_per_cm} mS/cm at {temperature} is no salinity from 2 to 42; check the unit (seawater is near 53 mS/cm at 25 C) and that the probe shows uncompensated conductivity"
    )]
    Conductivity {
        ms_per_cm: f64,
        /// Temperature of the sample.
        temperature: Celsius,
    },
    /// Salinity outside the equation.
    #[error(
        "salinity {salinity} is outside 0 to 42, where the equation of state holds; measure again"
    )]
    Salinity { salinity: f64 },
    /// Temperature outside the equation.
    #[error(
        "{degrees} C is outside 0 to 40 C, where the equation of state holds; check the temperature and its unit"
    )]
    Temperature { degrees: f64 },
    /// A specific gravity that no water between salinity 0 and 42 has.
    #[error(
        "specific gravity {value} at {sample} over water at {reference} is no salinity from 0 to 42 (here {low:.4} to {high:.4}); check the reading and its two temperatures"
    )]
    SpecificGravity {
        value: f64,
        sample: Celsius,
        /// Temperature of the pure water.
        reference: Celsius,
        /// Specific gravity at salinity 0.
        low: f64,
        /// Specific gravity at salinity 42.
        high: f64,
    },
    /// A reading that is scaled must be of an ion that goes with salinity.
    #[error("{element} does not go with salinity, so it is not scaled to 35")]
    NotConservative { element: Element },
}

/// Density of seawater at the surface, kg/m3.
///
/// # Errors
/// [`WaterError::Salinity`], [`WaterError::Temperature`] outside 0 to 42 and 0 to 40 C.
pub fn density_kg_per_m3(salinity: Salinity, temperature: Celsius) -> Result<f64, WaterError> {
    let s = salinity.as_practical();
    let degrees = temperature.as_degrees();
    if !(SALINITY_RANGE.0..=SALINITY_RANGE.1).contains(&s) {
        return Err(WaterError::Salinity { salinity: s });
    }
    if !(TEMPERATURE_RANGE.0..=TEMPERATURE_RANGE.1).contains(&degrees) {
        return Err(WaterError::Temperature { degrees });
    }
    Ok(density_unchecked(s, degrees))
}

/// The equation itself. It is written in IPTS-68 degrees, t68 = 1.00024 t90.
fn density_unchecked(s: f64, t90: f64) -> f64 {
    let t = 1.000_24 * t90;
    let pure = horner(
        t,
        &[
            999.842_594,
            6.793_952e-2,
            -9.095_290e-3,
            1.001_685e-4,
            -1.120_083e-6,
            6.536_332e-9,
        ],
    );
    let linear = horner(
        t,
        &[
            8.244_93e-1,
            -4.089_9e-3,
            7.643_8e-5,
            -8.246_7e-7,
            5.387_5e-9,
        ],
    );
    let root = horner(t, &[-5.724_66e-3, 1.022_7e-4, -1.654_6e-6]);
    pure + linear * s + root * s * s.sqrt() + 4.831_4e-4 * s * s
}

/// Value of a polynomial, lowest power first.
pub(super) fn horner(x: f64, coefficients: &[f64]) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// A hydrometer or refractometer reading with its two temperatures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpecificGravity {
    /// The number read, near 1.026.
    pub value: f64,
    /// Temperature of the sample that the scale is made for.
    pub sample: Celsius,
    /// Temperature of the pure water that counts as 1.
    pub reference: Celsius,
}

impl SpecificGravity {
    /// The specific gravity of water of this salinity.
    ///
    /// # Errors
    /// [`WaterError`] outside the equation of state.
    pub fn of_salinity(
        salinity: Salinity,
        sample: Celsius,
        reference: Celsius,
    ) -> Result<Self, WaterError> {
        let fresh = Salinity::from_practical(0.0);
        let value = density_kg_per_m3(salinity, sample)? / density_kg_per_m3(fresh, reference)?;
        Ok(Self {
            value,
            sample,
            reference,
        })
    }

    /// The practical salinity of water that reads this.
    ///
    /// # Errors
    /// [`WaterError::SpecificGravity`] when no salinity from 0 to 42 reads this, the others outside the equation of state.
    pub fn to_salinity(self) -> Result<Salinity, WaterError> {
        let at = |s: f64| {
            Self::of_salinity(Salinity::from_practical(s), self.sample, self.reference)
                .map(|sg| sg.value)
        };
        let (mut low, mut high) = SALINITY_RANGE;
        let (sg_low, sg_high) = (at(low)?, at(high)?);
        if !(sg_low..=sg_high).contains(&self.value) {
            return Err(WaterError::SpecificGravity {
                value: self.value,
                sample: self.sample,
                reference: self.reference,
                low: sg_low,
                high: sg_high,
            });
        }
        // Density rises with salinity everywhere in the range, so halving finds the one answer; 50 halvings of 42 leave 4e-14.
        for _ in 0..50 {
            let middle = f64::midpoint(low, high);
            if at(middle)? < self.value {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok(Salinity::from_practical(f64::midpoint(low, high)))
    }
}

said! {
    SpecificGravity: it => "specific gravity {:.4} ({} over pure water at {})", it.value, it.sample, it.reference;
}

/// mg/L of what is `mg_per_kg` in water of this salinity and temperature; at salinity 35 and 25 C the factor is 1.0233.
///
/// # Errors
/// [`WaterError`] outside the equation of state.
pub fn concentration_from_mg_per_kg(
    mg_per_kg: f64,
    salinity: Salinity,
    temperature: Celsius,
) -> Result<Concentration, WaterError> {
    let kg_per_l = density_kg_per_m3(salinity, temperature)? / 1000.0;
    Ok(Concentration::from_mg_per_l(mg_per_kg * kg_per_l))
}

/// The ions that go with salinity because nothing in a tank uses much of them against their amount.
const CONSERVATIVE: [&str; 10] = ["Ca", "Mg", "Sr", "K", "Br", "B", "F", "Na", "Cl", "S"];

/// A reading of a conservative ion scaled to salinity 35, so that it can be compared with a target for natural water.
///
/// The plain rule X(35) = X 35 / S, in mg/L; the change of density between the two salinities (0.2 % for 3 units) is left out.
///
/// # Errors
/// [`WaterError::NotConservative`] for traces, nutrients and the like; [`WaterError::Salinity`] below 5, where the water is no seawater, and above 42.
pub fn scaled_to_35(
    element: &Element,
    reading: Concentration,
    salinity: Salinity,
) -> Result<Concentration, WaterError> {
    if !CONSERVATIVE.contains(&element.symbol()) {
        return Err(WaterError::NotConservative {
            element: element.clone(),
        });
    }
    let factor = factor_to_35(salinity)?;
    Ok(Concentration::from_mg_per_l(reading.as_mg_per_l() * factor))
}

fn factor_to_35(salinity: Salinity) -> Result<f64, WaterError> {
    const SEAWATER_FROM: f64 = 5.0;
    let s = salinity.as_practical();
    if (SEAWATER_FROM..=SALINITY_RANGE.1).contains(&s) {
        Ok(Salinity::STANDARD.as_practical() / s)
    } else {
        Err(WaterError::Salinity { salinity: s })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn s(value: f64) -> Salinity {
        Salinity::from_practical(value)
    }

    fn c(value: f64) -> Celsius {
        Celsius::from_degrees(value)
    }

    /// Rows `a1.density.grid.S30` to `S40`, `a1.density.pure_25C`, `a1.density.eos80_check`: TEOS-10, computed with gsw 3.6.23; tolerance 0.01 kg/m3.
    #[test]
    fn density_agrees_with_teos_10() {
        for (salinity, densities) in [
            (
                30.0,
                [1020.958, 1020.428, 1019.865, 1019.571, 1019.269, 1018.641],
            ),
            (
                33.0,
                [1023.241, 1022.703, 1022.131, 1021.833, 1021.527, 1020.892],
            ),
            (
                34.0,
                [1024.003, 1023.462, 1022.887, 1022.588, 1022.281, 1021.644],
            ),
            (
                35.0,
                [1024.765, 1024.221, 1023.644, 1023.343, 1023.035, 1022.395],
            ),
            (
                36.0,
                [1025.528, 1024.981, 1024.401, 1024.099, 1023.789, 1023.147],
            ),
            (
                38.0,
                [1027.054, 1026.501, 1025.915, 1025.611, 1025.299, 1024.652],
            ),
            (
                40.0,
                [1028.581, 1028.022, 1027.432, 1027.125, 1026.81, 1026.158],
            ),
        ] {
            for (t, wanted) in [20.0, 22.0, 24.0, 25.0, 26.0, 28.0]
                .into_iter()
                .zip(densities)
            {
                let found = density_kg_per_m3(s(salinity), c(t)).unwrap();
                assert!((found - wanted).abs() < 0.01, "S {salinity} {t} C: {found}");
            }
        }
        let pure = density_kg_per_m3(s(0.0), c(25.0)).unwrap();
        assert!((pure - 997.048).abs() < 0.01, "{pure}");
    }

    /// Rows `a1.sg25.S30` to `S36`, `a1.sg_bases.S35`: TEOS-10, computed with gsw 3.6.23; tolerance 2e-5.
    #[test]
    fn specific_gravity_agrees_on_every_basis() {
        for (salinity, wanted) in [
            (30.0, 1.02259),
            (31.0, 1.02335),
            (32.0, 1.0241),
            (33.0, 1.02486),
            (34.0, 1.02562),
            (35.0, 1.02637),
            (36.0, 1.02713),
        ] {
            let sg = SpecificGravity::of_salinity(s(salinity), c(25.0), c(25.0)).unwrap();
            assert!((sg.value - wanted).abs() < 2e-5, "S {salinity}: {sg}");
        }
        // Row a1.sg25.slope: 0.0007576 for each unit of salinity near 35; tolerance 1 %.
        let at = |salinity| {
            SpecificGravity::of_salinity(s(salinity), c(25.0), c(25.0))
                .unwrap()
                .value
        };
        assert!(((at(35.5) - at(34.5)) / 0.000_757_6 - 1.0).abs() < 0.01);
        let sixty = Celsius::from_fahrenheit(60.0);
        for (sample, reference, wanted) in [
            (c(20.0), c(20.0), 1.02661),
            (c(25.0), c(25.0), 1.02637),
            (sixty, sixty, 1.02686),
            (c(25.0), c(4.0), 1.02337),
        ] {
            let sg = SpecificGravity::of_salinity(s(35.0), sample, reference).unwrap();
            assert!((sg.value - wanted).abs() < 2e-5, "{sg}");
        }
    }

    /// Rows `a1.sg25_to_S.*`; tolerance 0.02.
    #[test]
    fn a_hydrometer_reading_gives_the_published_salinity() {
        for (value, wanted) in [
            (1.02, 26.572),
            (1.023, 30.544),
            (1.024, 31.866),
            (1.025, 33.187),
            (1.026, 34.508),
            (1.0264, 35.036),
            (1.027, 35.828),
        ] {
            let sg = SpecificGravity {
                value,
                sample: c(25.0),
                reference: c(25.0),
            };
            let found = sg.to_salinity().unwrap().as_practical();
            assert!((found - wanted).abs() < 0.02, "{value}: {found}");
        }
    }

    /// Row `a1.kg_L.Ca`.
    #[test]
    fn per_kilogram_and_per_litre_differ_by_the_density() {
        let calcium = concentration_from_mg_per_kg(412.1, s(35.0), c(25.0)).unwrap();
        assert!((calcium.as_mg_per_l() - 421.72).abs() < 0.05, "{calcium}");
    }

    /// Rows `a1.scale.S33`, `S34`, `S36`: X(S) = X(35) S/35; tolerance 1e-4 relative.
    #[test]
    fn readings_scale_back_to_35() {
        let (ca, mg) = (Element::new("Ca").unwrap(), Element::new("Mg").unwrap());
        for (salinity, at_s) in [
            (33.0, [388.55, 1210.35]),
            (34.0, [400.33, 1247.02]),
            (36.0, [423.87, 1320.38]),
        ] {
            let scaled = |element, value| {
                scaled_to_35(element, Concentration::from_mg_per_l(value), s(salinity))
                    .unwrap()
                    .as_mg_per_l()
            };
            assert!((scaled(&ca, at_s[0]) / 412.1 - 1.0).abs() < 1e-4);
            assert!((scaled(&mg, at_s[1]) / 1283.7 - 1.0).abs() < 1e-4);
        }
    }

    #[test]
    fn traces_and_nutrients_are_not_scaled() {
        let iron = Element::new("Fe").unwrap();
        let refusal = scaled_to_35(&iron, Concentration::from_mg_per_l(0.01), s(33.0)).unwrap_err();
        assert_eq!(
            refusal.to_string(),
            "Fe does not go with salinity, so it is not scaled to 35"
        );
    }

    proptest! {
        #[test]
        fn specific_gravity_and_salinity_go_both_ways(salinity in 0.0..42.0_f64, sample in 0.0..40.0_f64, reference in 0.0..40.0_f64) {
            let sg = SpecificGravity::of_salinity(s(salinity), c(sample), c(reference)).unwrap();
            prop_assert!((sg.to_salinity().unwrap().as_practical() - salinity).abs() < 1e-8);
        }

        #[test]
        fn no_number_makes_it_panic_or_lie(salinity in any::<f64>(), sample in any::<f64>(), reference in any::<f64>(), value in any::<f64>()) {
            if let Ok(sg) = SpecificGravity::of_salinity(s(salinity), c(sample), c(reference)) {
                prop_assert!(sg.value > 0.9 && sg.value < 1.1);
            }
            let sg = SpecificGravity { value, sample: c(sample), reference: c(reference) };
            if let Ok(found) = sg.to_salinity() {
                prop_assert!((0.0..=42.0).contains(&found.as_practical()));
            }
        }
    }
}
