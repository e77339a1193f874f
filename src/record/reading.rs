//! Water test results.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::quantity::{Alkalinity, Concentration};

/// The value of a reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "form", rename_all = "kebab-case", deny_unknown_fields)]
pub enum ReadingValue {
    /// Alkalinity with its standard uncertainty.
    Alkalinity {
        #[serde(rename = "value_dkh")]
        value: Alkalinity,
        #[serde(rename = "uncertainty_dkh")]
        uncertainty: Alkalinity,
    },
    /// A concentration with its standard uncertainty.
    Concentration {
        #[serde(rename = "value_mg_per_l")]
        value: Concentration,
        #[serde(rename = "uncertainty_mg_per_l")]
        uncertainty: Concentration,
    },
    /// Below the method's detection limit: stays what it is.
    Below {
        #[serde(rename = "limit_mg_per_l")]
        limit: Concentration,
    },
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
