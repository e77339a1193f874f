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

impl ReadingValue {
    /// Value and one standard uncertainty in the quantity's unit; below a detection limit that limit, the highest it can be.
    pub fn amount(&self) -> (f64, f64) {
        match self {
            Self::Alkalinity { value, uncertainty } => (value.as_dkh(), uncertainty.as_dkh()),
            Self::Concentration { value, uncertainty } => {
                (value.as_mg_per_l(), uncertainty.as_mg_per_l())
            }
            Self::Below { limit } => (limit.as_mg_per_l(), 0.0),
        }
    }
}

/// One water test result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct Reading {
    pub number: i64,
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

/// A reading as it is written: flat, so that a table of readings has a column for each.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    #[serde(rename = "observation")]
    number: i64,
    taken: Timestamp,
    measured: Quantity,
    form: Form,
    /// In `unit`; the detection limit of one below it.
    value: f64,
    /// One standard uncertainty, in `unit`; none below a detection limit.
    uncertainty: Option<f64>,
    unit: String,
    method: String,
    who: Who,
    #[serde(flatten)]
    at: Stamp,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Form {
    Value,
    Below,
}

impl From<Reading> for Written {
    fn from(reading: Reading) -> Self {
        let (form, value, uncertainty) = match reading.value {
            ReadingValue::Alkalinity { value, uncertainty } => {
                (Form::Value, value.as_dkh(), Some(uncertainty.as_dkh()))
            }
            ReadingValue::Concentration { value, uncertainty } => (
                Form::Value,
                value.as_mg_per_l(),
                Some(uncertainty.as_mg_per_l()),
            ),
            ReadingValue::Below { limit } => (Form::Below, limit.as_mg_per_l(), None),
        };
        Self {
            number: reading.number,
            taken: reading.taken,
            form,
            value,
            uncertainty,
            unit: reading.measured.unit().to_owned(),
            measured: reading.measured,
            method: reading.method,
            who: reading.who,
            at: reading.at,
        }
    }
}

impl TryFrom<Written> for Reading {
    type Error = String;

    fn try_from(written: Written) -> Result<Self, String> {
        let measured = written.measured;
        if written.unit != measured.unit() {
            let (unit, meant) = (written.unit, measured.unit());
            return Err(format!(
                "a reading of {measured} is in {meant}, not {unit:.20?}"
            ));
        }
        let value = match (written.form, &measured, written.uncertainty) {
            (Form::Value, Quantity::Alkalinity, Some(uncertainty)) => ReadingValue::Alkalinity {
                value: Alkalinity::from_dkh(written.value),
                uncertainty: Alkalinity::from_dkh(uncertainty),
            },
            (Form::Value, Quantity::Element(_), Some(uncertainty)) => ReadingValue::Concentration {
                value: Concentration::from_mg_per_l(written.value),
                uncertainty: Concentration::from_mg_per_l(uncertainty),
            },
            (Form::Below, Quantity::Element(_), None) => ReadingValue::Below {
                limit: Concentration::from_mg_per_l(written.value),
            },
            (Form::Below, Quantity::Alkalinity, _) => {
                return Err("alkalinity is never below a detection limit".to_owned());
            }
            (Form::Value, _, None) | (Form::Below, _, Some(_)) => {
                return Err(
                    "a value has an uncertainty, and one below a detection limit has none"
                        .to_owned(),
                );
            }
        };
        Ok(Self {
            number: written.number,
            measured,
            value,
            method: written.method,
            taken: written.taken,
            who: written.who,
            at: written.at,
        })
    }
}
