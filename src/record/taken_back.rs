//! Taking back what was told.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};

/// Something told, or a whole lab report, no longer counts. It stays in the record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TakenBack {
    /// Of the observation, or of the report.
    #[serde(rename = "observation")]
    pub number: i64,
    /// What counts in its place.
    pub replaced_by: Option<i64>,
    pub why: String,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl fmt::Display for TakenBack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "observation {} is ", self.number)?;
        match self.replaced_by {
            Some(by) => write!(f, "corrected by {by}")?,
            None => f.write_str("taken back")?,
        }
        write!(f, ": {}", self.why)
    }
}
