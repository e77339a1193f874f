//! `bench HEAD calibrate`: guided, from runs that were measured at the bench, or from runs that were timed before.
//!
//! The talk at the bench is in `guided.rs`. Nothing is decided here that matters: the daemon fits the runs itself, and refuses what is no
//! calibration.

use std::io::{self, IsTerminal, Write};

use crate::cli::heads::bench::status;
use crate::cli::heads::bench_args::Calibrate;
use crate::cli::heads::certificate::{fit_lines, newest};
use crate::cli::heads::guided::{AtTheBench, Bench, Job, KEPT, dialogue, whole};
use crate::cli::heads::keys::Ear;
use crate::cli::heads::measured::{Entries, Weighing};
use crate::cli::heads::session::{cap_left, kept_runs};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::talk::{Person, Talk};
use crate::cli::words::{configuration, usage};
use crate::cli::{Out, Place, Result, refused};
use crate::config::{Head, Line, Mode};
use crate::control::{Client, Response};
use crate::engine::{Command, NewCalibration};
use crate::metering::{Calibration, CalibrationFit, FitRules, REPEATS, fit, lengths_around};
use crate::plan::{Schedule, plan_daily_volumes};
use crate::quantity::{Millis, Name, Volume, parse_flow_rate};
use crate::record::{CalibrationRun, DoseId};

/// Priming by one press of the key, at most.
const PRIME: Millis = Millis::from_secs(60);

pub(crate) fn calibrate(place: &Place, head: &Name, options: &Calibrate, out: &mut Out) -> Result {
    let mut entries = Entries::new(&options.conditions)?;
    if options.runs.is_empty() && options.doses.is_empty() {
        return guided(place, head, (options, &mut entries), out);
    }
    let step = options.resolution.as_ref().ok_or_else(|| {
        usage("what were the volumes read by? Give the step of the cylinder or scale, for example --resolution \"0.1 mL\" or --resolution \"0.01 g\"; a coarse one makes small doses uncertain")
    })?;
    let resolution = step.step(entries.weighing())?;
    let mut runs = chosen(place, head, &options.doses)?;
    for run in &options.runs {
        runs.push(run.weighed(entries.weighing())?);
    }
    let fitted = fit_of(&runs, resolution)?;
    if !place.json {
        for line in fitted_words(place, head, &fitted)? {
            writeln!(out, "{line}")?;
        }
    }
    let new = NewCalibration {
        sure_of: options.rate,
        ..new_calibration(head, options, (runs, resolution), &entries)?
    };
    ask(place, &Command::Calibrate(new).into(), out).map(drop)
}

/// Runs that were measured at the bench, by their numbers.
fn chosen(place: &Place, head: &Name, doses: &[i64]) -> Result<Vec<CalibrationRun>> {
    if doses.is_empty() {
        return Ok(Vec::new());
    }
    let kept = kept_runs(&open(place)?, head)?;
    let of = |dose: &i64| {
        let run = kept
            .iter()
            .find(|r| r.used && r.dose == Some(DoseId(*dose)));
        run.cloned().ok_or_else(|| {
            usage(format!(
                "nothing is kept of dose {dose}; enter it with `dosewright bench {head} measured {dose} AMOUNT`, and see `dosewright bench {head} show`"
            ))
        })
    };
    doses.iter().map(of).collect()
}

fn fit_of(runs: &[CalibrationRun], resolution: Volume) -> Result<CalibrationFit> {
    let rules = FitRules {
        resolution,
        ..FitRules::default()
    };
    fit(&CalibrationRun::used(runs), &rules)
        .map_err(|refusal| refused(format!("not taken: {refusal}")))
}

/// What a fit is worth.
fn fitted_words(place: &Place, head: &Name, fitted: &CalibrationFit) -> Result<Vec<String>> {
    let before = newest(place, head)?;
    Ok(fit_lines(fitted, before.as_ref().map(|c| &c.calibration)))
}

fn new_calibration(
    head: &Name,
    options: &Calibrate,
    (runs, resolution): (Vec<CalibrationRun>, Volume),
    entries: &Entries,
) -> Result<NewCalibration> {
    let weighing = entries.weighing().map(Weighing::words).transpose()?;
    Ok(NewCalibration {
        head: head.clone(),
        runs,
        resolution,
        weighing: weighing.unwrap_or_default().as_str().into(),
        method: options.note.clone(),
        sure_of: None,
    })
}

/// The whole at the bench, by question and answer.
fn guided(
    place: &Place,
    head: &Name,
    (options, entries): (&Calibrate, &mut Entries),
    out: &mut Out,
) -> Result {
    if !io::stdin().is_terminal() || place.json {
        return Err(usage(format!(
            "to be guided needs a terminal and somebody at the bench; by words it goes: `dosewright bench {head} open`, prime, run, measured, calibrate --runs, verify, back; runs that were timed before are entered with calibrate --run"
        )));
    }
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: false,
        kept: KEPT,
    };
    // A wrong step is to be known before the first drop.
    let resolution = resolution(options, entries, &mut person)?;
    let job = job(place, head, options, resolution)?;
    let mut bench = AtTheBench {
        place,
        head,
        person,
    };
    whole(&job, entries, &mut bench, |entries, bench| {
        fitted(&job, options, entries, bench)
    })
}

/// Runs until there is a calibration that the daemon takes.
fn fitted(
    job: &Job,
    options: &Calibrate,
    entries: &mut Entries,
    bench: &mut AtTheBench<'_>,
) -> Result {
    let (place, head) = (bench.place, bench.head);
    let mut job = job.clone();
    let mut runs = kept_runs(&open(place)?, head)?;
    loop {
        runs = dialogue(&job, entries, bench, runs)?;
        let fitted = fit_of(&runs, job.resolution)?;
        for line in fitted_words(place, head, &fitted)? {
            bench.say(&line)?;
        }
        let more = more_runs(&job, &fitted, bench)?;
        let answer = if options.agreed.yes {
            "yes".to_owned()
        } else {
            let or_more = more.map_or("", |_| "m makes them, ");
            bench.ask(&format!(
                "Take it? {or_more}b takes the last entry back and runs again. Type yes to go on:"
            ))?
        };
        match (answer.as_str(), more) {
            ("yes", _) => {}
            ("m", Some(repeats)) => {
                job.repeats = repeats;
                continue;
            }
            ("b", _) => {
                bench.take_last_back(&mut runs)?;
                continue;
            }
            _ => return Err(refused(KEPT)),
        }
        let new = new_calibration(head, options, (runs.clone(), job.resolution), entries)?;
        let response = sent(place, new, bench)?;
        bench.say(&response.text)?;
        if response.ok {
            return Ok(());
        }
        let answer = bench.ask("Enter takes the last entry back and runs again, q ends:")?;
        if answer == "q" {
            return Err(refused(KEPT));
        }
        bench.take_last_back(&mut runs)?;
    }
}

/// Says why the line's usual dose is not metered, and how many runs of each length would do; `None` when it is, or 20 would not do.
fn more_runs(job: &Job, fitted: &CalibrationFit, bench: &mut impl Talk) -> Result<Option<u32>> {
    let (usual, percent) = (job.usual, job.head.tolerance_percent);
    let limits = fitted.metering_limits(percent);
    let Err(why) = limits.and_then(|l| l.run_time(&fitted.calibration(), usual)) else {
        return Ok(None);
    };
    bench.say(&format!(
        "The plan's dose of {usual} is NOT metered by this: {why}."
    ))?;
    let repeats = fitted.repeats_for(usual, percent);
    let lengths: Vec<String> = job.lengths.iter().map(Millis::to_string).collect();
    let lengths = lengths.join(" and ");
    bench.say(&repeats.map_or_else(
        || format!("More runs of {lengths} would not do, not 20 of each either."),
        |repeats| {
            format!(
                "{repeats} runs each of {lengths} would do, if more of them scatter as these did."
            )
        },
    ))?;
    Ok(repeats)
}

/// Has a calibration taken; a rate that is doubtful is asked about.
fn sent(place: &Place, mut new: NewCalibration, bench: &mut AtTheBench<'_>) -> Result<Response> {
    let mut client = Client::connect(&place.state)?;
    let response = client.ask(&Command::Calibrate(new.clone()).into())?;
    if response.code.as_deref() != Some("calibration-questioned") {
        return Ok(response);
    }
    bench.say(&response.text)?;
    let typed = bench.ask("The rate again to take it all the same, anything else to leave it:")?;
    new.sure_of = parse_flow_rate(&typed).ok();
    if new.sure_of.is_none() {
        return Err(refused(KEPT));
    }
    Ok(Client::connect(&place.state)?.ask(&Command::Calibrate(new).into())?)
}

/// The step that volumes are read by, as it was given, or asked for.
fn resolution(
    options: &Calibrate,
    entries: &mut Entries,
    person: &mut Person<'_>,
) -> Result<Volume> {
    let mut told = options.resolution.as_ref().map(|step| step.typed.clone());
    loop {
        let typed = match told.take() {
            Some(typed) => typed,
            None => person.ask("Step of the cylinder or scale? (for example 0.1 mL, or 0.01 g)")?,
        };
        if let Some(step) = entries.step(&typed, person)? {
            return Ok(step);
        }
    }
}

/// What is to be done at the bench, and whether the caps leave room for it.
fn job(place: &Place, name: &Name, options: &Calibrate, resolution: Volume) -> Result<Job> {
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let head = controller.head_named(name.as_str()).map_err(usage)?;
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
    let known = newest(place, name)?
        .map(|c| c.calibration)
        .filter(|_| in_force);
    let usual = usual_dose(&loaded, line);
    let lengths = if options.lengths.is_empty() {
        let rate = known.as_ref().map_or(head.nominal_rate, Calibration::rate);
        lengths_around(usual, rate, head.run_max).to_vec()
    } else {
        options.lengths.clone()
    };
    let job = Job {
        head: head.clone(),
        line: line.clone(),
        solution: solution.name.clone(),
        caustic: solution.caustic,
        usual,
        lengths,
        repeats: options.repeats.unwrap_or(REPEATS),
        resolution,
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

/// The line's planned dose; half its dose cap when it has none.
fn usual_dose(loaded: &crate::config::Loaded, line: &Line) -> Volume {
    let daily = plan_daily_volumes(&loaded.plan);
    let schedule = Schedule::new(loaded.controller.clone().into(), &loaded.plan);
    schedule
        .largest_slot(&line.name, &daily)
        .filter(|dose| *dose > Volume::ZERO)
        .unwrap_or_else(|| line.dose_cap.scaled(0.5).unwrap_or(line.dose_cap))
}

/// What all runs together may give at most, mL.
fn most_ml(head: &Head, known: Option<&Calibration>, lengths: &[Millis], repeats: u32) -> f64 {
    let most = |time: &Millis| head.at_most(known, *time).as_ml();
    lengths.iter().map(most).sum::<f64>() * f64::from(repeats)
}

/// Whether the runs fit under the cap of the session, before the first drop.
fn check_room(job: &Job, known: Option<&Calibration>, left: Volume) -> Result {
    let all = most_ml(&job.head, known, &job.lengths, job.repeats);
    if all <= left.as_ml() {
        return Ok(());
    }
    Err(refused(format!(
        "these runs may give {all:.1} mL, and the session of head {name} at the bench leaves {left}; choose shorter or fewer runs with --lengths and --repeats, or open a session with a larger cap: `dosewright bench {name} open --cap VOLUME`",
        name = job.head.name
    )))
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
                    let lengths = lengths_around(usual, head.nominal_rate, head.run_max);
                    let [short, long] = lengths;
                    assert!(
                        short >= Calibration::RUN_MIN && long <= head.run_max,
                        "{lengths:?}"
                    );
                    assert!(
                        long.as_secs() / short.as_secs() >= FitRules::default().length_ratio_min
                    );
                    let all = most_ml(head, known, &lengths, REPEATS);
                    assert!(all <= line.bench_cap().as_ml(), "{}: {all} mL", line.name);
                }
            }
        }
    }
}
