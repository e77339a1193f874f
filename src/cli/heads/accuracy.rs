//! What a certificate says of accuracy: the error by length of time, and the terms of API 675.

use crate::config::Loaded;
use crate::metering::{
    API675_LINEARITY_PERCENT, API675_STEADY_STATE_PERCENT, Linearity, Sample, Trumpet,
    steady_state_percent,
};
use crate::plan::Schedule;
use crate::quantity::{Millis, Name, f64_from_i64, f64_from_usize};
use crate::record::{CalibrationRun, StoredCalibration, StoredVerification};

/// A head with its calibration and the checks since.
#[derive(Clone, Copy)]
pub(crate) struct Measured<'a> {
    pub(crate) head: &'a Name,
    pub(crate) stored: &'a StoredCalibration,
    pub(crate) checks: &'a [StoredVerification],
}

/// Doses of the head's line a day, for the length of a window.
fn doses_a_day(of: &Measured<'_>, loaded: &Loaded) -> Option<f64> {
    let line = loaded.controller.line_of_head(of.head).ok()?;
    let all = crate::plan::plan_daily_volumes(&loaded.plan);
    let daily = all.get(&line.name).copied()?;
    let schedule = Schedule::new(loaded.controller.clone().into(), &loaded.plan);
    let dose = schedule.largest_slot(&line.name, &all)?;
    let doses = (f64_from_i64(daily.as_ul()) / f64_from_i64(dose.as_ul().max(1))).round();
    (doses >= 1.0).then_some(doses)
}

/// The delivery error by length of time, if doses erred as the checks did, one after the other (IEC 60601-2-24 draws it so from a flow).
pub(crate) fn trumpet(of: &Measured<'_>, loaded: &Loaded) -> Option<Trumpet> {
    let a_day = doses_a_day(of, loaded)?;
    let samples: Vec<Sample> = of
        .checks
        .iter()
        .map(|check| Sample {
            planned: check.expected,
            delivered: check.measured,
        })
        .collect();
    let sample = Millis::from_secs_f64(86_400.0 / a_day)?;
    let windows: Vec<Millis> = [1_i64, 2, 4, 8, 16, 32]
        .into_iter()
        .filter(|doses| f64_from_i64(*doses) <= f64_from_usize(samples.len()))
        .map(|doses| Millis::new(sample.as_ms().saturating_mul(doses)))
        .collect();
    Trumpet::of(&samples, sample, &windows).ok()
}

pub(crate) fn accuracy_lines(of: &Measured<'_>, loaded: &Loaded) -> Vec<String> {
    let mut lines = Vec::new();
    match trumpet(of, loaded).filter(|_| of.checks.len() >= 2) {
        Some(trumpet) => {
            lines.push(format!(
                "error by length of time, if doses err as the {} checks did one after the other (overall {:+.1} %):",
                of.checks.len(),
                trumpet.overall_percent
            ));
            lines.extend(trumpet.points.iter().map(|p| {
                format!(
                    "  over {}: {:+.1} to {:+.1} % ({} windows)",
                    p.window, p.error_min_percent, p.error_max_percent, p.windows
                )
            }));
        }
        None => lines.push(
            "error by length of time: needs two checks (`dosewright bench HEAD verify`) of a planned line"
                .to_owned(),
        ),
    }
    let flows = longest_flows(of.stored);
    if let Some(percent) = steady_state_percent(&flows) {
        lines.push(format!(
            "steady-state accuracy, API 675: +/- {percent:.2} % over {} runs of the longest length (the standard asks for {API675_STEADY_STATE_PERCENT} %)",
            flows.len()
        ));
    }
    if let Some(linearity) = linearity(of.stored) {
        lines.push(format!(
            "linearity over run time, in the manner of API 675: {:.2} % of the longest run's volume (the standard asks for {API675_LINEARITY_PERCENT} % of rated flow)",
            linearity.percent_of_rated
        ));
    }
    lines
}

/// mL/min of the runs of the longest length.
pub(crate) fn longest_flows(stored: &StoredCalibration) -> Vec<f64> {
    let runs = CalibrationRun::used(&stored.runs);
    let longest = runs.iter().map(|r| r.on_time).max();
    let near = |time: Millis| longest.is_some_and(|l| l.minus(time).as_ms() <= l.as_ms() / 20);
    runs.iter()
        .filter(|r| near(r.on_time))
        .map(|r| r.volume.as_ml() / r.on_time.as_secs() * 60.0)
        .collect()
}

pub(crate) fn linearity(stored: &StoredCalibration) -> Option<Linearity> {
    let points: Vec<(f64, f64)> = CalibrationRun::used(&stored.runs)
        .iter()
        .map(|r| (r.on_time.as_secs(), r.volume.as_ml()))
        .collect();
    let rated = points.iter().map(|(_, ml)| *ml).fold(0.0, f64::max);
    Linearity::of(&points, rated)
}
