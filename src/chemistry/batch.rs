//! Grams to weigh in, what to take care of while doing it, and the third part of a two-part scheme.

use std::collections::BTreeSet;

use super::salts::{Atom, Salt};
use crate::quantity::Volume;

/// g of each salt for so much of a solution with these g per litre.
pub fn grams(salts: &[(Salt, f64)], volume: Volume) -> Vec<(Salt, f64)> {
    let litres = volume.as_ml() / 1000.0;
    salts.iter().map(|(salt, g)| (*salt, g * litres)).collect()
}

/// What goes for every powder. Common practice, no source.
const ALWAYS: &str = "gloves and eye protection; keep dust down; add the powder to water and not water to it, a little at a time; let it cool before it is made up to its volume; mark the bottle with name, strength and date. The label and safety data sheet of what you bought, and the rules of where you live, come before this";

/// What to take care of with these salts, a line each, and what goes for all of them last; nothing without a salt.
pub fn cautions(salts: impl IntoIterator<Item = Salt>) -> Vec<String> {
    let salts: BTreeSet<Salt> = salts.into_iter().collect();
    let own = salts
        .iter()
        .filter_map(|salt| Some(format!("CAUTION {salt}: {}", caution(*salt)?)));
    let general = (!salts.is_empty()).then(|| format!("CAUTION: {ALWAYS}"));
    own.chain(general).collect()
}

/// Rows `a9.chem.*`: NaOH by the EU's classification notes, Ca(OH)2 by ICSC 0408, CaCl2 and KI by labels and data sheets that were read; the
/// rest is usual supplier classification, from memory.
fn caution(salt: Salt) -> Option<&'static str> {
    Some(match salt.formula() {
        "NaOH" => {
            "caustic: burns skin and eyes badly; heats strongly: slowly into cold water; attacks aluminium and zinc"
        }
        "Ca(OH)2" => {
            "caustic: burns eyes and skin; its dust harms the lungs; rinse eyes for minutes and see a doctor"
        }
        "Na2CO3" => "irritates eyes, its dust too; warms as it dissolves",
        "CaCl2" | "CaCl2.2H2O" => {
            "irritates eyes; heats strongly as it dissolves: slowly into cold water; draws water from the air, so keep it closed"
        }
        "CaCl2.6H2O" => "irritates eyes",
        "MgCl2" | "MgSO4" => "heats strongly as it dissolves: slowly into cold water",
        "SrCl2" | "SrCl2.6H2O" => "can harm eyes for good",
        "KI" | "NaI" => {
            "harms the thyroid when taken in again and again; locked away from children"
        }
        "NaF" | "KF" => "poisonous when swallowed, and through skin; never near acid; locked away",
        "H3BO3" | "Na2B4O7.10H2O" => {
            "may harm fertility and the unborn child; do not breathe its dust"
        }
        _ => return None,
    })
}

/// mmol in a kg of the Reference Composition at salinity 35 (rows `a2.rc.*`; Millero et al. 2008): chloride, calcium, strontium, magnesium,
/// sulphate, potassium, bromide, boron.
const CL: f64 = 545.916;
const CA: f64 = 10.2821;
const SR: f64 = 0.090_701_9;
const MG: f64 = 52.817;
const SO4: f64 = 28.2371;
const K: f64 = 10.2077;
const BR: f64 = 0.842_07;
const B: f64 = 0.4151;

/// What of the chloride is sodium chloride when all else is weighed in as its own salt.
const NACL: f64 = CL - 2.0 * (MG - SO4) - (K - BR) - 2.0 * (CA + SR);

/// g of each salt that make sea salt of so many g of sodium chloride, sodium chloride itself left out.
///
/// Calcium, strontium and alkalinity are left out, because their own lines give them by test and calcium falls out with the sulphate; fluoride,
/// because it falls out with the magnesium.
pub fn third_part(sodium_chloride_g: f64) -> Vec<(Salt, f64)> {
    let moles = sodium_chloride_g / (Atom::Na.weight() + Atom::Cl.weight()) / NACL;
    [
        ("MgSO4.7H2O", SO4),
        ("MgCl2.6H2O", MG - SO4),
        ("KCl", K - BR),
        ("KBr", BR),
        ("H3BO3", B),
    ]
    .into_iter()
    .filter_map(|(formula, parts)| {
        let salt = Salt::from_formula(formula).ok()?;
        Some((salt, moles * parts * salt.molar_mass()))
    })
    .collect()
}

/// g of sea salt with so many g of sodium chloride in it: all but what [`third_part`] leaves out.
pub fn sea_salt_g(sodium_chloride_g: f64) -> f64 {
    let third: f64 = third_part(sodium_chloride_g)
        .into_iter()
        .map(|(salt, grams)| grams * salt.dry_part())
        .sum();
    sodium_chloride_g + third
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sodium chloride of one kg of water of salinity 35.
    fn of_a_kilogram() -> f64 {
        NACL / 1000.0 * (Atom::Na.weight() + Atom::Cl.weight())
    }

    /// Rows `a2.rc.*` in mg/kg (Millero et al. 2008, TEOS-10 Table D.3); chloride less that of calcium and strontium, sodium less that of the
    /// carbonates (2.3 mmol/kg) and of fluoride.
    #[test]
    fn sodium_chloride_and_the_third_part_are_the_reference_composition() {
        let mut salts = third_part(of_a_kilogram());
        salts.push((Salt::from_formula("NaCl").unwrap(), of_a_kilogram()));
        let calcium_chloride = (10.2821 + 0.0907) * 2.0 * 35.45;
        for (symbol, wanted, tolerance) in [
            ("Mg", 1283.72, 1e-3),
            ("K", 399.106, 1e-3),
            ("Br", 67.2848, 1e-3),
            ("B", 4.4872, 1e-3),
            ("S", 2712.35 * 32.06 / 96.056, 1e-3),
            ("Cl", 19_352.7 - calcium_chloride, 1e-3),
            ("Na", 10_781.5, 6e-3),
        ] {
            let found: f64 = salts
                .iter()
                .map(|(salt, g)| g * salt.mg_per_g(symbol))
                .sum();
            assert!(
                (found / wanted - 1.0).abs() < tolerance,
                "{symbol}: {found}"
            );
        }
    }

    /// Artificial seawater of Kester et al. 1967 (Limnol. Oceanogr. 12, 176), g in a kg of salinity 35, from memory: 0.677 KCl, 0.098 KBr, 0.026
    /// H3BO3, 0.05327 mol MgCl2 with 4.008 Na2SO4, whose sulphate is here magnesium's. Within 5 %.
    #[test]
    fn it_is_near_a_published_recipe_of_artificial_seawater() {
        let magnesium = 0.053_27 - 4.008 / 142.04;
        for ((salt, found), wanted) in third_part(of_a_kilogram()).into_iter().zip([
            4.008 / 142.04 * 246.47,
            magnesium * 203.30,
            0.677,
            0.098,
            0.026,
        ]) {
            assert!((found / wanted - 1.0).abs() < 0.05, "{salt}: {found}");
        }
        // 35.17 g/kg less calcium and strontium chloride (1.16 g), carbonates (0.17 g) and fluoride.
        let salt = sea_salt_g(of_a_kilogram());
        assert!((salt / 33.84 - 1.0).abs() < 5e-3, "{salt}");
    }

    #[test]
    fn every_salt_has_the_general_caution_and_the_harsh_ones_their_own() {
        let of = |formula: &str| cautions([Salt::from_formula(formula).unwrap()]);
        for salt in Salt::all() {
            let all = cautions([salt, salt]);
            assert!(
                all.last().unwrap().contains("safety data sheet"),
                "{salt}: {all:?}"
            );
            assert!(all.len() <= 2, "{all:?}");
        }
        for (formula, word) in [
            ("NaOH", "caustic"),
            ("Ca(OH)2", "caustic"),
            ("Na2CO3", "eyes"),
            ("CaCl2.2H2O", "heats strongly"),
            ("NaF", "poisonous"),
        ] {
            assert!(of(formula)[0].contains(word), "{:?}", of(formula));
        }
        assert_eq!(of("NaHCO3").len(), 1);
        assert!(cautions([]).is_empty());
    }

    #[test]
    fn a_batch_is_weighed_by_its_volume() {
        let soda = [(Salt::from_formula("Na2CO3").unwrap(), 60.0)];
        let batch = grams(&soda, Volume::from_ul(2_500_000));
        assert!((batch[0].1 - 150.0).abs() < 1e-9, "{batch:?}");
    }
}
