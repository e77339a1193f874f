//! A power cut at every effect and at every word from the ledger, for every plan of up to three doses of two lines: the engine is started
//! anew on what stands in the ledger then, and goes on into the next day.
#![expect(clippy::unwrap_used, reason = "a failing helper fails its test")]

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use dosewright::config::{Controller, Plan, check_plan_text, check_texts, system_zone};
use dosewright::engine::{Effect, Event, Now, RunEnd, RunReport, TrustSource};
use dosewright::guard::DosePermit;
use dosewright::ledger::{Ledger, OpenAs, SessionStart, Timeline};
use dosewright::plan::{SlotKey, check_plan};
use dosewright::quantity::{Millis, Name, f64_from_i64};
use dosewright::record::{DoseId, Hold, Intent, Stamp};
use dosewright::shell::{
    Books, Core, Desk, Hands, Known, MustEnd, Read, Terms, Verdict, Write, setup,
};
use jiff::Timestamp;

/// Lines, what each gives in a slot, and the local times of its slots: some that follow each other closely, and one hours later.
const LINES: [(&str, f64, [&str; 3]); 2] = [
    ("magnesium", 1.0, ["10:00", "10:02", "16:00"]),
    ("iodine", 0.5, ["10:01", "10:03", "16:01"]),
];
const DOSES_MAX: u32 = 3;
/// 09:59 in Berlin.
const BEGIN: &str = "2026-01-05T08:59:00Z";
/// So late a dose may begin that waits for the supply, or for its board to start.
const LATE_MAX: Millis = Millis::from_mins(5);
/// By then the slots of a day are over.
const LENGTH: Millis = Millis::from_mins(6 * 60 + 20);

fn demo() -> Controller {
    let controller = include_str!("../config/controller.toml");
    let plan = include_str!("../config/plan.toml");
    let texts = [("controller.toml", controller), ("plan.toml", plan)];
    check_texts(texts, &system_zone, &check_plan)
        .unwrap()
        .controller
}

/// Every choice of up to three of the six slots.
fn plans(controller: &Controller) -> Vec<(usize, Arc<Plan>)> {
    let choices = 1_u32..1 << (3 * LINES.len());
    let few = choices.filter(|choice| choice.count_ones() <= DOSES_MAX);
    few.map(|choice| {
        let mut text = "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n".to_owned();
        for (number, (line, ml, times)) in LINES.iter().enumerate() {
            let of_line = choice >> (3 * number);
            let chosen = times
                .iter()
                .enumerate()
                .filter(|(n, _)| of_line >> n & 1 == 1);
            let times: Vec<String> = chosen.map(|(_, time)| format!("\"{time}\"")).collect();
            if !times.is_empty() {
                let daily = ml * f64::from(u32::try_from(times.len()).unwrap());
                let times = times.join(", ");
                writeln!(text, "[line.{line}]\ndaily-ml = {daily:.1}\nat = [{times}]").unwrap();
            }
        }
        let plan = check_plan_text(("plan.toml", &text), controller, &check_plan);
        (
            usize::try_from(choice.count_ones()).unwrap(),
            Arc::new(plan.unwrap().plan),
        )
    })
    .collect()
}

/// What really left a head.
struct Given {
    intent: Intent,
    lasts: Millis,
    /// On the clock of the whole test.
    began: Millis,
    ended: Option<Millis>,
}

/// The hands of a board whose power goes after so many steps.
struct World<'a> {
    ledger: Ledger,
    begin: Timestamp,
    /// Since the begin of the test.
    now: Millis,
    /// When this boot began.
    booted: Millis,
    steps_left: u32,
    steps: u32,
    running: Option<(Name, DoseId)>,
    reports: VecDeque<(Write, Result<(), String>)>,
    holds_saved: VecDeque<u64>,
    stored: BTreeMap<DoseId, Intent>,
    given: &'a mut Vec<Given>,
}

impl World<'_> {
    /// Whether there is still power for one step more.
    fn goes_on(&mut self) -> bool {
        if self.steps_left == 0 {
            return false;
        }
        self.steps_left -= 1;
        self.steps += 1;
        true
    }

    fn has_power(&self) -> bool {
        self.steps_left > 0
    }

    fn off(&mut self) -> Option<(DoseId, Millis)> {
        let (_, id) = self.running.take()?;
        let now = self.now;
        let last = self
            .given
            .last_mut()
            .filter(|given| given.intent.id == id)?;
        last.ended = Some(now);
        Some((id, now.minus(last.began)))
    }
}

impl Hands<()> for World<'_> {
    fn now(&self) -> Now {
        let ms = self.begin.as_millisecond() + self.now.as_ms();
        Now {
            wall: Timestamp::from_millisecond(ms).unwrap(),
            elapsed: self.now.minus(self.booted).plus(Millis::from_secs(30)),
        }
    }

    fn real(&self) -> Millis {
        self.now().elapsed
    }

    fn stop_pump(&mut self, _: &Name) {
        unreachable!("nothing stops a dose here");
    }

    fn start_pump(&mut self, head: &Name, permit: DosePermit) -> Result<(), RunReport> {
        if !self.goes_on() {
            return Ok(());
        }
        let intent = self.stored.get(&permit.dose()).cloned();
        let intent = intent.expect("a dose without its intent on record");
        assert!(self.running.is_none(), "the supply is for one head");
        let again = self
            .given
            .iter()
            .any(|given| given.intent.slot == intent.slot);
        assert!(!again, "{:?} is given twice", intent.slot);
        self.running = Some((head.clone(), intent.id));
        self.given.push(Given {
            intent,
            lasts: permit.run_time(),
            began: self.now,
            ended: None,
        });
        Ok(())
    }

    fn show(&mut self, _: &Effect) {}

    fn send(&mut self, write: &Write) -> bool {
        if !self.goes_on() {
            return false;
        }
        let done = match write {
            Write::Intent(intent) => self.ledger.store_intent(intent),
            Write::Outcome(outcome) => self.ledger.store_outcome(outcome),
            Write::Entries(entries) => self.ledger.store(entries),
            Write::Probe(at) => self.ledger.probe(*at),
        };
        if let (Write::Intent(intent), Ok(())) = (write, &done) {
            self.stored.insert(intent.id, intent.clone());
        }
        self.reports
            .push_back((write.clone(), done.map_err(|why| why.to_string())));
        true
    }

    fn save_holds(&mut self, number: u64, _: Vec<Hold>) {
        if self.goes_on() {
            self.holds_saved.push_back(number);
        }
    }

    fn give(&mut self, (): (), _: Verdict) {}
}

/// One life of the board, from its start to a moment or to the cut. When it ended, and how many steps it took.
struct Life<'a> {
    controller: &'a Arc<Controller>,
    plan: &'a Arc<Plan>,
    path: &'a Path,
    boot: &'a str,
    from: Millis,
    until: Millis,
    steps: u32,
}

impl Life<'_> {
    fn live(&self, given: &mut Vec<Given>) -> (Millis, u32) {
        let (mut core, mut world) = self.start(given);
        let mut end = core.go_on(&mut world);
        end = end.and(answers(&mut core, &mut world));
        end = end.and(core.feed(Event::ClockKnown(TrustSource::Kernel), &mut world));
        end = end.and(answers(&mut core, &mut world));
        while world.has_power() && world.now < self.until {
            let wanted = core.engine.next_deadline(world.now());
            let wanted = wanted.minus(world.real()).max(Millis::ZERO).plus(world.now);
            let runs = world.running.as_ref().and_then(|_| world.given.last());
            let ends = runs.map_or(self.until, |run| run.began.plus(run.lasts));
            let look = world.now.plus(Millis::HOUR);
            let next = wanted.min(look).min(ends).min(self.until);
            let stands = next == world.now && next != ends;
            world.now = if stands {
                next.plus(Millis::new(1))
            } else {
                next
            };
            if !world.goes_on() {
                break;
            }
            let event = if world.now >= ends && world.running.is_some() {
                let (id, on_time) = world.off().unwrap();
                let end = RunEnd::Completed;
                Event::RunEnded {
                    id,
                    report: RunReport { on_time, end },
                }
            } else {
                Event::Tick
            };
            end = end.and(core.feed(event, &mut world));
            end = end.and(answers(&mut core, &mut world));
        }
        assert!(end.is_ok(), "{end:?}");
        // Where the power goes, heads stop.
        world.off();
        (world.now, world.steps)
    }

    fn start<'a>(&self, given: &'a mut Vec<Given>) -> (Core<()>, World<'a>) {
        let begin: Timestamp = BEGIN.parse().unwrap();
        let ms = begin.as_millisecond() + self.from.as_ms();
        let now = Now {
            wall: Timestamp::from_millisecond(ms).unwrap(),
            elapsed: Millis::from_secs(30),
        };
        let at = Stamp {
            wall: now.wall,
            elapsed: now.elapsed,
            trusted: false,
        };
        let session = SessionStart {
            boot: self.boot.to_owned(),
            at,
            version: "0".to_owned(),
            controller_fingerprint: "c".to_owned(),
            plan_fingerprint: "p".to_owned(),
            live: false,
        };
        let (timeline, installation) = (Timeline::Real, None);
        let open_as = OpenAs {
            timeline,
            installation,
            session,
        };
        let ledger = Ledger::open(self.path, &open_as)
            .unwrap()
            .rehearsed()
            .unwrap();
        let history = ledger.history(at).unwrap();
        let terms = Terms {
            controller: Arc::clone(self.controller),
            plan: Arc::clone(self.plan),
            boot: self.boot.to_owned(),
            live: false,
            modelled: true,
            warp: None,
            now,
        };
        let known = Known {
            ledger: Ok(Read {
                history,
                ..Read::default()
            }),
            hold_file: Ok(Vec::new()),
            holds_kept: Vec::new(),
            seen: Vec::new(),
        };
        let world = World {
            ledger,
            begin,
            now: self.from,
            booted: self.from,
            steps_left: self.steps,
            steps: 0,
            running: None,
            reports: VecDeque::new(),
            holds_saved: VecDeque::new(),
            stored: BTreeMap::new(),
            given,
        };
        (
            Core::start(setup(terms, known), Desk::new(Books::Well)),
            world,
        )
    }
}

/// What the ledger and the hold file have to say, each word a step.
fn answers(core: &mut Core<()>, world: &mut World<'_>) -> Result<(), MustEnd> {
    let mut end = Ok(());
    loop {
        if world.reports.is_empty() && world.holds_saved.is_empty() || !world.goes_on() {
            return end;
        }
        if let Some((write, done)) = world.reports.pop_front() {
            assert!(done.is_ok(), "{write:?}: {done:?}");
            match write {
                Write::Intent(intent) => core.desk.intent_stored(intent.id),
                Write::Outcome(_) => core.desk.outcome_stored(),
                Write::Entries(_) => core.desk.entry_stored(),
                Write::Probe(_) => core.desk.ledger_healthy(),
            }
        } else if let Some(number) = world.holds_saved.pop_front() {
            core.desk.holds_written(number, &Ok(()));
        }
        end = end.and(core.go_on(world));
    }
}

fn memory() -> tempfile::TempDir {
    let memory = Path::new("/dev/shm");
    let memory = if memory.is_dir() {
        memory
    } else {
        Path::new("/tmp")
    };
    tempfile::tempdir_in(memory).unwrap()
}

/// The plan until the cut, and after a time without power until the second day's slots are over.
fn cut_at(
    controller: &Arc<Controller>,
    (doses, plan): &(usize, Arc<Plan>),
    steps: u32,
    dark: Millis,
) -> u32 {
    let folder = memory();
    let path = folder.path().join("ledger.db");
    let mut given = Vec::new();
    let first = Life {
        controller,
        plan,
        path: &path,
        boot: "boot-1",
        from: Millis::ZERO,
        until: LENGTH,
        steps,
    };
    let (ended, took) = first.live(&mut given);
    if steps == u32::MAX {
        assert_eq!(given.len(), *doses, "without a cut all is given");
        return took;
    }
    let second = Life {
        boot: "boot-2",
        from: ended.plus(dark),
        until: Millis::DAY.plus(LENGTH),
        steps: u32::MAX,
        ..first
    };
    second.live(&mut given);
    holds(
        &path,
        &given,
        *doses,
        &format!("cut after {steps} steps, {dark} without power, {plan:?}"),
    );
    took
}

/// What must hold after it, whenever the power went.
fn holds(path: &Path, given: &[Given], doses: usize, place: &str) {
    let reader = Ledger::open_to_read(path).unwrap();
    let report = reader.check().unwrap();
    assert!(report.is_clean(), "{:?}: {place}", report.mistakes);
    for dose in given {
        let booked = reader.end_of(dose.intent.id).unwrap();
        assert!(booked.is_some(), "{:?} has no end: {place}", dose.intent);
        let booked = booked.unwrap();
        let on_time = dose.ended.unwrap().minus(dose.began).as_secs();
        let flowed = f64_from_i64(dose.intent.volume.as_ul()) * on_time / dose.lasts.as_secs();
        let counted = f64_from_i64(booked.delivered.as_ul());
        assert!(
            counted >= flowed.floor(),
            "{booked:?} of {flowed} uL: {place}"
        );
    }
    for dose in given {
        let key = dose.intent.slot.as_ref().unwrap();
        let midnights = Millis::DAY.as_ms() * i64::from(key.date.day() - 5);
        let due = midnights + (i64::from(key.number) - (9 * 60 + 59) * 60) * 1_000;
        let late = dose.began.minus(Millis::new(due));
        assert!(late < LATE_MAX, "{key:?} is made up {late} late: {place}");
    }
    let slots: BTreeSet<SlotKey> = given
        .iter()
        .filter_map(|dose| dose.intent.slot.clone())
        .collect();
    assert_eq!(slots.len(), given.len(), "{place}");
    let second = slots
        .iter()
        .filter(|slot| slot.date == jiff::civil::date(2026, 1, 6));
    assert_eq!(
        second.count(),
        doses,
        "the day after is no ordinary one: {place}"
    );
    assert!(given.len() <= 2 * doses, "{place}");
}

fn at_every_step(dark: Millis) {
    let controller = Arc::new(demo());
    let mut cuts = 0;
    for plan in plans(&controller) {
        let steps = cut_at(&controller, &plan, u32::MAX, dark);
        for step in 0..steps {
            cut_at(&controller, &plan, step, dark);
            cuts += 1;
        }
    }
    assert!(cuts > 1_000, "{cuts}");
}

#[test]
fn a_power_cut_anywhere_that_is_over_in_a_minute_repeats_nothing_and_counts_nothing_short() {
    at_every_step(Millis::from_mins(1));
}

#[test]
fn a_power_cut_anywhere_that_lasts_over_the_other_slots_makes_none_of_them_up() {
    at_every_step(Millis::from_mins(8 * 60));
}
