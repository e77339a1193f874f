//! Practical salinity from conductivity: the Practical Salinity Scale of 1978 at the surface.
//!
//! UNESCO tech. pap. mar. sci. 37 (1981): the conductivity ratio to water of salinity 35 at 15 C, 42.9140 mS/cm (row `a1.cond.C_35_15_t68`).
//! For probes that show raw conductivity; one that shows conductivity "at 25 C" by a fixed percentage per degree is not this scale.

use super::seawater::{WaterError, horner};
use super::water::{Celsius, Salinity};

/// mS/cm of water of salinity 35 at 15 C (IPTS-68).
const STANDARD_MS_PER_CM: f64 = 42.9140;

/// The practical salinity of water of this conductivity (mS/cm, not compensated) at its own temperature.
///
/// # Errors
/// [`WaterError::Temperature`] outside 0 to 35 C, [`WaterError::Conductivity`] where the salinity would be outside 2 to 42, the range of the scale.
pub fn salinity_from_conductivity(
    ms_per_cm: f64,
    temperature: Celsius,
) -> Result<Salinity, WaterError> {
    let degrees = temperature.as_degrees();
    if !(0.0..=35.0).contains(&degrees) {
        return Err(WaterError::Temperature { degrees });
    }
    // The scale is written in IPTS-68 degrees.
    let t = 1.000_24 * degrees;
    let of_standard = horner(
        t,
        &[
            0.676_609_7,
            2.005_64e-2,
            1.104_259e-4,
            -6.969_8e-7,
            1.003_1e-9,
        ],
    );
    let root = (ms_per_cm / STANDARD_MS_PER_CM / of_standard).sqrt();
    let at_15 = horner(root, &[0.008, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081]);
    let correction = horner(root, &[0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144]);
    let salinity = at_15 + (t - 15.0) / (1.0 + 0.0162 * (t - 15.0)) * correction;
    if (2.0..=42.0).contains(&salinity) {
        Ok(Salinity::from_practical(salinity))
    } else {
        Err(WaterError::Conductivity {
            ms_per_cm,
            temperature,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rows `a1.cond.SP_from_C.*`, `a1.cond.C_35_15`, `a1.cond.C_35_25`: PSS-78, computed with gsw 3.6.23; tolerance 0.002.
    #[test]
    fn conductivity_gives_the_published_salinity() {
        for (ms_per_cm, degrees, wanted) in [
            (47.0, 25.0, 30.5419),
            (50.0, 25.0, 32.7332),
            (53.0649, 25.0, 34.9954),
            (55.0, 25.0, 36.436),
            (53.071, 25.0, 35.0),
            (42.9175, 15.0, 35.0),
        ] {
            let found = salinity_from_conductivity(ms_per_cm, Celsius::from_degrees(degrees))
                .unwrap()
                .as_practical();
            assert!((found - wanted).abs() < 5e-4, "{ms_per_cm} mS/cm: {found}");
        }
    }

    #[test]
    fn microsiemens_and_fahrenheit_are_refused() {
        let micro = salinity_from_conductivity(53_000.0, Celsius::from_degrees(25.0));
        assert!(micro.unwrap_err().to_string().contains("mS/cm"));
        assert!(salinity_from_conductivity(53.0, Celsius::from_degrees(77.0)).is_err());
    }

    proptest! {
        #[test]
        fn no_number_makes_it_panic(ms_per_cm in any::<f64>(), degrees in any::<f64>()) {
            for t in [degrees, 25.0] {
                if let Ok(found) = salinity_from_conductivity(ms_per_cm, Celsius::from_degrees(t)) {
                    prop_assert!((2.0..=42.0).contains(&found.as_practical()));
                }
            }
        }
    }
}
