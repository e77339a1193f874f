//! The effect of one millilitre of a solution.

use std::collections::BTreeMap;

use super::quantity::Quantity;
use super::unit::Unit;
use crate::quantity::{Alkalinity, Concentration, TankVolume, Volume};

/// What one litre of a solution carries: meq of alkalinity and mg of whatever is counted in mg/L.
///
/// Per litre of solution is per 1,000 mL, so the numbers are also ueq and ug per mL.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SolutionEffect {
    /// meq of alkalinity in one litre of solution. Zero when it carries none.
    pub alkalinity_meq_per_l: f64,
    /// mg of each other quantity in one litre of solution.
    pub dissolved_mg_per_l: BTreeMap<Quantity, f64>,
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

    /// What `volume` of this solution adds to `tank` of what is counted in mg/L. Zero when it carries none.
    pub fn dissolved_rise(&self, of: &Quantity, volume: Volume, tank: TankVolume) -> Concentration {
        let mg_per_l = self.dissolved_mg_per_l.get(of).copied().unwrap_or(0.0);
        Concentration::from_mg_per_l(mg_per_l * volume.as_ml() / 1000.0 / tank.as_litres())
    }

    pub fn carries(&self, of: &Quantity) -> bool {
        match of.unit() {
            Unit::Dkh => self.carries_alkalinity(),
            Unit::MgPerL => self.dissolved_mg_per_l.get(of).is_some_and(|mg| *mg > 0.0),
        }
    }

    /// What `volume` of this solution adds of a quantity to `tank`, in its unit.
    pub fn rise(&self, of: &Quantity, volume: Volume, tank: TankVolume) -> f64 {
        match of.unit() {
            Unit::Dkh => self.alkalinity_rise(volume, tank).as_dkh(),
            Unit::MgPerL => self.dissolved_rise(of, volume, tank).as_mg_per_l(),
        }
    }

    /// The same of 1 mL; worked out with a litre, so that it keeps all its figures.
    pub fn rise_per_ml(&self, of: &Quantity, tank: TankVolume) -> f64 {
        self.rise(of, Volume::from_ul(1_000_000), tank) / 1000.0
    }

    /// What `volume` of this solution adds to `tank`, of each quantity that it carries, in its unit.
    pub fn carried(&self, volume: Volume, tank: TankVolume) -> BTreeMap<Quantity, f64> {
        self.dissolved_mg_per_l
            .keys()
            .chain([&Quantity::Alkalinity])
            .map(|of| (of.clone(), self.rise(of, volume, tank)))
            .filter(|(_, amount)| *amount > 0.0)
            .collect()
    }
}
