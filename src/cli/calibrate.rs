//! `calibrate`: a guided run at the sump, or runs that were timed before.
//!
//! Nothing is decided here that matters: the daemon fits the runs itself, and refuses what is no calibration.

use std::io::{self, IsTerminal, Write};

use super::args::Place;
use super::bench::{Ran, Wanted, run, status};
use super::bench_args::Calibrate;
use super::certificate::{fit_lines, newest};
use super::daemon::ask;
use super::exit::{self, Failure};
use super::keys::Ear;
use super::measured::{Weighing, measured};
use super::out::Out;
use super::words::{configuration, usage};
use crate::config::{Controller, Head, Line};
use crate::control::{CalibrateRequest, Request, RunRequest};
use crate::metering::{Calibration, FitRules, Run, fit};
use crate::plan::{Schedule, plan_daily_volumes};
use crate::quantity::{Millis, Volume, parse_duration};
use crate::record::CalibrationRun;

/// Priming by one press of the key, at most.
const PRIME: Millis = Millis::from_secs(60);

/// Longest and shortest length against the usual dose: half of it, so that a clamped plan is still covered, and twice.
const AROUND: (f64, f64) = (0.5, 2.0);

/// What is as before when it ends early.
const KEPT: &str = "the head's calibration stays as it was; what was pumped is in the record";

/// Calibrates a head.
pub(super) fn calibrate(place: &Place, options: &Calibrate, out: &mut Out) -> Result<(), Failure> {
    let weighing = options.conditions.weighing()?;
    let resolution = match &options.resolution {
        None => Volume::ZERO,
        Some(text) => measured(text, weighing.as_ref())?,
    };
    let (runs, ear) = if options.runs.is_empty() {
        let mut ear = Ear::open()?;
        let runs = guided(place, options, weighing.as_ref(), (&mut ear, out))?;
        (runs, Some(ear))
    } else {
        let run = |text: &String| typed_run(text, weighing.as_ref());
        let runs = options.runs.iter().map(run).collect::<Result<_, _>>()?;
        (runs, None)
    };
    let before = newest(place, &options.head)?;
    let rules = FitRules {
        resolution,
        ..FitRules::default()
    };
    let bare: Vec<Run> = runs.iter().map(CalibrationRun::bare).collect();
    let fitted = fit(&bare, &rules)
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
    let request = Request::Calibrate(CalibrateRequest {
        head: options.head.clone(),
        runs: runs.iter().map(wire).collect(),
        resolution_ul: resolution.as_ul(),
        weighing: weighing.map(|w| w.words()).transpose()?.unwrap_or_default(),
        method: options.note.clone(),
    });
    ask(place, &request, options.json, out).map(drop)
}

fn wire(run: &CalibrationRun) -> RunRequest {
    RunRequest {
        on_time_ms: run.on_time.as_ms(),
        volume_ul: run.volume.as_ul(),
        typed: run.typed.clone(),
        dose: run.dose.map(|dose| dose.0),
    }
}

/// `30s=14.8mL`.
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
    })
}

/// What the guided run is about.
#[derive(Debug)]
struct Job<'a> {
    head: &'a Head,
    line: &'a Line,
    caustic: bool,
    lengths: Vec<Millis>,
    repeats: u32,
    /// Longest priming by one press of the key.
    prime: Millis,
    weighing: Option<&'a Weighing>,
    live: bool,
}

/// Who is talked to, and what runs the head.
trait Bench {
    fn say(&mut self, text: &str) -> Result<(), Failure>;
    fn ask(&mut self, question: &str) -> Result<String, Failure>;
    fn run(&mut self, run_time: Millis, kind: &'static str) -> Result<Ran, Failure>;
}

struct AtTheSump<'a> {
    place: &'a Place,
    head: &'a str,
    ear: &'a mut Ear,
    out: &'a mut Out,
}

impl Bench for AtTheSump<'_> {
    fn say(&mut self, text: &str) -> Result<(), Failure> {
        Ok(writeln!(self.out, "{text}")?)
    }

    fn ask(&mut self, question: &str) -> Result<String, Failure> {
        write!(self.out, "{question} ")?;
        self.out.flush()?;
        self.ear.line()?.answer(KEPT)
    }

    fn run(&mut self, run_time: Millis, kind: &'static str) -> Result<Ran, Failure> {
        let wanted = Wanted::Time {
            head: self.head,
            run_time,
            kind,
        };
        run(self.place, wanted, self.ear, self.out)
    }
}

fn ended_early() -> Failure {
    Failure::new(exit::REFUSED, format!("ended before it was done: {KEPT}"))
}

fn guided(
    place: &Place,
    options: &Calibrate,
    weighing: Option<&Weighing>,
    (ear, out): (&mut Ear, &mut Out),
) -> Result<Vec<CalibrationRun>, Failure> {
    if !io::stdin().is_terminal() || options.json {
        return Err(usage(
            "a guided calibration needs a terminal and somebody at the sump; enter runs that were timed before with --run",
        ));
    }
    let loaded = configuration(place)?;
    let controller = &loaded.controller;
    let (head, line) = head_and_line(controller, &options.head)?;
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
        prime: longest(head, line, known.as_ref()).min(PRIME),
        weighing,
        live: view.mode == "live",
    };
    let left = view.lines.iter().find(|l| l.name == line.name.as_str());
    check_room(
        &job,
        known.as_ref(),
        left.map(|l| Volume::from_ul(l.cap_left_ul)),
    )?;
    let mut bench = AtTheSump {
        place,
        head: &options.head,
        ear,
        out,
    };
    dialogue(&job, &mut bench)
}

fn head_and_line<'a>(
    controller: &'a Controller,
    name: &str,
) -> Result<(&'a Head, &'a Line), Failure> {
    let head = controller.heads.values().find(|h| h.name.as_str() == name);
    let head = head.ok_or_else(|| {
        let known: Vec<&str> = controller
            .heads
            .keys()
            .map(crate::quantity::Name::as_str)
            .collect();
        usage(format!(
            "there is no head {name}; the heads are: {}",
            known.join(", ")
        ))
    })?;
    let line = controller.lines.iter().find(|l| l.head == head.name);
    let line = line.ok_or_else(|| {
        usage(format!(
            "no line uses head {name}; add one to controller.toml, with its bottle and its caps, and restart"
        ))
    })?;
    Ok((head, line))
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

/// Cautions, priming, runs.
fn dialogue(job: &Job<'_>, bench: &mut impl Bench) -> Result<Vec<CalibrationRun>, Failure> {
    cautions(job, bench)?;
    prime(job.prime, bench)?;
    let mut order: Vec<Millis> = Vec::new();
    for _ in 0..job.repeats {
        order.extend(&job.lengths);
    }
    let mut runs: Vec<CalibrationRun> = Vec::new();
    while let Some(run_time) = order.get(runs.len()).copied() {
        let number = runs.len() + 1;
        let of = order.len();
        let answer = bench.ask(&format!(
            "Run {number} of {of}: {run_time}. Empty or tare the vessel. Enter starts it, b takes the last entry back, q ends:"
        ))?;
        match answer.as_str() {
            "" => runs.extend(one_run(job, run_time, bench)?),
            "b" => drop(runs.pop()),
            "q" => return Err(ended_early()),
            other => bench.say(&format!("\"{other}\" is neither Enter, b nor q"))?,
        }
        if runs.len() == order.len() {
            redo_suspect(job, &order, &mut runs, bench)?;
        }
    }
    Ok(runs)
}

fn cautions(job: &Job<'_>, bench: &mut impl Bench) -> Result<(), Failure> {
    let name = &job.head.name;
    bench.say(&format!(
        "Calibration of head {name}, line {}, solution {}.",
        job.line.name, job.line.solution
    ))?;
    if job.caustic {
        bench.say("CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.")?;
    }
    bench.say("CAUTION: mains electricity near water can kill. Dry hands at switches and plugs; wiring follows your local electrical code.")?;
    bench.say("Hang the outlet into a dry measuring cylinder, or a cup on a scale. NEVER leave it in the tank: all runs together are many doses.")?;
    bench.say("Keep its height, and the bottle's, as they are in use: they change what a head gives. Measuring with plain water in place of the solution is right where the solution is as thin as water.")?;
    if job.weighing.is_none() {
        bench.say("Entries are in mL. For a scale, start again with --water-temperature \"22 C\" and enter g.")?;
    }
    if !job.live {
        bench.say("DRY RUN: no output is driven, a simulated head runs, and nothing of this will be taken over into live mode.")?;
    }
    Ok(())
}

/// Runs the head until the tube is full.
fn prime(longest: Millis, bench: &mut impl Bench) -> Result<(), Failure> {
    loop {
        let answer = bench.ask(
            "Fill the tube: Enter runs the head until you press a key, s goes on (the tube is full to its end, without bubbles), q ends:",
        )?;
        match answer.as_str() {
            "" => {
                let ran = bench.run(longest, "prime")?;
                bench.say(&format!(
                    "{} of running, {} counted. Is the tube full?",
                    ran.on_time, ran.booked
                ))?;
            }
            "s" => return Ok(()),
            "q" => return Err(ended_early()),
            other => bench.say(&format!("\"{other}\" is neither Enter, s nor q"))?,
        }
    }
}

/// One run with its entry; `None` when it was stopped or is to be repeated.
fn one_run(
    job: &Job<'_>,
    run_time: Millis,
    bench: &mut impl Bench,
) -> Result<Option<CalibrationRun>, Failure> {
    let ran = bench.run(run_time, "calibration")?;
    if !ran.whole {
        bench.say(&format!(
            "Stopped after {}; {} are counted. This run is not used.",
            ran.on_time, ran.booked
        ))?;
        return Ok(None);
    }
    loop {
        let unit = if job.weighing.is_some() {
            "14.76 g or 14.8 mL"
        } else {
            "14.8 mL"
        };
        let answer = bench.ask(&format!(
            "What came out in {}? (for example {unit}; r repeats the run)",
            ran.on_time
        ))?;
        if answer == "r" {
            return Ok(None);
        }
        match measured(&answer, job.weighing) {
            Ok(volume) if volume > Volume::ZERO => {
                return Ok(Some(CalibrationRun {
                    on_time: ran.on_time,
                    volume,
                    typed: answer,
                    dose: Some(ran.dose),
                }));
            }
            Ok(volume) => bench.say(&format!(
                "{volume} cannot have come out; when nothing came, look for air, a kink or a worn tube"
            ))?,
            Err(Failure::Said { text, .. }) => bench.say(&text)?,
            Err(other @ Failure::ClosedPipe) => return Err(other),
        }
    }
}

/// All runs are there: when they are refused because of one, that one may be repeated.
fn redo_suspect(
    job: &Job<'_>,
    order: &[Millis],
    runs: &mut [CalibrationRun],
    bench: &mut impl Bench,
) -> Result<(), Failure> {
    loop {
        let all: Vec<Run> = runs.iter().map(CalibrationRun::bare).collect();
        let Err(refusal) = fit(&all, &FitRules::default()) else {
            return Ok(());
        };
        bench.say(&format!("Not good enough yet: {refusal}"))?;
        let answer = bench.ask("Number of the run to repeat, or q to end:")?;
        if answer == "q" {
            return Err(ended_early());
        }
        let index = answer.parse::<usize>().ok().and_then(|n| n.checked_sub(1));
        let Some((index, run_time)) = index.and_then(|i| Some((i, *order.get(i)?))) else {
            bench.say(&format!("there are runs 1 to {}", order.len()))?;
            continue;
        };
        if let (Some(again), Some(place)) = (one_run(job, run_time, bench)?, runs.get_mut(index)) {
            *place = again;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::collections::VecDeque;

    use super::*;
    use crate::config::load;
    use crate::record::DoseId;

    /// A bench that answers from a list, with a head of 30 mL/min.
    struct Scripted {
        answers: VecDeque<String>,
        said: Vec<String>,
        ran: Vec<(i64, &'static str)>,
        stop_next: bool,
    }

    impl Scripted {
        fn new(answers: &[&str]) -> Self {
            Self {
                answers: answers.iter().map(|a| (*a).to_owned()).collect(),
                said: Vec::new(),
                ran: Vec::new(),
                stop_next: false,
            }
        }
    }

    impl Bench for Scripted {
        fn say(&mut self, text: &str) -> Result<(), Failure> {
            self.said.push(text.to_owned());
            Ok(())
        }

        fn ask(&mut self, question: &str) -> Result<String, Failure> {
            self.said.push(question.to_owned());
            let answer = self.answers.pop_front().ok_or_else(ended_early)?;
            if answer == "stop" {
                self.stop_next = true;
                return Ok(String::new());
            }
            Ok(answer)
        }

        fn run(&mut self, run_time: Millis, kind: &'static str) -> Result<Ran, Failure> {
            self.ran.push((run_time.as_ms(), kind));
            let whole = !std::mem::take(&mut self.stop_next);
            Ok(Ran {
                dose: DoseId(i64::try_from(self.ran.len()).unwrap()),
                on_time: run_time,
                booked: Volume::from_ul(run_time.as_ms() / 2),
                whole,
            })
        }
    }

    fn dialogue_of(answers: &[&str]) -> (Result<Vec<CalibrationRun>, Failure>, Scripted) {
        let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let loaded = load(&demo).unwrap();
        let (head, line) = head_and_line(&loaded.controller, "alkalinity").unwrap();
        let job = Job {
            head,
            line,
            caustic: true,
            lengths: vec![Millis::from_secs(2), Millis::from_secs(8)],
            repeats: 2,
            prime: Millis::from_secs(10),
            weighing: None,
            live: true,
        };
        let mut bench = Scripted::new(answers);
        (dialogue(&job, &mut bench), bench)
    }

    fn volumes(runs: Result<Vec<CalibrationRun>, Failure>) -> Vec<i64> {
        let runs = runs.unwrap_or_default();
        runs.iter().map(|r| r.volume.as_ul()).collect()
    }

    #[test]
    fn a_guided_calibration_primes_and_alternates_its_lengths() {
        let (runs, bench) = dialogue_of(&[
            "", "s", "", "1.0 mL", "", "4.0 mL", "", "1.01mL", "", "3.99 mL",
        ]);
        let times: Vec<i64> = bench.ran.iter().map(|(ms, _)| *ms).collect();
        assert_eq!(times, [10_000, 2_000, 8_000, 2_000, 8_000]);
        assert!(
            bench
                .ran
                .iter()
                .skip(1)
                .all(|(_, kind)| *kind == "calibration")
        );
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        let said = bench.said.join("\n");
        assert!(said.contains("NEVER leave it in the tank") && said.contains("caustic"));
    }

    #[test]
    fn a_stopped_run_is_not_used_and_a_wrong_entry_can_be_taken_back() {
        let (runs, bench) = dialogue_of(&[
            "s", "stop", "", "17", "10 mL", "b", "", "r", "", "1.0 mL", "", "4.0 mL", "",
            "1.01 mL", "", "3.99 mL",
        ]);
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        assert!(
            bench
                .said
                .iter()
                .any(|s| s.contains("This run is not used"))
        );
        assert_eq!(bench.ran.len(), 7);
    }

    #[test]
    fn the_run_that_looks_wrong_is_named_and_repeated() {
        let (runs, bench) = dialogue_of(&[
            "s", "", "1.0 mL", "", "4.0 mL", "", "1.9 mL", "", "3.99 mL", "9", "3", "1.01 mL",
        ]);
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        assert!(bench.said.iter().any(|s| s.contains("Not good enough yet")));
        assert!(
            bench
                .said
                .iter()
                .any(|s| s.contains("there are runs 1 to 4"))
        );
    }

    #[test]
    fn whoever_goes_away_changes_nothing() {
        for answers in [&["q"][..], &["s", "q"], &["s", "", "1.0 mL"]] {
            assert!(dialogue_of(answers).0.is_err());
        }
    }
}
