//! Heads in words, as `check` prints them.

use crate::config::{Head, OldCalibration};

pub(super) fn head_words(head: &Head) -> String {
    let old = match head.calibration_old {
        OldCalibration::Warn => "an alarm",
        OldCalibration::Block => "no dose",
    };
    format!(
        "{}; {} nominal, runs of at most {}, doses of at least {}; calibration older than {:.0} days or {:.1} h of running: {old}",
        head.output,
        head.nominal_rate,
        head.run_max,
        head.dose_min,
        head.calibration_age_max.as_days(),
        head.calibration_run_max.as_secs() / 3600.0
    )
}
