//! The elements that reef solutions and lab panels speak of.

use std::fmt;

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
