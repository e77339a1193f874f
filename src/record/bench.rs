//! Sessions at the bench: the outlet of a head is out of the tank, and what it gives goes into a vessel.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::calibration::CalibrationRun;
use super::dose::{DoseId, PastDose};
use super::stamp::{Stamp, Who};
use crate::quantity::{Name, Volume};

/// A word on a session. Each is written down whole; the newest of a head counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bench {
    /// The number of the session, counted up from 1.
    #[serde(rename = "bench")]
    pub number: i64,
    pub head: Name,
    pub line: Name,
    pub what: BenchStep,
    /// The most that its runs may give together; doses of the plan into a bucket are left out.
    #[serde(rename = "cap_ul")]
    pub cap: Volume,
    /// How many days the plan runs into a bucket; `None` when it waits.
    pub bucket_days: Option<u32>,
    /// The first dose that can be of the session.
    pub first_dose: DoseId,
    /// The last dose before this was written down.
    pub last_dose: DoseId,
    pub opened: Timestamp,
    /// What was measured of the head's runs and is in no calibration yet, what was taken back or replaced included.
    pub runs: Vec<CalibrationRun>,
    /// In the owner's words.
    pub note: String,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

/// What is written down of a session.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BenchStep {
    /// The outlet is out of the tank.
    Opened,
    /// The outlet is back in the tank.
    OutletBack,
    /// Nobody knows where the outlet was: what the session gave counts as given to the tank.
    Silent,
    /// What came out in a run was measured.
    Measured,
    /// The head has a new tube: its calibration is void, its wear starts anew.
    NewTube,
}

impl Bench {
    /// Whether a dose is one of those until this was written down.
    pub fn covers(&self, dose: &PastDose) -> bool {
        self.head == dose.head && (self.first_dose..=self.last_dose).contains(&dose.id)
    }
}

impl fmt::Display for BenchStep {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

impl fmt::Display for Bench {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "head {} at the bench: {}", self.head, self.what)
    }
}
