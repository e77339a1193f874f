//! The effect of one millilitre of a solution.

use std::collections::BTreeMap;
use std::fmt;

use crate::quantity::{Alkalinity, Concentration, TankVolume, Volume};

/// A chemical element, by its symbol, as lab panels name it. Alkalinity is not an element and has its own type.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Element(String);

/// Elements that reef solutions and lab panels speak of: symbol, and English name (IUPAC spelling).
const ELEMENTS: [(&str, &str); 44] = [
    ("Ag", "silver"),
    ("Al", "aluminium"),
    ("As", "arsenic"),
    ("B", "boron"),
    ("Ba", "barium"),
    ("Be", "beryllium"),
    ("Bi", "bismuth"),
    ("Br", "bromine"),
    ("C", "carbon"),
    ("Ca", "calcium"),
    ("Cd", "cadmium"),
    ("Ce", "cerium"),
    ("Cl", "chlorine"),
    ("Co", "cobalt"),
    ("Cr", "chromium"),
    ("Cs", "caesium"),
    ("Cu", "copper"),
    ("F", "fluorine"),
    ("Fe", "iron"),
    ("Hg", "mercury"),
    ("I", "iodine"),
    ("K", "potassium"),
    ("La", "lanthanum"),
    ("Li", "lithium"),
    ("Mg", "magnesium"),
    ("Mn", "manganese"),
    ("Mo", "molybdenum"),
    ("N", "nitrogen"),
    ("Na", "sodium"),
    ("Ni", "nickel"),
    ("P", "phosphorus"),
    ("Pb", "lead"),
    ("Rb", "rubidium"),
    ("S", "sulfur"),
    ("Sb", "antimony"),
    ("Se", "selenium"),
    ("Si", "silicon"),
    ("Sn", "tin"),
    ("Sr", "strontium"),
    ("Ti", "titanium"),
    ("U", "uranium"),
    ("V", "vanadium"),
    ("W", "tungsten"),
    ("Zn", "zinc"),
];

impl Element {
    /// An element by its symbol, for example `Ca`; `None` when it is none that can be dosed or measured here.
    pub fn new(symbol: &str) -> Option<Self> {
        let known = ELEMENTS.iter().any(|(known, _)| *known == symbol);
        known.then(|| Self(symbol.to_owned()))
    }

    /// By its English name in lower case, for example `calcium`.
    pub fn from_name(name: &str) -> Option<Self> {
        let (symbol, _) = ELEMENTS.iter().find(|(_, known)| *known == name)?;
        Some(Self((*symbol).to_owned()))
    }

    /// Every element that is known here.
    pub fn all() -> impl Iterator<Item = Self> {
        ELEMENTS
            .iter()
            .map(|(symbol, _)| Self((*symbol).to_owned()))
    }

    /// Its English name in lower case.
    pub fn name(&self) -> &str {
        let named = ELEMENTS.iter().find(|(symbol, _)| *symbol == self.0);
        named.map_or(self.0.as_str(), |(_, name)| name)
    }

    pub fn symbol(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Element {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for Element {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What one litre of a solution carries: meq of alkalinity and mg of each element.
///
/// Per litre of solution is per 1,000 mL, so the numbers are also ueq and ug per mL.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SolutionEffect {
    /// meq of alkalinity in one litre of solution. Zero when it carries none.
    pub alkalinity_meq_per_l: f64,
    /// mg of each element in one litre of solution.
    pub elements_mg_per_l: BTreeMap<Element, f64>,
}

impl SolutionEffect {
    /// Whether the solution carries alkalinity, and so counts under the ramp limit.
    pub fn carries_alkalinity(&self) -> bool {
        self.alkalinity_meq_per_l > 0.0
    }

    /// Alkalinity that `volume` of this solution adds to `tank`, in meq/L of tank water.
    pub fn alkalinity_rise(&self, volume: Volume, tank: TankVolume) -> Alkalinity {
        Alkalinity::from_meq_per_l(
            self.alkalinity_meq_per_l * volume.as_ml() / 1000.0 / tank.as_litres(),
        )
    }

    /// Concentration of `element` that `volume` of this solution adds to `tank`, in mg/L of tank water. Zero when it carries none.
    pub fn element_rise(
        &self,
        element: &Element,
        volume: Volume,
        tank: TankVolume,
    ) -> Concentration {
        let mg_per_l = self.elements_mg_per_l.get(element).copied().unwrap_or(0.0);
        Concentration::from_mg_per_l(mg_per_l * volume.as_ml() / 1000.0 / tank.as_litres())
    }
}
