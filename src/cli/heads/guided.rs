//! The guided way at the bench: cautions, outlet out, priming, runs with what came out, the repetition of one that looks wrong, a check,
//! outlet back. Whatever was measured is kept by the daemon at once.

use crate::cli::exit::accepted;
use crate::cli::heads::bench::{CAUSTIC, Ran, run};
use crate::cli::heads::creep;
use crate::cli::heads::measured::Entries;
use crate::cli::heads::session::{ask_back, is_silent, open_session, waits};
use crate::cli::heads::verify::Check;
use crate::cli::record::ledger::open;
use crate::cli::talk::{Person, Talk};
use crate::cli::{Failure, Place, Result, refused};
use crate::config::{Head, Line};
use crate::control::Client;
use crate::engine::{BenchAsk, Command, NewMeasured, Wish};
use crate::metering::{FitRules, fit};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{CalibrationRun, DoseEnd, DoseKind};

/// What the guided run is about.
#[derive(Debug, Clone)]
pub(crate) struct Job {
    pub(crate) head: Head,
    pub(crate) line: Line,
    /// What leaves its outlet.
    pub(crate) solution: Name,
    pub(crate) caustic: bool,
    /// The line's planned dose.
    pub(crate) usual: Volume,
    pub(crate) lengths: Vec<Millis>,
    pub(crate) repeats: u32,
    /// The step that volumes are read by.
    pub(crate) resolution: Volume,
    /// The scale creeps: it is read before and after each run.
    pub(crate) creep: bool,
    /// Longest priming by one press of the key.
    pub(crate) prime: Millis,
    pub(crate) live: bool,
}

/// Who is talked to, what runs the head, and what keeps its runs.
pub(crate) trait Bench: Talk {
    /// Runs the head for a time.
    fn run(&mut self, run_time: Millis, kind: DoseKind) -> Result<Ran>;

    /// Keeps what came out in a run, or that it is not used.
    fn keep(&mut self, run: &CalibrationRun) -> Result;

    /// The last run, when nobody entered what came out in it.
    fn unmeasured(&self, runs: &[CalibrationRun]) -> Result<Option<Ran>>;

    /// The last entry is not used.
    fn take_last_back(&mut self, runs: &mut [CalibrationRun]) -> Result {
        let Some(last) = runs.iter_mut().rfind(|run| run.used) else {
            return Ok(());
        };
        last.used = false;
        self.keep(last)
    }
}

/// A person, and a head behind the daemon.
pub(crate) struct AtTheBench<'a> {
    pub(crate) place: &'a Place,
    pub(crate) head: &'a Name,
    pub(crate) person: Person<'a>,
}

impl Talk for AtTheBench<'_> {
    fn say(&mut self, text: &str) -> Result {
        self.person.say(text)
    }

    fn ask(&mut self, question: &str) -> Result<String> {
        self.person.ask(question)
    }

    fn now(&self) -> Millis {
        self.person.now()
    }
}

impl Bench for AtTheBench<'_> {
    fn run(&mut self, run_time: Millis, kind: DoseKind) -> Result<Ran> {
        let wanted = Wish::Run {
            head: self.head.clone(),
            run_time,
            kind,
        };
        run(self.place, &wanted, self.person.ear, self.person.out)
    }

    fn keep(&mut self, run: &CalibrationRun) -> Result {
        let new = NewMeasured {
            head: self.head.clone(),
            run: run.clone(),
        };
        let command = Command::Bench(BenchAsk::Measured(new));
        // A pause at the scale may have been longer than a session waits for a word.
        if is_silent(self.place, self.head)? != Some(false) {
            outlet_out(self.head, self)?;
            open_session(self.place, self.head, &mut self.person)?;
        }
        accepted(Client::connect(&self.place.state)?.ask(&command.into())?).map(drop)
    }

    fn unmeasured(&self, runs: &[CalibrationRun]) -> Result<Option<Ran>> {
        let reader = open(self.place)?;
        let last = reader.dose_to_check(self.head, None);
        let last = last?.filter(|dose| {
            dose.end == DoseEnd::Delivered
                && !dose.checked
                && runs.iter().all(|run| run.dose != Some(dose.id))
        });
        let Some(dose) = last else {
            return Ok(None);
        };
        let ended = reader.end_of(dose.id)?;
        Ok(ended.and_then(|ended| {
            Some(Ran {
                dose: dose.id,
                on_time: ended.on_time?,
                booked: ended.delivered,
                whole: true,
            })
        }))
    }
}

/// Most runs that one calibration is sent with.
const RUNS_MAX: usize = 100;

/// What is as before when it ends early.
pub(crate) const KEPT: &str = "the head's calibration stays as it was; what was pumped and measured is in the record, and the same command goes on from there";

fn ended_early() -> Failure {
    refused(format!("ended before it was done: {KEPT}"))
}

/// The whole: `fitted` runs the head and has a calibration taken.
pub(crate) fn whole(
    job: &Job,
    entries: &mut Entries,
    bench: &mut AtTheBench<'_>,
    fitted: impl FnOnce(&mut Entries, &mut AtTheBench<'_>) -> Result,
) -> Result {
    cautions(job, bench)?;
    bench.say(&entries.words())?;
    outlet_out(&job.head.name, bench)?;
    if is_silent(bench.place, bench.head)? != Some(false) {
        open_session(bench.place, bench.head, &mut bench.person)?;
    }
    let done = prime(job.prime, bench)
        .and_then(|()| fitted(entries, bench))
        .and_then(|()| checked(job, entries, bench));
    if let Err(failure) = done {
        // Whoever went away may not hear it.
        drop(bench.say(&waits(bench.head)));
        return Err(failure);
    }
    ask_back(bench.place, bench.head, &mut bench.person)
}

fn outlet_out(head: &Name, bench: &mut impl Bench) -> Result {
    let question = format!(
        "Is the outlet of head {head} out of the tank and in the vessel? Type out when it is, q ends:"
    );
    loop {
        match bench.ask(&question)?.as_str() {
            "out" => return Ok(()),
            "q" => return Err(refused("nothing was run or changed")),
            other => bench.say(&format!("\"{other}\" is neither out nor q"))?,
        }
    }
}

/// One run of a usual dose by the new calibration.
fn checked(job: &Job, entries: &mut Entries, bench: &mut AtTheBench<'_>) -> Result {
    let volume = job.usual;
    let answer = bench.ask(&format!(
        "One check: head {} gives {volume} by the new calibration. Empty or tare the vessel. Enter starts it, s leaves it out:",
        job.head.name
    ))?;
    if answer == "s" {
        return bench.say(&format!(
            "Not checked; `dosewright bench {} verify \"{volume}\"` does it later.",
            job.head.name
        ));
    }
    let check = Check {
        place: bench.place,
        head: bench.head,
        line: &job.line.name,
        volume,
        creep: job.creep,
    };
    check.once(entries, &mut bench.person).map(drop)
}

/// Runs the head and asks what came out until every length has its runs and they fit; goes on with those that are there.
pub(crate) fn dialogue(
    job: &Job,
    entries: &mut Entries,
    bench: &mut impl Bench,
    kept: Vec<CalibrationRun>,
) -> Result<Vec<CalibrationRun>> {
    let (mut runs, mut unused): (Vec<_>, Vec<_>) = kept.into_iter().partition(|run| run.used);
    if !runs.is_empty() {
        bench.say(&format!("{} measured runs are kept and used.", runs.len()))?;
    }
    let known: Vec<_> = runs.iter().chain(&unused).cloned().collect();
    if let Some(ran) = bench.unmeasured(&known)? {
        bench.say(&format!("Dose {} was not measured yet.", ran.dose.0))?;
        if let Some((volume, typed)) = what_came_out(&ran, entries, bench)? {
            match kept_run(&ran, (volume, typed), bench) {
                Ok(run) => runs.push(run),
                // It may be from another day.
                Err(Failure::Said { text, .. }) => bench.say(&text)?,
                Err(closed @ Failure::ClosedPipe) => return Err(closed),
            }
        }
    }
    let mut order: Vec<Millis> = Vec::new();
    for _ in 0..job.repeats {
        order.extend(&job.lengths);
    }
    while let Some((number, run_time)) = next_of(&order, &runs) {
        let of = order.len();
        let answer = bench.ask(&format!(
            "Run {number} of {of}: {run_time}. Empty or tare the vessel. Enter starts it, b takes the last entry back, q ends:"
        ))?;
        match answer.as_str() {
            "" => runs.extend(one_run(job, run_time, entries, bench)?),
            "b" => {
                bench.take_last_back(&mut runs)?;
                unused.extend(runs.pop());
            }
            "q" => return Err(ended_early()),
            other => bench.say(&format!("\"{other}\" is neither Enter, b nor q"))?,
        }
        if next_of(&order, &runs).is_none() {
            unused.extend(redo_suspect(job, entries, &mut runs, bench)?);
        }
    }
    runs.extend(unused);
    runs.truncate(RUNS_MAX);
    Ok(runs)
}

/// The first of the wanted runs that none of those there is, and its number; a run is the wanted one when it lasted as long within 5 %.
fn next_of(order: &[Millis], runs: &[CalibrationRun]) -> Option<(usize, Millis)> {
    let mut left: Vec<Millis> = runs.iter().map(|run| run.on_time).collect();
    (1..).zip(order).find_map(|(number, wanted)| {
        let close = |time: &Millis| time.minus(*wanted).as_ms().abs() <= wanted.as_ms() / 20;
        match left.iter().position(close) {
            Some(there) => {
                left.remove(there);
                None
            }
            None => Some((number, *wanted)),
        }
    })
}

fn kept_run(
    ran: &Ran,
    (volume, typed): (Volume, String),
    bench: &mut impl Bench,
) -> Result<CalibrationRun> {
    let run = CalibrationRun {
        on_time: ran.on_time,
        volume,
        typed,
        dose: Some(ran.dose),
        used: true,
    };
    bench.keep(&run)?;
    Ok(run)
}

fn cautions(job: &Job, bench: &mut impl Bench) -> Result {
    let name = &job.head.name;
    bench.say(&format!(
        "Calibration of head {name}, line {}, solution {}.",
        job.line.name, job.solution
    ))?;
    if job.caustic {
        bench.say(CAUSTIC)?;
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
fn prime(longest: Millis, bench: &mut impl Bench) -> Result {
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
) -> Result<Option<CalibrationRun>> {
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
    let read = match before {
        Some(before) => creep::weighed(&before, entries, bench)?.map(|w| (w.volume, w.words)),
        None => what_came_out(&ran, entries, bench)?,
    };
    read.map(|read| kept_run(&ran, read, bench)).transpose()
}

/// A volume and how it was entered; `None` when the run is to be repeated.
fn what_came_out(
    ran: &Ran,
    entries: &mut Entries,
    bench: &mut impl Bench,
) -> Result<Option<(Volume, String)>> {
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
    job: &Job,
    entries: &mut Entries,
    runs: &mut [CalibrationRun],
    bench: &mut impl Bench,
) -> Result<Vec<CalibrationRun>> {
    let mut replaced = Vec::new();
    loop {
        let rules = FitRules {
            resolution: job.resolution,
            ..FitRules::default()
        };
        let Err(refusal) = fit(&CalibrationRun::used(runs), &rules) else {
            return Ok(replaced);
        };
        bench.say(&format!("Not good enough yet: {refusal}"))?;
        let answer = bench.ask("Number of the run to repeat, or q to end:")?;
        if answer == "q" {
            return Err(ended_early());
        }
        let index = answer.parse::<usize>().ok().and_then(|n| n.checked_sub(1));
        let Some(place) = index.and_then(|i| runs.get_mut(i)) else {
            bench.say(&format!("there are runs 1 to {}", runs.len()))?;
            continue;
        };
        if let Some(again) = one_run(job, place.on_time, entries, bench)? {
            let mut before = std::mem::replace(place, again);
            before.used = false;
            bench.keep(&before)?;
            replaced.push(before);
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
        kept: Vec<CalibrationRun>,
        talk: Answers,
        ran: Vec<(i64, DoseKind)>,
        stop_next: bool,
    }

    impl Talk for Scripted {
        fn say(&mut self, text: &str) -> Result {
            self.talk.say(text)
        }

        fn ask(&mut self, question: &str) -> Result<String> {
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
        fn run(&mut self, run_time: Millis, kind: DoseKind) -> Result<Ran> {
            self.ran.push((run_time.as_ms(), kind));
            let whole = !std::mem::take(&mut self.stop_next);
            Ok(Ran {
                dose: DoseId(i64::try_from(self.ran.len()).unwrap()),
                on_time: run_time,
                booked: Volume::from_ul(run_time.as_ms() / 2),
                whole,
            })
        }

        fn keep(&mut self, run: &CalibrationRun) -> Result {
            self.kept.push(run.clone());
            Ok(())
        }

        fn unmeasured(&self, _: &[CalibrationRun]) -> Result<Option<Ran>> {
            Ok(None)
        }
    }

    fn creeping(answers: &[&str]) -> (Result<Vec<CalibrationRun>>, Scripted) {
        let conditions = Conditions {
            water_temperature: Some(crate::cli::words::celsius("20 C").unwrap()),
            ..Conditions::default()
        };
        told_to(
            &mut Entries::new(&conditions).unwrap(),
            true,
            answers,
            Vec::new(),
        )
    }

    fn dialogue_of(answers: &[&str]) -> (Result<Vec<CalibrationRun>>, Scripted) {
        dialogue_with(&mut Entries::new(&Conditions::default()).unwrap(), answers)
    }

    fn dialogue_with(
        entries: &mut Entries,
        answers: &[&str],
    ) -> (Result<Vec<CalibrationRun>>, Scripted) {
        told_to(entries, false, answers, Vec::new())
    }

    fn told_to(
        entries: &mut Entries,
        creep: bool,
        answers: &[&str],
        kept: Vec<CalibrationRun>,
    ) -> (Result<Vec<CalibrationRun>>, Scripted) {
        let demo = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let loaded = load(&demo, &crate::plan::check_plan).unwrap();
        let head = loaded.controller.head_named("alkalinity").unwrap();
        let line = loaded.controller.line_of_head(&head.name).unwrap();
        let job = Job {
            head: head.clone(),
            line: line.clone(),
            solution: Name::new("soda-ash").unwrap(),
            caustic: true,
            usual: Volume::from_ul(3_150),
            resolution: Volume::ZERO,
            lengths: vec![Millis::from_secs(2), Millis::from_secs(8)],
            repeats: 2,
            creep,
            prime: Millis::from_secs(10),
            live: true,
        };
        let mut bench = Scripted {
            kept: Vec::new(),
            talk: Answers::new(answers),
            ran: Vec::new(),
            stop_next: false,
        };
        let runs = cautions(&job, &mut bench)
            .and_then(|()| bench.say(&entries.words()))
            .and_then(|()| prime(job.prime, &mut bench))
            .and_then(|()| dialogue(&job, entries, &mut bench, kept));
        (runs, bench)
    }

    fn volumes(runs: Result<Vec<CalibrationRun>>) -> Vec<i64> {
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

    #[test]
    fn what_was_measured_before_an_interruption_is_used_and_only_the_rest_is_run() {
        let (_, first) = dialogue_of(&["s", "", "1.0 mL", "", "4.0 mL", "", "1.01 mL"]);
        let kept: Vec<i64> = first.kept.iter().map(|r| r.volume.as_ul()).collect();
        assert_eq!(kept, [1_000, 4_000, 1_010], "each at once");
        let mut entries = Entries::new(&Conditions::default()).unwrap();
        let (runs, bench) = told_to(&mut entries, false, &["s", "", "3.99 mL"], first.kept);
        assert_eq!(volumes(runs), [1_000, 4_000, 1_010, 3_990]);
        let times: Vec<i64> = bench.ran.iter().map(|(ms, _)| *ms).collect();
        assert_eq!(times, [8_000]);
        assert!(bench.talk.heard("Run 4 of 4"));
    }
}
