//! Taking back what was told.

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
