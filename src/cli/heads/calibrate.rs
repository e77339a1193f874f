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
use crate::cli::running::daemon::{ask, say};
use crate::cli::talk::{Person, Talk};
use crate::cli::words::{configuration, usage};
use crate::config::{Head, Line, Mode};
use crate::control::Client;
use crate::engine::{Command, NewCalibration};
use crate::metering::{Calibration, FitRules, fit};
use crate::plan::{Schedule, plan_daily_volumes};
use crate::quantity::{Millis, Name, Volume, parse_duration, parse_flow_rate};
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
    let guided = options.runs.is_empty();
    let somebody = io::stdin().is_terminal() && !options.json;
    if guided && !somebody {
        return Err(usage(
            "a guided calibration needs a terminal and somebody at the sump; enter runs that were timed before with --run",
        ));
    }
    let mut ear = somebody.then(Ear::open).transpose()?;
    let sure_of = options.rate.as_deref().map(parse_flow_rate).transpose();
    let sure_of = sure_of.map_err(usage)?;
    let job = guided.then(|| job(place, options)).transpose()?;
    // A wrong step is to be known before the first drop.
    let resolution = resolution(options, &mut entries, (ear.as_mut(), out))?;
    let runs = match (&job, ear.as_mut()) {
        (Some(job), Some(ear)) => job.at_the_sump(place, &mut entries, (ear, out))?,
        (_, _) => {
            let run = |text: &String| typed_run(text, entries.weighing());
            options.runs.iter().map(run).collect::<Result<_, _>>()?
        }
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
    if let Some(ear) = ear.as_mut().filter(|_| guided && !options.yes) {
        writeln!(out, "Take it? Type yes to go on:")?;
        out.flush()?;
        if ear.line()?.answer(KEPT)? != "yes" {
            return Err(Failure::new(exit::REFUSED, KEPT));
        }
    }
    let new = NewCalibration {
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
        sure_of,
    };
    send((place, options), new, (ear.as_mut(), out))
}

/// Has a calibration taken; a rate that is doubtful is asked about where somebody is there.
fn send(
    (place, options): (&Place, &Calibrate),
    mut new: NewCalibration,
    (ear, out): (Option<&mut Ear>, &mut Out),
) -> Result<(), Failure> {
    let response = Client::connect(&place.state)?.ask(&Command::Calibrate(new.clone()).into())?;
    let doubted = response.code.as_deref() == Some("calibration-questioned");
    let Some(ear) = ear.filter(|_| doubted) else {
        return say(response, options.json, out).map(drop);
    };
    let mut person = person(ear, out);
    person.say(&response.text)?;
    let typed = person.ask("The rate again to take it all the same, anything else to leave it:")?;
    new.sure_of = parse_flow_rate(&typed).ok();
    if new.sure_of.is_none() {
        return Err(Failure::new(exit::REFUSED, KEPT));
    }
    ask(place, &Command::Calibrate(new).into(), false, out).map(drop)
}

fn person<'a>(ear: &'a mut Ear, out: &'a mut Out) -> Person<'a> {
    Person {
        ear,
        out,
        aside: false,
        kept: KEPT,
    }
}

/// The step that volumes are read by, as it was given, or asked for.
fn resolution(
    options: &Calibrate,
    entries: &mut Entries,
    (ear, out): (Option<&mut Ear>, &mut Out),
) -> Result<Volume, Failure> {
    let given = options.resolution.as_deref();
    let Some(ear) = ear else {
        let text = given.ok_or_else(|| {
            usage("what were the volumes read by? Give the step of the cylinder or scale, for example --resolution \"0.1 mL\" or --resolution \"0.01 g\"; a coarse one makes small doses uncertain")
        })?;
        return measured(text, entries.weighing());
    };
    let mut person = person(ear, out);
    if let Some(text) = given {
        return entries
            .volume(text, &mut person)?
            .ok_or_else(|| usage(format!("\"{text}\" is no step of a cylinder or scale")));
    }
    loop {
        let typed = person.ask("Step of the cylinder or scale? (for example 0.1 mL, or 0.01 g)")?;
        if let Some(step) = entries.volume(&typed, &mut person)? {
            return Ok(step);
        }
    }
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

/// What is to be done at the sump, and whether the caps leave room for it.
fn job(place: &Place, options: &Calibrate) -> Result<Job, Failure> {
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
        head: head.clone(),
        line: line.clone(),
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
    Ok(job)
}

impl Job {
    fn at_the_sump(
        &self,
        place: &Place,
        entries: &mut Entries,
        (ear, out): (&mut Ear, &mut Out),
    ) -> Result<Vec<CalibrationRun>, Failure> {
        let mut bench = AtTheSump {
            place,
            head: self.head.name.as_str(),
            person: person(ear, out),
        };
        dialogue(self, entries, &mut bench)
    }
}

/// The line's planned dose; half its dose cap when it has none.
fn usual_dose(loaded: &crate::config::Loaded, line: &Line) -> Volume {
    let planned = plan_daily_volumes(&loaded.plan).contains_key(&line.name);
    let schedule = Schedule::new(
        std::sync::Arc::new(loaded.controller.clone()),
        std::sync::Arc::new(loaded.plan.clone()),
    );
    schedule
        .largest_slot(&line.name)
        .filter(|dose| planned && *dose > Volume::ZERO)
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
fn check_room(job: &Job, known: Option<&Calibration>, left: Option<Volume>) -> Result<(), Failure> {
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
