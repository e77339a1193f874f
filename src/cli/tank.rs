//! What the owner tells: bottles, readings, calibrations.

use std::io::Write;

use super::args::{Calibrate, Place, Reading, ReadingAdd, ReadingCommand, Refill};
use super::daemon::ask;
use super::exit::{self, Failure};
use super::ledger::open;
use super::out::Out;
use crate::control::{CalibrateRequest, ReadingRequest, Request};
use crate::ledger::{Filter, Table};
use crate::metering::{FitRules, Run, fit};
use crate::quantity::{
    QuantityError, parse_alkalinity, parse_concentration, parse_duration, parse_volume,
};

/// Standard uncertainty of a home alkalinity test when none is given: one drop of a usual titration kit (common practice, no source).
const ALKALINITY_UNCERTAINTY: &str = "0.2 dKH";
/// The same for concentrations, as a part of the value (common practice, no source).
const CONCENTRATION_UNCERTAINTY: f64 = 0.05;

#[expect(
    clippy::needless_pass_by_value,
    reason = "made for map_err, which hands the error over"
)]
fn usage(error: QuantityError) -> Failure {
    Failure::new(exit::USAGE, error.to_string())
}

/// Tells what a bottle holds.
pub(super) fn refill(place: &Place, options: &Refill, out: &mut Out) -> Result<(), Failure> {
    let full = options.volume == "full";
    let volume = if full {
        None
    } else {
        Some(parse_volume(&options.volume).map_err(usage)?.as_ul())
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

/// Enters or lists readings.
pub(super) fn reading(place: &Place, options: &Reading, out: &mut Out) -> Result<(), Failure> {
    match &options.command {
        ReadingCommand::Add(add) => reading_add(place, add, out),
        ReadingCommand::List { json } => {
            let rows = open(place)?
                .list(Table::Reading, &Filter::default())
                .map_err(super::ledger::failure)?;
            super::ledger::print(&rows, *json, out)
        }
    }
}

fn reading_add(place: &Place, add: &ReadingAdd, out: &mut Out) -> Result<(), Failure> {
    let (below, text) = add
        .value
        .trim()
        .strip_prefix('<')
        .map_or((false, add.value.as_str()), |rest| (true, rest));
    let (value, uncertainty) = if add.quantity == "alkalinity" {
        let uncertainty = add.uncertainty.as_deref().unwrap_or(ALKALINITY_UNCERTAINTY);
        (
            parse_alkalinity(text).map_err(usage)?.as_meq_per_l(),
            parse_alkalinity(uncertainty).map_err(usage)?.as_meq_per_l(),
        )
    } else {
        let value = parse_concentration(text).map_err(usage)?.as_mg_per_l();
        let given = add
            .uncertainty
            .as_deref()
            .map(parse_concentration)
            .transpose()
            .map_err(usage)?;
        (
            value,
            given.map_or(
                value * CONCENTRATION_UNCERTAINTY,
                crate::quantity::Concentration::as_mg_per_l,
            ),
        )
    };
    let request = Request::Reading(ReadingRequest {
        quantity: add.quantity.clone(),
        value,
        uncertainty,
        below,
        method: add.method.clone(),
        taken: add.at.map(|at| at.to_string()),
        sure: add.sure,
    });
    ask(place, &request, add.json, out).map(drop)
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
        on_time: parse_duration(time).map_err(usage)?,
        volume: parse_volume(volume).map_err(usage)?,
    })
}
