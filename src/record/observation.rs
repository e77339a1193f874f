//! Everything that is told of the water and of the work on it: readings, a lab's rows, water changes, additions by hand, notes, jobs done. All of it is numbered in one row.

use std::borrow::Cow;
use std::fmt;

use jiff::Timestamp;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Serialize};

use super::dose::Carried;
use super::stamp::{Stamp, Who};
use crate::chemistry::Measurand;
use crate::quantity::{Lines, Name, Volume, Words};

/// Largest value of any reading, in its own unit; salt itself is below it.
const READING_MAX: f64 = 100_000.0;

/// One thing told of the water.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Observation {
    #[serde(rename = "observation")]
    pub number: i64,
    #[serde(flatten)]
    pub what: Observed,
    /// The number of the lab report whose row it is; the lab is the method then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub panel: Option<i64>,
    /// In the owner's words, or the lab's name.
    pub method: String,
    /// When it was so: when the sample was taken, when it was done.
    #[schemars(with = "String")]
    pub happened: Timestamp,
    #[schemars(with = "String")]
    pub who: Who,
    /// When it was written down.
    #[serde(flatten)]
    pub at: Stamp,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub enum Observed {
    Reading(Reading),
    WaterChange {
        litres: f64,
        /// What the new water held, by quantity in its unit; what is not here is not known.
        held: Carried,
    },
    Addition(Addition),
    Note {
        text: String,
    },
    /// A job of the owner's that is done.
    Job {
        job: Name,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub of: Measurand,
    pub found: Found,
    /// The step that the test is read to, in the measurand's unit; `None` when nobody told it.
    pub step: Option<f64>,
    /// What was typed or printed, where the number alone would lose something.
    pub as_read: String,
}

/// What a test found, in the measurand's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Found {
    Value {
        value: f64,
        /// One standard uncertainty.
        uncertainty: f64,
    },
    /// Below the method's detection limit: stays what it is.
    Below(f64),
}

/// What was added by hand.
#[derive(Debug, Clone, PartialEq)]
pub struct Addition {
    /// So much of which solution; `None` when it was told by what it adds.
    pub from: Option<(Name, Volume)>,
    /// What it added to the tank, by quantity in its unit.
    pub adds: Carried,
}

impl Found {
    /// Value and one standard uncertainty; below a detection limit that limit, the highest it can be.
    pub const fn amount(self) -> (f64, f64) {
        match self {
            Self::Value { value, uncertainty } => (value, uncertainty),
            Self::Below(limit) => (limit, 0.0),
        }
    }

    /// `None` below a detection limit.
    pub const fn value(self) -> Option<f64> {
        match self {
            Self::Value { value, .. } => Some(value),
            Self::Below(_) => None,
        }
    }
}

impl Observed {
    pub const fn reading(&self) -> Option<&Reading> {
        if let Self::Reading(reading) = self {
            Some(reading)
        } else {
            None
        }
    }

    /// What was added by hand, by quantity.
    pub const fn added(&self) -> Option<&Carried> {
        if let Self::Addition(addition) = self {
            Some(&addition.adds)
        } else {
            None
        }
    }

    /// What can be compared with each other, and corrected into each other: a kind, and of readings what they are of.
    pub fn subject(&self) -> (ObservedKind, &str) {
        match self {
            Self::Reading(reading) => (ObservedKind::Reading, reading.of.as_str()),
            Self::WaterChange { .. } => (ObservedKind::WaterChange, ""),
            Self::Addition(_) => (ObservedKind::Addition, ""),
            Self::Note { .. } => (ObservedKind::Note, ""),
            Self::Job { job } => (ObservedKind::Job, job.as_str()),
        }
    }
}

impl Observation {
    pub const fn reading(&self) -> Option<&Reading> {
        self.what.reading()
    }

    /// Whether a number is its own, or its report's.
    pub fn is(&self, number: i64) -> bool {
        self.number == number || self.panel == Some(number)
    }
}

impl fmt::Display for Reading {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let of = &self.of;
        match self.found {
            Found::Value { value, uncertainty } => {
                write!(f, "{of} {} +- {}", of.shown(value), of.shown(uncertainty))?;
                match self.step.filter(|step| *step > 0.0) {
                    Some(step) => write!(f, ", read to {}", of.shown(step)),
                    None => Ok(()),
                }
            }
            Found::Below(limit) => write!(f, "{of} below {}", of.shown(limit)),
        }
    }
}

impl fmt::Display for Observed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let list = |all: &Carried| {
            let each = all
                .iter()
                .map(|(of, amount)| format!("{of} {}", of.amount(*amount)));
            each.collect::<Vec<_>>().join(", ")
        };
        match self {
            Self::Reading(reading) => reading.fmt(f),
            Self::WaterChange { litres, held } if held.is_empty() => write!(
                f,
                "water change of {litres} L, what the new water held is not on record"
            ),
            Self::WaterChange { litres, held } => {
                write!(
                    f,
                    "water change of {litres} L, new water with {}",
                    list(held)
                )
            }
            Self::Addition(Addition { from, adds }) => {
                f.write_str("added by hand: ")?;
                if let Some((solution, volume)) = from {
                    write!(f, "{volume} of {solution}, which makes ")?;
                }
                f.write_str(&list(adds))
            }
            Self::Note { text } => f.write_str(text),
            Self::Job { job } => write!(f, "job {job} done"),
        }
    }
}

#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum ObservedKind {
    Reading,
    WaterChange,
    Addition,
    Note,
    Job,
}

/// It as it is written: flat, so that a table has a column for each. What a kind does not have is not there.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Written {
    what: ObservedKind,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    of: Option<String>,
    /// In `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    /// One standard uncertainty, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    uncertainty: Option<f64>,
    /// The step that the test is read to, in `unit`; with a value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    step: Option<f64>,
    /// The detection limit it is below, in `unit`; in place of a value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    below: Option<f64>,
    /// dKH, mg/L, C, nothing for salinity, or the scale of a pH.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    unit: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    as_read: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    litres: Option<f64>,
    /// By quantity: dKH of alkalinity, mg/L of an element.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    held: Option<Carried>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<String>")]
    solution: Option<Name>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<i64>")]
    volume_ul: Option<Volume>,
    /// By quantity: dKH of alkalinity, mg/L of an element.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    adds: Option<Carried>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    text: Option<String>,
}

impl JsonSchema for Observed {
    fn schema_name() -> Cow<'static, str> {
        "Observed".into()
    }

    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        Written::json_schema(generator)
    }
}

impl Written {
    const fn of_kind(what: ObservedKind) -> Self {
        Self {
            what,
            of: None,
            value: None,
            uncertainty: None,
            step: None,
            below: None,
            unit: None,
            as_read: None,
            litres: None,
            held: None,
            solution: None,
            volume_ul: None,
            adds: None,
            text: None,
        }
    }
}

impl From<Observed> for Written {
    fn from(observed: Observed) -> Self {
        let written = Self::of_kind(observed.subject().0);
        match observed {
            Observed::Reading(Reading {
                of,
                found,
                step,
                as_read,
            }) => {
                let (value, uncertainty) = found.amount();
                let known = found.value().is_some();
                Self {
                    of: Some(of.to_string()),
                    value: known.then_some(value),
                    uncertainty: known.then_some(uncertainty),
                    step: step.filter(|_| known),
                    below: (!known).then_some(value),
                    unit: Some(of.unit().to_owned()),
                    as_read: (!as_read.is_empty()).then_some(as_read),
                    ..written
                }
            }
            Observed::WaterChange { litres, held } => Self {
                litres: Some(litres),
                held: Some(held),
                ..written
            },
            Observed::Addition(Addition { from, adds }) => {
                let (solution, volume_ul) = from.unzip();
                Self {
                    solution,
                    volume_ul,
                    adds: Some(adds),
                    ..written
                }
            }
            Observed::Note { text } => Self {
                text: Some(text),
                ..written
            },
            Observed::Job { job } => Self {
                of: Some(job.to_string()),
                ..written
            },
        }
    }
}

impl TryFrom<Written> for Observed {
    type Error = String;

    fn try_from(mut written: Written) -> Result<Self, String> {
        let what = written.what;
        let taken = match what {
            ObservedKind::Reading => Self::Reading(reading(&mut written)?),
            ObservedKind::WaterChange => Self::WaterChange {
                litres: written.litres.take().ok_or("a water change has litres")?,
                held: amounts(written.held.take())?,
            },
            ObservedKind::Addition => {
                let from = match (written.solution.take(), written.volume_ul.take()) {
                    (Some(solution), Some(volume)) if volume.is_told() => Some((solution, volume)),
                    (None, None) => None,
                    _ => {
                        return Err("an addition of a solution has solution and volume_ul, 0.001 mL to 1000 L".to_owned());
                    }
                };
                let adds = amounts(written.adds.take())?;
                if from.is_none() && adds.is_empty() {
                    return Err(
                        "an addition has solution and volume_ul, or what it adds".to_owned()
                    );
                }
                Self::Addition(Addition { from, adds })
            }
            ObservedKind::Note => Self::Note {
                text: Lines::new(&written.text.take().ok_or("a note has a text")?)?.into(),
            },
            ObservedKind::Job => {
                let of = written.of.take().ok_or("a job has a name, in of")?;
                let job = Name::new(&of).map_err(|error| error.to_string())?;
                Self::Job { job }
            }
        };
        if written == Written::of_kind(what) {
            Ok(taken)
        } else {
            Err("it has a key that belongs to another kind of observation".to_owned())
        }
    }
}

fn reading(written: &mut Written) -> Result<Reading, String> {
    let of = written.of.take().ok_or("a reading is of something")?;
    let of = Measurand::new(&of, written.unit.take().as_deref())?;
    let known = (
        written.value.take(),
        written.uncertainty.take(),
        written.below.take(),
    );
    let found = match known {
        (Some(value), Some(uncertainty), None) => Found::Value { value, uncertainty },
        (None, None, Some(limit)) if of.has_detection_limit() => Found::Below(limit),
        (None, None, Some(_)) => {
            return Err(format!(
                "{of} is never below a detection limit; give its value"
            ));
        }
        _ => {
            return Err(
                "a reading has value and uncertainty, or below alone where there is a detection limit"
                    .to_owned(),
            );
        }
    };
    let (value, uncertainty) = found.amount();
    let step = written.step.take();
    if ![value, uncertainty, step.unwrap_or(0.0)]
        .iter()
        .all(|v| can_be(*v))
    {
        return Err(format!(
            "a reading of {value} with an uncertainty of {uncertainty}, read to {}, is out of range",
            step.unwrap_or(0.0)
        ));
    }
    let as_read = Words::new(&written.as_read.take().unwrap_or_default()).into();
    Ok(Reading {
        of,
        found,
        step,
        as_read,
    })
}

fn can_be(value: f64) -> bool {
    (0.0..=READING_MAX).contains(&value)
}

fn amounts(told: Option<Carried>) -> Result<Carried, String> {
    let told = told.unwrap_or_default();
    match told.iter().find(|(_, amount)| !can_be(**amount)) {
        Some((of, amount)) => Err(format!("{amount} {} of {of} is out of range", of.unit())),
        None => Ok(told),
    }
}
