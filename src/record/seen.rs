//! Outputs that were looked at and driven off, by a live start or by `outputs-off`.

use serde::{Deserialize, Serialize};

use super::stamp::Stamp;

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutputSeen {
    /// What hangs on it.
    pub what: String,
    pub place: OutputPlace,
    /// Whether it was certainly off already.
    pub was_off: bool,
    /// Whether it is off now.
    pub is_off: bool,
    /// The kernel's boot id.
    pub boot: String,
    #[serde(flatten)]
    pub at: Stamp,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputPlace {
    Gpio(u8),
    /// Chip and channel.
    Pwm(String, u8),
}
