//! What natural seawater holds, with how sure that is, and what is known to matter.
//!
//! Major ions are those of the Reference Composition (Millero et al. 2008; TEOS-10 Manual, Table D.3), exact by definition.
//! For traces there is no single natural number: many are several times lower at a reef's surface than in the deep ocean, and old
//! handbook values carry the contamination of old sampling. So two sources stand for each, and both are shown: means of the open ocean after
//! Bruland & Lohan 2003 (N, P, I after Pilson), written from memory and not seen in the source, and the CRC Handbook's abundance in the sea,
//! as a public data file has it (mendeleev 1.3.0). Nothing here is a target for a tank.

use std::fmt;

use super::element::Element;
use super::measurand::Measurand;
use super::quantity::Quantity;
use super::seawater::{WaterError, concentration_from_mg_per_kg, density_kg_per_m3};
use super::water::{Celsius, Salinity};
use crate::quantity::{Alkalinity, Concentration};

/// How far a natural level can be leaned on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sureness {
    /// Reference Composition: exact by definition.
    Definition,
    /// The same everywhere in the ocean to about 10 %, and both sources say the same: may serve as a target.
    TenPercent,
    /// Even in the ocean, and the two sources differ by more than a tenth: no target.
    SourcesDiffer,
    /// Varies with depth and place by a factor of two and more: only "not far above this" can be said.
    CeilingOnly,
}

impl fmt::Display for Sureness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Definition => "Reference Composition, Millero et al. 2008",
            Self::TenPercent => "ocean mean to about 10 %, Bruland & Lohan 2003, not checked against the paper",
            Self::SourcesDiffer => "ocean mean, Bruland & Lohan 2003, not checked against the paper; sources differ",
            Self::CeilingOnly => {
                "deep-water mean, surface water has less, Bruland & Lohan 2003, not checked against the paper"
            }
        })
    }
}

/// The natural level of one element.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NaturalLevel {
    /// mg per kg of water of salinity 35.
    pub mg_per_kg_at_35: f64,
    /// How sure that is.
    pub sureness: Sureness,
    /// What the CRC Handbook has, mg/L, where the level is no definition.
    pub handbook_mg_per_l: Option<f64>,
}

impl NaturalLevel {
    /// In mg/L of water of this salinity and temperature, in proportion to salinity.
    ///
    /// # Errors
    /// [`WaterError`] outside the equation of state.
    pub fn at(self, salinity: Salinity, temperature: Celsius) -> Result<Concentration, WaterError> {
        let share = salinity.as_practical() / Salinity::STANDARD.as_practical();
        concentration_from_mg_per_kg(self.mg_per_kg_at_35 * share, salinity, temperature)
    }
}

/// Rows `a2.rc.*`: mg/kg at salinity 35. Sulphur is that of the sulphate, boron that of boric acid and borate.
const MAJOR: [(&str, f64); 10] = [
    ("Cl", 19_352.7),
    ("Na", 10_781.5),
    ("Mg", 1_283.72),
    ("S", 28.2371 * 32.06),
    ("Ca", 412.085),
    ("K", 399.106),
    ("Br", 67.2848),
    ("Sr", 7.9473),
    ("B", 4.4872),
    ("F", 1.297_59),
];

/// Rows `a2.bruland.*` in nmol/kg, g/mol (standard atomic weights 2021), rows `a2.crc.*` in mg/L, how sure.
const TRACES: [(&str, f64, f64, f64, Sureness); 14] = [
    ("Li", 25_000.0, 6.94, 0.18, Sureness::TenPercent),
    ("V", 35.0, 50.9415, 0.0025, Sureness::SourcesDiffer),
    ("Mo", 105.0, 95.95, 0.01, Sureness::TenPercent),
    ("I", 450.0, 126.904_47, 0.06, Sureness::TenPercent),
    ("Ba", 109.0, 137.327, 0.013, Sureness::CeilingOnly),
    ("Mn", 0.3, 54.938, 0.0002, Sureness::CeilingOnly),
    ("Fe", 0.5, 55.845, 0.002, Sureness::CeilingOnly),
    ("Ni", 8.0, 58.6934, 0.000_56, Sureness::CeilingOnly),
    ("Cu", 3.0, 63.546, 0.000_25, Sureness::CeilingOnly),
    ("Zn", 5.0, 65.38, 0.0049, Sureness::CeilingOnly),
    ("Al", 2.0, 26.9815, 0.002, Sureness::CeilingOnly),
    ("Si", 100_000.0, 28.085, 2.2, Sureness::CeilingOnly),
    ("P", 2_300.0, 30.9738, 0.06, Sureness::CeilingOnly),
    ("N", 30_000.0, 14.007, 0.5, Sureness::CeilingOnly),
];

/// The natural level of `element`, or `None` when no figure worth giving is on file.
pub fn natural_level(element: &Element) -> Option<NaturalLevel> {
    let symbol = element.symbol();
    let major = MAJOR.iter().find(|(s, _)| *s == symbol);
    let trace = || TRACES.iter().find(|(s, ..)| *s == symbol);
    major
        .map(|&(_, mg_per_kg_at_35)| NaturalLevel {
            mg_per_kg_at_35,
            sureness: Sureness::Definition,
            handbook_mg_per_l: None,
        })
        .or_else(|| {
            trace().map(|&(_, nmol, weight, handbook, sureness)| NaturalLevel {
                mg_per_kg_at_35: nmol * weight * 1e-6,
                sureness,
                handbook_mg_per_l: Some(handbook),
            })
        })
}

/// Total alkalinity of the Reference Composition at this salinity and temperature: 2.3043 meq/kg at 35 (row `a2.rc.total_alkalinity`).
///
/// # Errors
/// [`WaterError`] outside the equation of state.
fn natural_alkalinity(salinity: Salinity, temperature: Celsius) -> Result<Alkalinity, WaterError> {
    let share = salinity.as_practical() / Salinity::STANDARD.as_practical();
    let kg_per_l = density_kg_per_m3(salinity, temperature)? / 1000.0;
    Ok(Alkalinity::from_meq_per_l(2.3043 * share * kg_per_l))
}

/// What of an element or a nutrient is known to matter: from, to, in its unit, and who says so. Criteria are the chronic ones of the US
/// EPA for salt water, in mg/L (National Recommended Water Quality Criteria, from memory); practice is rows `a8.cp.*`.
#[rustfmt::skip]
const MATTERS: [(&str, f64, f64, &str); 11] = [
    ("copper", 0.0, 0.0031, CRITERION),
    ("nickel", 0.0, 0.0082, CRITERION),
    ("zinc", 0.0, 0.081, CRITERION),
    ("lead", 0.0, 0.0081, CRITERION),
    ("cadmium", 0.0, 0.0079, CRITERION),
    ("arsenic", 0.0, 0.036, CRITERION),
    ("mercury", 0.0, 0.000_94, CRITERION),
    ("selenium", 0.0, 0.071, CRITERION),
    ("alkalinity", 7.0, 12.0, PRACTICE),
    ("nitrate", 1.0, 15.0, PRACTICE),
    ("phosphate", 0.02, 0.1, PRACTICE),
];
const CRITERION: &str =
    "US EPA criterion for lasting exposure in salt water, not checked against its text";
const PRACTICE: &str = "common practice, no source";

/// From where to where a value is well, in its unit, and by whom; `None` where nothing is known.
pub fn matters(of: &Measurand) -> Option<(f64, f64, &'static str)> {
    let row = MATTERS.iter().find(|(word, ..)| *word == of.as_str())?;
    Some((row.1, row.2, row.3))
}

/// g of the ion for each g of its element: nitrate by nitrogen, phosphate by phosphorus (standard atomic weights 2021).
const NITRATE_PER_N: f64 = (14.007 + 3.0 * 15.999) / 14.007;
const PHOSPHATE_PER_P: f64 = (30.9738 + 4.0 * 15.999) / 30.9738;

/// The natural level of anything that is measured: in its unit, the handbook's, how sure.
///
/// # Errors
/// [`WaterError`] outside the equation of state.
pub fn natural_of(
    of: &Measurand,
    salinity: Salinity,
    temperature: Celsius,
) -> Result<Option<(f64, Option<f64>, Sureness)>, WaterError> {
    let (symbol, times) = match of {
        Measurand::Of(Quantity::Alkalinity) => {
            let level = natural_alkalinity(salinity, temperature)?;
            return Ok(Some((level.as_dkh(), None, Sureness::Definition)));
        }
        Measurand::Of(Quantity::Element(element)) => (element.symbol(), 1.0),
        Measurand::Nitrate => ("N", NITRATE_PER_N),
        Measurand::Phosphate => ("P", PHOSPHATE_PER_P),
        Measurand::Salinity | Measurand::Ph(_) | Measurand::Temperature => return Ok(None),
    };
    let Some(level) = Element::new(symbol).as_ref().and_then(natural_level) else {
        return Ok(None);
    };
    let at = level.at(salinity, temperature)?.as_mg_per_l() * times;
    let share = salinity.as_practical() / Salinity::STANDARD.as_practical();
    let handbook = level.handbook_mg_per_l.map(|mg| mg * share * times);
    Ok(Some((at, handbook, level.sureness)))
}

impl Quantity {
    /// What natural seawater holds, at 25 C and a salinity of 35; `None` where no figure is on file.
    pub fn natural(&self) -> Option<f64> {
        let (salinity, warm) = (Salinity::STANDARD, Celsius::from_degrees(25.0));
        match self {
            Self::Alkalinity => natural_alkalinity(salinity, warm)
                .ok()
                .map(Alkalinity::as_dkh),
            Self::Element(element) => {
                let level = natural_level(element)?.at(salinity, warm).ok()?;
                Some(level.as_mg_per_l())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WARM: Celsius = Celsius::from_degrees(25.0);

    fn mg_per_l(symbol: &str) -> f64 {
        natural_level(&Element::new(symbol).unwrap())
            .unwrap()
            .at(Salinity::STANDARD, WARM)
            .unwrap()
            .as_mg_per_l()
    }

    /// Rows `a2.rc.*`, last column, mg/L at 25 C: TEOS-10 Table D.3, computed with gsw 3.6.23; tolerance 0.1 %.
    #[test]
    fn major_ions_are_those_of_the_reference_composition() {
        for (symbol, wanted) in [
            ("Cl", 19_804.5),
            ("Na", 11_033.1),
            ("Mg", 1313.68),
            ("S", 926.41),
            ("Ca", 421.704),
            ("K", 408.422),
            ("Br", 68.8554),
            ("Sr", 8.132_81),
            ("B", 4.5919),
            ("F", 1.327_88),
        ] {
            let found = mg_per_l(symbol);
            assert!((found / wanted - 1.0).abs() < 1e-3, "{symbol}: {found}");
        }
    }

    /// Rows `a2.bruland.*`, ug/L at 25 C. From memory: a smoke check of the conversion only.
    #[test]
    fn traces_from_memory_are_converted_as_in_the_reference_table() {
        for (symbol, micrograms) in [
            ("Li", 178.0),
            ("V", 1.82),
            ("Mn", 0.0169),
            ("Fe", 0.0286),
            ("Ni", 0.481),
            ("Cu", 0.195),
            ("Zn", 0.335),
            ("Mo", 10.3),
            ("Ba", 15.3),
            ("I", 58.4),
            ("Al", 0.0552),
            ("Si", 2870.0),
            ("P", 72.9),
            ("N", 430.0),
        ] {
            let found = mg_per_l(symbol) * 1000.0;
            assert!(
                (found / micrograms - 1.0).abs() < 0.005,
                "{symbol}: {found}"
            );
        }
    }

    /// Rows `a2.crc.*` (CRC Handbook, mg/L, order given): the sources agree within a tenth where that is promised, and each trace has two.
    #[test]
    fn a_second_source_agrees_where_ten_percent_is_promised() {
        for (symbol, wanted) in [("Ca", 412.0), ("Sr", 7.9), ("K", 399.0), ("Mg", 1290.0)] {
            let found = mg_per_l(symbol);
            assert!((found / wanted - 1.0).abs() < 0.1, "{symbol}: {found}");
        }
        for (symbol, .., handbook, sureness) in TRACES {
            let apart = (mg_per_l(symbol) / handbook - 1.0).abs();
            assert!(
                (apart < 0.1) == (sureness == Sureness::TenPercent)
                    || sureness == Sureness::CeilingOnly,
                "{symbol}: {apart}"
            );
        }
    }

    /// Salt of the Reference Composition adds up: mass fractions x 35.16504 g/kg (Millero et al. 2008), with what is not listed here as an
    /// element (HCO3, CO3, OH, CO2, the oxygen of sulphate and borate); sum of rows `a2.rc.*` in mg/kg 35,165.
    #[test]
    fn the_major_ions_with_what_goes_with_them_are_all_the_salt_there_is() {
        let elements: f64 = MAJOR.iter().map(|(_, mg)| mg).sum();
        let oxygen_of_sulphate = 28.2371 * 4.0 * 15.999;
        let borates = 7.943_78 + 19.4357 - 4.4872;
        let rest = 104.809 + 14.3403 + 0.133_627 + 0.425_497;
        let sum = elements + oxygen_of_sulphate + borates + rest;
        assert!((sum / 35_165.04 - 1.0).abs() < 1e-5, "{sum}");
    }

    #[test]
    fn nutrients_and_alkalinity_have_a_natural_level_in_their_own_unit() {
        let of = |word: &str| {
            let of = Measurand::new(word, None).unwrap();
            natural_of(&of, Salinity::STANDARD, WARM).unwrap()
        };
        // 30 umol/kg of nitrate (62.004 g/mol) and 2.3 of phosphate (94.970 g/mol) at 1.0234 kg/L.
        for (word, wanted) in [
            ("nitrate", 1.9035),
            ("phosphate", 0.223_53),
            ("alkalinity", 6.6117),
        ] {
            let (level, ..) = of(word).unwrap();
            assert!((level / wanted - 1.0).abs() < 2e-3, "{word}: {level}");
        }
        assert_eq!(of("temperature"), None);
    }

    /// Row `a2.rc.total_alkalinity`: 2.35809 meq/L, 6.6117 dKH; tolerance 0.2 %.
    #[test]
    fn natural_alkalinity_is_that_of_the_reference_composition() {
        let found = natural_alkalinity(Salinity::STANDARD, WARM).unwrap();
        assert!((found.as_dkh() / 6.6117 - 1.0).abs() < 2e-3, "{found}");
    }

    #[test]
    fn levels_go_with_salinity_and_unknown_elements_have_none() {
        let strontium = natural_level(&Element::new("Sr").unwrap()).unwrap();
        let low = strontium
            .at(Salinity::from_practical(31.5), WARM)
            .unwrap()
            .as_mg_per_l();
        assert!((low / mg_per_l("Sr") / 0.9 - 1.0).abs() < 4e-3, "{low}");
        assert!(natural_level(&Element::new("Hg").unwrap()).is_none());
        assert!(
            strontium
                .at(Salinity::from_practical(f64::NAN), WARM)
                .is_err()
        );
    }
}
