//! What natural seawater holds, with how sure that is.
//!
//! Major ions are those of the Reference Composition (Millero et al. 2008; TEOS-10 Manual, Table D.3), exact by definition.
//! For traces there is no single natural number: many are several times lower at a reef's surface than in the deep ocean, and old
//! handbook values carry the contamination of old sampling. They are means of the open ocean after Bruland & Lohan 2003 (N, P, I after Pilson),
//! written from memory and not seen in the source, so each says what it may be used for. Nothing here is a target for a tank.

use std::fmt;

use super::element::Element;
use super::quantity::Quantity;
use super::seawater::{WaterError, concentration_from_mg_per_kg, density_kg_per_m3};
use super::water::{Celsius, Salinity};
use crate::quantity::{Alkalinity, Concentration};

/// How far a natural level can be leaned on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sureness {
    /// Reference Composition: exact by definition.
    Definition,
    /// The same everywhere in the ocean to about 10 %: may serve as a target.
    TenPercent,
    /// Varies with depth and place by a factor of two and more: only "not far above this" can be said.
    CeilingOnly,
}

impl fmt::Display for Sureness {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Definition => "Reference Composition (Millero et al. 2008)",
            Self::TenPercent => {
                "ocean mean to about 10 % (after Bruland & Lohan 2003, from memory)"
            }
            Self::CeilingOnly => {
                "deep-water mean, surface water has several times less (after Bruland & Lohan 2003, from memory)"
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

/// Rows `a2.bruland.*`: nmol/kg, g/mol (standard atomic weights 2021), how sure.
const TRACES: [(&str, f64, f64, Sureness); 14] = [
    ("Li", 25_000.0, 6.94, Sureness::TenPercent),
    ("V", 35.0, 50.9415, Sureness::TenPercent),
    ("Mo", 105.0, 95.95, Sureness::TenPercent),
    ("I", 450.0, 126.904_47, Sureness::TenPercent),
    ("Ba", 109.0, 137.327, Sureness::CeilingOnly),
    ("Mn", 0.3, 54.938, Sureness::CeilingOnly),
    ("Fe", 0.5, 55.845, Sureness::CeilingOnly),
    ("Ni", 8.0, 58.6934, Sureness::CeilingOnly),
    ("Cu", 3.0, 63.546, Sureness::CeilingOnly),
    ("Zn", 5.0, 65.38, Sureness::CeilingOnly),
    ("Al", 2.0, 26.9815, Sureness::CeilingOnly),
    ("Si", 100_000.0, 28.085, Sureness::CeilingOnly),
    ("P", 2_300.0, 30.9738, Sureness::CeilingOnly),
    ("N", 30_000.0, 14.007, Sureness::CeilingOnly),
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
        })
        .or_else(|| {
            trace().map(|&(_, nmol, weight, sureness)| NaturalLevel {
                mg_per_kg_at_35: nmol * weight * 1e-6,
                sureness,
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

    /// Rows `a2.crc.*` (CRC Handbook, mg/L, order given): the sources agree within a tenth where that is promised.
    #[test]
    fn a_second_source_agrees_where_ten_percent_is_promised() {
        for (symbol, wanted) in [
            ("Li", 0.18),
            ("I", 0.06),
            ("Mo", 0.01),
            ("Ca", 412.0),
            ("Sr", 7.9),
        ] {
            let found = mg_per_l(symbol);
            assert!((found / wanted - 1.0).abs() < 0.1, "{symbol}: {found}");
        }
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
