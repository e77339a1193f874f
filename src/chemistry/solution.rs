//! The effect of one millilitre of a solution.

use std::collections::BTreeMap;
use std::fmt;

use crate::quantity::{Alkalinity, Concentration, TankVolume, Volume};

/// A chemical element, by its symbol, as lab panels name it. Alkalinity is not an element and has its own type.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Element(String);

/// Elements that reef solutions and lab panels speak of.
const SYMBOLS: [&str; 44] = [
    "Ag", "Al", "As", "B", "Ba", "Be", "Bi", "Br", "C", "Ca", "Cd", "Ce", "Cl", "Co", "Cr", "Cs",
    "Cu", "F", "Fe", "Hg", "I", "K", "La", "Li", "Mg", "Mn", "Mo", "N", "Na", "Ni", "P", "Pb",
    "Rb", "S", "Sb", "Se", "Si", "Sn", "Sr", "Ti", "U", "V", "W", "Zn",
];

impl Element {
    /// An element by its symbol, for example `Ca`; `None` when it is none that can be dosed or measured here.
    pub fn new(symbol: &str) -> Option<Self> {
        SYMBOLS.contains(&symbol).then(|| Self(symbol.to_owned()))
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
