//! When something was written down, and who wanted it.

use std::fmt;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::quantity::Millis;

/// When something happened, on both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Stamp {
    /// Wall time, as the system clock had it.
    #[serde(rename = "at")]
    #[schemars(with = "String")]
    pub wall: Timestamp,
    /// The elapsed clock of this boot (it counts through suspend and never steps).
    #[serde(rename = "elapsed_ms")]
    pub elapsed: Millis,
    /// Whether the wall clock was trusted then.
    #[serde(rename = "clock_trusted")]
    pub trusted: bool,
}

/// Who asked for something. Written as one word: `plan`, `daemon`, `local:1000`, `remote:NAME`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
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

impl From<Who> for String {
    fn from(who: Who) -> Self {
        match who {
            Who::Plan => "plan".to_owned(),
            Who::Daemon => "daemon".to_owned(),
            Who::Local { uid } => format!("local:{uid}"),
            Who::Remote { name } => format!("remote:{name}"),
        }
    }
}

impl TryFrom<String> for Who {
    type Error = String;

    fn try_from(word: String) -> Result<Self, String> {
        let read = match word.split_once(':') {
            None if word == "plan" => Some(Self::Plan),
            None if word == "daemon" => Some(Self::Daemon),
            Some(("local", uid)) => uid.parse().ok().map(|uid| Self::Local { uid }),
            Some(("remote", name)) => Some(Self::Remote {
                name: name.to_owned(),
            }),
            None | Some(_) => None,
        };
        read.ok_or_else(|| {
            format!(
                "{word:.60?} does not say who asked; that is plan, daemon, local:UID or remote:NAME"
            )
        })
    }
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

#[cfg(test)]
impl Stamp {
    /// A trusted one at the beginning of a boot, for tests.
    pub(crate) fn trusted_at(wall: &str) -> Self {
        Self {
            wall: wall.parse().unwrap(),
            elapsed: Millis::ZERO,
            trusted: true,
        }
    }
}
