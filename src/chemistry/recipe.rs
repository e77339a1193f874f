//! From what stands on the bottle to what one litre of it carries.
//!
//! Two ways: salts in grams per litre of finished solution, or a label claim ("x mL raise y litres by z"). The third, element
//! by element, is the public fields of [`SolutionEffect`] themselves. Percent and "ppm" are deliberately not read.

use std::collections::BTreeMap;

use thiserror::Error;

use super::quantity::Quantity;
use super::salts::{Atom, Salt};
use super::solution::SolutionEffect;
use super::unit::Unit;
use crate::quantity::{Alkalinity, TankVolume, Volume};

/// Most g/L of one salt that can be meant: the most a litre of the listed ones takes, CaCl2.6H2O, is 1,278 g at 25 C
/// (647.3 g/L anhydrous, row `a3.solL.CaCl2`).
pub const SALT_G_PER_L_MAX: f64 = 1_300.0;

/// Most alkalinity a litre can carry: saturated NaOH at 25 C is 758 g/L (row `a3.solL.NaOH`), 18,950 meq/L.
pub const ALKALINITY_MEQ_PER_L_MAX: f64 = 19_000.0;

/// Most mg/L of one element a litre can carry: saturated KI holds 785,000 mg/L of iodine.
pub const ELEMENT_MG_PER_L_MAX: f64 = 800_000.0;

/// Why a description of a solution cannot be used.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RecipeError {
    /// No salt at all.
    #[error(
        "the recipe names no salt; give at least one with its g per litre of finished solution"
    )]
    Empty,
    /// The grams per litre are not a sensible amount.
    #[error(
        "{salt}: {g_per_l} g/L is no amount of a solution; give more than 0 and at most {max} g per litre of finished solution"
    )]
    Grams { salt: Salt, g_per_l: f64, max: f64 },
    /// Two salts of one bottle precipitate with each other.
    #[error(
        "{first} and {second} in one bottle precipitate ({solid}); keep them in two bottles on two lines"
    )]
    Precipitates {
        first: Salt,
        second: Salt,
        solid: &'static str,
    },
    /// A number of a claim is zero, negative, not finite or beyond any solution.
    #[error(
        "{what} is {value} {unit}; it must be more than 0 and at most {max} {unit}; read the label again"
    )]
    Claim {
        what: &'static str,
        /// As given or computed.
        value: f64,
        unit: &'static str,
        max: f64,
    },
}

impl SolutionEffect {
    /// The effect of a solution of `salts`, each with its g per litre of finished solution. The same salt twice is summed.
    ///
    /// Carbonate counts 2 meq per mmol, bicarbonate and hydroxide 1. Hydrogen, oxygen and the carbon of carbonates are not listed as
    /// elements: a panel's carbon is organic carbon. Solubility is checked elsewhere, because it needs a temperature.
    ///
    /// # Errors
    /// [`RecipeError::Empty`], [`RecipeError::Grams`] for an amount that is not finite, not positive or too large,
    /// [`RecipeError::Precipitates`] for salts that cannot share a bottle.
    pub fn from_salts(salts: &[(Salt, f64)]) -> Result<Self, RecipeError> {
        if salts.is_empty() {
            return Err(RecipeError::Empty);
        }
        let mut sums: BTreeMap<Salt, f64> = BTreeMap::new();
        for &(salt, g_per_l) in salts {
            let sum = sums.entry(salt).or_insert(0.0);
            *sum += g_per_l;
            let max = SALT_G_PER_L_MAX;
            if !(g_per_l > 0.0 && *sum <= max) {
                return Err(RecipeError::Grams { salt, g_per_l, max });
            }
        }
        refuse_precipitation(&sums)?;
        let mut effect = Self::default();
        for (salt, g_per_l) in sums {
            effect.alkalinity_meq_per_l += g_per_l * salt.meq_per_g();
            for (atom, _) in salt.atoms().filter(|(atom, _)| *atom != Atom::C) {
                if let Some(of) = Quantity::dissolved(atom.symbol()) {
                    *effect.dissolved_mg_per_l.entry(of).or_insert(0.0) +=
                        g_per_l * salt.mg_per_g(atom.symbol());
                }
            }
        }
        Ok(effect)
    }

    /// The effect of a solution of which `volume` raises a quantity of `litres` of water by so much of its unit, as labels say it.
    ///
    /// # Errors
    /// [`RecipeError::Claim`] when one of the three is not finite or not positive, or when they add up to more than a litre of
    /// any solution can hold, which is a slip of a unit.
    pub fn from_claim(
        volume: Volume,
        litres: TankVolume,
        (of, rise): (&Quantity, f64),
    ) -> Result<Self, RecipeError> {
        let volume_ml = within("the volume of the claim", volume.as_ml(), "mL", 1_000_000.0)?;
        let water_l = within(
            "the water of the claim",
            litres.as_litres(),
            "L",
            1_000_000.0,
        )?;
        let mut effect = Self::default();
        match of.unit() {
            Unit::Dkh => {
                let meq = Alkalinity::from_dkh(rise).as_meq_per_l() * water_l * 1000.0 / volume_ml;
                let what = "the alkalinity of one litre by this claim";
                effect.alkalinity_meq_per_l = within(what, meq, "meq/L", ALKALINITY_MEQ_PER_L_MAX)?;
            }
            Unit::MgPerL => {
                let mg = rise * water_l * 1000.0 / volume_ml;
                let what = "the content of one litre by this claim";
                let mg = within(what, mg, "mg/L", ELEMENT_MG_PER_L_MAX)?;
                effect.dissolved_mg_per_l.insert(of.clone(), mg);
            }
        }
        Ok(effect)
    }
}

fn within(
    what: &'static str,
    value: f64,
    unit: &'static str,
    max: f64,
) -> Result<f64, RecipeError> {
    if value > 0.0 && value <= max {
        Ok(value)
    } else {
        Err(RecipeError::Claim {
            what,
            value,
            unit,
            max,
        })
    }
}

/// Calcium and strontium with sulphate, and any of calcium, magnesium, strontium with a basic salt, do not stay dissolved
/// (saturated CaSO4 is 0.205 %, SrSO4 0.0135 % by weight at 25 C, rows `a3.sol.CaSO4`, `a3.sol.SrSO4`; CRC Handbook).
///
/// Limewater with calcium chloride shares its metal and only dissolves less; it is left to the solubility check.
/// Refused whatever the amounts: very dilute mixtures would stay clear, but nobody gains by having them in one bottle.
fn refuse_precipitation(salts: &BTreeMap<Salt, f64>) -> Result<(), RecipeError> {
    for &first in salts.keys() {
        let metal = |atom| first.count(atom) > 0;
        for &second in salts.keys().filter(|second| **second != first) {
            let solid = if second.count(Atom::S) > 0 && metal(Atom::Ca) {
                "calcium sulphate"
            } else if second.count(Atom::S) > 0 && metal(Atom::Sr) {
                "strontium sulphate"
            } else if !second.is_basic() {
                continue;
            } else if metal(Atom::Mg) {
                "magnesium hydroxide or carbonate"
            } else if metal(Atom::Sr) {
                "strontium carbonate or hydroxide"
            } else if metal(Atom::Ca) && second.count(Atom::Ca) == 0 {
                "calcium carbonate, hydroxide or borate"
            } else {
                continue;
            };
            return Err(RecipeError::Precipitates {
                first,
                second,
                solid,
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn salt(formula: &str) -> Salt {
        Salt::from_formula(formula).unwrap()
    }

    fn dissolved(symbol: &str) -> Quantity {
        Quantity::dissolved(symbol).unwrap()
    }

    /// Rows `a3.rise.*`: 1 mL of the stock into 100 L; tolerance 1e-4 relative.
    #[test]
    fn one_millilitre_raises_a_hundred_litres_as_published() {
        let (ml, tank) = (Volume::from_ul(1000), TankVolume::from_litres(100.0));
        for (formula, grams, meq, dkh) in [
            ("Na2CO3", 50.0, 0.009_435_071, 0.026_454_53),
            ("NaHCO3", 70.0, 0.008_332_761, 0.023_363_81),
        ] {
            let rise = SolutionEffect::from_salts(&[(salt(formula), grams)])
                .unwrap()
                .alkalinity_rise(ml, tank);
            assert!((rise.as_meq_per_l() / meq - 1.0).abs() < 1e-4, "{formula}");
            assert!((rise.as_dkh() / dkh - 1.0).abs() < 1e-4, "{formula}");
        }
        for (formula, grams, symbol, mg) in [
            ("CaCl2.2H2O", 100.0, "Ca", 0.272_624_6),
            ("CaCl2", 75.0, "Ca", 0.270_851),
            ("MgCl2.6H2O", 300.0, "Mg", 0.358_666),
            ("SrCl2.6H2O", 25.0, "Sr", 0.082_161_21),
            ("KI", 0.1, "I", 0.000_764_472),
            ("KI", 0.1, "K", 0.000_235_528),
        ] {
            let rise = SolutionEffect::from_salts(&[(salt(formula), grams)])
                .unwrap()
                .dissolved_rise(&dissolved(symbol), ml, tank);
            assert!(
                (rise.as_mg_per_l() / mg - 1.0).abs() < 1e-4,
                "{formula} {symbol}"
            );
        }
    }

    #[test]
    fn a_mixture_sums_its_salts_and_lists_no_carbonate_carbon() {
        let effect = SolutionEffect::from_salts(&[
            (salt("Na2CO3"), 25.0),
            (salt("NaHCO3"), 30.0),
            (salt("Na2CO3"), 25.0),
        ])
        .unwrap();
        assert!(
            (effect.alkalinity_meq_per_l / (50.0 * 18.8701 + 30.0 * 11.9039) - 1.0).abs() < 1e-4
        );
        let symbols: Vec<&str> = effect
            .dissolved_mg_per_l
            .keys()
            .map(Quantity::symbol)
            .collect();
        assert_eq!(symbols, ["Na"]);
    }

    #[test]
    fn a_label_claim_raises_what_it_says() {
        let (volume, litres) = (Volume::from_ul(10_000), TankVolume::from_litres(100.0));
        let claim = (&Quantity::Alkalinity, 0.7);
        let effect = SolutionEffect::from_claim(volume, litres, claim).unwrap();
        assert!((effect.alkalinity_rise(volume, litres).as_dkh() - 0.7).abs() < 1e-12);
        let calcium = dissolved("Ca");
        let effect = SolutionEffect::from_claim(volume, litres, (&calcium, 5.0)).unwrap();
        assert!((effect.dissolved_mg_per_l[&calcium] - 50_000.0).abs() < 1e-6);
        assert!(!effect.carries_alkalinity());
    }

    #[test]
    fn salts_that_precipitate_in_one_bottle_are_refused() {
        for (a, b) in [
            ("CaCl2.2H2O", "Na2CO3"),
            ("CaCl2.2H2O", "MgSO4.7H2O"),
            ("SrCl2.6H2O", "MgSO4.7H2O"),
            ("MgCl2.6H2O", "NaOH"),
            ("Ca(OH)2", "NaHCO3"),
            ("CaCl2", "Na2B4O7.10H2O"),
        ] {
            for pair in [
                [(salt(a), 10.0), (salt(b), 10.0)],
                [(salt(b), 10.0), (salt(a), 10.0)],
            ] {
                let refusal = SolutionEffect::from_salts(&pair);
                assert!(
                    matches!(refusal, Err(RecipeError::Precipitates { .. })),
                    "{a} with {b}: {refusal:?}"
                );
            }
        }
        let fine = [
            (salt("MgCl2.6H2O"), 200.0),
            (salt("SrCl2.6H2O"), 5.0),
            (salt("CaCl2.2H2O"), 9.0),
        ];
        assert!(SolutionEffect::from_salts(&fine).is_ok());
        let magnesium = [(salt("MgCl2.6H2O"), 200.0), (salt("MgSO4.7H2O"), 20.0)];
        assert!(SolutionEffect::from_salts(&magnesium).is_ok());
        let lime = [(salt("Ca(OH)2"), 1.0), (salt("CaCl2.2H2O"), 5.0)];
        assert!(SolutionEffect::from_salts(&lime).is_ok());
    }

    #[test]
    fn amounts_that_cannot_be_meant_are_refused_with_their_number() {
        for bad in [0.0, -1.0, f64::NAN, f64::INFINITY, 1_301.0] {
            let refusal = SolutionEffect::from_salts(&[(salt("KI"), bad)]).unwrap_err();
            assert!(
                matches!(refusal, RecipeError::Grams { .. }),
                "{bad}: {refusal}"
            );
        }
        assert_eq!(SolutionEffect::from_salts(&[]), Err(RecipeError::Empty));
        let half = [(salt("KI"), 700.0), (salt("KI"), 700.0)];
        assert!(SolutionEffect::from_salts(&half).is_err());
    }

    #[test]
    fn a_claim_no_solution_can_hold_is_a_slip_of_a_unit() {
        // 1 mL raising 1,000 L by 10 dKH would be 3.6 mol in a millilitre.
        let refusal = SolutionEffect::from_claim(
            Volume::from_ul(1000),
            TankVolume::from_litres(1000.0),
            (&Quantity::Alkalinity, 10.0),
        )
        .unwrap_err();
        assert!(refusal.to_string().contains("19000 meq/L"), "{refusal}");
    }

    proptest! {
        #[test]
        fn no_number_makes_a_recipe_panic_or_not_finite(grams in any::<f64>(), ul in any::<i64>(), litres in any::<f64>(), rise in any::<f64>()) {
            let (volume, water) = (Volume::from_ul(ul), TankVolume::from_litres(litres));
            let made = [
                SolutionEffect::from_salts(&[(salt("NaOH"), grams)]),
                SolutionEffect::from_claim(volume, water, (&Quantity::Alkalinity, rise)),
                SolutionEffect::from_claim(volume, water, (&dissolved("I"), rise)),
            ];
            for effect in made.into_iter().flatten() {
                prop_assert!(effect.alkalinity_meq_per_l.is_finite() && effect.alkalinity_meq_per_l >= 0.0);
                prop_assert!(effect.dissolved_mg_per_l.values().all(|v| v.is_finite() && *v > 0.0));
            }
        }

        #[test]
        fn a_claim_comes_back_from_its_solution(ul in 100_i64..100_000, litres in 1.0..2_000.0_f64, dkh in 0.0001..0.05_f64) {
            let (volume, water) = (Volume::from_ul(ul), TankVolume::from_litres(litres));
            let claim = (&Quantity::Alkalinity, dkh);
            if let Ok(effect) = SolutionEffect::from_claim(volume, water, claim) {
                prop_assert!((effect.alkalinity_rise(volume, water).as_dkh() / dkh - 1.0).abs() < 1e-12);
            }
        }
    }
}
