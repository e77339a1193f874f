//! Water test results.

use std::fmt;

use jiff::Timestamp;

use super::stamp::{Stamp, Who};
use crate::chemistry::Element;
use crate::quantity::{Alkalinity, Concentration};

/// What a reading measured.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measured {
    Alkalinity,
    Element(Element),
}

impl Measured {
    /// `alkalinity`, or the symbol of the element: the word in the ledger, on the socket and to people.
    pub fn as_str(&self) -> &str {
        match self {
            Self::Alkalinity => "alkalinity",
            Self::Element(element) => element.symbol(),
        }
    }

    /// Back from [`Self::as_str`]; `None` for a word that is neither.
    pub fn from_word(word: &str) -> Option<Self> {
        if word == "alkalinity" {
            return Some(Self::Alkalinity);
        }
        Element::new(word).map(Self::Element)
    }

    /// The element; `None` for alkalinity.
    pub const fn element(&self) -> Option<&Element> {
        match self {
            Self::Alkalinity => None,
            Self::Element(element) => Some(element),
        }
    }
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// The value of a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ReadingValue {
    /// Alkalinity with its standard uncertainty.
    Alkalinity {
        value: Alkalinity,
        uncertainty: Alkalinity,
    },
    /// A concentration with its standard uncertainty.
    Concentration {
        value: Concentration,
        uncertainty: Concentration,
    },
    /// Below the method's detection limit: stays what it is.
    Below { limit: Concentration },
}

/// One water test result.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub measured: Measured,
    pub value: ReadingValue,
    /// The method, in the owner's words.
    pub method: String,
    /// When the sample was taken.
    pub taken: Timestamp,
    pub who: Who,
    /// When it was written down.
    pub at: Stamp,
}
