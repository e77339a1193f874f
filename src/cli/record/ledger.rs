//! Looking at the record, with or without a running daemon.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::Value;

use crate::cli::exit::chain;
use crate::cli::moment::{Moment, moment};
use crate::cli::words::zone;
use crate::cli::{Failure, Out, Place, Result, Tone, exit, refused};
use crate::daemon::{InstanceLock, LockError, ledger_path, machine_now};
use crate::ledger::{
    ExportError, Filter, Ledger, LedgerReader, Row, Table, put_in_doubt, restore as put_back,
};
use crate::quantity::{Millis, Name, Volume, local};

/// What to do with the record.
#[derive(Debug, Subcommand)]
pub(crate) enum LedgerCommand {
    /// List rows, the newest last
    #[command(after_help = "Example: dosewright ledger list doses --line alkalinity --newest 20")]
    List(LedgerList),
    /// Print rows as CSV or JSON; volumes in microlitres, times in RFC 3339 UTC
    #[command(after_help = "Example: dosewright ledger export doses --format csv > doses.csv")]
    Export(LedgerExport),
    /// Check the database and the books: every bottle must have lost what was delivered, to the microlitre
    Check,
    /// Copy the ledger to a new file, beside a running daemon
    Backup {
        /// The new file; an existing one is never overwritten
        file: PathBuf,
    },
    /// Put a backup in the place of the ledger, while no daemon runs; what it cannot know counts as given
    #[command(
        after_help = "Example: dosewright ledger restore backup.db\nAfter a whole card was restored from an image: dosewright ledger restore --whole-card"
    )]
    Restore {
        /// A copy made with `ledger backup`
        #[arg(required_unless_present = "whole_card")]
        file: Option<PathBuf>,
        /// The ledger in place is an old one itself, as after a whole card was restored from an image
        #[arg(long, conflicts_with = "file")]
        whole_card: bool,
    },
}

/// Which rows of the record.
#[derive(Debug, Args)]
pub(crate) struct Rows {
    /// What of the record
    #[arg(default_value = "doses", value_parser = table)]
    table: Table,
    /// Only this line
    #[arg(long, value_parser = Name::new)]
    line: Option<Name>,
    /// Not before, such as "2026-11-29 18:00"
    #[arg(long, value_name = "TIME", value_parser = moment)]
    since: Option<Moment>,
    /// Before
    #[arg(long, value_name = "TIME", value_parser = moment)]
    until: Option<Moment>,
}

/// Options of `ledger list`.
#[derive(Debug, Args)]
pub(crate) struct LedgerList {
    #[command(flatten)]
    rows: Rows,
    /// Only the newest so many rows
    #[arg(long, value_name = "N", default_value_t = 50)]
    newest: u32,
}

/// Options of `ledger export`.
#[derive(Debug, Args)]
pub(crate) struct LedgerExport {
    #[command(flatten)]
    rows: Rows,
    /// csv or json
    #[arg(long, default_value = "csv", value_parser = ["csv", "json"])]
    format: String,
}

fn table(name: &str) -> Result<Table, String> {
    // "doses" reads as well as "dose".
    let singular = name.strip_suffix('s').unwrap_or(name);
    Table::from_name(name)
        .or_else(|| Table::from_name(singular))
        .ok_or_else(|| {
            let known: Vec<String> = Table::all().map(Table::name).collect();
            format!("the ledger has no \"{name}\"; it has: {}", known.join(", "))
        })
}

/// Opens the ledger of the state folder for reading.
pub(crate) fn open(place: &Place) -> Result<LedgerReader> {
    open_at(&ledger_path(&place.state))
}

fn open_at(path: &Path) -> Result<LedgerReader> {
    Ledger::open_to_read(path).map_err(|e| Failure::new(exit::IO, chain(&e)))
}

/// A failed export; a closed pipe is none.
pub(crate) fn failure(error: ExportError) -> Failure {
    match error {
        ExportError::Output(io) => io.into(),
        ExportError::Ledger(ledger) => Failure::new(exit::IO, chain(&ledger)),
    }
}

pub(crate) fn ledger(place: &Place, options: &LedgerCommand, out: &mut Out) -> Result {
    match options {
        LedgerCommand::List(list) => list_rows(place, list, out),
        LedgerCommand::Export(export) => export_rows(place, export, out),
        LedgerCommand::Check => check(place, out),
        LedgerCommand::Backup { file } => {
            open(place)?
                .backup(file)
                .map_err(|e| Failure::new(exit::IO, chain(&e)))?;
            writeln!(
                out,
                "the ledger is copied to {} and the copy is checked",
                file.display()
            )?;
            Ok(())
        }
        LedgerCommand::Restore { file, .. } => restore(place, file.as_deref(), out),
    }
}

/// What happens at the next start, and what to do.
const AFTER_RESTORE: &str = "whatever was given since then is not in it and counts as given: when the daemon starts, everything is on hold, each line's daily cap counts as full for 24 h, and live mode is not armed
next: start the daemon, test the water, say what each bottle holds (`dosewright refill`), `dosewright resume`, and arm again (`dosewright arm`)";

fn restore(place: &Place, file: Option<&Path>, out: &mut Out) -> Result {
    let io = |error: &dyn std::error::Error| Failure::new(exit::IO, chain(error));
    let ledger = ledger_path(&place.state);
    if !place.state.is_dir() {
        let text = format!(
            "{}: there is no such state folder; start the daemon once, stop it, then restore",
            place.state.display()
        );
        return Err(Failure::new(exit::IO, text));
    }
    let _lock = InstanceLock::take(&place.state).map_err(|error| match &error {
        LockError::Taken { .. } => refused(error.to_string()),
        LockError::Make { .. } => io(&error),
    })?;
    let zone = zone(place);
    let now = local(machine_now().wall, &zone);
    let Some(file) = file else {
        let why = format!("the whole card was restored from an image, as its owner said at {now}");
        put_in_doubt(&ledger, &why).map_err(|e| io(&e))?;
        writeln!(out, "the ledger in place counts as an old one")?;
        writeln!(out, "{AFTER_RESTORE}")?;
        return Ok(());
    };
    let newest = open_at(file)?.newest_wall().map_err(|e| io(&e))?;
    let newest = newest.map_or("nothing with a time".to_owned(), |at| local(at, &zone));
    let why = format!(
        "it was restored at {now} from {}, whose newest entry is of {newest}",
        file.display()
    );
    let restored = put_back(file, &ledger, &why).map_err(|e| io(&e))?;
    writeln!(
        out,
        "the ledger is now the copy {}: {} doses, newest entry {newest}",
        file.display(),
        restored.doses
    )?;
    if let Some(aside) = restored.aside {
        writeln!(out, "the one before it is kept as {}", aside.display())?;
    }
    writeln!(out, "{AFTER_RESTORE}")?;
    Ok(())
}

fn filter(place: &Place, rows: &Rows, newest: Option<u32>) -> Result<Filter> {
    let at = |typed: Option<Moment>| typed.map(|at| at.at(place)).transpose();
    Ok(Filter {
        line: rows.line.clone(),
        since: at(rows.since)?,
        until: at(rows.until)?,
        newest,
    })
}

fn list_rows(place: &Place, list: &LedgerList, out: &mut Out) -> Result {
    let filter = filter(place, &list.rows, Some(list.newest))?;
    let rows = open(place)?
        .list(list.rows.table, &filter)
        .map_err(failure)?;
    print(&rows, place.json, out)
}

/// Columns for programs, not shown to a person.
const HIDDEN: [&str; 7] = [
    "elapsed_ms",
    "session",
    "clock_trusted",
    "ended_elapsed_ms",
    "ended_session",
    "ended_clock_trusted",
    "order",
];

/// Prints rows as a table or as JSON. A column that is empty in every row is left out of the table.
pub(crate) fn print(rows: &[Row], json: bool, out: &mut Out) -> Result {
    if json {
        out.json(&rows)?;
        return Ok(());
    }
    let Some(first) = rows.first() else {
        writeln!(out, "nothing recorded")?;
        return Ok(());
    };
    let names = first
        .cells
        .iter()
        .map(|(name, _)| name.as_str())
        .filter(|name| !HIDDEN.contains(name));
    let columns: Vec<(String, Vec<String>)> = names
        .map(|name| {
            (
                name.trim_end_matches("_ul").replace('_', " "),
                rows.iter()
                    .map(|row| {
                        row.get(name)
                            .map_or(String::new(), |cell| shown(name, cell))
                    })
                    .collect(),
            )
        })
        .filter(|(_, cells): &(String, Vec<String>)| cells.iter().any(|c| !c.is_empty()))
        .collect();
    let widths: Vec<usize> = columns
        .iter()
        .map(|(title, cells)| {
            cells
                .iter()
                .chain([title])
                .map(|c| c.chars().count())
                .max()
                .unwrap_or(0)
        })
        .collect();
    let titles = columns
        .iter()
        .zip(&widths)
        .map(|((title, _), w)| format!("{title:w$}"))
        .collect::<Vec<_>>()
        .join("  ");
    writeln!(out, "{}", out.tone(Tone::Strong, titles.trim_end()))?;
    for row in 0..rows.len() {
        let cells = columns
            .iter()
            .zip(&widths)
            .filter_map(|((_, cells), w)| cells.get(row).map(|c| format!("{c:w$}")));
        writeln!(out, "{}", cells.collect::<Vec<_>>().join("  ").trim_end())?;
    }
    Ok(())
}

/// A cell with its unit: microlitres as mL, what has parts as their number, the rest as it is.
fn shown(column: &str, cell: &Value) -> String {
    match (cell, cell.as_i64()) {
        (_, Some(ul)) if column.ends_with("_ul") => Volume::from_ul(ul).to_string(),
        (_, Some(ms)) if column.ends_with("_ms") => Millis::new(ms).to_string(),
        (_, Some(number)) => number.to_string(),
        (Value::Number(number), None) => number
            .as_f64()
            .map_or_else(String::new, |n| format!("{n:.4}")),
        (Value::String(text), _) => text.clone(),
        (Value::Bool(flag), _) => if *flag { "yes" } else { "no" }.to_owned(),
        (Value::Array(parts), _) => parts.len().to_string(),
        (Value::Object(parts), _) => {
            let each = parts
                .iter()
                .map(|(key, part)| format!("{key} {}", shown(key, part)));
            each.collect::<Vec<_>>().join(", ")
        }
        (Value::Null, _) => String::new(),
    }
}

fn export_rows(place: &Place, export: &LedgerExport, out: &mut Out) -> Result {
    let (reader, table) = (open(place)?, export.rows.table);
    let filter = filter(place, &export.rows, None)?;
    let done = if export.format == "json" {
        reader.export_json(&[table], &filter, out.verbatim()?)
    } else {
        reader.export_csv(table, &filter, out.verbatim()?)
    };
    done.map_err(failure)
}

fn check(place: &Place, out: &mut Out) -> Result {
    let report = open(place)?
        .check_in_place()
        .map_err(|e| Failure::new(exit::IO, chain(&e)))?;
    if place.json {
        out.json(&report)?;
    } else {
        writeln!(
            out,
            "{} doses, {} of them open, {} with an end nobody saw; {} refills",
            report.doses, report.open, report.uncertain, report.refills
        )?;
        writeln!(
            out,
            "delivered in all: {}",
            Volume::from_ul(report.delivered_ul)
        )?;
        for (reservoir, ul) in &report.reservoirs_ul {
            writeln!(out, "reservoir {reservoir}: {} left", Volume::from_ul(*ul))?;
        }
        for mistake in &report.mistakes {
            let dose = mistake
                .dose
                .map_or(String::new(), |d| format!("dose {d}: "));
            writeln!(
                out,
                "{} {dose}{}",
                out.tone(Tone::Bad, "MISTAKE"),
                mistake.what
            )?;
        }
    }
    if report.is_clean() {
        if !place.json {
            writeln!(
                out,
                "{}",
                out.tone(Tone::Good, "the books are right to the microlitre")
            )?;
        }
        return Ok(());
    }
    out.flush()?;
    Err(refused(format!(
        "{} mistakes in the ledger; keep a copy of it before you do anything else",
        report.mistakes_total
    )))
}
