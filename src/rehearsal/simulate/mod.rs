//! Deterministic simulation of faults: the same engine, start-up, desk and ledger as the daemon's, on a model machine on which everything
//! goes wrong.
//!
//! A run is a plan of faults drawn from its seed. After every event the watch holds what really reached the tank against what must always
//! hold; at its end the faults stop, and an ordinary day must be dosed in full. How to run and to replay it: DEVELOPERS.md.

mod apply;
mod chaos;
mod coverage;
mod disk;
mod hardware;
mod machine;
mod people;
mod plan;
mod reef;
mod sabotage;
mod well;

use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write as _;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};

use self::coverage::{never_looked_at, never_met, table};
use self::machine::Machine;
use self::plan::{Planned, draw};
use self::reef::{made, state_folder};
use self::sabotage::Sabotage;
use super::watch::{Broken, Rule};
use crate::guard::sabotage::leave_out;
use crate::quantity::Millis;

pub(super) use self::chaos::Chaos;

/// Days of faults in a run; quiet ones follow.
const DAYS: u32 = 56;
const QUIET_DAYS: u32 = 4;
/// Made when nothing else is asked for.
const RUNS: u64 = 4;
/// Of more runs than that only some are made twice.
const REPEATED_EVERY: u64 = 4;
/// Tries to make a plan shorter.
const TRIES: u64 = 60;
/// A run of so many years must have met everything.
const YEARS_OF_ALL: u64 = 50;
const FAILURES_MAX: usize = 3;

/// What came of a run.
#[derive(Debug, Clone, Default, PartialEq)]
struct Lived {
    head: String,
    broken: Option<(Rule, String)>,
    days: f64,
    events: u64,
    doses: u64,
    digest: String,
    looked: BTreeMap<Rule, u64>,
    met: BTreeMap<String, u64>,
    recent: VecDeque<String>,
}

#[derive(Debug, Clone, Copy)]
struct Options {
    sabotage: Option<Sabotage>,
    recent: bool,
}

const HONEST: Options = Options {
    sabotage: None,
    recent: false,
};

fn live(seed: u64, planned: &[Planned], options: Options) -> Lived {
    let folder = state_folder(seed);
    fs::remove_dir_all(&folder).ok();
    fs::create_dir_all(&folder).unwrap();
    let (mut machine, head) = made(seed, &folder, options);
    leave_out(match options.sabotage {
        Some(Sabotage::Interlock(number)) => Some(number),
        Some(_) | None => None,
    });
    let ended = catch_unwind(AssertUnwindSafe(|| {
        machine.start(Vec::new());
        machine.put_right(true);
        machine.live_through(planned, Millis::new(Millis::DAY.as_ms() * i64::from(DAYS)));
        if machine.stage.world.watch.count() == 0 {
            machine.lives_on(QUIET_DAYS);
        }
        if machine.stage.world.watch.count() == 0 {
            machine.check_books();
        }
    }));
    leave_out(None);
    fs::remove_dir_all(&folder).ok();
    lived(machine, head, ended)
}

fn lived(mut machine: Machine, head: String, ended: std::thread::Result<()>) -> Lived {
    let world = &mut machine.stage.world;
    let mut met = std::mem::take(&mut world.chaos.met);
    for (code, times) in &world.refusals {
        *met.entry(format!("not given: {code}")).or_default() += times;
    }
    for (code, times) in &machine.keeper.denied {
        *met.entry(format!("denied: {code}")).or_default() += times;
    }
    for (task, found) in &world.tasks {
        let code = task.split(' ').next().unwrap_or(task);
        *met.entry(format!("alarm: {code}")).or_default() += u64::from(found.times > 0);
    }
    let first = world.watch.broken.first();
    let broken = first.map(|Broken { at, rule, text }| (*rule, format!("{at}: {text}")));
    let panicked = ended.err().map(|why| {
        let why = why.downcast_ref::<String>().cloned();
        let why = why.unwrap_or_else(|| "see above".to_owned());
        (
            Rule::LivesOn,
            format!("{}: it panicked: {why}", world.wall()),
        )
    });
    Lived {
        head,
        looked: std::mem::take(&mut world.watch.looked),
        broken: panicked.or(broken),
        days: world.now.as_days(),
        events: world.events,
        doses: world.doses,
        digest: world.digest.to_string(),
        met,
        recent: world.chaos.recent.take().unwrap_or_default(),
    }
}

/// A shorter plan that breaks the same rule: parts are left out as long as that is so, ever smaller ones.
fn shorter((seed, most): (u64, u64), planned: &[Planned], rule: Rule) -> Vec<Planned> {
    let breaks = |planned: &[Planned]| {
        let lived = live(seed, planned, HONEST);
        lived.broken.is_some_and(|(broken, _)| broken == rule)
    };
    let (mut left, mut size, mut tries) = (planned.to_vec(), planned.len().div_ceil(2), 0);
    while size > 0 && tries < most {
        let (mut from, mut dropped) = (0, false);
        while from < left.len() && tries < most {
            let mut fewer = left.clone();
            fewer.drain(from..(from + size).min(left.len()));
            tries += 1;
            if breaks(&fewer) {
                (left, dropped) = (fewer, true);
            } else {
                from += size;
            }
        }
        size = if dropped && size == 1 { 1 } else { size / 2 };
        if left.is_empty() {
            break;
        }
    }
    left
}

/// All that is needed to go after it.
fn report(seed: u64, rates: &str, (planned, first): (&[Planned], &Lived)) -> String {
    let told = Options {
        recent: true,
        ..HONEST
    };
    let Some((rule, text)) = &first.broken else {
        return String::new();
    };
    let tries = number("SIMULATE_TRIES").unwrap_or(TRIES);
    let short = shorter((seed, tries), planned, *rule);
    let last = live(seed, &short, told);
    let commit = std::process::Command::new("git")
        .args(["rev-parse", "HEAD"])
        .output();
    let commit = commit.map(|out| String::from_utf8_lossy(&out.stdout).trim().to_owned());
    let mut said = format!(
        "BROKEN: {rule:?}\n{text}\nseed {seed}, version {}, commit {}, {DAYS} days\n{}\nrates:{rates}\n\
         replay: tests/simulate seed {seed}\n\
         {} of {} faults are enough:\n",
        env!("CARGO_PKG_VERSION"),
        commit.unwrap_or_default(),
        first.head,
        short.len(),
        planned.len(),
    );
    for fault in &short {
        writeln!(said, "  {fault:?}").unwrap();
    }
    if let Some((rule, text)) = &last.broken {
        writeln!(said, "then {rule:?}: {text}").unwrap();
    }
    for event in &last.recent {
        let short: String = event.chars().take(420).collect();
        writeln!(said, "  {short}").unwrap();
    }
    said
}

fn number(variable: &str) -> Option<u64> {
    std::env::var(variable).ok()?.parse().ok()
}

fn runs_of(years: u64) -> u64 {
    (years * 365).div_ceil(u64::from(DAYS + QUIET_DAYS))
}

#[derive(Default)]
struct Sums {
    runs: u64,
    days: f64,
    events: u64,
    doses: u64,
    looked: BTreeMap<Rule, u64>,
    met: BTreeMap<String, u64>,
    failures: Vec<String>,
}

fn add<K: Ord>(to: &mut BTreeMap<K, u64>, from: BTreeMap<K, u64>) {
    for (what, times) in from {
        *to.entry(what).or_default() += times;
    }
}

impl Sums {
    /// A run that is made twice must be the same.
    fn run(&mut self, seed: u64, is_repeated: bool) {
        let (planned, rates) = draw(seed, DAYS);
        let lived = live(seed, &planned, HONEST);
        println!("seed {seed}, {}, rates:{rates}", lived.head);
        if is_repeated && live(seed, &planned, HONEST) != lived {
            self.failures
                .push(format!("seed {seed} is not the same when repeated"));
        }
        if let Some(broken) = &lived.broken {
            // Before the long search for a shorter plan.
            println!("seed {seed}: {broken:?}");
            self.failures.push(report(seed, &rates, (&planned, &lived)));
        }
        self.runs += 1;
        self.days += lived.days;
        self.events += lived.events;
        self.doses += lived.doses;
        add(&mut self.looked, lived.looked);
        add(&mut self.met, lived.met);
    }

    fn add(mut self, other: Self) -> Self {
        self.runs += other.runs;
        self.days += other.days;
        self.events += other.events;
        self.doses += other.doses;
        add(&mut self.looked, other.looked);
        add(&mut self.met, other.met);
        self.failures.extend(other.failures);
        self
    }
}

fn simulated(first: u64, runs: u64) -> Sums {
    let workers = number("SIMULATE_THREADS").unwrap_or(2).min(runs);
    let work = |worker: u64| {
        let mut sums = Sums::default();
        for run in (worker..runs).step_by(usize::try_from(workers).unwrap()) {
            sums.run(first + run, runs <= RUNS || run % REPEATED_EVERY == 0);
            if sums.failures.len() >= FAILURES_MAX {
                break;
            }
        }
        sums
    };
    std::thread::scope(|scope| {
        let all: Vec<_> = (0..workers)
            .map(|worker| scope.spawn(move || work(worker)))
            .collect();
        let sums = all.into_iter().map(|worker| worker.join().unwrap());
        sums.fold(Sums::default(), Sums::add)
    })
}

#[test]
fn years_of_faults_break_no_rule() {
    let (seed, years) = (number("SIMULATE_SEED"), number("SIMULATE_YEARS"));
    let runs = years.map_or_else(|| if seed.is_some() { 1 } else { RUNS }, runs_of);
    let mut sums = simulated(seed.unwrap_or(1), runs);
    println!(
        "{} runs, {:.1} years, {} events, {} doses\n{}",
        sums.runs,
        sums.days / 365.0,
        sums.events,
        sums.doses,
        table(&sums.looked, &sums.met)
    );
    if runs >= RUNS {
        sums.failures.extend(never_looked_at(&sums.looked));
    }
    if runs >= runs_of(YEARS_OF_ALL) {
        sums.failures.extend(never_met(&sums.met));
    }
    assert!(sums.failures.is_empty(), "{}", sums.failures.join("\n\n"));
}
