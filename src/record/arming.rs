//! The owner's acceptance of the cautions.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};

/// The owner's recorded acceptance of the cautions, or its end. Without one that matches nothing is driven.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Arming {
    pub armed: bool,
    /// Identifies the configuration and the board that it is for.
    pub fingerprint: String,
    /// The board, in words.
    pub hardware: String,
    /// What was typed; empty for a disarming.
    pub sentence: String,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl fmt::Display for Arming {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.armed {
            "outputs are driven from now on"
        } else {
            "outputs are no longer driven"
        })
    }
}
