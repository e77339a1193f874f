//! Books that may have forgotten something.

use serde::{Deserialize, Serialize};

use super::stamp::Stamp;

/// What the ledger may lack of the time before this moment counts as given.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Forgotten {
    pub why: String,
    #[serde(flatten)]
    pub at: Stamp,
}

/// The newest of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastForgotten {
    pub record: Forgotten,
    /// Session it belongs to, an index into `History::sessions`; `None` when it is older than any window.
    pub session: Option<usize>,
    /// Highest number of anything told before it: what was added since such a reading is not known.
    pub told_last: i64,
}
