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
use crate::cli::heads::session::{ask_back, cap_left, ensure, waits};
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
    let mut opened = false;
    let runs = if let (Some(job), Some(ear)) = (&job, ear.as_mut()) {
        let (runs, by_us) = job.at_the_sump(place, &mut entries, (ear, out))?;
        opened = by_us;
        runs
    } else {
        let run = |text: &String| typed_run(text, entries.weighing());
        options.runs.iter().map(run).collect::<Result<_, _>>()?
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
    let head = new.head.clone();
    let sent = send((place, options), new, (ear.as_mut(), out));
    if let Some(ear) = ear.as_mut().filter(|_| opened) {
        ask_back(place, &head, &mut person(ear, out))?;
    }
    sent
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
    let solution = controller.solution_of(&line.name).ok_or_else(|| {
        usage(format!(
            "nothing is known of what line {} gives; name it in [reservoir.{}]",
            line.name, line.reservoir
        ))
    })?;
    let view = status(place)?;
    // A calibration on record may be void: a new tube, another speed.
    let in_force = view
        .heads
        .iter()
        .any(|h| h.name == head.name && h.rate.is_some());
    let known = newest(place, &options.head)?
        .map(|c| c.calibration)
        .filter(|_| in_force);
    let usual = usual_dose(&loaded, line);
    let lengths = match &options.lengths {
        Some(text) => text
            .split(',')
            .map(|one| parse_duration(one).map_err(usage))
            .collect::<Result<_, _>>()?,
        None => usual_lengths(head, known.as_ref(), usual),
    };
    let job = Job {
        head: head.clone(),
        line: line.clone(),
        solution: solution.name.clone(),
        caustic: solution.caustic,
        lengths,
        repeats: options.repeats,
        creep: options.creep,
        prime: head.run_max.min(PRIME),
        live: view.mode == Mode::Live,
    };
    check_room(
        &job,
        known.as_ref(),
        cap_left(&view, &head.name, line.bench_cap()),
    )?;
    Ok(job)
}

impl Job {
    fn at_the_sump(
        &self,
        place: &Place,
        entries: &mut Entries,
        (ear, out): (&mut Ear, &mut Out),
    ) -> Result<(Vec<CalibrationRun>, bool), Failure> {
        let mut bench = AtTheSump {
            place,
            head: self.head.name.as_str(),
            person: person(ear, out),
        };
        let opened = ensure(place, &self.head.name, &mut bench)?;
        match dialogue(self, entries, &mut bench) {
            Ok(runs) => Ok((runs, opened)),
            Err(failure) => {
                // Whoever went away may not hear it.
                drop(bench.say(&waits(&self.head.name)));
                Err(failure)
            }
        }
    }
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

/// A shorter and a longer run than the usual dose takes, within what the head may run, and far enough apart for a line.
fn usual_lengths(head: &Head, known: Option<&Calibration>, usual: Volume) -> Vec<Millis> {
    let rate = known.map_or(head.nominal_rate, Calibration::rate);
    let time = |share: f64| {
        Millis::from_secs_f64(usual.as_ml() * share / rate.as_ml_per_min() * 60.0)
            .unwrap_or(head.run_max)
    };
    let (less, more) = AROUND;
    let quarter = Millis::new(head.run_max.as_ms() / 4);
    let short = time(less).max(Millis::new(500)).min(quarter);
    let long = time(more).max(Millis::new(short.as_ms().saturating_mul(4)));
    vec![short, long.min(head.run_max)]
}

/// What all runs together may give at most, mL.
fn most_ml(head: &Head, known: Option<&Calibration>, lengths: &[Millis], repeats: u32) -> f64 {
    let most = |time: &Millis| head.at_most(known, *time).as_ml();
    lengths.iter().map(most).sum::<f64>() * f64::from(repeats)
}

/// Whether the runs fit under the cap of the session, before the first drop.
fn check_room(job: &Job, known: Option<&Calibration>, left: Volume) -> Result<(), Failure> {
    let all = most_ml(&job.head, known, &job.lengths, job.repeats);
    if all <= left.as_ml() {
        return Ok(());
    }
    Err(Failure::new(
        exit::REFUSED,
        format!(
            "these runs may give {all:.1} mL, and the session of head {name} at the bench leaves {left}; choose shorter or fewer runs with --lengths and --repeats, or open a session with a larger cap: `dosewright bench {name} open --cap VOLUME`",
            name = job.head.name
        ),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The least favourable case: the usual dose is as large as the cap allows.
    #[test]
    fn the_runs_that_the_dialog_picks_fit_every_head_of_the_sample_at_its_full_cap() {
        let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let loaded = crate::config::load(&demo, &crate::plan::check_plan).unwrap();
        for line in &loaded.controller.lines {
            let head = loaded.controller.head_named(line.head.as_str()).unwrap();
            let nominal = Calibration::new(head.nominal_rate, Volume::ZERO).unwrap();
            for known in [None, Some(&nominal)] {
                for usual in [line.dose_cap, usual_dose(&loaded, line), Volume::from_ul(1)] {
                    let lengths = usual_lengths(head, known, usual);
                    let [short, long] = lengths[..] else {
                        panic!("{lengths:?}");
                    };
                    assert!(
                        short >= Calibration::RUN_MIN && long <= head.run_max,
                        "{lengths:?}"
                    );
                    assert!(
                        long.as_secs() / short.as_secs() >= FitRules::default().length_ratio_min
                    );
                    let all = most_ml(head, known, &lengths, 3);
                    assert!(all <= line.bench_cap().as_ml(), "{}: {all} mL", line.name);
                }
            }
        }
    }
}
