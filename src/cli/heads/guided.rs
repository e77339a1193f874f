//! The guided calibration at the sump: cautions, priming, runs with what came out, and the repetition of one that looks wrong.

use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::heads::bench::{Ran, Wanted, run};
use crate::cli::heads::creep;
use crate::cli::heads::measured::Entries;
use crate::cli::talk::{Person, Talk};
use crate::config::{Head, Line};
use crate::metering::{FitRules, fit};
use crate::quantity::{Millis, Volume};
use crate::record::{CalibrationRun, DoseKind};

/// What the guided run is about.
#[derive(Debug)]
pub(in crate::cli) struct Job {
    pub(in crate::cli) head: Head,
    pub(in crate::cli) line: Line,
    /// What leaves its outlet.
    pub(in crate::cli) solution: crate::quantity::Name,
    pub(in crate::cli) caustic: bool,
    pub(in crate::cli) lengths: Vec<Millis>,
    pub(in crate::cli) repeats: u32,
    /// The scale creeps: it is read before and after each run.
    pub(in crate::cli) creep: bool,
    /// Longest priming by one press of the key.
    pub(in crate::cli) prime: Millis,
    pub(in crate::cli) live: bool,
}

/// Who is talked to, and what runs the head.
pub(in crate::cli) trait Bench: Talk {
    /// Runs the head for a time.
    fn run(&mut self, run_time: Millis, kind: DoseKind) -> Result<Ran, Failure>;
}

/// A person, and a head behind the daemon.
pub(in crate::cli) struct AtTheSump<'a> {
    pub(in crate::cli) place: &'a Place,
    pub(in crate::cli) head: &'a str,
    pub(in crate::cli) person: Person<'a>,
}

impl Talk for AtTheSump<'_> {
    fn say(&mut self, text: &str) -> Result<(), Failure> {
        self.person.say(text)
    }

    fn ask(&mut self, question: &str) -> Result<String, Failure> {
        self.person.ask(question)
    }

    fn now(&self) -> Millis {
        self.person.now()
    }
}

impl Bench for AtTheSump<'_> {
    fn run(&mut self, run_time: Millis, kind: DoseKind) -> Result<Ran, Failure> {
        let wanted = Wanted::Time {
            head: self.head,
            run_time,
            kind,
        };
        run(self.place, wanted, self.person.ear, self.person.out)
    }
}

/// Most runs that one calibration is sent with.
const RUNS_MAX: usize = 100;

/// What is as before when it ends early.
pub(in crate::cli) const KEPT: &str =
    "the head's calibration stays as it was; what was pumped is in the record";

fn ended_early() -> Failure {
    Failure::new(exit::REFUSED, format!("ended before it was done: {KEPT}"))
}

pub(in crate::cli) fn dialogue(
    job: &Job,
    entries: &mut Entries,
    bench: &mut impl Bench,
) -> Result<Vec<CalibrationRun>, Failure> {
    cautions(job, bench)?;
    bench.say(&entries.words())?;
    prime(job.prime, bench)?;
    let mut order: Vec<Millis> = Vec::new();
    for _ in 0..job.repeats {
        order.extend(&job.lengths);
    }
    let mut runs: Vec<CalibrationRun> = Vec::new();
    // Readings that were taken back or replaced: kept, so that the record shows what was measured.
    let mut unused: Vec<CalibrationRun> = Vec::new();
    while let Some(run_time) = order.get(runs.len()).copied() {
        let number = runs.len() + 1;
        let of = order.len();
        let answer = bench.ask(&format!(
            "Run {number} of {of}: {run_time}. Empty or tare the vessel. Enter starts it, b takes the last entry back, q ends:"
        ))?;
        match answer.as_str() {
            "" => runs.extend(one_run(job, run_time, entries, bench)?),
            "b" => unused.extend(runs.pop()),
            "q" => return Err(ended_early()),
            other => bench.say(&format!("\"{other}\" is neither Enter, b nor q"))?,
        }
        if runs.len() == order.len() {
            unused.extend(redo_suspect((job, &order), entries, &mut runs, bench)?);
        }
    }
    let unused = unused
        .into_iter()
        .map(|run| CalibrationRun { used: false, ..run });
    runs.extend(unused);
    runs.truncate(RUNS_MAX);
    Ok(runs)
}

fn cautions(job: &Job, bench: &mut impl Bench) -> Result<(), Failure> {
    let name = &job.head.name;
    bench.say(&format!(
        "Calibration of head {name}, line {}, solution {}.",
        job.line.name, job.solution
    ))?;
    if job.caustic {
        bench.say("CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.")?;
    }
    bench.say("CAUTION: mains electricity near water can kill. Dry hands at switches and plugs; wiring follows your local electrical code.")?;
    bench.say("Hang the outlet into a dry measuring cylinder, or a cup on a scale. NEVER leave it in the tank: all runs together are many doses.")?;
    bench.say("Keep its height, and the bottle's, as they are in use: they change what a head gives. Measuring with plain water in place of the solution is right where the solution is as thin as water.")?;
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
                let ran = bench.run(longest, DoseKind::Prime)?;
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
    job: &Job,
    run_time: Millis,
    entries: &mut Entries,
    bench: &mut impl Bench,
) -> Result<Option<CalibrationRun>, Failure> {
    let before = if job.creep {
        Some(creep::baseline(bench, "before")?)
    } else {
        None
    };
    let ran = bench.run(run_time, DoseKind::Calibration)?;
    if !ran.whole {
        bench.say(&format!(
            "Stopped after {}; {} are counted. This run is not used.",
            ran.on_time, ran.booked
        ))?;
        return Ok(None);
    }
    let (volume, typed) = if let Some(before) = before {
        let Some(weighed) = creep::weighed(&before, entries, bench)? else {
            return Ok(None);
        };
        (weighed.volume, weighed.words)
    } else {
        let Some(read) = what_came_out(&ran, entries, bench)? else {
            return Ok(None);
        };
        read
    };
    Ok(Some(CalibrationRun {
        on_time: ran.on_time,
        volume,
        typed,
        dose: Some(ran.dose),
        used: true,
    }))
}

/// A volume and how it was entered; `None` when the run is to be repeated.
fn what_came_out(
    ran: &Ran,
    entries: &mut Entries,
    bench: &mut impl Bench,
) -> Result<Option<(Volume, String)>, Failure> {
    loop {
        let answer = bench.ask(&format!(
            "What came out in {}? (for example 14.8 mL, or 14.76 g; r repeats the run)",
            ran.on_time
        ))?;
        if answer == "r" {
            return Ok(None);
        }
        match entries.volume(&answer, bench)? {
            Some(volume) if volume > Volume::ZERO => {
                return Ok(Some((volume, answer)));
            }
            Some(volume) => bench.say(&format!(
                "{volume} cannot have come out; when nothing came, look for air, a kink or a worn tube"
            ))?,
            None => {}
        }
    }
}

/// All runs are there, the replaced ones come back: when they are refused because of one, that one may be repeated.
fn redo_suspect(
    (job, order): (&Job, &[Millis]),
    entries: &mut Entries,
    runs: &mut [CalibrationRun],
    bench: &mut impl Bench,
) -> Result<Vec<CalibrationRun>, Failure> {
    let mut replaced = Vec::new();
    loop {
        let Err(refusal) = fit(&CalibrationRun::used(runs), &FitRules::default()) else {
            return Ok(replaced);
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
        if let (Some(again), Some(place)) =
            (one_run(job, run_time, entries, bench)?, runs.get_mut(index))
        {
            replaced.push(std::mem::replace(place, again));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cli::heads::measured::Conditions;
    use crate::cli::talk::scripted::Answers;
    use crate::config::load;
    use crate::record::DoseId;

    /// A bench that answers from a list, with a head of 30 mL/min.
    struct Scripted {
        talk: Answers,
        ran: Vec<(i64, DoseKind)>,
        stop_next: bool,
    }

    impl Talk for Scripted {
        fn say(&mut self, text: &str) -> Result<(), Failure> {
            self.talk.say(text)
        }

        fn ask(&mut self, question: &str) -> Result<String, Failure> {
            let answer = self.talk.ask(question)?;
            if answer == "stop" {
                self.stop_next = true;
                return Ok(String::new());
            }
            Ok(answer)
        }

        fn now(&self) -> Millis {
            self.talk.now()
        }
    }

    impl Bench for Scripted {
        fn run(&mut self, run_time: Millis, kind: DoseKind) -> Result<Ran, Failure> {
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

    fn creeping(answers: &[&str]) -> (Result<Vec<CalibrationRun>, Failure>, Scripted) {
        let conditions = Conditions {
            water_temperature: Some("20 C".to_owned()),
            ..Conditions::default()
        };
        told_to(&mut Entries::new(&conditions).unwrap(), true, answers)
    }

    fn dialogue_of(answers: &[&str]) -> (Result<Vec<CalibrationRun>, Failure>, Scripted) {
        dialogue_with(&mut Entries::new(&Conditions::default()).unwrap(), answers)
    }

    fn dialogue_with(
        entries: &mut Entries,
        answers: &[&str],
    ) -> (Result<Vec<CalibrationRun>, Failure>, Scripted) {
        told_to(entries, false, answers)
    }

    fn told_to(
        entries: &mut Entries,
        creep: bool,
        answers: &[&str],
    ) -> (Result<Vec<CalibrationRun>, Failure>, Scripted) {
        let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let loaded = load(&demo, &crate::plan::check_plan).unwrap();
        let head = loaded.controller.head_named("alkalinity").unwrap();
        let line = loaded.controller.line_of_head(&head.name).unwrap();
        let job = Job {
            head: head.clone(),
            line: line.clone(),
            solution: crate::quantity::Name::new("soda-ash").unwrap(),
            caustic: true,
            lengths: vec![Millis::from_secs(2), Millis::from_secs(8)],
            repeats: 2,
            creep,
            prime: Millis::from_secs(10),
            live: true,
        };
        let mut bench = Scripted {
            talk: Answers::new(answers),
            ran: Vec::new(),
            stop_next: false,
        };
        (dialogue(&job, entries, &mut bench), bench)
    }

    fn volumes(runs: Result<Vec<CalibrationRun>, Failure>) -> Vec<i64> {
        let runs = runs.unwrap_or_default();
        runs.iter()
            .filter(|r| r.used)
            .map(|r| r.volume.as_ul())
            .collect()
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
                .all(|(_, kind)| *kind == DoseKind::Calibration)
        );
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        assert!(bench.talk.heard("NEVER leave it in the tank") && bench.talk.heard("caustic"));
    }

    #[test]
    fn a_stopped_run_is_not_used_and_a_wrong_entry_can_be_taken_back() {
        let (runs, bench) = dialogue_of(&[
            "s", "stop", "", "17", "10 mL", "b", "", "r", "", "1.0 mL", "", "4.0 mL", "",
            "1.01 mL", "", "3.99 mL",
        ]);
        let kept: Vec<String> = runs
            .iter()
            .flatten()
            .filter(|r| !r.used)
            .map(|r| r.typed.clone())
            .collect();
        assert_eq!(kept, ["10 mL"]);
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        assert!(bench.talk.heard("This run is not used"));
        assert_eq!(bench.ran.len(), 7);
    }

    #[test]
    fn the_run_that_looks_wrong_is_named_and_repeated() {
        let (runs, bench) = dialogue_of(&[
            "s", "", "1.0 mL", "", "4.0 mL", "", "1.9 mL", "", "3.99 mL", "9", "3", "1.01 mL",
        ]);
        let last = runs.as_ref().unwrap().last().unwrap().clone();
        assert_eq!((last.typed.as_str(), last.used), ("1.9 mL", false));
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        assert!(bench.talk.heard("Not good enough yet"));
        assert!(bench.talk.heard("there are runs 1 to 4"));
    }

    #[test]
    fn the_first_entry_in_grams_asks_for_the_water_and_the_air_once() {
        let mut entries = Entries::new(&Conditions::default()).unwrap();
        let answers = [
            "s", "", "1.000 g", "20", "20 C", "1013", "1013 hPa", "", "4.000 g", "", "1.010 g", "",
            "4.01 mL",
        ];
        let (runs, bench) = dialogue_with(&mut entries, &answers);
        // ISO 8655-6: Z = 1.0029 uL/mg at 20 C and 1013 hPa; a cylinder needs none.
        assert_eq!(volumes(runs), [1_003, 4_011, 1_013, 4_010]);
        assert!(bench.talk.heard("never a dense solution"));
        let asked = |text: &str| bench.talk.said.iter().filter(|s| s.contains(text)).count();
        assert_eq!(
            (asked("Temperature of the water"), asked("Air pressure")),
            (2, 2),
            "each twice, since the first answers had no unit"
        );
        let words = entries.weighing().unwrap().words().unwrap();
        assert!(words.contains("water of 20 C, air of 1013 hPa"), "{words}");
    }

    #[test]
    fn an_unknown_air_pressure_is_the_standard_one_and_going_away_there_ends_it() {
        let mut entries = Entries::new(&Conditions::default()).unwrap();
        let (runs, _) = dialogue_with(&mut entries, &["s", "", "1.000 g", "20 C", "", "q"]);
        assert!(runs.is_err());
        let words = entries.weighing().unwrap().words().unwrap();
        assert!(words.contains("air of 1013.25 hPa"), "{words}");
        for answers in [&["s", "", "1 g"][..], &["s", "", "1 g", "20 C"]] {
            let (runs, bench) = dialogue_of(answers);
            assert!(runs.is_err());
            assert!(!bench.talk.heard("gone"), "no end is an answer");
        }
    }

    #[test]
    fn ft_sens_03_a_run_that_a_creeping_scale_spoils_is_made_again() {
        let mut answers = vec!["s"];
        for run in [
            ["", "100 g", "100.01 g", "101.02 g", "101.03 g"],
            // Up before, down after.
            ["", "100 g", "100.3 g", "104.6 g", "104.3 g"],
            ["", "100 g", "100.01 g", "104.02 g", "104.03 g"],
            ["", "100 g", "100.01 g", "101.03 g", "101.04 g"],
            ["", "100 g", "100.01 g", "104.01 g", "104.02 g"],
        ] {
            answers.extend(run);
        }
        let (runs, bench) = creeping(&answers);
        let runs = runs.unwrap();
        assert!(
            runs[0]
                .typed
                .starts_with("100 g, 100.01 g; 101.02 g, 101.03 g: net 1.000 g"),
            "{runs:?}"
        );
        // Z = 1.0029 at 20 C.
        assert_eq!(volumes(Ok(runs)), [1_003, 4_011, 1_013, 4_001]);
        assert!(
            bench
                .talk
                .heard("the drift before and after the run differ")
        );
        assert_eq!(bench.ran.len(), 5);
    }

    #[test]
    fn whoever_goes_away_changes_nothing() {
        for answers in [&["q"][..], &["s", "q"], &["s", "", "1.0 mL"]] {
            assert!(dialogue_of(answers).0.is_err());
        }
    }
}
