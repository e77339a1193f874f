//! What the owner tells: bottles and calibrations.

use std::io::Write;

use super::args::{Calibrate, Place, Refill};
use super::daemon::ask;
use super::exit::{self, Failure};
use super::out::Out;
use crate::control::{CalibrateRequest, Request};
use crate::metering::{FitRules, Run, fit};
use crate::quantity::{QuantityError, parse_duration, parse_volume};

fn usage(error: &QuantityError) -> Failure {
    Failure::new(exit::USAGE, error.to_string())
}

/// Tells what a bottle holds.
pub(super) fn refill(place: &Place, options: &Refill, out: &mut Out) -> Result<(), Failure> {
    let full = options.volume == "full";
    let volume = if full {
        None
    } else {
        Some(
            parse_volume(&options.volume)
                .map_err(|e| usage(&e))?
                .as_ul(),
        )
    };
    let how = match (full, options.more) {
        (true, _) => "full",
        (false, true) => "add",
        (false, false) => "to",
    };
    let request = Request::Refill {
        reservoir: options.reservoir.clone(),
        how: how.to_owned(),
        volume_ul: volume,
        note: options.note.clone(),
    };
    ask(place, &request, options.json, out).map(drop)
}

/// Enters a calibration from runs that were timed and measured.
pub(super) fn calibrate(place: &Place, options: &Calibrate, out: &mut Out) -> Result<(), Failure> {
    let runs = options
        .runs
        .iter()
        .map(|text| run(text))
        .collect::<Result<Vec<_>, _>>()?;
    let fitted = fit(&runs, &FitRules::default())
        .map_err(|refusal| Failure::new(exit::REFUSED, format!("not taken: {refusal}")))?;
    let calibration = fitted.calibration();
    if !options.json {
        writeln!(
            out,
            "{} runs: {}, offset {} a run, coefficient of variation {:.2} %",
            runs.len(),
            calibration.rate(),
            calibration.offset(),
            fitted.cv_percent()
        )?;
    }
    let request = Request::Calibrate(CalibrateRequest {
        head: options.head.clone(),
        rate_ml_per_min: calibration.rate().as_ml_per_min(),
        offset_ul: calibration.offset().as_ul(),
        variation: Some(fitted.cv_percent() / 100.0),
        method: format!("{} timed runs: {}", runs.len(), options.runs.join(" ")),
    });
    ask(place, &request, options.json, out).map(drop)
}

fn run(text: &str) -> Result<Run, Failure> {
    let wrong = || {
        Failure::new(
            exit::USAGE,
            format!("\"{text}\" is no run; write its time and its volume, for example 30s=14.8mL"),
        )
    };
    let (time, volume) = text.split_once('=').ok_or_else(wrong)?;
    Ok(Run {
        on_time: parse_duration(time).map_err(|e| usage(&e))?,
        volume: parse_volume(volume).map_err(|e| usage(&e))?,
    })
}
