//! `calibrate`: a guided run at the sump, or runs that were timed before.
//!
//! The talk at the sump is in `guided.rs`. Nothing is decided here that matters: the daemon fits the runs itself, and refuses what is no calibration.

use std::io::{self, IsTerminal, Write};

use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::heads::bench::status;
use crate::cli::heads::bench_args::Calibrate;
use crate::cli::heads::certificate::{fit_lines, newest};
use crate::cli::heads::guided::{AtTheSump, Job, KEPT, dialogue};
use crate::cli::heads::keys::Ear;
use crate::cli::heads::measured::{Entries, Weighing, measured};
use crate::cli::out::Out;
use crate::cli::running::daemon::ask;
use crate::cli::talk::Person;
use crate::cli::words::{configuration, usage};
use crate::config::{Head, Line, Mode};
use crate::engine::{Command, NewCalibration};
use crate::metering::{Calibration, FitRules, fit};
use crate::plan::{Schedule, plan_daily_volumes};
use crate::quantity::{Millis, Name, Volume, parse_duration};
use crate::record::CalibrationRun;

/// Priming by one press of the key, at most.
const PRIME: Millis = Millis::from_secs(60);

/// Longest and shortest length against the usual dose: half of it, so that a clamped plan is still covered, and twice.
const AROUND: (f64, f64) = (0.5, 2.0);

pub(in crate::cli) fn calibrate(
    place: &Place,
    options: &Calibrate,
    out: &mut Out,
) -> Result<(), Failure> {
    let mut entries = Entries::new(&options.conditions)?;
    let mut ear = None;
    let runs = if options.runs.is_empty() {
        guided(
            place,
            options,
            &mut entries,
            (ear.insert(Ear::open()?), out),
        )?
    } else {
        let run = |text: &String| typed_run(text, entries.weighing());
        options.runs.iter().map(run).collect::<Result<_, _>>()?
    };
    let resolution = match &options.resolution {
        None => Volume::ZERO,
        Some(text) => measured(text, entries.weighing())?,
    };
    let before = newest(place, &options.head)?;
    let rules = FitRules {
        resolution,
        ..FitRules::default()
    };
    let fitted = fit(&CalibrationRun::used(&runs), &rules)
        .map_err(|refusal| Failure::new(exit::REFUSED, format!("not taken: {refusal}")))?;
    if !options.json {
        for line in fit_lines(&fitted, before.as_ref().map(|c| &c.calibration)) {
            writeln!(out, "{line}")?;
        }
    }
    if let Some(mut ear) = ear.filter(|_| !options.yes) {
        writeln!(out, "Take it? Type yes to go on:")?;
        out.flush()?;
        if ear.line()?.answer(KEPT)? != "yes" {
            return Err(Failure::new(exit::REFUSED, KEPT));
        }
    }
    let command = Command::Calibrate(NewCalibration {
        head: Name::new(&options.head).map_err(usage)?,
        runs,
        resolution,
        weighing: entries
            .weighing()
            .map(Weighing::words)
            .transpose()?
            .unwrap_or_default()
            .as_str()
            .into(),
        method: options.note.as_str().into(),
    });
    ask(place, &command.into(), options.json, out).map(drop)
}

fn typed_run(text: &str, weighing: Option<&Weighing>) -> Result<CalibrationRun, Failure> {
    let (time, volume) = text.split_once('=').ok_or_else(|| {
        usage(format!(
            "\"{text}\" is no run; write its time and what came out, for example 30s=14.8mL or 30s=14.76g"
        ))
    })?;
    Ok(CalibrationRun {
        on_time: parse_duration(time).map_err(usage)?,
        volume: measured(volume, weighing)?,
        typed: volume.trim().to_owned(),
        dose: None,
        used: true,
    })
}

fn guided(
    place: &Place,
    options: &Calibrate,
    entries: &mut Entries,
    (ear, out): (&mut Ear, &mut Out),
) -> Result<Vec<CalibrationRun>, Failure> {
    if !io::stdin().is_terminal() || options.json {
        return Err(usage(
            "a guided calibration needs a terminal and somebody at the sump; enter runs that were timed before with --run",
        ));
    }
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let head = controller.head_named(&options.head).map_err(usage)?;
    let line = controller.line_of_head(&head.name).map_err(usage)?;
    let known = newest(place, &options.head)?.map(|c| c.calibration);
    let usual = usual_dose(&loaded, line);
    let lengths = match &options.lengths {
        Some(text) => text
            .split(',')
            .map(|one| parse_duration(one).map_err(usage))
            .collect::<Result<_, _>>()?,
        None => usual_lengths(head, line, known.as_ref(), usual),
    };
    let view = status(place)?;
    let job = Job {
        head,
        line,
        caustic: controller
            .solutions
            .get(&line.solution)
            .is_some_and(|s| s.caustic),
        lengths,
        repeats: options.repeats,
        creep: options.creep,
        prime: longest(head, line, known.as_ref()).min(PRIME),
        live: view.mode == Mode::Live,
    };
    let left = view.lines.iter().find(|l| l.name == line.name);
    check_room(&job, known.as_ref(), left.map(|l| l.cap_left))?;
    let mut bench = AtTheSump {
        place,
        head: &options.head,
        person: Person {
            ear,
            out,
            aside: false,
            kept: KEPT,
        },
    };
    // The step of a scale says that a scale is used, and a wrong one is to be known before the first drop.
    if let Some(step) = &options.resolution
        && entries.volume(step, &mut bench)?.is_none()
    {
        return Err(usage(format!(
            "\"{step}\" is no step of a cylinder or scale"
        )));
    }
    dialogue(&job, entries, &mut bench)
}

/// The line's planned dose; half its dose cap when it has none.
fn usual_dose(loaded: &crate::config::Loaded, line: &Line) -> Volume {
    let daily = plan_daily_volumes(&loaded.plan);
    let schedule = Schedule::new(
        std::sync::Arc::new(loaded.controller.clone()),
        std::sync::Arc::new(loaded.plan.clone()),
    );
    schedule
        .largest_slot(&line.name, &daily)
        .filter(|dose| *dose > Volume::ZERO)
        .unwrap_or_else(|| line.dose_cap.scaled(0.5).unwrap_or(line.dose_cap))
}

/// The longest run whose most is within the line's dose cap and the head's longest run.
fn longest(head: &Head, line: &Line, known: Option<&Calibration>) -> Millis {
    // What a minute gives at most says what a second does, but for the offset; a tenth of room covers that.
    let per_second = head.at_most(known, Millis::from_secs(60)).as_ml() / 60.0;
    Millis::from_secs_f64(0.9 * line.dose_cap.as_ml() / per_second)
        .unwrap_or(Millis::from_secs(1))
        .min(head.run_max)
}

/// A shorter and a longer run than the usual dose takes, within what the head and the line allow.
fn usual_lengths(
    head: &Head,
    line: &Line,
    known: Option<&Calibration>,
    usual: Volume,
) -> Vec<Millis> {
    let rate = known.map_or(head.nominal_rate, Calibration::rate);
    let longest = longest(head, line, known);
    let time = |ml: f64| {
        Millis::from_secs_f64(ml / rate.as_ml_per_min() * 60.0)
            .unwrap_or(Millis::from_secs(1))
            .max(Millis::new(500))
            .min(longest)
    };
    let (less, more) = AROUND;
    vec![time(usual.as_ml() * less), time(usual.as_ml() * more)]
}

/// Whether what the runs may give at most fits under the line's daily cap, before the first drop.
fn check_room(
    job: &Job<'_>,
    known: Option<&Calibration>,
    left: Option<Volume>,
) -> Result<(), Failure> {
    let most = |time: &Millis| job.head.at_most(known, *time).as_ml();
    let all: f64 = job.lengths.iter().map(most).sum::<f64>() * f64::from(job.repeats);
    match left {
        Some(left) if all > left.as_ml() => Err(Failure::new(
            exit::REFUSED,
            format!(
                "these runs may give {all:.1} mL, and the daily cap of line {} leaves {left} (what is pumped counts wherever it goes); choose shorter or fewer runs with --lengths and --repeats, or another hour",
                job.line.name
            ),
        )),
        Some(_) | None => Ok(()),
    }
}
