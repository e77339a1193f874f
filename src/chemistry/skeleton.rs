//! What calcification takes out of the water along with alkalinity.
//!
//! Calcium is stoichiometry. Strontium follows coral aragonite near 9.0 mmol Sr per mol Ca (Busch et al. 2015, USGS OFR 2015-1182; Swart et al.
//! 2002, doi 10.1029/2002GC000306). Magnesium is 3.5 to 5.5 mmol/mol in coral, but 10 to 20 mol % in coralline algae: both
//! from memory, not seen in a source, so it is given as a wide range. A tank takes up more than skeleton; this is the part that can be foretold.

use std::fmt;

use super::rises::CALCIUM_MG_PER_MEQ;
use super::salts::Atom;
use super::show::figures;
use crate::quantity::{Alkalinity, Concentration};

/// mol of strontium per mol of calcium in coral aragonite near 25 C, known to about 10 % (species, temperature).
const SR_PER_CA: f64 = 9.0e-3;

/// Mole ratio of magnesium to calcium at the low end of coral aragonite. From memory.
const MG_PER_CA_CORAL_LOW: f64 = 3.5e-3;

/// mol % of MgCO3 at the high end of coralline algae. From memory.
const MG_SHARE_CORALLINE_HIGH: f64 = 0.20;

/// What goes into skeleton with some alkalinity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TakenAlong {
    pub calcium: Concentration,
    /// Strontium: estimate, low and high end.
    pub strontium: (Concentration, Concentration, Concentration),
    /// Magnesium: from pure coral to nothing but coralline algae.
    pub magnesium: (Concentration, Concentration),
}

/// What calcification takes along with this much alkalinity.
pub fn taken_along(alkalinity: Alkalinity) -> TakenAlong {
    let meq = alkalinity.as_meq_per_l();
    let mg_per_l = |per_meq: f64| Concentration::from_mg_per_l(per_meq * meq);
    // One meq is half a mmol of carbonate mineral.
    let strontium = SR_PER_CA * Atom::Sr.weight() / 2.0;
    let coral = MG_PER_CA_CORAL_LOW * Atom::Mg.weight() / 2.0;
    let algae = MG_SHARE_CORALLINE_HIGH / (1.0 - MG_SHARE_CORALLINE_HIGH) * Atom::Mg.weight() / 2.0;
    TakenAlong {
        calcium: mg_per_l(CALCIUM_MG_PER_MEQ),
        strontium: (
            mg_per_l(strontium),
            mg_per_l(strontium * 0.9),
            mg_per_l(strontium * 1.1),
        ),
        magnesium: (mg_per_l(coral), mg_per_l(algae)),
    }
}

impl fmt::Display for TakenAlong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mg = |value: Concentration| figures(value.as_mg_per_l());
        write!(
            f,
            "calcium {} mg/L; strontium about {} mg/L ({} to {}); magnesium {} to {} mg/L, more the more coralline algae grow",
            mg(self.calcium),
            mg(self.strontium.0),
            mg(self.strontium.1),
            mg(self.strontium.2),
            mg(self.magnesium.0),
            mg(self.magnesium.1)
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows `a3.Ca_per_meq`, `a3.Sr_per_meq` (10 %), `a3.Mg_per_meq.aragonite` and `a3.Mg_per_meq.coralline` (from memory: smoke check).
    #[test]
    fn a_milliequivalent_takes_along_what_is_published() {
        let along = taken_along(Alkalinity::from_meq_per_l(1.0));
        assert!((along.calcium.as_mg_per_l() / 20.039 - 1.0).abs() < 1e-4);
        assert!((along.strontium.0.as_mg_per_l() / 0.3943 - 1.0).abs() < 1e-3);
        let (low, high) = (
            along.magnesium.0.as_mg_per_l(),
            along.magnesium.1.as_mg_per_l(),
        );
        assert!(
            low < 0.0547 && low > 0.04 && (high / 3.038 - 1.0).abs() < 1e-3,
            "{low} {high}"
        );
        assert!(
            along
                .to_string()
                .starts_with("calcium 20.04 mg/L; strontium about 0.3943 mg/L (0.3549 to 0.4337)"),
            "{along}"
        );
    }
}
