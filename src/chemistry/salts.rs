//! The salts that stock solutions are made of, by formula.
//!
//! Terms: an *equivalent* is one mole of acid that a mole of the salt takes up, which is what alkalinity counts; a *hydrate*
//! holds water in the crystal and is named with it (`CaCl2.2H2O`), because the same name without it weighs a third less.
//! Molar masses follow from the atoms and the standard atomic weights 2021 (IUPAC/CIAAW; Prohaska et al., Pure Appl. Chem. 94
//! (2022) 573). This module deliberately does not read free formulas: a salt that is not in the list is an error that names the list.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

/// An atom that occurs in the listed salts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Atom {
    B,
    Br,
    C,
    Ca,
    Cl,
    F,
    H,
    I,
    K,
    Mg,
    Na,
    O,
    S,
    Sr,
}

impl Atom {
    /// Standard atomic weight 2021 in g/mol (rows `a1.atomic_weight.*`; for B, Br, C, Cl, H, O, S the abridged value of an interval).
    pub(crate) const fn weight(self) -> f64 {
        match self {
            Self::B => 10.81,
            Self::Br => 79.904,
            Self::C => 12.011,
            Self::Ca => 40.078,
            Self::Cl => 35.45,
            Self::F => 18.998_403_16,
            Self::H => 1.008,
            Self::I => 126.904_47,
            Self::K => 39.0983,
            Self::Mg => 24.305,
            Self::Na => 22.989_769_28,
            Self::O => 15.999,
            Self::S => 32.06,
            Self::Sr => 87.62,
        }
    }

    pub(crate) const fn symbol(self) -> &'static str {
        match self {
            Self::B => "B",
            Self::Br => "Br",
            Self::C => "C",
            Self::Ca => "Ca",
            Self::Cl => "Cl",
            Self::F => "F",
            Self::H => "H",
            Self::I => "I",
            Self::K => "K",
            Self::Mg => "Mg",
            Self::Na => "Na",
            Self::O => "O",
            Self::S => "S",
            Self::Sr => "Sr",
        }
    }
}

/// One line of the list of salts.
#[derive(Debug)]
struct Row {
    formula: &'static str,
    name: &'static str,
    /// Moles of acid taken up by one mole when titrated to the alkalinity end point.
    equivalents: u8,
    atoms: &'static [(Atom, u8)],
}

const fn row(
    formula: &'static str,
    name: &'static str,
    equivalents: u8,
    atoms: &'static [(Atom, u8)],
) -> Row {
    Row {
        formula,
        name,
        equivalents,
        atoms,
    }
}

use Atom::{B, Br, C, Ca, Cl, F, H, I, K, Mg, Na, O, S, Sr};

/// Carbonate counts two equivalents, bicarbonate and each hydroxide one. Borax counts two: B4O7(2-) + 2 H+ + 5 H2O = 4 B(OH)3.
/// Boric acid counts none: it is fully protonated at the end point.
#[rustfmt::skip]
static ROWS: [Row; 26] = [
    row("Na2CO3", "sodium carbonate", 2, &[(Na, 2), (C, 1), (O, 3)]),
    row("NaHCO3", "sodium bicarbonate", 1, &[(Na, 1), (H, 1), (C, 1), (O, 3)]),
    row("KHCO3", "potassium bicarbonate", 1, &[(K, 1), (H, 1), (C, 1), (O, 3)]),
    row("NaOH", "sodium hydroxide", 1, &[(Na, 1), (O, 1), (H, 1)]),
    row("Ca(OH)2", "calcium hydroxide", 2, &[(Ca, 1), (O, 2), (H, 2)]),
    row("CaCl2", "calcium chloride, anhydrous", 0, &[(Ca, 1), (Cl, 2)]),
    row("CaCl2.2H2O", "calcium chloride dihydrate", 0, &[(Ca, 1), (Cl, 2), (H, 4), (O, 2)]),
    row("CaCl2.6H2O", "calcium chloride hexahydrate", 0, &[(Ca, 1), (Cl, 2), (H, 12), (O, 6)]),
    row("MgCl2", "magnesium chloride, anhydrous", 0, &[(Mg, 1), (Cl, 2)]),
    row("MgCl2.6H2O", "magnesium chloride hexahydrate", 0, &[(Mg, 1), (Cl, 2), (H, 12), (O, 6)]),
    row("MgSO4", "magnesium sulphate, anhydrous", 0, &[(Mg, 1), (S, 1), (O, 4)]),
    row("MgSO4.7H2O", "magnesium sulphate heptahydrate", 0, &[(Mg, 1), (S, 1), (O, 11), (H, 14)]),
    row("SrCl2", "strontium chloride, anhydrous", 0, &[(Sr, 1), (Cl, 2)]),
    row("SrCl2.6H2O", "strontium chloride hexahydrate", 0, &[(Sr, 1), (Cl, 2), (H, 12), (O, 6)]),
    row("KI", "potassium iodide", 0, &[(K, 1), (I, 1)]),
    row("KBr", "potassium bromide", 0, &[(K, 1), (Br, 1)]),
    row("KCl", "potassium chloride", 0, &[(K, 1), (Cl, 1)]),
    row("K2SO4", "potassium sulphate", 0, &[(K, 2), (S, 1), (O, 4)]),
    row("NaCl", "sodium chloride", 0, &[(Na, 1), (Cl, 1)]),
    row("NaBr", "sodium bromide", 0, &[(Na, 1), (Br, 1)]),
    row("NaI", "sodium iodide", 0, &[(Na, 1), (I, 1)]),
    row("NaF", "sodium fluoride", 0, &[(Na, 1), (F, 1)]),
    row("KF", "potassium fluoride", 0, &[(K, 1), (F, 1)]),
    row("Na2SO4", "sodium sulphate", 0, &[(Na, 2), (S, 1), (O, 4)]),
    row("H3BO3", "boric acid", 0, &[(H, 3), (B, 1), (O, 3)]),
    row("Na2B4O7.10H2O", "borax", 2, &[(Na, 2), (B, 4), (O, 17), (H, 20)]),
];

/// A formula that is not in the list.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("\"{text}\" is none of the known salts; write one of {known}")]
pub struct UnknownSalt {
    pub text: String,
    pub known: String,
}

/// A salt of the list. Cheap to copy; two are equal when their formulas are.
#[derive(Clone, Copy)]
pub struct Salt(&'static Row);

impl Salt {
    /// The salt of a formula as it stands on the bottle; capitals do not matter, and a raised dot or a star may stand for the point.
    ///
    /// # Errors
    /// [`UnknownSalt`], which lists the known ones.
    pub fn from_formula(text: &str) -> Result<Self, UnknownSalt> {
        let plain: String = text
            .trim()
            .chars()
            .map(|c| match c {
                '\u{b7}' | '\u{2022}' | '\u{22c5}' | '*' => '.',
                other => other,
            })
            .collect();
        ROWS.iter()
            .find(|row| row.formula.eq_ignore_ascii_case(&plain))
            .map(Self)
            .ok_or_else(|| UnknownSalt {
                text: text.chars().take(60).collect(),
                known: Self::known(),
            })
    }

    /// Every listed salt, in the order of the list.
    pub fn all() -> impl Iterator<Item = Self> {
        ROWS.iter().map(Self)
    }

    /// The formulas of the list, comma separated, for messages.
    pub fn known() -> String {
        let formulas: Vec<&str> = ROWS.iter().map(|row| row.formula).collect();
        formulas.join(", ")
    }

    /// The formula, for example `CaCl2.2H2O`.
    pub const fn formula(self) -> &'static str {
        self.0.formula
    }

    /// The name in words.
    pub const fn name(self) -> &'static str {
        self.0.name
    }

    /// g/mol, the water of the hydrate included.
    pub fn molar_mass(self) -> f64 {
        self.atoms()
            .map(|(atom, count)| atom.weight() * f64::from(count))
            .sum()
    }

    /// meq of alkalinity in one gram.
    pub fn meq_per_g(self) -> f64 {
        1000.0 * f64::from(self.0.equivalents) / self.molar_mass()
    }

    /// mg of the element with this symbol in one gram; zero when the salt has none.
    pub fn mg_per_g(self, symbol: &str) -> f64 {
        let mass: f64 = self
            .atoms()
            .filter(|(atom, _)| atom.symbol() == symbol)
            .map(|(atom, count)| atom.weight() * f64::from(count))
            .sum();
        1000.0 * mass / self.molar_mass()
    }

    pub(crate) fn atoms(self) -> impl Iterator<Item = (Atom, u8)> {
        self.0.atoms.iter().copied()
    }

    /// How many of `atom` one formula unit holds.
    pub(crate) fn count(self, atom: Atom) -> u8 {
        self.atoms()
            .find(|(a, _)| *a == atom)
            .map_or(0, |(_, count)| count)
    }

    pub(crate) const fn is_basic(self) -> bool {
        self.0.equivalents > 0
    }
}

impl FromStr for Salt {
    type Err = UnknownSalt;

    fn from_str(text: &str) -> Result<Self, UnknownSalt> {
        Self::from_formula(text)
    }
}

impl PartialEq for Salt {
    fn eq(&self, other: &Self) -> bool {
        self.0.formula == other.0.formula
    }
}

impl Eq for Salt {}

impl PartialOrd for Salt {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Salt {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.formula.cmp(other.0.formula)
    }
}

impl fmt::Display for Salt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0.formula)
    }
}

impl fmt::Debug for Salt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.formula)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn salt(formula: &str) -> Salt {
        Salt::from_formula(formula).unwrap()
    }

    fn close(found: f64, wanted: f64, tolerance: f64, row: &str) {
        assert!(
            (found / wanted - 1.0).abs() <= tolerance,
            "{row}: {found} is not {wanted}"
        );
    }

    /// Rows `a1.molar_mass.*`: standard atomic weights 2021, computed with periodictable 2.1.0; tolerance 1e-4 relative.
    #[test]
    fn molar_masses_agree_with_the_published_atomic_weights() {
        for (formula, mass) in [
            ("Na2CO3", 105.9875),
            ("NaHCO3", 84.0058),
            ("NaOH", 39.9968),
            ("Ca(OH)2", 74.092),
            ("CaCl2", 110.978),
            ("CaCl2.2H2O", 147.008),
            ("MgCl2", 95.205),
            ("MgCl2.6H2O", 203.295),
            ("MgSO4", 120.361),
            ("MgSO4.7H2O", 246.466),
            ("SrCl2", 158.52),
            ("SrCl2.6H2O", 266.61),
            ("KI", 166.0028),
        ] {
            close(salt(formula).molar_mass(), mass, 1e-4, formula);
        }
    }

    /// Rows `a3.per_gram.*`, computed with periodictable 2.1.0; tolerance 1e-4 relative.
    #[test]
    fn one_gram_carries_what_the_stoichiometry_says() {
        for (formula, meq) in [("Na2CO3", 18.8701), ("NaHCO3", 11.9039), ("NaOH", 25.002)] {
            close(salt(formula).meq_per_g(), meq, 1e-4, formula);
        }
        for (formula, symbol, mg) in [
            ("CaCl2.2H2O", "Ca", 272.6246),
            ("CaCl2", "Ca", 361.1346),
            ("MgCl2.6H2O", "Mg", 119.5553),
            ("MgSO4.7H2O", "Mg", 98.614),
            ("SrCl2.6H2O", "Sr", 328.6448),
            ("KI", "I", 764.472),
            ("KI", "K", 235.528),
        ] {
            close(salt(formula).mg_per_g(symbol), mg, 1e-4, formula);
        }
        assert!(salt("KI").mg_per_g("Ca").abs() < f64::EPSILON);
    }

    /// Rows `a3.grams.*`: grams for +1 dKH (0.356652 meq/L), +10 mg/L Ca or Mg, +0.01 mg/L I in 100 L; tolerance 1e-4 relative.
    #[test]
    fn a_hundred_litres_need_the_published_grams() {
        for (formula, grams) in [("Na2CO3", 1.89), ("NaHCO3", 2.9961)] {
            close(35.6652 / salt(formula).meq_per_g(), grams, 1e-4, formula);
        }
        for (formula, symbol, mg, grams) in [
            ("CaCl2.2H2O", "Ca", 1000.0, 3.668),
            ("CaCl2", "Ca", 1000.0, 2.7691),
            ("MgCl2.6H2O", "Mg", 1000.0, 8.3643),
            ("MgSO4.7H2O", "Mg", 1000.0, 10.1405),
            ("KI", "I", 1.0, 0.001_308_1),
        ] {
            close(mg / salt(formula).mg_per_g(symbol), grams, 1e-4, formula);
        }
    }

    #[test]
    fn the_balanced_pair_has_the_ratio_of_the_molar_masses() {
        close(
            salt("CaCl2.2H2O").molar_mass() / salt("Na2CO3").molar_mass(),
            1.387_03,
            1e-4,
            "a3.balanced.ratio",
        );
    }

    /// A second, independent reading of the formula text: a mistyped row of atoms is found here.
    fn atoms_of(formula: &str) -> BTreeMap<String, u32> {
        let mut all = BTreeMap::new();
        for part in formula.split('.') {
            let digits: String = part.chars().take_while(char::is_ascii_digit).collect();
            let times: u32 = digits.parse().unwrap_or(1);
            let rest: Vec<char> = part[digits.len()..].chars().collect();
            let mut group: Vec<(String, u32)> = Vec::new();
            let mut open = None;
            let mut k = 0;
            while k < rest.len() {
                let start = k;
                k += 1;
                let mut name = String::new();
                if rest[start] == '(' {
                    open = Some(group.len());
                    continue;
                } else if rest[start] != ')' {
                    name.push(rest[start]);
                    while k < rest.len() && rest[k].is_ascii_lowercase() {
                        name.push(rest[k]);
                        k += 1;
                    }
                }
                let mut number = String::new();
                while k < rest.len() && rest[k].is_ascii_digit() {
                    number.push(rest[k]);
                    k += 1;
                }
                let count = number.parse().unwrap_or(1);
                if rest[start] == ')' {
                    for item in &mut group[open.unwrap()..] {
                        item.1 *= count;
                    }
                } else {
                    group.push((name, count));
                }
            }
            for (name, count) in group {
                *all.entry(name).or_insert(0) += count * times;
            }
        }
        all
    }

    #[test]
    fn every_row_of_atoms_is_what_its_formula_says() {
        for salt in Salt::all() {
            let table: BTreeMap<String, u32> = salt
                .atoms()
                .map(|(atom, count)| (atom.symbol().to_owned(), u32::from(count)))
                .collect();
            assert_eq!(table, atoms_of(salt.formula()), "{salt}");
        }
    }

    #[test]
    fn formulas_are_read_with_dots_stars_and_any_capitals() {
        for text in [
            "CaCl2.2H2O",
            "CaCl2\u{b7}2H2O",
            "cacl2*2h2o",
            "  CACL2.2H2O ",
        ] {
            assert_eq!(salt(text).formula(), "CaCl2.2H2O");
        }
    }

    #[test]
    fn an_unknown_salt_is_an_error_that_lists_the_known_ones() {
        let message = Salt::from_formula("CuSO4").unwrap_err().to_string();
        assert!(
            message.contains("CuSO4") && message.contains("MgCl2.6H2O, MgSO4"),
            "{message}"
        );
    }
}
