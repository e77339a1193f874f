//! What is kept track of in the water: alkalinity, or an element.

use std::borrow::Cow;
use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::element::Element;
use super::unit::Unit;

/// One water quantity. Amounts of it per litre of water are in its own unit: dKH for alkalinity, mg/L for an element.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Total alkalinity.
    Alkalinity,
    Element(Element),
}

/// Other words that people use for it.
const ALKALINITY_WORDS: [&str; 3] = ["alkalinity", "KH", "dKH"];

impl Quantity {
    /// `alkalinity`, the element's English name in lower case, or its symbol where it has none here: the word everywhere.
    pub fn as_str(&self) -> &str {
        match self {
            Self::Alkalinity => "alkalinity",
            Self::Element(element) => element.name(),
        }
    }

    pub fn all() -> impl Iterator<Item = Self> {
        std::iter::once(Self::Alkalinity).chain(Element::all().map(Self::Element))
    }

    /// An element's symbol; the name of anything else.
    pub fn symbol(&self) -> &str {
        self.element().map_or(self.as_str(), Element::symbol)
    }

    /// What is dissolved and counted in mg/L, by its symbol; `None` for what is not.
    pub fn dissolved(symbol: &str) -> Option<Self> {
        Self::all().find(|of| of.unit() == Unit::MgPerL && of.symbol() == symbol)
    }

    /// From a name, an element's symbol, or `KH`; `None` for a word that is none of them.
    pub fn from_word(word: &str) -> Option<Self> {
        if ALKALINITY_WORDS.contains(&word) {
            return Some(Self::Alkalinity);
        }
        Element::new(word)
            .or_else(|| Element::from_name(word))
            .map(Self::Element)
    }

    /// `None` for alkalinity.
    pub const fn element(&self) -> Option<&Element> {
        match self {
            Self::Alkalinity => None,
            Self::Element(element) => Some(element),
        }
    }

    /// The unit of an amount of it per litre of water.
    pub const fn unit(&self) -> Unit {
        match self {
            Self::Alkalinity => Unit::Dkh,
            Self::Element(_) => Unit::MgPerL,
        }
    }

    /// An amount of it per litre of water, given in its unit, as it is shown.
    pub fn amount(&self, amount: f64) -> String {
        self.unit().amount(amount)
    }

    /// Whether none may be added while no uptake of it is established; of any other without one the animals are taken to use nothing.
    pub const fn needs_uptake(&self) -> bool {
        match self {
            Self::Alkalinity => true,
            Self::Element(_) => false,
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl Serialize for Quantity {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for Quantity {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = String::deserialize(deserializer)?;
        Self::from_word(&word).ok_or_else(|| {
            D::Error::custom(format!(
                "\"{}\" is no water quantity; give alkalinity or an element such as calcium or Ca",
                word.chars().take(60).collect::<String>()
            ))
        })
    }
}

impl JsonSchema for Quantity {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Quantity".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        String::json_schema(generator)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_is_found_by_name_symbol_and_the_trade_s_letters() {
        let calcium = Quantity::from_word("Ca").unwrap();
        assert_eq!(Quantity::from_word("calcium"), Some(calcium.clone()));
        assert_eq!(calcium.as_str(), "calcium");
        assert_eq!(Quantity::from_word("KH"), Some(Quantity::Alkalinity));
        assert_eq!(Quantity::from_word("cal"), None);
        let text = serde_json::to_string(&calcium).unwrap();
        assert_eq!(serde_json::from_str::<Quantity>(&text).unwrap(), calcium);
        assert!(serde_json::from_str::<Quantity>("\"kalk\"").is_err());
    }

    #[test]
    fn every_element_has_a_name_of_its_own() {
        let mut names = std::collections::BTreeSet::new();
        for element in Element::all() {
            assert!(
                names.insert(element.name().to_owned()),
                "{element} shares a name"
            );
            assert_eq!(Element::from_name(element.name()), Some(element));
        }
    }
}
