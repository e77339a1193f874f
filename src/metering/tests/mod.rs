//! Fitting, refusing and metering together, against the worked examples.

use super::*;
use crate::quantity::{Millis, Volume};

mod fitting;
mod limits;
mod metering;
mod scatter;

/// Rows a5.offset.data_t and data_v: run times in s and uL delivered, three replicates each (made up).
const OFFSET_RUNS: [(i64, i64); 15] = [
    (2, 1_310),
    (2, 1_360),
    (2, 1_280),
    (5, 3_720),
    (5, 3_660),
    (5, 3_790),
    (10, 7_740),
    (10, 7_680),
    (10, 7_830),
    (20, 15_790),
    (20, 15_700),
    (20, 15_880),
    (40, 31_920),
    (40, 31_710),
    (40, 32_050),
];

fn runs(list: &[(i64, i64)]) -> Vec<Run> {
    list.iter()
        .map(|(seconds, ul)| Run {
            on_time: Millis::from_secs(*seconds),
            volume: Volume::from_ul(*ul),
        })
        .collect()
}

fn fitted(list: &[(i64, i64)]) -> Result<CalibrationFit, CalibrationRefusal> {
    fit(&runs(list), &FitRules::default())
}

fn close(got: f64, want: f64, relative: f64) {
    assert!((got / want - 1.0).abs() < relative, "{got} is not {want}");
}
