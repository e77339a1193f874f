//! Calibrations of heads and checks of them.

use serde::{Deserialize, Serialize};

use super::dose::DoseId;
use super::stamp::{Stamp, Who};
use crate::metering::{
    Calibration, Coverage, MeteringLimits, OnRecord, Outcome, Run, Verification,
};
use crate::quantity::{Millis, Name, Volume, said};

/// A head's calibration as stored.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StoredCalibration {
    pub head: Name,
    #[serde(flatten)]
    pub calibration: Calibration,
    /// Coefficient of variation of the runs; `None` when it is not from runs.
    pub variation: Option<f64>,
    /// What it covers; `None` when it is not from runs.
    pub limits: Option<MeteringLimits>,
    /// Whether its runs were those of a simulated head: such a calibration meters nothing real.
    pub simulated: bool,
    /// The runs that it is from, as they were entered.
    pub runs: Vec<CalibrationRun>,
    /// The step of the vessel or scale that they were read by; `None` when it is not on record.
    #[serde(rename = "resolution_ul")]
    pub resolution: Option<Volume>,
    /// What volumes were read from weights by, in words; empty when they were read in mL.
    pub weighing: String,
    /// How fast the head was driven, see `HeadOutput::speed`.
    pub drive: String,
    /// How it was got, in words.
    pub method: String,
    /// Why its rate was asked about before it was taken, in words; empty when it was as expected. It doses once a run was checked.
    pub questioned: String,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl StoredCalibration {
    /// Which doses it covers within the tolerance that is set now, %.
    pub fn coverage(&self, tolerance_percent: f64) -> Coverage {
        if self.variation.is_none() {
            return Coverage::Assumed;
        }
        let runs = CalibrationRun::used(&self.runs);
        let on_record = OnRecord {
            calibration: self.calibration,
            limits: self.limits,
            runs: &runs,
            resolution: self.resolution,
        };
        match on_record.limits_within(tolerance_percent) {
            Ok(limits) => Coverage::Limits(limits),
            Err(why) => Coverage::Unknown(why),
        }
    }
}

/// One run of a calibration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationRun {
    /// How long the head was on.
    #[serde(rename = "on_time_ms")]
    pub on_time: Millis,
    #[serde(rename = "volume_ul")]
    pub volume: Volume,
    /// As the owner wrote it: `14.8 mL`, `14.76 g`.
    pub typed: String,
    /// The dose that it was; `None` for a run that was timed by hand.
    pub dose: Option<DoseId>,
    /// Whether it counts; a reading that was taken back or replaced is kept and does not.
    pub used: bool,
}

impl CalibrationRun {
    /// What is fitted: the runs that count.
    pub fn used(runs: &[Self]) -> Vec<Run> {
        let bare = |run: &Self| Run {
            on_time: run.on_time,
            volume: run.volume,
        };
        runs.iter().filter(|run| run.used).map(bare).collect()
    }
}

/// One metered run, held against what was measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StoredVerification {
    pub head: Name,
    /// The dose that it was.
    pub dose: DoseId,
    /// What the books say that came out.
    #[serde(rename = "expected_ul")]
    pub expected: Volume,
    #[serde(rename = "measured_ul")]
    pub measured: Volume,
    /// As the owner wrote it.
    pub typed: String,
    /// What it was judged by, %.
    pub tolerance_percent: f64,
    /// Run time of the head since its calibration, this run included.
    #[serde(rename = "run_since_ms")]
    pub run_since: Millis,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl StoredVerification {
    /// What was measured, without who and when.
    pub fn bare(&self) -> Verification {
        Verification {
            run_time: self.run_since,
            expected: self.expected,
            measured: self.measured,
        }
    }

    /// Whether it was within what it was judged by.
    pub fn passed(&self) -> bool {
        self.bare().judge(self.tolerance_percent) == Ok(Outcome::Passed)
    }
}

said! {
    StoredCalibration: it => "head {} calibrated: {}", it.head, it.calibration.rate();
}

said! {
    StoredVerification: it => "head {} checked: {} measured where {} should be", it.head, it.measured, it.expected;
}
