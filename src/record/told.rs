//! What was told of the water, of whichever kind. All of it is numbered in one row.

use jiff::Timestamp;

use super::entry::Entry;
use super::fact::{Fact, FactKind};
use super::reading::{Reading, ReadingValue};

/// What was told, and still counts.
#[derive(Debug, Clone, PartialEq)]
pub enum Told {
    Reading(Reading),
    Fact(Fact),
}

impl Told {
    /// `None` for an entry that nobody told of the water.
    pub fn from_entry(entry: Entry) -> Option<Self> {
        if let Entry::Reading(reading) = entry {
            Some(Self::Reading(reading))
        } else if let Entry::Fact(fact) = entry {
            Some(Self::Fact(fact))
        } else {
            None
        }
    }

    pub const fn reading(&self) -> Option<&Reading> {
        match self {
            Self::Reading(reading) => Some(reading),
            Self::Fact(_) => None,
        }
    }

    pub const fn number(&self) -> i64 {
        match self {
            Self::Reading(reading) => reading.number,
            Self::Fact(fact) => fact.number,
        }
    }

    /// When it was so.
    pub const fn happened(&self) -> Timestamp {
        match self {
            Self::Reading(reading) => reading.taken,
            Self::Fact(fact) => fact.happened,
        }
    }

    /// What can be compared with each other: tests of one quantity, or other facts of one kind.
    pub fn subject(&self) -> (Option<FactKind>, &str) {
        match self {
            Self::Reading(reading) => (None, reading.measured.as_str()),
            Self::Fact(fact) if fact.kind == FactKind::Water => (None, &fact.name),
            Self::Fact(fact) => (Some(fact.kind), ""),
        }
    }

    /// What a test found, in the unit of the record (alkalinity in meq/L); `None` below a detection limit.
    pub fn level(&self) -> Option<f64> {
        match self {
            Self::Reading(reading) => match reading.value {
                ReadingValue::Alkalinity { value, .. } => Some(value.as_meq_per_l()),
                ReadingValue::Concentration { value, .. } => Some(value.as_mg_per_l()),
                ReadingValue::Below { .. } => None,
            },
            Self::Fact(fact) if fact.kind == FactKind::Water => {
                fact.value.filter(|_| fact.uncertainty.is_some())
            }
            Self::Fact(_) => None,
        }
    }
}
