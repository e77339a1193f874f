//! Water tests: entered with a question where they look like a slip, corrected without losing the old entry, listed for people.

use std::io::Write;

use jiff::tz::TimeZone;
use serde_json::Value;

use crate::cli::record::ledger::open;
use crate::cli::water::owner_args::{
    Mistake, Reading as ReadingArgs, ReadingCommand, TypedReading,
};
use crate::cli::water::quantities::reading as typed_reading;
use crate::cli::water::told::{Row, rows, take_back, tell};
use crate::cli::words::{minute, usage, zone};
use crate::cli::{Failure, Out, Place, Result, Tone, exit};
use crate::record::{Observed, TakenBack};

/// Enters, corrects, takes back or lists readings.
pub(crate) fn reading(place: &Place, options: &ReadingArgs, out: &mut Out) -> Result {
    match &options.command {
        ReadingCommand::Add { quantity, typed } => add(place, quantity, (typed, None), out),
        ReadingCommand::Correct { mistake, typed } => {
            let of = of_number(place, mistake.number)?;
            add(place, &of, (typed, Some(mistake)), out)
        }
        ReadingCommand::TakeBack(mistake) => take_back(place, mistake, out),
        ReadingCommand::List => {
            let rows = rows(&open(place)?)?;
            if place.json {
                let rows: Vec<Value> = rows.iter().map(Row::json).collect();
                return Ok(out.json(&rows)?);
            }
            list(&rows, &zone(place), out)
        }
    }
}

fn add(
    place: &Place,
    of: &str,
    (typed, mistake): (&TypedReading, Option<&Mistake>),
    out: &mut Out,
) -> Result {
    let uncertainty = typed.uncertainty.as_deref();
    let reading = typed_reading(of, &typed.value, uncertainty).map_err(usage)?;
    let items = vec![Observed::Reading(reading)];
    tell(place, items, None, (&typed.told, mistake), out)
}

/// What the reading of a number is of.
fn of_number(place: &Place, number: i64) -> Result<String> {
    let rows = rows(&open(place)?)?;
    let old = rows.into_iter().find(|row| row.told.number == number);
    let old = old.ok_or_else(|| {
        usage(format!(
            "there is no reading {number}; `dosewright reading list` shows the numbers"
        ))
    })?;
    if old.counts() {
        return Ok(old.reading.of.to_string());
    }
    Err(Failure::new(
        exit::REFUSED,
        format!(
            "reading {number} was corrected or taken back before; correct the entry that replaced it, or add a new one"
        ),
    ))
}

fn list(rows: &[Row], zone: &TimeZone, out: &mut Out) -> Result {
    if rows.is_empty() {
        writeln!(out, "nothing recorded")?;
        return Ok(());
    }
    let width = |f: fn(&Row) -> usize| rows.iter().map(f).max().unwrap_or(1);
    let (number, word) = (
        width(|row| row.told.number.to_string().len()),
        width(|row| row.reading.of.as_str().len()),
    );
    for row in rows {
        let method = match (row.told.method.as_str(), row.told.panel) {
            ("", _) => String::new(),
            (lab, Some(panel)) => format!("  [{lab}, report {panel}]"),
            (method, None) => format!("  [{method}]"),
        };
        let line = format!(
            "{:>number$}  {}  {:word$}  {}{method}",
            row.told.number,
            minute(row.told.happened, zone),
            row.reading.of,
            row.shown()
        );
        if let Some(TakenBack {
            replaced_by, why, ..
        }) = &row.back
        {
            let text = match replaced_by {
                Some(by) => format!("{line}  (corrected by {by}: {why})"),
                None => format!("{line}  (taken back: {why})"),
            };
            writeln!(out, "{}", out.tone(Tone::Quiet, &text))?;
        } else {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}
