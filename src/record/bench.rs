//! Sessions at the bench: the outlet of a head is out of the tank, and what it gives goes into a vessel.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::calibration::CalibrationRun;
use super::dose::{DoseId, PastDose};
use super::stamp::{Stamp, Who};
use crate::quantity::{Name, Volume, said, worded};

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

worded! {
    /// What is written down of a session.
    pub enum BenchStep {
        /// The outlet is out of the tank.
        Opened = "opened",
        /// The outlet is back in the tank.
        OutletBack = "outlet-back",
        /// Nobody knows where the outlet was: what the session gave counts as given to the tank.
        Silent = "silent",
        /// What came out in a run was measured.
        Measured = "measured",
        /// The head has a new tube: its calibration is void, its wear starts anew.
        NewTube = "new-tube",
    }
}

impl Bench {
    /// Whether a dose is one of those until this was written down.
    pub fn covers(&self, dose: &PastDose) -> bool {
        self.head == dose.head && (self.first_dose..=self.last_dose).contains(&dose.id)
    }
}

said! {
    Bench: it => "head {} at the bench: {}", it.head, it.what;
}
