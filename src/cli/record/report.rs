//! The record as one page for people.

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use jiff::Timestamp;

use super::ledger::open;
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::words::{present, unread};
use crate::config::{Loaded, load};
use crate::daemon::read_holds;
use crate::engine::{Engine, Now};
use crate::ledger::{LedgerError, LedgerReader};
use crate::plan::check_plan;
use crate::record::Hold;
use crate::report::{DAYS_MAX, Material, Rehearsed, Report, page, pictures, present_engine};
use crate::shell::{Known, Read, Terms};

/// Options of `report`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright report\n          dosewright report --days 30 --out /tmp/october.html\nWorks with or without a daemon and changes nothing. The page is one file without script and without anything from elsewhere: it opens in any browser, on a phone, and prints."
)]
pub(crate) struct ReportArgs {
    /// How many days, today included
    #[arg(long, value_name = "N", default_value_t = 90, value_parser = clap::value_parser!(u32).range(1..=i64::from(DAYS_MAX)))]
    days: u32,
    /// The page's file; one of that name is overwritten. report.html when neither --svg nor --json is given
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// A folder for each picture as a file of its own
    #[arg(long, value_name = "DIR")]
    svg: Option<PathBuf>,
}

pub(crate) fn report(place: &Place, options: &ReportArgs, out: &mut Out) -> Result<(), Failure> {
    let report = made(place, options.days)?;
    if let Some(folder) = &options.svg {
        let all = pictures(&report);
        fs::create_dir_all(folder).map_err(|e| failed(folder, &e))?;
        for (name, text) in &all {
            let path = folder.join(name);
            fs::write(&path, text).map_err(|e| failed(&path, &e))?;
        }
        if !place.json {
            writeln!(out, "{} pictures are in {}", all.len(), folder.display())?;
        }
    }
    let asked = options.svg.is_some() || place.json;
    let default = (!asked).then(|| PathBuf::from("report.html"));
    if let Some(path) = options.out.clone().or(default) {
        let bytes = write_page(&report, &path)?;
        if !place.json {
            writeln!(out, "{}", report.glance.sentence)?;
            let kb = bytes.div_ceil(1000);
            writeln!(
                out,
                "{} has it in full ({kb} kB): open it in a browser",
                path.display()
            )?;
        }
    }
    if place.json {
        out.json(&report)?;
    }
    Ok(())
}

fn failed(path: &Path, error: &std::io::Error) -> Failure {
    Failure::new(exit::IO, format!("{}: {error}", path.display()))
}

/// Its size in bytes.
pub(crate) fn write_page(report: &Report, path: &Path) -> Result<usize, Failure> {
    let text = page(report);
    fs::write(path, &text).map_err(|e| failed(path, &e))?;
    Ok(text.len())
}

/// The engine that would be started now on the record of a state folder.
pub(crate) fn engine_at_present(
    place: &Place,
    loaded: Loaded,
    reader: &LedgerReader,
) -> Result<(Engine, Now), Failure> {
    let hold_file = read_holds(&place.state).map_err(|error| error.to_string());
    engine_at((loaded, hold_file), reader, present(reader)?, false)
}

fn engine_at(
    (loaded, hold_file): (Loaded, Result<Vec<Hold>, String>),
    reader: &LedgerReader,
    wall: Timestamp,
    modelled: bool,
) -> Result<(Engine, Now), Failure> {
    let known = reader.present(wall).map_err(|e| unread(&e))?;
    let now = Now {
        wall,
        elapsed: known.at.elapsed,
    };
    let terms = Terms {
        controller: Arc::new(loaded.controller),
        plan: Arc::new(loaded.plan),
        boot: known.boot,
        live: known.live,
        modelled,
        // Whoever asks takes the times on record for right.
        warp: Some(1),
        now,
    };
    let read = Read {
        history: known.history,
        told_since_arming: known.told_since_arming,
    };
    let engine = present_engine(
        terms,
        Known {
            ledger: Ok(read),
            hold_file,
            holds_kept: Vec::new(),
            seen: Vec::new(),
        },
    );
    Ok((engine, now))
}

/// The report on the record of a state folder.
pub(crate) fn made(place: &Place, days: u32) -> Result<Report, Failure> {
    let loaded = load(&place.config, &check_plan)
        .map_err(|mistakes| Failure::new(exit::CONFIG, mistakes.to_string()))?;
    let reader = open(place)?;
    let wall = present(&reader)?;
    let hold_file = read_holds(&place.state).map_err(|error| error.to_string());
    of_record((loaded, hold_file), &reader, (wall, days), None)
}

/// The report on a ledger at a time, of what was or of what is `rehearsed`.
pub(crate) fn of_record(
    (loaded, hold_file): (Loaded, Result<Vec<Hold>, String>),
    reader: &LedgerReader,
    (wall, days): (Timestamp, u32),
    rehearsed: Option<&Rehearsed>,
) -> Result<Report, Failure> {
    let controller = loaded.controller.clone();
    let modelled = rehearsed.is_some();
    let (mut engine, now) = engine_at((loaded, hold_file), reader, wall, modelled)?;
    let since = Material::since(&controller, wall, days);
    let facts = || -> Result<Material<'_>, LedgerError> {
        let heads = || controller.heads.keys();
        let calibrations: Vec<_> = heads().map(|head| reader.calibrations_of(head)).collect();
        let checks: Vec<_> = heads().map(|head| reader.verifications_of(head)).collect();
        Ok(Material {
            controller: &controller,
            now,
            days,
            invented: reader.is_virtual()?,
            rehearsed: rehearsed.cloned(),
            doses: reader.all_doses_since(since)?,
            entries: reader.entries_since(since)?,
            told: reader.told()?,
            uptakes: reader.uptakes()?,
            calibrations: flat(calibrations)?,
            checks: flat(checks)?,
        })
    };
    let material = facts().map_err(|e| unread(&e))?;
    Ok(Report::of(&material, &mut engine))
}

fn flat<T>(all: Vec<Result<Vec<T>, LedgerError>>) -> Result<Vec<T>, LedgerError> {
    let each: Result<Vec<Vec<T>>, _> = all.into_iter().collect();
    Ok(each?.into_iter().flatten().collect())
}
