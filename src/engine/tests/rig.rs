//! A small world round the engine: true time, both clocks, a ledger in memory, heads that run, and a keeper who meddles.
//!
//! Whatever the clocks say, `flows` holds what really went into the water, on true elapsed time. At every start of a head the
//! world checks on its own account what must always hold; it uses nothing of the guard for that.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, OnceLock};

use jiff::Timestamp;

use crate::chemistry::{Measurand, Quantity};
use crate::config::{Controller, Head, HeadOutput, Line, Plan, check_plan_text, check_texts};
use crate::engine::{
    Answer, Command, CourseAction, CourseWish, Denial, Effect, Engine, Event, NewCourse, NewRefill,
    Now, Proposal, RefillLevel, RunEnd, RunReport, Setup, Status, Tell, Ticket, TrustSource, Wish,
};
use crate::guard::Prediction;
use crate::metering::{Calibration, MeteringLimits};
use crate::plan::SlotKey;
use crate::quantity::{Alkalinity, Millis, Name, Volume, Words, f64_from_i64};
use crate::record::{
    Bench, BenchStep, Brought, Carried, Content, Course, CourseState, Destination, DoseEnd, DoseId,
    DoseKind, Entry, Forgotten, Found, History, Hold, HoldScope, Intent, Observed, Outcome,
    OutputPlace, OutputSeen, PastDose, PastForgotten, PastSession, Reading, Refill, SlotNotGiven,
    Stamp, StoredCalibration, Who, WrongTime, likely_part,
};

pub(super) use crate::quantity::name;

pub(super) const SECOND: i64 = 1_000;
pub(super) const MINUTE: i64 = 60 * SECOND;
pub(super) const HOUR: i64 = 60 * MINUTE;
pub(super) const DAY: i64 = 24 * HOUR;

pub(super) fn ul(value: i64) -> Volume {
    Volume::from_ul(value)
}

pub(super) fn keeper() -> Who {
    Who::Local { uid: 1000 }
}

/// A refill of what is in it already.
pub(super) fn same(reservoir: &str, level: RefillLevel) -> NewRefill {
    NewRefill {
        reservoir: name(reservoir),
        level,
        solution: None,
        tube: None,
        emptied: false,
        note: Words::default(),
    }
}

pub(super) const CONTROLLER: &str = include_str!("../../../config/controller.toml");
pub(super) const PLAN: &str = include_str!("../../../config/plan.toml");

/// The demo reef, checked by the very start-up code, once.
pub(super) fn demo() -> (Controller, Plan) {
    static DEMO: OnceLock<(Controller, Plan)> = OnceLock::new();
    let checked = DEMO.get_or_init(|| {
        let zones = |zone: &str| jiff::tz::TimeZone::get(zone).ok();
        let texts = [("controller.toml", CONTROLLER), ("plan.toml", PLAN)];
        let loaded = check_texts(texts, &zones, &crate::plan::check_plan).unwrap();
        let mut controller = loaded.controller;
        // The tests' own bottles, so that their figures do not hang on the sample's.
        for bottle in ["alkalinity", "calcium"] {
            let reservoir = controller.reservoirs.get_mut(&name(bottle)).unwrap();
            reservoir.capacity = ul(2_000_000);
            reservoir.reserve = ul(150_000);
        }
        (controller, loaded.plan)
    });
    checked.clone()
}

/// No limit on an hour, where another one is looked at.
pub(super) fn unlimited_hours(controller: &mut Controller) {
    for line in &mut controller.lines {
        line.hourly_cap = Some(line.daily_cap);
    }
    for limits in controller.water.values_mut() {
        limits.max_rise_per_hour = Some(1e6);
    }
}

/// A plan, checked once.
pub(super) fn plan_of(text: &str, controller: &Controller) -> Arc<Plan> {
    static PLANS: Mutex<BTreeMap<String, Arc<Plan>>> = Mutex::new(BTreeMap::new());
    let key = format!("{} {text}", controller.time_zone_name);
    let known = PLANS.lock().unwrap().get(&key).cloned();
    known.unwrap_or_else(|| {
        let checked =
            check_plan_text(("plan.toml", text), controller, &crate::plan::check_plan).unwrap();
        let plan = Arc::new(checked.plan);
        PLANS.lock().unwrap().insert(key, Arc::clone(&plan));
        plan
    })
}

/// Only one line, at fixed times: 3 mL each, without alkalinity.
pub(super) fn calcium_at(times: &str, count: i64, controller: &Controller) -> Arc<Plan> {
    let ml = 3 * count;
    let text = format!(
        "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n[line.calcium]\ndaily-ml = {ml}\nat = [{times}]\n"
    );
    plan_of(&text, controller)
}

/// The alkalinity in what a dose carries.
fn alkalinity_in(carries: &Carried) -> Alkalinity {
    let dkh = carries.get(&Quantity::Alkalinity).copied();
    Alkalinity::from_dkh(dkh.unwrap_or(0.0))
}

/// Limits that a head meets with any dose.
fn every_dose(head: &Head) -> MeteringLimits {
    MeteringLimits {
        run_min: Calibration::RUN_MIN,
        run_max: head.run_max,
        dose_min: Volume::ZERO,
        tolerance_percent: head.tolerance_percent,
    }
}

fn know_course(history: &mut History, course: &Course) {
    let number = course.number;
    history
        .courses_ended
        .retain(|(was, _)| was.number != number);
    let known = history.courses.extract_if(.., |k| k.number == number);
    let known = known.last().filter(|k| k.state == CourseState::Running);
    if course.state == CourseState::Ended && course.who == Who::Daemon {
        history
            .courses_ended
            .extend(known.map(|was| (was, course.at)));
    }
    history.courses.push(course.clone());
}

fn newest_readings(history: &History) -> BTreeMap<Quantity, Timestamp> {
    let mut readings: BTreeMap<Quantity, Timestamp> = BTreeMap::new();
    for told in &history.told {
        if let Some(of) = told.reading().and_then(|r| r.of.quantity()) {
            let last = readings.entry(of.clone()).or_insert(told.happened);
            *last = told.happened.max(*last);
        }
    }
    readings
}

fn know_bench(
    history: &mut History,
    calibrations: &mut BTreeMap<Name, (StoredCalibration, Millis)>,
    bench: &Bench,
) {
    history.bench_last = history.bench_last.max(bench.number);
    history.measured.retain(|known| known.head != bench.head);
    history.measured.push(bench.clone());
    if bench.what == BenchStep::NewTube {
        calibrations.remove(&bench.head);
        return;
    }
    history.benches.retain(|known| known.head != bench.head);
    if bench.what != BenchStep::OutletBack {
        history.benches.push(bench.clone());
    }
    if bench.what == BenchStep::Silent {
        history.silent.push(bench.clone());
    }
}

/// One stretch of liquid that really went in.
#[derive(Debug, Clone)]
pub(super) struct Flow {
    pub(super) id: DoseId,
    pub(super) line: Name,
    pub(super) solution: Name,
    pub(super) kind: DoseKind,
    pub(super) slot: Option<SlotKey>,
    pub(super) into: Destination,
    pub(super) began: i64,
    pub(super) ended: i64,
    pub(super) volume: i64,
    pub(super) alkalinity: f64,
}

#[derive(Debug, Clone)]
struct Run {
    intent: Intent,
    began: i64,
    lasts: i64,
    /// A run into a vessel on a line that was on hold before.
    despite_hold: bool,
}

#[derive(Debug, Clone)]
enum Row {
    Intent(Intent),
    Outcome(Outcome),
    Entry(Entry),
}

#[derive(Debug)]
enum Coming {
    /// The oldest row that waits reaches the disk.
    Write,
    Ended(DoseId),
    Told(Box<Event>),
}

/// What is on the virtual disk.
#[derive(Debug, Default)]
pub(super) struct Books {
    pub(super) forgotten: Option<PastForgotten>,
    pub(super) intents: BTreeMap<DoseId, (Intent, usize)>,
    pub(super) outcomes: BTreeMap<DoseId, Outcome>,
    pub(super) entries: Vec<Entry>,
    pub(super) refills: BTreeMap<Name, Volume>,
    contents: BTreeMap<Name, Content>,
    sessions: Vec<PastSession>,
    /// The mode of each start and when that was, with its session.
    modes: Vec<(bool, usize, Stamp)>,
    newest: Option<Timestamp>,
    wrong: Vec<WrongTime>,
}

impl Books {
    fn call_wrong(&mut self, wrong: &WrongTime) {
        self.wrong.push(wrong.clone());
        let intents = self.intents.values().map(|(intent, _)| intent.at);
        let outcomes = self.outcomes.values().map(|outcome| outcome.at);
        let all = intents
            .chain(outcomes)
            .chain(self.entries.iter().map(Entry::at));
        let known = all.filter(|at| at.trusted && !self.wrong.iter().any(|w| w.spans(at.wall)));
        self.newest = known.map(|at| at.wall).max();
    }
}

#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a switch of the virtual world"
)]
pub(super) struct World {
    pub(super) engine: Option<Engine>,
    pub(super) controller: Arc<Controller>,
    pub(super) plan: Arc<Plan>,
    /// True time in ms.
    pub(super) t: i64,
    pub(super) boot: u32,
    boot_zero: i64,
    epoch: i64,
    pub(super) wall_error: i64,
    pub(super) books: Books,
    pub(super) ledger_ok: bool,
    pub(super) store_delay: i64,
    queue: VecDeque<Row>,
    coming: BTreeMap<(i64, u64), Coming>,
    sequence: u64,
    runs: BTreeMap<DoseId, Run>,
    pub(super) flows: Vec<Flow>,
    /// What `outputs-off` found, which runs after every kill.
    pub(super) seen: Vec<OutputSeen>,
    started_keys: BTreeSet<SlotKey>,
    pub(super) holds: Vec<Hold>,
    /// Every effect since the beginning, as text.
    pub(super) trace: Vec<String>,
    pub(super) answers: BTreeMap<u64, Result<Answer, Denial>>,
    pub(super) exits: Vec<String>,
    tickets: u64,
    /// Whether the heads answer a stop.
    pub(super) heads_obey: bool,
    /// The last alkalinity reading by true time.
    reading: Option<(f64, f64, i64)>,
    pub(super) sampled: BTreeMap<Name, Option<bool>>,
    pub(super) check_ramp: bool,
    /// Whether outputs are driven.
    pub(super) live: bool,
}

pub(super) fn reading(of: impl Into<Measurand>, value: f64, uncertainty: f64) -> Observed {
    Observed::Reading(Reading {
        of: of.into(),
        found: Found::Value { value, uncertainty },
        step: None,
        as_read: String::new(),
    })
}

pub(super) fn tell(item: Observed) -> Tell {
    Tell {
        items: vec![item],
        lab: None,
        method: Words::default(),
        happened: None,
        replaces: None,
        sure: false,
    }
}

impl World {
    /// A world at the given wall time, not started yet; everything calibrated, filled and told.
    pub(super) fn new(controller: Controller, plan: Plan, begin: &str) -> Self {
        let begin: Timestamp = begin.parse().unwrap();
        let mut world = Self {
            engine: None,
            sampled: controller
                .inputs
                .keys()
                .map(|n| (n.clone(), Some(true)))
                .collect(),
            controller: Arc::new(controller),
            plan: Arc::new(plan),
            t: 0,
            boot: 1,
            boot_zero: -30 * SECOND,
            epoch: begin.as_millisecond(),
            wall_error: 0,
            books: Books::default(),
            ledger_ok: true,
            store_delay: 20,
            queue: VecDeque::new(),
            coming: BTreeMap::new(),
            sequence: 0,
            runs: BTreeMap::new(),
            flows: Vec::new(),
            seen: Vec::new(),
            started_keys: BTreeSet::new(),
            holds: Vec::new(),
            trace: Vec::new(),
            answers: BTreeMap::new(),
            exits: Vec::new(),
            tickets: 0,
            heads_obey: true,
            reading: None,
            check_ramp: true,
            live: true,
        };
        world.books.sessions.push(PastSession {
            boot: "boot-0".to_owned(),
            elapsed_last: Millis::ZERO,
            vouched: false,
        });
        world.fill_books();
        world
    }

    /// The demo reef in a running, trusted world with a fresh reading.
    pub(super) fn demo(begin: &str) -> Self {
        let (controller, plan) = demo();
        let mut world = Self::new(controller, plan, begin);
        world.start();
        world.sync();
        world.run(6 * MINUTE);
        world.read_alkalinity(8.0);
        world
    }

    fn fill_books(&mut self) {
        let at = Stamp {
            wall: self.now().wall,
            elapsed: Millis::ZERO,
            trusted: true,
        };
        let controller = Arc::clone(&self.controller);
        for (head, config) in &controller.heads {
            let calibration =
                Calibration::new(config.simulated.rate, config.simulated.offset).unwrap();
            self.write(Row::Entry(Entry::Calibration(StoredCalibration {
                head: head.clone(),
                calibration,
                variation: Some(0.01),
                limits: Some(every_dose(config)),
                simulated: false,
                runs: Vec::new(),
                resolution: None,
                weighing: String::new(),
                drive: config.output.speed(),
                method: "by weight".to_owned(),
                questioned: String::new(),
                who: keeper(),
                at,
            })));
        }
        for (reservoir, config) in &controller.reservoirs {
            self.write(Row::Entry(Entry::Refill(Refill {
                reservoir: reservoir.clone(),
                level: config.capacity,
                before: None,
                solution: config.solutions[0].clone(),
                tube: None,
                who: keeper(),
                note: String::new(),
                at,
            })));
        }
        self.books.newest = None;
    }

    pub(super) fn wall(&self) -> Timestamp {
        Timestamp::from_millisecond(self.epoch + self.t + self.wall_error).unwrap()
    }

    pub(super) fn now(&self) -> Now {
        Now {
            wall: self.wall(),
            elapsed: Millis::new(self.t - self.boot_zero),
        }
    }

    pub(super) fn status(&mut self) -> Status {
        let now = self.now();
        let shell = crate::engine::ShellFacts::default();
        self.engine.as_mut().unwrap().status(now, &shell)
    }

    /// What the guard goes by.
    pub(super) fn prediction(&self) -> Option<Prediction> {
        self.prediction_of(&Quantity::Alkalinity)
    }

    pub(super) fn allowed(&mut self) -> Alkalinity {
        self.status().water.allowed.unwrap()
    }

    pub(super) fn uptake(&mut self) -> Option<Alkalinity> {
        self.status().water.uptake
    }

    pub(super) fn planned_alkalinity(&mut self) -> Alkalinity {
        self.status().water.planned.unwrap()
    }

    pub(super) fn share_in_force(&mut self) -> f64 {
        let in_force = self.status().water.in_force.unwrap();
        in_force.as_dkh() / self.planned_alkalinity().as_dkh()
    }

    pub(super) fn line(&mut self, line: &str) -> crate::engine::LineStatus {
        let line = name(line);
        let status = self.status();
        status.lines.into_iter().find(|l| l.name == line).unwrap()
    }

    pub(super) fn trusted(&mut self) -> bool {
        self.status().clock.trusted
    }

    /// Notes of a code, on disk.
    pub(super) fn notes(&self, code: &str) -> Vec<String> {
        let of_code = |e: &Entry| {
            let Entry::Note(note) = e else { return None };
            (note.code == code).then(|| note.text.clone())
        };
        self.books.entries.iter().filter_map(of_code).collect()
    }

    pub(super) fn not_given(&self) -> Vec<SlotNotGiven> {
        let slots = |e: &Entry| {
            let Entry::SlotNotGiven(slot) = e else {
                return None;
            };
            Some(slot.clone())
        };
        self.books.entries.iter().filter_map(slots).collect()
    }

    pub(super) fn flows_of(&self, line: &str) -> Vec<Flow> {
        let line = name(line);
        self.flows
            .iter()
            .filter(|f| f.line == line)
            .cloned()
            .collect()
    }

    pub(super) fn has_alarm(&mut self, code: &str) -> bool {
        let alarms = self.status().alarms;
        alarms.iter().any(|a| a.active && a.code.as_str() == code)
    }

    /// Starts the engine from what is on disk.
    pub(super) fn start(&mut self) {
        self.start_with(None);
    }

    pub(super) fn start_with(&mut self, ledger_fault: Option<String>) {
        let boot = format!("boot-{}", self.boot);
        let now = self.now();
        self.books.sessions.push(PastSession {
            boot: boot.clone(),
            elapsed_last: now.elapsed,
            vouched: false,
        });
        let at = Stamp {
            wall: now.wall,
            elapsed: now.elapsed,
            trusted: false,
        };
        let session = self.books.sessions.len() - 1;
        self.books.modes.push((self.live, session, at));
        let history = match ledger_fault {
            None => History {
                brought: self.brought(),
                ..self.history()
            },
            Some(_) => History::default(),
        };
        self.reading = self.books_reading();
        let setup = Setup {
            controller: Arc::clone(&self.controller),
            plan: Arc::clone(&self.plan),
            history,
            levels_not_counted: Vec::new(),
            ledger_fault,
            file_holds: self.holds.clone(),
            hold_file_fault: None,
            seen: self.seen.clone(),
            boot,
            live: self.live,
            modelled: false,
            virtual_time: false,
            pace: 1,
            grace: Millis::from_secs(5),
            now,
        };
        let (engine, effects) = Engine::start(setup);
        self.engine = Some(engine);
        self.carry_out(effects);
        for (input, safe) in self.sampled.clone() {
            self.feed(Event::Input { input, safe });
        }
    }

    fn books_reading(&self) -> Option<(f64, f64, i64)> {
        let last = |e: &Entry| {
            let Entry::Observation(told) = e else {
                return None;
            };
            let r = told
                .reading()
                .filter(|r| r.of == Quantity::Alkalinity.into())?;
            let (value, uncertainty) = r.found.amount();
            let meq = |dkh| Alkalinity::from_dkh(dkh).as_meq_per_l();
            Some((told.happened, meq(value), meq(uncertainty)))
        };
        let all = self.books.entries.iter().filter_map(last);
        all.max_by_key(|(taken, ..)| *taken)
            .map(|(taken, v, u)| (v, u, taken.as_millisecond() - self.epoch))
    }

    /// Dies here: heads off, what was not on disk is lost.
    pub(super) fn kill(&mut self) {
        self.engine = None;
        self.look_at_outputs();
        let running: Vec<DoseId> = self.runs.keys().copied().collect();
        for id in running {
            self.end_run(id);
        }
        self.queue.clear();
        self.coming.clear();
    }

    fn look_at_outputs(&mut self) {
        let now = self.now();
        let boot = format!("boot-{}", self.boot);
        for (name, head) in &self.controller.heads {
            let HeadOutput::Switched(output) = &head.output else {
                continue;
            };
            self.seen.push(OutputSeen {
                what: format!("head {name}"),
                place: OutputPlace::Gpio(output.gpio),
                was_on: self.runs.values().any(|run| run.intent.head == *name),
                was_off: !self.runs.values().any(|run| run.intent.head == *name),
                is_off: true,
                boot: boot.clone(),
                at: Stamp {
                    wall: now.wall,
                    elapsed: now.elapsed,
                    trusted: false,
                },
            });
        }
    }

    /// Dies, and the books are found to have forgotten something at the next start.
    pub(super) fn forget(&mut self) {
        self.kill();
        let now = self.now();
        let at = Stamp {
            wall: now.wall,
            elapsed: now.elapsed,
            trusted: false,
        };
        let why = "the ledger is older than what was written here".to_owned();
        self.books.forgotten = Some(PastForgotten {
            record: Forgotten { why, at },
            session: Some(self.books.sessions.len()),
            told_last: self.told_last(),
        });
        self.start();
    }

    pub(super) fn restart_after(&mut self, ms: i64) {
        self.kill();
        self.t += ms;
        self.start();
    }

    pub(super) fn power_cut(&mut self, off_ms: i64, wall_error: i64) {
        self.kill();
        self.t += off_ms;
        self.boot += 1;
        self.boot_zero = self.t - 20 * SECOND;
        self.wall_error = wall_error;
        self.start();
    }

    /// The clock is set right by the network.
    pub(super) fn sync(&mut self) {
        self.wall_error = 0;
        self.feed(Event::ClockKnown(TrustSource::Kernel));
    }

    pub(super) fn step(&mut self, ms: i64) {
        self.wall_error += ms;
        self.feed(Event::Tick);
    }

    pub(super) fn feed(&mut self, event: Event) {
        let now = self.now();
        let Some(engine) = self.engine.as_mut() else {
            return;
        };
        let effects = engine.handle(event, now);
        self.carry_out(effects);
    }

    pub(super) fn input(&mut self, input: &str, safe: Option<bool>) {
        self.sampled.insert(name(input), safe);
        self.feed(Event::Input {
            input: name(input),
            safe,
        });
    }

    pub(super) fn ask(&mut self, command: Command) -> u64 {
        // No two alike, as of a shell.
        let nonce = u128::from(self.tickets + 1);
        self.ask_with(
            command,
            Some(nonce.wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835)),
        )
    }

    pub(super) fn ask_with(&mut self, command: Command, nonce: Option<u128>) -> u64 {
        self.tickets += 1;
        let ticket = self.tickets;
        self.feed(Event::Command {
            ticket: Ticket(ticket),
            who: keeper(),
            command,
            nonce,
        });
        ticket
    }

    /// What a wish comes to.
    pub(super) fn proposed(&mut self, wish: Wish) -> Result<Proposal, Denial> {
        let ticket = self.ask(Command::Prepare(wish));
        match self.answers.remove(&ticket).expect("an answer")? {
            Answer::Proposal(proposal) => Ok(*proposal),
            other @ (Answer::Done { .. } | Answer::DoseStarted { .. }) => panic!("{other:?}"),
        }
    }

    /// Both steps of a wish, and a second for the answer.
    pub(super) fn wished(&mut self, wish: Wish) -> Result<Answer, Denial> {
        let proposal = self.proposed(wish)?;
        self.told(Command::Confirm(proposal.confirm(None)))
    }

    /// Has a course worked out, and begins it as it is shown.
    pub(super) fn begin(&mut self, what: CourseWish) -> Result<Answer, Denial> {
        self.wished(a_course(what))
    }

    /// What so many microlitres of a line add of a quantity, in its unit.
    pub(super) fn worth(&self, line: &str, of: &Quantity, ul: i64) -> f64 {
        let carrier = crate::plan::Carrier::of(
            (&self.controller, &self.plan),
            (&name(line), of),
            Volume::ZERO,
        );
        carrier.unwrap().per_ml * f64_from_i64(ul) / 1000.0
    }

    pub(super) fn set_course(
        &mut self,
        number: i64,
        action: CourseAction,
    ) -> Result<Answer, Denial> {
        self.told(Command::SetCourse { number, action })
    }

    /// Asks, and waits a second for the answer.
    pub(super) fn told(&mut self, command: Command) -> Result<Answer, Denial> {
        let ticket = self.ask(command);
        self.run(SECOND);
        self.answer(ticket).clone()
    }

    pub(super) fn answer(&self, ticket: u64) -> &Result<Answer, Denial> {
        self.answers.get(&ticket).expect("an answer")
    }

    /// Both steps of a dose by hand. The first refusal, or the ticket of the second step.
    pub(super) fn by_hand(
        &mut self,
        line: &str,
        volume: i64,
        kind: DoseKind,
    ) -> Result<u64, Denial> {
        let proposal = self.proposed(Wish::Dose {
            line: name(line),
            volume: ul(volume),
            kind,
        })?;
        let ticket = self.ask(Command::Confirm(proposal.confirm(Some(ul(volume)))));
        match self.answers.get(&ticket) {
            Some(Err(denial)) => Err(denial.clone()),
            Some(Ok(_)) | None => Ok(ticket),
        }
    }

    pub(super) fn hold(&mut self, line: Option<&str>, reason: &str) {
        let scope = line.map_or(HoldScope::All, |l| HoldScope::Line(name(l)));
        self.ask(Command::Hold {
            scope,
            reason: reason.into(),
            length: None,
        });
    }

    pub(super) fn resume(&mut self, line: Option<&str>) {
        let scope = line.map_or(HoldScope::All, |l| HoldScope::Line(name(l)));
        self.ask(Command::Resume { scope });
    }

    pub(super) fn refill(&mut self, reservoir: &str, level: RefillLevel) -> u64 {
        self.ask(Command::Refill(same(reservoir, level)))
    }

    pub(super) fn read_alkalinity(&mut self, dkh: f64) -> u64 {
        self.read_alkalinity_at(dkh, None)
    }

    pub(super) fn read_alkalinity_at(&mut self, dkh: f64, taken: Option<Timestamp>) -> u64 {
        let uncertainty = Alkalinity::from_dkh(0.1);
        let value = Alkalinity::from_dkh(dkh);
        let ticket = self.ask(Command::Tell(Tell {
            happened: taken,
            sure: true,
            ..tell(reading(Quantity::Alkalinity, dkh, 0.1))
        }));
        if taken.is_none() && self.trusted() {
            self.reading = Some((value.as_meq_per_l(), uncertainty.as_meq_per_l(), self.t));
        }
        ticket
    }

    pub(super) fn read(&mut self, of: &Quantity, mg_per_l: f64, uncertainty: f64) {
        self.tell_surely(reading(of.clone(), mg_per_l, uncertainty));
    }

    pub(super) fn tell_surely(&mut self, item: Observed) {
        let ticket = self.ask(Command::Tell(Tell {
            sure: true,
            ..tell(item)
        }));
        self.answer(ticket).as_ref().unwrap();
    }

    pub(super) fn prediction_of(&self, of: &Quantity) -> Option<Prediction> {
        self.engine.as_ref()?.prediction(of, self.now())
    }

    pub(super) fn reload(&mut self, plan: Arc<Plan>) -> u64 {
        self.tickets += 1;
        let ticket = self.tickets;
        self.plan = Arc::clone(&plan);
        self.feed(Event::PlanReplaced {
            plan,
            ticket: Some(Ticket(ticket)),
            who: keeper(),
        });
        ticket
    }

    pub(super) fn set_ledger(&mut self, ok: bool) {
        if self.ledger_ok == ok {
            return;
        }
        self.ledger_ok = ok;
        if ok {
            let waiting = self.queue.len();
            for _ in 0..waiting {
                self.commit_next();
            }
            self.feed(Event::LedgerHealthy);
        } else {
            self.feed(Event::LedgerFault {
                why: "disk full".to_owned(),
            });
        }
    }

    /// The board sleeps: no event reaches the engine until it wakes.
    pub(super) fn sleep(&mut self, ms: i64) {
        self.t += ms;
        let late: Vec<(i64, u64)> = self
            .coming
            .keys()
            .copied()
            .filter(|(at, _)| *at < self.t)
            .collect();
        for key in late {
            if let Some(coming) = self.coming.remove(&key) {
                self.later(0, coming);
            }
        }
        self.feed(Event::Tick);
    }

    /// Lets true time pass.
    pub(super) fn run(&mut self, ms: i64) {
        let until = self.t + ms;
        let (mut at_once, mut last) = (0, self.t);
        while self.t <= until {
            let Some(engine) = self.engine.as_mut() else {
                self.t = until;
                return;
            };
            let now = Now {
                wall: Timestamp::from_millisecond(self.epoch + self.t + self.wall_error).unwrap(),
                elapsed: Millis::new(self.t - self.boot_zero),
            };
            let deadline = engine
                .next_deadline(now)
                .as_ms()
                .saturating_add(self.boot_zero);
            let look = deadline.clamp(self.t, self.t + 10 * MINUTE);
            let next = self.coming.keys().next().map(|(at, _)| *at);
            let at = next.map_or(look, |n| n.min(look));
            if at > until {
                self.t = until;
                return;
            }
            at_once = if at == last { at_once + 1 } else { 0 };
            assert!(at_once < 500, "the loop spins at {now:?}");
            (last, self.t) = (at, at);
            match next.filter(|n| *n <= at) {
                Some(_) => self.happen(),
                None => self.feed(Event::Tick),
            }
        }
    }

    fn happen(&mut self) {
        let Some((_, coming)) = self.coming.pop_first() else {
            return;
        };
        match coming {
            Coming::Write => {
                if self.ledger_ok {
                    self.commit_next();
                } else {
                    self.fail_intents();
                }
            }
            Coming::Ended(id) => {
                if let Some(on_time) = self.end_run(id) {
                    self.feed(Event::RunEnded {
                        id,
                        report: RunReport {
                            on_time: Millis::new(on_time),
                            end: RunEnd::Completed,
                        },
                    });
                }
            }
            Coming::Told(event) => self.feed(*event),
        }
    }

    fn later(&mut self, after: i64, coming: Coming) {
        self.sequence += 1;
        self.coming.insert((self.t + after, self.sequence), coming);
    }

    fn fail_intents(&mut self) {
        let failed: Vec<DoseId> = self
            .queue
            .iter()
            .filter_map(|row| match row {
                Row::Intent(i) => Some(i.id),
                Row::Outcome(_) | Row::Entry(_) => None,
            })
            .collect();
        self.queue.retain(|row| !matches!(row, Row::Intent(_)));
        for id in failed {
            self.feed(Event::IntentFailed {
                id,
                why: "disk full".to_owned(),
            });
        }
    }

    fn commit_next(&mut self) {
        let Some(row) = self.queue.pop_front() else {
            return;
        };
        let stored = match &row {
            Row::Intent(intent) => Some(intent.id),
            Row::Outcome(_) | Row::Entry(_) => None,
        };
        self.write(row);
        if let Some(id) = stored {
            self.feed(Event::IntentStored(id));
        }
    }

    fn write(&mut self, row: Row) {
        let session = self.books.sessions.len() - 1;
        let at = match &row {
            Row::Intent(i) => i.at,
            Row::Outcome(o) => o.at,
            Row::Entry(e) => e.at(),
        };
        let last = &mut self.books.sessions[session].elapsed_last;
        *last = (*last).max(at.elapsed);
        if at.trusted {
            self.books.newest = self.books.newest.max(Some(at.wall));
        }
        match row {
            Row::Intent(intent) => {
                self.books.intents.insert(intent.id, (intent, session));
            }
            Row::Outcome(outcome) => {
                let (intent, _) = &self.books.intents[&outcome.id];
                let left = self.books.refills.get_mut(&intent.reservoir).unwrap();
                *left = left.saturating_sub(outcome.delivered);
                assert_eq!(*left, outcome.reservoir_left, "the books say the same");
                let content = self.books.contents.get_mut(&intent.reservoir).unwrap();
                let drawn = content.drawn.entry(intent.line.clone()).or_default();
                *drawn = drawn.saturating_add(outcome.delivered);
                let twice = self.books.outcomes.insert(outcome.id, outcome);
                assert!(twice.is_none(), "a dose ends once");
            }
            Row::Entry(entry) => {
                if matches!(&entry, Entry::Note(note) if note.code == "clock-vouched") {
                    self.books.sessions[session].vouched = true;
                }
                if let Entry::Refill(refill) = &entry {
                    let before = self
                        .books
                        .refills
                        .insert(refill.reservoir.clone(), refill.level);
                    assert_eq!(before, refill.before, "the books say the same");
                    let known = self.books.contents.remove(&refill.reservoir);
                    let changed = refill.tube.is_some();
                    let known = known.filter(|_| !changed);
                    let content = Content {
                        reservoir: refill.reservoir.clone(),
                        solution: refill.solution.clone(),
                        told: refill.who != Who::Daemon,
                        tube: known
                            .as_ref()
                            .map_or(refill.tube.clone(), |k| k.tube.clone()),
                        new_tubes: known
                            .as_ref()
                            .map_or_else(BTreeSet::new, |k| k.new_tubes.clone()),
                        drawn: known.map_or_else(BTreeMap::new, |k| k.drawn),
                    };
                    self.books
                        .contents
                        .insert(refill.reservoir.clone(), content);
                }
                if let Entry::Bench(bench) = &entry
                    && bench.what == BenchStep::NewTube
                {
                    for content in self.books.contents.values_mut() {
                        content.new_tubes.insert(bench.line.clone());
                    }
                }
                if let Entry::WrongTime(wrong) = &entry {
                    self.books.call_wrong(wrong);
                }
                self.books.entries.push(entry);
            }
        }
    }

    fn mode_began(&self) -> Option<(usize, Stamp)> {
        let modes = &self.books.modes;
        let other = modes.iter().rposition(|(live, ..)| *live != self.live)?;
        let (_, session, at) = modes.get(other + 1)?;
        Some((*session, *at))
    }

    fn history(&self) -> History {
        let mut history = History {
            dose_last: self.books.intents.keys().last().map_or(0, |id| id.0),
            newest_wall: self.books.newest,
            forgotten: self.books.forgotten.clone(),
            wrong_times: self.books.wrong.clone(),
            sessions: self.books.sessions.clone(),
            mode_began: self.mode_began(),
            ..History::default()
        };
        let mut run_since: BTreeMap<Name, (StoredCalibration, Millis)> = BTreeMap::new();
        for entry in &self.books.entries {
            match entry {
                Entry::Calibration(c) => {
                    run_since.insert(c.head.clone(), (c.clone(), Millis::ZERO));
                    history.verifications.retain(|v| v.head != c.head);
                }
                Entry::Hold(change) => match change.clone().hold() {
                    Some(hold) => history.holds.push(hold),
                    None => history.holds.retain(|h| h.scope != change.scope),
                },
                Entry::Bench(b) => know_bench(&mut history, &mut run_since, b),
                Entry::Verification(v) => history.verifications.push(v.clone()),
                Entry::SlotNotGiven(s) => history.settled.push(s.key.clone()),
                Entry::Observation(told) => {
                    history.told_last = history.told_last.max(told.number);
                    history.told.push(told.clone());
                }
                Entry::TakenBack(b) => history.told.retain(|told| !told.is(b.number)),
                Entry::Uptake(u) => history.uptakes.push(u.clone()),
                Entry::Course(c) => know_course(&mut history, c),
                Entry::Corridor(c) => {
                    history
                        .corridors
                        .retain(|known| known.grant.of != c.grant.of);
                    history.corridors.push(c.clone());
                }
                Entry::Refill(_)
                | Entry::LabColumns(_)
                | Entry::Note(_)
                | Entry::Arming(_)
                | Entry::Forgotten(_)
                | Entry::WrongTime(_)
                | Entry::OutageMissed(_) => {}
            }
        }
        self.know_doses(&mut history);
        let keep = history.doses.len().saturating_sub(400);
        history.doses.drain(..keep);
        history.reservoirs = self.books.refills.clone().into_iter().collect();
        history.contents = self.books.contents.values().cloned().collect();
        history.calibrations = run_since.into_values().collect();
        history
    }

    fn know_doses(&self, history: &mut History) {
        let readings = newest_readings(history);
        for (intent, session) in self.books.intents.values() {
            let past = self.past_dose(intent, *session);
            let ended = self.books.outcomes.get(&intent.id);
            if ended.is_none() {
                history.open.push(intent.clone());
            }
            let given =
                past.into == Destination::Tank || history.silent.iter().any(|s| s.covers(&past));
            for (of, amount) in past.carries.iter().filter(|_| given) {
                let taken = readings.get(of).copied();
                if ended.is_none_or(|o| taken.is_none_or(|t| o.at.wall > t)) {
                    *history.added_since_reading.entry(of.clone()).or_default() += amount;
                }
            }
            history.doses.push(past);
        }
    }

    /// Numbers of what was taken back are not given again.
    fn told_last(&self) -> i64 {
        let told = self.books.entries.iter().cloned();
        let numbers = told.filter_map(|entry| {
            if let Entry::Observation(told) = entry {
                Some(told.number)
            } else {
                None
            }
        });
        numbers.max().unwrap_or(0)
    }

    fn brought(&self) -> Vec<Brought> {
        let intents = self.books.intents.values();
        intents.filter_map(|(i, _)| self.brought_by(i)).collect()
    }

    fn brought_by(&self, intent: &Intent) -> Option<Brought> {
        let outcome = self.books.outcomes.get(&intent.id)?;
        let (part, part_sd) = likely_part(outcome.end, intent.volume, outcome.delivered);
        let wrong = self.books.wrong.iter().any(|w| w.spans(intent.at.wall));
        let counts = intent.live && intent.into == Destination::Tank && part > 0.0;
        counts.then(|| Brought {
            id: intent.id,
            at: intent.at.wall,
            timed: intent.at.trusted && !wrong,
            carries: intent.carries.clone().into(),
            part,
            part_sd,
        })
    }

    fn past_dose(&self, intent: &Intent, session: usize) -> PastDose {
        let outcome = self.books.outcomes.get(&intent.id);
        let counted = outcome.map_or(intent.volume, |o| o.delivered);
        PastDose {
            id: intent.id,
            line: intent.line.clone(),
            head: intent.head.clone(),
            reservoir: intent.reservoir.clone(),
            solution: intent.solution.clone(),
            kind: intent.kind,
            slot: intent.slot.clone(),
            counted,
            run_time: outcome.and_then(|o| o.on_time).unwrap_or(intent.run_time),
            end: outcome.map_or(DoseEnd::Uncertain, |o| o.end),
            carries: intent.carried(counted),
            into: intent.into,
            at: intent.at,
            session,
        }
    }

    fn carry_out(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            self.trace.push(format!("{} {effect:?}", self.t));
            match effect {
                Effect::StoreIntent(intent) => self.queue_row(Row::Intent(intent)),
                Effect::StoreOutcome(outcome) => self.queue_row(Row::Outcome(outcome)),
                Effect::Store { entries, reply } => {
                    for entry in entries {
                        self.queue_row(Row::Entry(entry));
                    }
                    self.reply(reply);
                }
                Effect::SaveHolds { holds, reply } => {
                    self.holds = holds;
                    self.reply(reply);
                }
                Effect::Reply { ticket, answer } => {
                    self.answers.insert(ticket.0, answer);
                }
                Effect::StartPump { head, permit } => {
                    let id = permit.dose();
                    self.check_start(id, &head, permit.volume(), permit.run_time());
                    assert!(permit.expires().as_ms() >= self.t - self.boot_zero);
                    let intent = self.books.intents[&id].0.clone();
                    let run_time = permit.run_time().as_ms();
                    let despite_hold = self.is_held(&intent.line);
                    self.runs.insert(
                        id,
                        Run {
                            intent,
                            began: self.t,
                            lasts: run_time,
                            despite_hold,
                        },
                    );
                    self.later(run_time, Coming::Ended(id));
                }
                Effect::StopPump { head, .. } => self.stop(&head),
                Effect::Exit { why } => self.exits.push(why),
            }
        }
        self.check_holds();
    }

    fn reply(&mut self, reply: Option<(Ticket, Answer)>) {
        if let Some((ticket, answer)) = reply {
            self.answers.insert(ticket.0, Ok(answer));
        }
    }

    fn queue_row(&mut self, row: Row) {
        self.queue.push_back(row);
        self.later(self.store_delay, Coming::Write);
    }

    fn stop(&mut self, head: &Name) {
        if !self.heads_obey {
            return;
        }
        let running = self.runs.values().find(|r| r.intent.head == *head);
        let Some(id) = running.map(|r| r.intent.id) else {
            return;
        };
        if let Some(on_time) = self.end_run(id) {
            let report = RunReport {
                on_time: Millis::new(on_time),
                end: RunEnd::Stopped,
            };
            self.later(3, Coming::Told(Box::new(Event::RunEnded { id, report })));
        }
    }

    /// The head stops now; what flowed is noted. Its on-time.
    pub(super) fn end_run(&mut self, id: DoseId) -> Option<i64> {
        let run = self.runs.remove(&id)?;
        let on_time = self.t - run.began;
        let intent = run.intent;
        let head = &self.controller.heads[&intent.head];
        let calibration = Calibration::new(head.simulated.rate, head.simulated.offset).unwrap();
        let volume = if on_time >= run.lasts {
            intent.volume.as_ul()
        } else {
            calibration
                .at_most(Millis::new(on_time))
                .as_ul()
                .min(intent.volume.as_ul())
        };
        let part = f64_from_i64(volume) / f64_from_i64(intent.volume.as_ul());
        self.flows.push(Flow {
            id,
            line: intent.line,
            solution: intent.solution,
            kind: intent.kind,
            slot: intent.slot,
            into: intent.into,
            began: run.began,
            ended: self.t,
            volume,
            alkalinity: alkalinity_in(&intent.carries).as_meq_per_l() * part,
        });
        Some(on_time)
    }

    pub(super) fn set_elapsed(&mut self, elapsed: i64) {
        self.boot_zero = self.t - elapsed;
    }

    pub(super) fn running(&self) -> usize {
        self.runs.len()
    }

    /// No head runs on a line that is on hold, at any moment; into a vessel only on one that was before, and not while everything is.
    fn check_holds(&self) {
        if !self.heads_obey {
            return;
        }
        for run in self.runs.values() {
            let held = self.is_held(&run.intent.line) && !run.despite_hold;
            assert!(!held && !self.is_all_held(), "a held line runs");
        }
    }

    fn is_all_held(&self) -> bool {
        self.holds.iter().any(|h| h.scope == HoldScope::All)
    }

    fn is_held(&self, line: &Name) -> bool {
        self.holds.iter().any(|h| match &h.scope {
            HoldScope::All => true,
            HoldScope::Line(l) => l == line,
        })
    }

    /// What must hold whenever a head starts, by the world's own account.
    fn check_start(&mut self, id: DoseId, head: &Name, volume: Volume, run_time: Millis) {
        let (intent, _) = self
            .books
            .intents
            .get(&id)
            .expect("no record, no dose")
            .clone();
        assert!(!self.books.outcomes.contains_key(&id), "never twice");
        assert_eq!((intent.volume, &intent.head), (volume, head));
        let line = self.controller.lines.iter().find(|l| l.name == intent.line);
        let line = line.unwrap().clone();
        assert!(run_time <= self.controller.heads[head].run_max);
        let into_tank = intent.into == Destination::Tank;
        assert!(volume <= line.dose_cap || !into_tank);
        let barred = self.is_held(&intent.line) && into_tank;
        assert!(!barred && !self.is_all_held(), "a held line starts");
        assert!(
            self.runs.values().all(|r| r.intent.head != *head),
            "head busy"
        );
        let running = u32::try_from(self.runs.len()).unwrap();
        assert!(running < self.controller.heads_at_once, "too many heads");
        if let Some(slot) = &intent.slot {
            assert!(self.started_keys.insert(slot.clone()), "{slot:?} twice");
        }
        if !into_tank {
            return;
        }
        for rule in &self.controller.apart {
            let other = if rule.first == intent.solution {
                &rule.second
            } else if rule.second == intent.solution {
                &rule.first
            } else {
                continue;
            };
            let since = self
                .flows
                .iter()
                .filter(|f| f.solution == *other && f.into == Destination::Tank)
                .map(|f| f.ended)
                .max();
            let gap = since.map_or(i64::MAX, |ended| self.t - ended);
            assert!(
                gap >= rule.gap.as_ms(),
                "{other} {gap} ms before {}",
                intent.solution
            );
            assert!(self.runs.values().all(|r| r.intent.solution != *other));
        }
        if self.check_ramp {
            self.check_alkalinity(&intent);
        }
    }

    fn check_alkalinity(&mut self, intent: &Intent) {
        if alkalinity_in(&intent.carries) <= Alkalinity::ZERO {
            return;
        }
        let uptake = self
            .uptake()
            .expect("no alkalinity without uptake")
            .as_meq_per_l();
        let limits = self.controller.water[&Quantity::Alkalinity];
        let band = limits.tracked.unwrap();
        let meq = |dkh: f64| Alkalinity::from_dkh(dkh).as_meq_per_l();
        let total = self.most_alkalinity_with(intent);
        let rises = match self.reading {
            None => false,
            Some((_, _, taken)) if self.t - taken > band.stale_after.as_ms() + 2 * MINUTE => false,
            Some((value, uncertainty, taken)) => {
                let days = f64_from_i64(self.t - taken) / f64_from_i64(DAY);
                let added: f64 = self
                    .flows
                    .iter()
                    .filter(|f| f.began > taken)
                    .map(|f| f.alkalinity)
                    .sum();
                let drift = meq(band.drift_per_day) * days;
                let worst = value + added - uptake * days + 2.0 * uncertainty.hypot(drift);
                worst <= meq(band.band_high) + 0.01
            }
        };
        let rise = if rises { meq(limits.max_rise) } else { 0.0 };
        assert!(
            total <= uptake + rise + 1e-6,
            "{total} meq/L in 24 h, over {uptake} + {rise}; reading {:?} at {}",
            self.reading,
            self.t
        );
    }

    /// The most alkalinity, meq/L, that any 24 h hold which end in a run of this dose that begins now.
    fn most_alkalinity_with(&self, intent: &Intent) -> f64 {
        let (own, lasts) = (
            alkalinity_in(&intent.carries).as_meq_per_l(),
            intent.run_time.as_ms(),
        );
        let flows = self.flows.iter().filter(|f| f.into == Destination::Tank);
        let running = self.runs.values();
        let running: f64 = running
            .map(|r| alkalinity_in(&r.intent.carries).as_meq_per_l())
            .sum();
        let leaving = flows.clone().flat_map(|f| [f.began + DAY, f.ended + DAY]);
        let ends = leaving.filter(|end| (self.t..self.t + lasts).contains(end));
        let sums = ends.chain([self.t + lasts]).map(|end| {
            let left = |f: &Flow| {
                let part = (f.ended - f.began.max(end - DAY)).max(0);
                f.alkalinity * f64_from_i64(part) / f64_from_i64((f.ended - f.began).max(1))
            };
            let flowed: f64 = flows.clone().map(left).sum();
            flowed + running + own * f64_from_i64(end - self.t) / f64_from_i64(lasts)
        });
        sums.fold(0.0, f64::max)
    }

    /// In every 24 h and every hour of true time, the volume of each line. No plan here gives more in an hour than a dose may be.
    pub(super) fn check_caps(&self) {
        self.check_cap(DAY, |line| line.daily_cap);
        self.check_cap(HOUR, |line| line.hourly_cap.unwrap_or(line.dose_cap));
    }

    fn check_cap(&self, length: i64, cap: impl Fn(&Line) -> Volume) {
        for line in &self.controller.lines {
            let flows: Vec<&Flow> = self
                .flows
                .iter()
                .filter(|f| f.line == line.name && f.into == Destination::Tank)
                .collect();
            for edge in flows.iter().flat_map(|f| [f.ended - length, f.began]) {
                let inside = |f: &&&Flow| f.ended > edge && f.began < edge + length;
                let sum: f64 = flows
                    .iter()
                    .filter(inside)
                    .map(|f| {
                        let length = (f.ended - f.began).max(1);
                        let part = (f.ended.min(edge + length) - f.began.max(edge)).max(0);
                        f64_from_i64(f.volume) * f64_from_i64(part) / f64_from_i64(length)
                    })
                    .sum();
                let cap = f64_from_i64(cap(line).as_ul());
                assert!(sum <= cap + 1.0, "{} {sum} uL from {edge}", line.name);
            }
        }
    }

    /// Nothing that flowed is missing in the books: booked at least as much as flowed, and the reservoirs lost just that.
    pub(super) fn check_books(&self) {
        for flow in &self.flows {
            let (intent, _) = &self.books.intents[&flow.id];
            let booked = self.books.outcomes.get(&flow.id);
            let booked = booked.map_or(intent.volume, |o| o.delivered).as_ul();
            assert!(booked >= flow.volume, "booked {booked} of {flow:?}");
        }
    }
}

pub(super) fn a_course(what: CourseWish) -> Wish {
    let note = Words::default();
    Wish::Course(NewCourse { what, note })
}
