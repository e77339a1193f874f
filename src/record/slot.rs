//! Slots that were not given.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::stamp::Stamp;
use crate::plan::SlotKey;
use crate::quantity::{Name, Volume, local};

/// A slot that was not given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SlotNotGiven {
    #[serde(flatten)]
    pub key: SlotKey,
    /// When it was due.
    pub due: Timestamp,
    #[serde(rename = "volume_ul")]
    pub volume: Volume,
    /// Missed (nobody was there in time) or refused (an interlock).
    pub kind: NotGiven,
    /// The reason in words, with its numbers.
    pub reason: String,
    /// A short stable code of the reason, for programs.
    pub code: String,
    /// When it was written down.
    #[serde(flatten)]
    pub at: Stamp,
}

/// Why a slot was not given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotGiven {
    /// Its time passed while the daemon was off, the clock unsure, or the clock jumped over it.
    Missed,
    /// An interlock did not allow it.
    Refused,
}

impl NotGiven {
    /// The word for the log and the displays.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Missed => "dose-missed",
            Self::Refused => "dose-refused",
        }
    }
}

/// Slots of one line that were missed together, in an outage: a range, so that a year's outage is one row.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutageMissed {
    pub line: Name,
    /// First instant of the outage, exclusive.
    pub from: Timestamp,
    pub until: Timestamp,
    /// Slots missed; `None` when the outage is too long to count them one by one.
    pub slots: Option<u32>,
    /// Their volume; `None` likewise.
    #[serde(rename = "volume_ul")]
    pub volume: Option<Volume>,
    /// When it was written down.
    #[serde(flatten)]
    pub at: Stamp,
}

impl OutageMissed {
    pub fn words(&self, zone: &TimeZone) -> String {
        let doses = self.slots.map_or_else(
            || "more doses than were counted".to_owned(),
            |slots| format!("{slots} doses"),
        );
        let [from, until] = [self.from, self.until].map(|at| local(at, zone));
        format!("{doses} missed from {from} to {until}; they are not made up")
    }
}

impl SlotNotGiven {
    pub fn words(&self, zone: &TimeZone) -> String {
        let due = local(self.due, zone);
        format!("{} due at {due}: {}", self.volume, self.reason)
    }
}
