//! Lab reports: imported and listed.

use std::fs;
use std::io::Write;

use serde_json::json;

use crate::chemistry::{Celsius, Salinity, density_kg_per_m3};
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::record::ledger::open;
use crate::cli::water::owner_args::{Mistake, Panel as PanelArgs, PanelCommand, PanelFile};
use crate::cli::water::panel_csv::{Sample, decoded, headings, read};
use crate::cli::water::panel_reports::{reports, salinity_at};
use crate::cli::water::panel_show::show_panel;
use crate::cli::water::told::{take_back, tell};
use crate::cli::words::{minute, unread, usage, zone};
use crate::daemon::machine_now;
use crate::engine::Lab;
use crate::quantity::Words;
use crate::record::{Columns, Observed};
use crate::report::LAB_C;

/// Largest report file in bytes.
const FILE_BYTES_MAX: u64 = 200_000;
/// Everything about lab reports.
pub(in crate::cli) fn panel(
    place: &Place,
    options: &PanelArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    match &options.command {
        PanelCommand::Add(file) => add(place, file, None, out),
        PanelCommand::Correct { mistake, report } => add(place, report, Some(mistake), out),
        PanelCommand::TakeBack(mistake) => take_back(place, mistake, out),
        PanelCommand::Show { number, salinity } => show_panel(place, (*number, *salinity), out),
        PanelCommand::List => list(place, out),
    }
}

/// What is known of a lab's reports, with what is told now on top of it; the latter is remembered.
fn columns_of(place: &Place, file: &PanelFile, text: &str) -> Result<Columns, Failure> {
    let known = match (open(place), &file.columns) {
        (Ok(reader), _) => reader.columns_of(&file.lab).map_err(|e| unread(&e))?,
        (Err(_), Some(_)) => None,
        (Err(error), None) => return Err(error),
    };
    let mut columns = match (file.columns.clone(), known) {
        (Some(told), Some(known)) => Columns {
            words: known.words,
            ..told
        },
        (Some(columns), None) | (None, Some(columns)) => columns,
        (None, None) => {
            return Err(usage(format!(
                "the columns of lab \"{}\" are not known yet; the report has: {}; tell once which is which with --columns \"element=...,value=...,unit=...,limit=...\"",
                file.lab,
                headings(text).join(", ")
            )));
        }
    };
    for (word, means) in &file.words {
        columns.words.insert(word.to_lowercase(), *means);
    }
    Ok(columns)
}

fn add(
    place: &Place,
    file: &PanelFile,
    mistake: Option<&Mistake>,
    out: &mut Out,
) -> Result<(), Failure> {
    let text = text_of(&file.file)?;
    if !file.uncertainty.is_none_or(|u| u > 0.0 && u <= 100.0) {
        return Err(usage(
            "the uncertainty must be more than 0 and at most 100 %",
        ));
    }
    let columns = columns_of(place, file, &text)?;
    let taken = file
        .told
        .happened(place)?
        .unwrap_or_else(|| machine_now().wall);
    let salinity = match open(place) {
        Ok(reader) => salinity_at(&reader, taken, &zone(place))?.0,
        Err(_) => Salinity::STANDARD,
    };
    let density = density_kg_per_m3(salinity, Celsius::from_degrees(LAB_C)).map_err(usage)?;
    let sample = Sample {
        kg_per_l: density / 1000.0,
        uncertainty_percent: file.uncertainty,
        decimal: file.decimal,
    };
    let report = read(&text, &columns, sample).map_err(usage)?;
    if report.rows.is_empty() {
        return Err(usage(format!(
            "{} has no row that can be used: {}",
            file.file.display(),
            report.left_out.join("; ")
        )));
    }
    if !place.json {
        for line in &report.left_out {
            writeln!(out, "left out: {line}")?;
        }
        writeln!(out, "{} values read", report.rows.len())?;
        if file.uncertainty.is_none() {
            writeln!(
                out,
                "their uncertainty is taken by common practice, no source (2 % alkalinity, 3 % major ions, 5 to 20 % traces); --uncertainty gives what the lab states"
            )?;
        }
    }
    let told = file.columns.is_some() || !file.words.is_empty();
    let lab = Lab {
        name: Words::new(&file.lab),
        columns: told.then_some(columns),
    };
    let items = report.rows.into_iter().map(Observed::Reading).collect();
    tell(place, items, Some(lab), (&file.told, mistake), out)
}

fn text_of(file: &std::path::Path) -> Result<String, Failure> {
    let io = |error: std::io::Error| {
        Failure::new(exit::IO, format!("cannot read {}: {error}", file.display()))
    };
    if fs::metadata(file).map_err(io)?.len() > FILE_BYTES_MAX {
        return Err(usage(format!(
            "{} is larger than {FILE_BYTES_MAX} bytes; that is no lab report",
            file.display()
        )));
    }
    Ok(decoded(&fs::read(file).map_err(io)?))
}

fn list(place: &Place, out: &mut Out) -> Result<(), Failure> {
    let reports = reports(&open(place)?)?;
    if place.json {
        let rows: Vec<_> = reports
            .iter()
            .map(|r| {
                json!({ "number": r.number, "lab": r.lab, "taken": r.taken.to_string(), "values": r.rows.len() })
            })
            .collect();
        return Ok(out.json(&rows)?);
    }
    if reports.is_empty() {
        writeln!(out, "no lab report is on record")?;
    }
    let zone = zone(place);
    for r in &reports {
        writeln!(
            out,
            "{:>4}  {}  {}, {} values",
            r.number,
            minute(r.taken, &zone),
            r.lab,
            r.rows.len()
        )?;
    }
    Ok(())
}
