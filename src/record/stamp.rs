//! When something was written down, and who wanted it.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::quantity::Millis;

/// When something happened, on both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stamp {
    /// Wall time, as the system clock had it.
    pub wall: Timestamp,
    /// The elapsed clock of this boot (it counts through suspend and never steps).
    #[serde(rename = "elapsed_ms")]
    pub elapsed: Millis,
    /// Whether the wall clock was trusted then.
    pub trusted: bool,
}

/// Who asked for something.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Who {
    Plan,
    /// The daemon itself, for a reason of its own.
    Daemon,
    /// A local user on the control socket, by numeric id.
    Local {
        /// The peer's user id.
        uid: u32,
    },
    /// A sender on the broker, as far as the broker tells.
    Remote {
        /// What is known of the sender.
        name: String,
    },
}

impl fmt::Display for Who {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Plan => f.write_str("the plan"),
            Self::Daemon => f.write_str("dosewright itself"),
            Self::Local { uid } => write!(f, "local user {uid}"),
            Self::Remote { name } => write!(f, "{name}, by remote"),
        }
    }
}
