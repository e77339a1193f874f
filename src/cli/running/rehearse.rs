//! `rehearse`: what the plan would do, in virtual time against a model tank.

use std::fs;
use std::io::{IsTerminal, Write};
use std::ops::ControlFlow;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;

use crate::cli::exit::{self, Failure, chain};
use crate::cli::heads::keys::Ear;
use crate::cli::out::Out;
use crate::cli::place::Place;
use crate::cli::record::report::{of_record, write_page};
use crate::cli::words::{present, unread};
use crate::config::{Loaded, Scenario, load};
use crate::daemon::{ledger_path, machine_now};
use crate::ledger::{Ledger, LedgerReader, Timeline};
use crate::plan::check_plan;
use crate::quantity::{Millis, i64_from_f64};
use crate::rehearsal::{Found, Rehearsal, RehearsalError, SCENARIOS, scenario, summary};
use crate::report::{DAYS_MAX, Happened, Rehearsed};

/// Progress is shown on runs that take longer than this.
const PATIENCE: Millis = Millis::from_secs(2);
const LISTEN_EVERY: Millis = Millis::new(100);
/// Where files live in memory, on most machines.
const IN_MEMORY: &str = "/dev/shm";
/// Of the record before, on the page.
const DAYS_BEFORE: u32 = 14;
/// Of a scenario file; a hundred times the sample.
const SCENARIO_BYTES_MAX: u64 = 1_048_576;

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright rehearse --config config --days 90\n          dosewright rehearse --scenario away --state /var/lib/dosewright\nNo head runs and nothing of yours is changed. With --state it begins where that ledger stands: levels, bottles, calibrations. The same seed gives the same run. Scenarios that stand ready: as-planned, off, growing, step, wandering, away, trouble; config/scenarios/as-planned.toml explains what one may say. Ctrl-C shows what is known so far. --out makes a page of it.\nExit code 0: no rule that must always hold was broken. 1: one was. 78: mistakes in a file."
)]
pub(crate) struct Rehearse {
    /// How many days, 1 to 3650
    #[arg(long, value_name = "N", default_value_t = 90, value_parser = clap::value_parser!(u32).range(1..=3650))]
    days: u32,
    /// What happens: one that stands ready, or a file
    #[arg(long, value_name = "NAME|FILE", default_value = "as-planned")]
    scenario: String,
    /// Another seed is another run of the same kind
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Folder of another controller.toml and plan.toml, to be shown beside the first
    #[arg(long, value_name = "DIR")]
    against: Option<PathBuf>,
    /// Local date on which it begins (YYYY-MM-DD); today when left out
    #[arg(long, value_name = "DATE")]
    begins: Option<Date>,
    /// A page of what was rehearsed, as `report` makes it; a file of that name is overwritten
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

pub(crate) fn rehearse(place: &Place, options: &Rehearse, out: &mut Out) -> Result<(), Failure> {
    let (name, scenario) = read_scenario(&options.scenario)?;
    let mut ear = Ear::open()?;
    let scratch = Scratch::make()?;
    let mut rehearsed = Vec::new();
    for (number, folder) in [Some(&place.config), options.against.as_ref()]
        .into_iter()
        .flatten()
        .enumerate()
    {
        let loaded = load(folder, &check_plan)
            .map_err(|mistakes| Failure::new(exit::CONFIG, mistakes.to_string()))?;
        let ledger = scratch.0.join(format!("{number}.db"));
        let (begins, timeline) = begin(place, options, &loaded, &ledger)?;
        let rehearsal = Rehearsal {
            loaded: &loaded,
            scenario: (&name, &scenario),
            days: options.days,
            seed: options.seed,
            begins,
            ledger: &ledger,
            timeline,
        };
        let mut progress = Progress::new(&mut ear, options.days, number);
        let found = rehearsal
            .run(&mut |day| progress.goes_on(day))
            .map_err(|error| not_rehearsed(&error))?;
        progress.end();
        let is_interrupted = progress.is_interrupted;
        if let Some(path) = options.out.as_ref().filter(|_| number == 0) {
            drawn(loaded, &ledger, (&found, begins.1), path)?;
        }
        rehearsed.push(found);
        if is_interrupted {
            break;
        }
    }
    let broken = rehearsed.iter().any(|found| found.violations > 0);
    if place.json {
        out.json(&Told::of(&rehearsed))?;
    } else {
        let all: Vec<&Found> = rehearsed.iter().collect();
        write!(out, "{}", summary(&all))?;
        if let Some(path) = &options.out {
            writeln!(
                out,
                "\n{} shows it in full: open it in a browser",
                path.display()
            )?;
        }
    }
    out.flush()?;
    if broken {
        return Err(Failure::new(
            exit::REFUSED,
            "a rule that must always hold was broken: this is a mistake of dosewright, not yours; do not run this plan, and please report it with both files, the scenario and the seed",
        ));
    }
    Ok(())
}

/// The page of what was rehearsed, with some of the record that it goes on from.
fn drawn(
    loaded: Loaded,
    ledger: &Path,
    (found, since): (&Found, Timestamp),
    path: &Path,
) -> Result<(), Failure> {
    let reader = Ledger::open_to_read(ledger).map_err(|e| unread(&e))?;
    let before = if goes_on_from_state() { DAYS_BEFORE } else { 0 };
    let rehearsed = i64_from_f64(found.days.ceil()).and_then(|days| u32::try_from(days).ok());
    // It ends at a midnight, which is the begin of one more day.
    let days = rehearsed
        .unwrap_or(DAYS_MAX)
        .saturating_add(before)
        .saturating_add(1);
    let faults = found.faults.iter().map(|fault| Happened {
        at: fault.at,
        what: fault.text.clone(),
    });
    let told = Rehearsed {
        since,
        scenario: found.scenario.clone(),
        seed: found.seed,
        faults: faults.collect(),
    };
    let window = (found.ends, days.min(DAYS_MAX));
    let report = of_record((loaded, Ok(Vec::new())), &reader, window, Some(&told))?;
    write_page(&report, path).map(|_| ())
}

/// A plan as it stands, from a new ledger that nobody keeps, from today on.
pub(in crate::cli) fn in_memory(loaded: &Loaded, days: u32) -> Result<Found, Failure> {
    let (name, scenario) = read_scenario("as-planned")?;
    let scratch = Scratch::make()?;
    let now = machine_now().wall;
    let rehearsal = Rehearsal {
        loaded,
        scenario: (&name, &scenario),
        days,
        seed: 1,
        begins: (loaded.controller.time_zone.to_datetime(now).date(), now),
        ledger: &scratch.0.join("new.db"),
        timeline: Timeline::Virtual,
    };
    rehearsal
        .run(&mut |_| ControlFlow::Continue(()))
        .map_err(|error| not_rehearsed(&error))
}

fn not_rehearsed(error: &RehearsalError) -> Failure {
    let code = match error {
        RehearsalError::NoSuch { .. } => exit::CONFIG,
        RehearsalError::Ledger(_) | RehearsalError::Calendar { .. } | RehearsalError::Ended(_) => {
            exit::IO
        }
    };
    Failure::new(code, chain(error))
}

#[derive(Serialize)]
struct Told<'a> {
    #[serde(flatten)]
    plan: Option<&'a Found>,
    #[serde(skip_serializing_if = "Option::is_none")]
    against: Option<&'a Found>,
}

impl<'a> Told<'a> {
    fn of(rehearsed: &'a [Found]) -> Self {
        let mut all = rehearsed.iter();
        Self {
            plan: all.next(),
            against: all.next(),
        }
    }
}

/// A scenario that stands ready, or a file.
fn read_scenario(told: &str) -> Result<(String, Scenario), Failure> {
    let wrong =
        |mistakes: crate::config::ConfigMistakes| Failure::new(exit::CONFIG, mistakes.to_string());
    if let Some(ready) = scenario(told) {
        return Ok((told.to_owned(), ready.map_err(wrong)?));
    }
    let path = Path::new(told);
    let unreadable = |why: String| {
        let known: Vec<&str> = SCENARIOS.iter().map(|(name, _)| *name).collect();
        Failure::new(
            exit::USAGE,
            format!(
                "\"{told}\" is no scenario that stands ready ({}), and no file: {why}",
                known.join(", ")
            ),
        )
    };
    let size = fs::metadata(path)
        .map_err(|e| unreadable(e.to_string()))?
        .len();
    if size > SCENARIO_BYTES_MAX {
        return Err(unreadable(format!("it is over {SCENARIO_BYTES_MAX} bytes")));
    }
    let text = fs::read_to_string(path).map_err(|e| unreadable(e.to_string()))?;
    let scenario = Scenario::read((told, &text)).map_err(wrong)?;
    Ok((told.to_owned(), scenario))
}

/// When it begins: where the ledger of --state stands, whose copy it then goes on from, or with a new ledger at the begin of a day.
fn begin(
    place: &Place,
    options: &Rehearse,
    loaded: &Loaded,
    ledger: &Path,
) -> Result<((Date, Timestamp), Timeline), Failure> {
    let zone = &loaded.controller.time_zone;
    let today = || zone.to_datetime(machine_now().wall).date();
    if !goes_on_from_state() {
        let date = options.begins.unwrap_or_else(today);
        let at = zone
            .to_ambiguous_timestamp(date.at(0, 0, 0, 0))
            .compatible();
        let at = at.map_err(|error| Failure::new(exit::USAGE, format!("{date}: {error}")))?;
        return Ok(((date, at), Timeline::Virtual));
    }
    let path = ledger_path(&place.state);
    let reader = Ledger::open_to_read(&path).map_err(|e| unread(&e))?;
    copy(&path, &reader, ledger)?;
    let newest = reader.newest_wall().map_err(|e| unread(&e))?;
    let at = present(&reader)?.max(newest.unwrap_or(Timestamp::MIN));
    let timeline = if reader.is_virtual().map_err(|e| unread(&e))? {
        Timeline::Virtual
    } else {
        Timeline::Real
    };
    Ok(((zone.to_datetime(at).date(), at), timeline))
}

/// The folder has a default, so only the command line tells whether the owner means the one that is there.
fn goes_on_from_state() -> bool {
    std::env::args().any(|word| word == "--state" || word.starts_with("--state="))
}

/// The mark before the ledger: what is written meanwhile puts the copy ahead of it, never behind.
fn copy(path: &Path, reader: &LedgerReader, to: &Path) -> Result<(), Failure> {
    let mark = |ledger: &Path| ledger.with_extension("mark");
    match fs::copy(mark(path), mark(to)) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
            return Err(Failure::new(
                exit::IO,
                format!("{}: {error}", mark(path).display()),
            ));
        }
        Ok(_) | Err(_) => {}
    }
    reader
        .backup(to)
        .map_err(|e| Failure::new(exit::IO, chain(&e)))
}

/// A folder for ledgers that nobody keeps.
struct Scratch(PathBuf);

impl Scratch {
    fn make() -> Result<Self, Failure> {
        let name = format!("dosewright-rehearsal-{}", std::process::id());
        let folders = [PathBuf::from(IN_MEMORY), std::env::temp_dir()];
        let mut last = String::new();
        for folder in folders.map(|folder| folder.join(&name)) {
            match fs::DirBuilder::new().mode(0o700).create(&folder) {
                Ok(()) => return Ok(Self(folder)),
                Err(error) => last = format!("{}: {error}", folder.display()),
            }
        }
        Err(Failure::new(
            exit::IO,
            format!("no room for the ledger of the rehearsal: {last}"),
        ))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        // What is left there is lost with the machine's memory.
        fs::remove_dir_all(&self.0).ok();
    }
}

/// How far it is, for whoever waits at a terminal, and whether they still do.
struct Progress<'a> {
    ear: &'a mut Ear,
    days: u32,
    /// Of the plans before it.
    number: usize,
    since: Millis,
    looked: Millis,
    shown: Option<Millis>,
    is_interrupted: bool,
}

impl<'a> Progress<'a> {
    fn new(ear: &'a mut Ear, days: u32, number: usize) -> Self {
        let since = machine_now().elapsed;
        Self {
            ear,
            days,
            number,
            since,
            looked: since,
            shown: None,
            is_interrupted: false,
        }
    }

    fn goes_on(&mut self, day: u32) -> ControlFlow<()> {
        let now = machine_now().elapsed;
        let last = self
            .shown
            .unwrap_or(self.since.plus(PATIENCE).minus(Millis::from_secs(1)));
        if now.minus(last) >= Millis::from_secs(1) && std::io::stderr().is_terminal() {
            self.shown = Some(now);
            let plan = if self.number == 0 {
                ""
            } else {
                ", the other plan"
            };
            write!(std::io::stderr(), "\rday {day} of {}{plan} ", self.days).ok();
        }
        // To listen takes the better part of a millisecond.
        if now.minus(self.looked) >= LISTEN_EVERY {
            self.looked = now;
            self.is_interrupted = self.ear.signalled(Duration::ZERO);
        }
        if self.is_interrupted {
            return ControlFlow::Break(());
        }
        ControlFlow::Continue(())
    }

    fn end(&self) {
        if self.shown.is_some() {
            write!(std::io::stderr(), "\r{:30}\r", "").ok();
        }
    }
}
