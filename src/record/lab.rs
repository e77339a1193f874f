//! What a lab's columns are called, and what it writes where there is no number.

use std::collections::BTreeMap;

use crate::quantity::said;
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
    /// What stands where there is no number, in lower case.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub words: BTreeMap<String, NoNumber>,
}

/// Why there is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoNumber {
    /// Looked for, and below the detection limit.
    NotFound,
    NotMeasured,
}

said! {
    LabColumns: it => "columns of {}", it.lab;
}
