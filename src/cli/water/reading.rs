//! Water tests: entered with a question where they look like a slip, corrected without losing the old entry, listed for people.

use std::io::Write;

use clap::error::ErrorKind::ValueValidation;
use clap::{ArgMatches, Args, FromArgMatches, Subcommand};
use jiff::tz::TimeZone;
use serde_json::Value;

use crate::cli::record::ledger::open;
use crate::cli::water::owner_args::{Mistake, Told};
use crate::cli::water::quantities::{amount_told, reading as typed_reading};
use crate::cli::water::told::{Row, rows, take_back, tell};
use crate::cli::words::{dotted, minute, usage, zone};
use crate::cli::{Out, Place, Result, Tone, refused};
use crate::record::{Observed, Reading, TakenBack};

#[derive(Debug, Subcommand)]
pub(crate) enum ReadingCommand {
    /// Enter one
    #[command(
        after_help = "Examples: dosewright reading add alkalinity \"8.1 dKH\" --uncertainty \"0.2 dKH\" --method \"drop titration\"\n          dosewright reading add Ca \"420 mg/L\" --at \"yesterday 18:30\"\n          dosewright reading add NO3 \"<0.02 mg/L\"\n          dosewright reading add salinity \"1.0264 sg 25/25 C\"\n          dosewright reading add pH \"8.2 nbs\""
    )]
    Add(NewReading),
    /// Correct one; the old entry is kept and marked
    #[command(
        after_help = "Example: dosewright reading correct 12 \"8.1 dKH\" --reason \"read the wrong syringe\"\nThe number is that of `dosewright reading list`; a row of a lab report is corrected like any other. Time and method are the old one's where they are left out."
    )]
    Correct {
        #[command(flatten)]
        mistake: Mistake,
        #[command(flatten)]
        typed: TypedReading,
    },
    /// Take one back; it is kept and marked
    TakeBack(Mistake),
    /// List those of the record
    List,
}

/// A value is read with what it is of, as the command line is.
#[derive(Debug)]
pub(crate) struct NewReading {
    reading: Reading,
    told: Told,
}

#[derive(Debug, Args)]
struct Words {
    /// alkalinity or KH, an element such as calcium or Ca, or salinity, pH, temperature, nitrate or NO3, phosphate or PO4
    quantity: String,
    #[command(flatten)]
    typed: TypedReading,
}

impl FromArgMatches for NewReading {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let Words { quantity, typed } = Words::from_arg_matches(matches)?;
        let reading = typed.of(&quantity);
        let reading = reading.map_err(|why| clap::Error::raw(ValueValidation, why + "\n"))?;
        let told = typed.told;
        Ok(Self { reading, told })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

impl Args for NewReading {
    fn augment_args(command: clap::Command) -> clap::Command {
        Words::augment_args(command)
    }

    fn augment_args_for_update(command: clap::Command) -> clap::Command {
        Words::augment_args_for_update(command)
    }
}

#[derive(Debug, Args)]
pub(crate) struct TypedReading {
    /// The value with its unit: "8.1 dKH", "2.9 meq/L", "145 mg/L CaCO3", "420 mg/L", "<0.02 mg/L", "25.4 C", "8.2 nbs" for pH; for
    /// salinity "35", "1.0264 sg 25/25 C" or "53.1 mS/cm 25 C"
    value: String,
    /// One standard uncertainty with its unit; 0.2 dKH for alkalinity, 5 % of the value otherwise, when left out
    #[arg(long, value_name = "VALUE")]
    uncertainty: Option<String>,
    /// The step that the test is read to, with its unit, for example "0.1 dKH"; that of kit-step in controller.toml when left out
    #[arg(long, value_name = "VALUE")]
    step: Option<String>,
    #[command(flatten)]
    told: Told,
}

impl TypedReading {
    fn of(&self, quantity: &str) -> Result<Reading, String> {
        let mut reading = typed_reading(quantity, &self.value, self.uncertainty.as_deref())?;
        let step = self.step.as_deref();
        let step = step.map(|step| amount_told(&reading.of, &dotted(step)?));
        reading.step = step.transpose()?;
        Ok(reading)
    }
}

/// Enters, corrects, takes back or lists readings.
pub(crate) fn reading(place: &Place, options: &ReadingCommand, out: &mut Out) -> Result {
    match options {
        ReadingCommand::Add(new) => enter(place, &new.reading, (&new.told, None), out),
        ReadingCommand::Correct { mistake, typed } => {
            let of = of_number(place, mistake.number)?;
            let reading = typed.of(&of).map_err(usage)?;
            enter(place, &reading, (&typed.told, Some(mistake)), out)
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

fn enter(
    place: &Place,
    reading: &Reading,
    how: (&Told, Option<&Mistake>),
    out: &mut Out,
) -> Result {
    tell(
        place,
        vec![Observed::Reading(reading.clone())],
        None,
        how,
        out,
    )
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
    Err(refused(format!(
        "reading {number} was corrected or taken back before; correct the entry that replaced it, or add a new one"
    )))
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
