//! What a lab's columns are called.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};

/// The headings of a lab's reports, told once and then remembered.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LabColumns {
    pub lab: String,
    #[serde(flatten)]
    pub columns: Columns,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

/// Which heading holds what.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Columns {
    pub element: String,
    pub value: String,
    pub unit: String,
    /// Of the detection limit, where the reports have one.
    pub limit: Option<String>,
}

impl fmt::Display for LabColumns {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "columns of {}", self.lab)
    }
}
