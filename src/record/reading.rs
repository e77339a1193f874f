//! Water test results.

use jiff::Timestamp;

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::quantity::{Alkalinity, Concentration};

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
    pub measured: Quantity,
    pub value: ReadingValue,
    /// The method, in the owner's words.
    pub method: String,
    /// When the sample was taken.
    pub taken: Timestamp,
    pub who: Who,
    /// When it was written down.
    pub at: Stamp,
}
