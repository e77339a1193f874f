//! From what the ledger knows to a running engine.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use super::alarms::{AlarmCode, Alarms};
use super::effect::Effect;
use super::event::{Now, TrustSource};
use super::state::{
    Benches, Books, ClockState, Engine, Estimates, HeadMemory, Holds, InForce, Inputs, LedgerState,
    LineMemory, Slots, Told, Waits, Water,
};
use super::unseen::AtMost;
use super::wish::VALID;
use crate::config::{Controller, Plan};
use crate::guard::Counted;
use crate::metering::Calibration;
use crate::quantity::{Millis, Name, listed};
use crate::record::{
    Bench, Destination, DoseEnd, DoseId, Entry, History, Hold, HoldChange, HoldScope, Intent,
    OutputSeen, PastDose, PastSession, Refill, Stamp, StoredCalibration, Who,
};

/// A line is held when this many of its doses ended unseen within 24 h: something kills the daemon whenever that head starts.
const UNCERTAIN_MAX: usize = 2;

/// What the engine is started with.
#[derive(Debug)]
pub struct Setup {
    /// The checked controller file.
    pub controller: Arc<Controller>,
    pub plan: Arc<Plan>,
    /// What the ledger knows; an empty history when it cannot be read, and then `ledger_fault` says why.
    pub history: History,
    /// Bottles whose content was told before the arming or in a dry run, and does not count.
    pub levels_not_counted: Vec<Name>,
    /// Why the ledger cannot be used; nothing is dosed until it can.
    pub ledger_fault: Option<String>,
    /// Holds found in the hold file.
    pub file_holds: Vec<Hold>,
    /// Why the hold file cannot be read; everything is held then.
    pub hold_file_fault: Option<String>,
    /// What outputs were found doing since the boot, oldest first.
    pub seen: Vec<OutputSeen>,
    /// The kernel's boot id.
    pub boot: String,
    /// Whether outputs are really driven.
    pub live: bool,
    /// Whether what is not live reaches the water of a model all the same.
    pub modelled: bool,
    /// Virtual time is right by definition.
    pub virtual_time: bool,
    /// How many times faster than real time the clocks run; what waits for people is given that much more of theirs.
    pub pace: u32,
    /// How long after its planned end a run's report may come before its thread counts as lost.
    pub grace: Millis,
    pub now: Now,
}

impl Engine {
    /// Starts the engine: closes what was left open, counts what may still count, and looks at the clock.
    pub fn start(setup: Setup) -> (Self, Vec<Effect>) {
        let now = setup.now;
        let mut history = setup.history;
        let known_holds = history.holds.clone();
        let open = std::mem::take(&mut history.open);
        let calibrations = std::mem::take(&mut history.calibrations);
        let benches = std::mem::take(&mut history.benches);
        let measured = std::mem::take(&mut history.measured);
        let silent = std::mem::take(&mut history.silent);
        let checks = std::mem::take(&mut history.verifications);
        let added = std::mem::take(&mut history.added_since_reading);
        let contents = std::mem::take(&mut history.contents);
        let mode_began = history.mode_began;
        let mut engine = Self::blank(&setup.controller, &setup.plan, history, now);
        engine.live = setup.live;
        engine.modelled = setup.modelled;
        engine.waits = Waits {
            grace: setup.grace,
            proposal_valid: stretched(VALID, setup.pace),
        };
        engine.boot = setup.boot;
        engine.holds = Holds::union(known_holds.clone(), setup.file_holds);
        if let Some(why) = setup.ledger_fault.clone() {
            engine.ledger = LedgerState::Unread { why };
        }
        engine.take_readings(&added, mode_began, now);
        engine.take_contents(&contents, now);
        engine.count_by_hand(now);
        engine.take_benches(benches, now);
        let changed = engine.take_calibrations(calibrations, &checks);
        engine.take_measured(measured);
        let longer = engine.measure_unseen(&open, &setup.seen, now);
        engine.count_past(&silent, now);
        engine.count_forgotten(now);
        if setup.virtual_time {
            engine.clock_known(TrustSource::Virtual, now);
        }
        engine.note_found_on(&setup.seen, now);
        let without_reason = engine.on_without_reason(&open, &setup.seen);
        engine.note_levels(&setup.levels_not_counted, now);
        engine.after_start(
            &known_holds,
            (open, longer),
            setup.hold_file_fault,
            setup.ledger_fault,
            now,
        );
        engine.hold_found_on(&without_reason, now);
        engine.tell_coverage(changed, now);
        let effects = std::mem::take(&mut engine.out);
        (engine, effects)
    }

    /// An engine that remembers its history and has done nothing yet.
    fn blank(controller: &Arc<Controller>, plan: &Arc<Plan>, history: History, now: Now) -> Self {
        Self {
            estimates: Estimates::new(&history),
            live: false,
            modelled: false,
            waits: Waits {
                grace: Millis::ZERO,
                proposal_valid: VALID,
            },
            stopping: false,
            clock: ClockState {
                last: now,
                started: now,
                source: None,
                unsure: Some("nothing is known of it yet".to_owned()),
                newest: history.newest_wall,
                outside_why: "the kernel does not say that it is synchronised".to_owned(),
                wrong: history.wrong_times,
                aged: false,
            },
            ledger: LedgerState::Writable,
            holds: Holds::default(),
            heads: controller
                .heads
                .keys()
                .map(|name| (name.clone(), HeadMemory::default()))
                .collect(),
            benches: Benches::new(history.bench_last),
            lines: controller
                .lines
                .iter()
                .map(|line| (line.name.clone(), LineMemory::default()))
                .collect(),
            books: Books::new(history.reservoirs.into_iter().collect(), history.dose_last),
            slots: Slots {
                waiting: Vec::new(),
                settled: history.settled.into_iter().collect::<BTreeSet<_>>(),
                cursor: history.newest_wall.unwrap_or(now.wall),
            },
            water: Water::blank(controller, now.elapsed),
            told: Told::new(history.told, history.told_last),
            inputs: Inputs::unknown(controller.inputs.keys(), now.elapsed),
            alarms: Alarms::default(),
            pending: None,
            past: history.doses,
            past_sessions: history.sessions,
            forgotten: history.forgotten,
            boot: String::new(),
            out: Vec::new(),
            in_force: InForce::new(
                (controller, plan),
                (history.uptakes, history.corridors),
                (history.courses, history.courses_ended),
                now.elapsed,
            ),
        }
    }

    fn after_start(
        &mut self,
        known: &[Hold],
        (open, longer): (Vec<Intent>, BTreeMap<DoseId, AtMost>),
        hold_fault: Option<String>,
        ledger_fault: Option<String>,
        now: Now,
    ) {
        self.take_starts(now);
        self.work_out_plan();
        self.close_open(open, &longer, now);
        self.estimate_anew();
        self.silence_after_restart(now);
        self.hold_unsteady_lines(now);
        self.set_courses_aside(now);
        self.settle_courses(now);
        self.set_corridors_aside(now);
        self.settle_corridors(now);
        if !self.live {
            self.assume_for_dry_run(now);
        }
        // A hold of the file that the ledger does not know was set while the ledger could not be written.
        let at = self.stamp(now);
        for hold in self.holds.list().to_vec() {
            if !known.contains(&hold) {
                self.store(Entry::Hold(HoldChange::set(hold, at)), None);
            }
        }
        if let Some(why) = hold_fault {
            let reason =
                format!("the hold file cannot be read, so it is not known what was on hold: {why}");
            self.raise(AlarmCode::HoldFileFault, "", reason.clone(), now);
            self.set_hold(HoldScope::All, reason, Who::Daemon, None, now);
        }
        if let Some(why) = ledger_fault {
            self.raise(
                AlarmCode::LedgerFault,
                "",
                format!("no dose is given: {why}"),
                now,
            );
        }
        self.save_holds(None);
        self.go_on(now);
    }

    fn note_levels(&mut self, bottles: &[Name], now: Now) {
        if bottles.is_empty() {
            return;
        }
        let text = format!(
            "what {} hold was told before the arming or in a dry run, and does not count: say it again with `dosewright refill`",
            listed(bottles)
        );
        self.note("level-not-counted", None, text, Who::Daemon, now);
    }

    /// A supply that breaks down whenever a head starts must not be tried for ever.
    fn hold_unsteady_lines(&mut self, now: Now) {
        let since = now.elapsed.minus(Millis::DAY);
        let lines: Vec<Name> = self.lines.keys().cloned().collect();
        for line in lines {
            let recent = |d: &&PastDose| {
                d.line == line
                    && d.end == DoseEnd::Uncertain
                    && self
                        .age_of(d, now)
                        .is_none_or(|age| now.elapsed.minus(age) > since)
            };
            let count = self.past.iter().filter(recent).count();
            if count >= UNCERTAIN_MAX {
                let reason = format!(
                    "{count} doses of line {line} ended unseen within 24 h; look at the power supply and the head before you resume"
                );
                self.set_hold(HoldScope::Line(line), reason, Who::Daemon, None, now);
            }
        }
    }

    /// What a real installation is told by its owner is assumed in dry run, and written down as assumed: every head as its
    /// simulated stand-in is, every bottle full, every contact safe. Live mode never takes such a calibration.
    fn assume_for_dry_run(&mut self, now: Now) {
        let at = self.stamp(now);
        let controller = Arc::clone(&self.in_force.controller);
        for (name, head) in &controller.heads {
            let memory = self.heads.entry(name.clone()).or_default();
            let assumed = Calibration::new(head.simulated.rate, head.simulated.offset)
                .ok()
                .filter(|_| memory.calibration.is_none());
            let run_since = memory.run_since;
            if let Some(calibration) = assumed {
                let method = "assumed for dry run from the simulated head".to_owned();
                let stored = StoredCalibration {
                    head: name.clone(),
                    calibration,
                    variation: None,
                    limits: None,
                    simulated: true,
                    runs: Vec::new(),
                    resolution: None,
                    weighing: String::new(),
                    drive: head.output.speed(),
                    method,
                    questioned: String::new(),
                    who: Who::Daemon,
                    at,
                };
                let memory = HeadMemory::with(stored.clone(), head.tolerance_percent, run_since);
                self.heads.insert(name.clone(), memory);
                self.store(Entry::Calibration(stored), None);
            }
        }
        for (name, reservoir) in &controller.reservoirs {
            if self.books.left_in(name).is_none() {
                self.books.fill(name, reservoir.capacity);
                let note = "assumed full for dry run".to_owned();
                let Some(solution) = self.controller().solution_in(name).map(|s| s.name.clone())
                else {
                    continue;
                };
                let entry = Refill {
                    reservoir: name.clone(),
                    level: reservoir.capacity,
                    before: None,
                    solution,
                    tube: None,
                    who: Who::Daemon,
                    note,
                    at,
                };
                self.store(Entry::Refill(entry), None);
            }
        }
        self.inputs.simulate(now.elapsed);
    }

    /// Age of a past dose. In the same boot the elapsed clock says it exactly. Across boots it is at least what the elapsed
    /// clocks of all boots since prove; the wall clock may prove more, if it is and was trusted, and not only by the owner's word.
    fn age_of(&self, dose: &PastDose, now: Now) -> Option<Millis> {
        self.age_since(dose.session, dose.at, now)
    }

    /// The same of anything that was written down in a session.
    pub(super) fn age_since(&self, session: usize, at: Stamp, now: Now) -> Option<Millis> {
        let written_in = self.past_sessions.get(session)?;
        if written_in.boot == self.boot {
            return Some(now.elapsed.minus(at.elapsed).max(Millis::ZERO));
        }
        let proven = proven_age(
            &self.past_sessions,
            session,
            at.elapsed,
            &self.boot,
            now.elapsed,
        );
        let by_wall = Millis::new(
            now.wall
                .as_millisecond()
                .saturating_sub(at.wall.as_millisecond()),
        );
        // A trusted clock may be off by what a step may be without being an event.
        let by_wall = by_wall.minus(self.controller().times.clock_step_max);
        let wrong_then = self.clock.wrong.iter().any(|wrong| wrong.spans(at.wall));
        let wall_counts =
            at.trusted && !written_in.vouched && !wrong_then && self.clock_proves_age();
        Some(if wall_counts {
            proven.max(by_wall)
        } else {
            proven
        })
    }

    /// Puts the past doses into the window, by their ages as far as these are known now.
    fn count_past(&mut self, silent: &[Bench], now: Now) {
        for dose in self.past.clone() {
            self.slots.settled.extend(dose.slot.clone());
            if dose.end == DoseEnd::NotStarted {
                continue;
            }
            let age = self.age_of(&dose, now).unwrap_or(Millis::ZERO);
            let (began, ended) = self.latest_times(&dose, age, now);
            let into = if silent.iter().any(|s| s.covers(&dose)) {
                Destination::Tank
            } else {
                dose.into
            };
            self.books.window.add(Counted {
                id: dose.id,
                line: dose.line.clone(),
                head: dose.head.clone(),
                reservoir: dose.reservoir.clone(),
                solution: dose.solution.clone(),
                kind: dose.kind,
                volume: dose.counted,
                carries: dose.carries.clone(),
                into,
                began,
                ended: Some(ended),
                due: ended,
            });
            if into == Destination::Bench {
                continue;
            }
            if self.in_force.local_date(dose.at.wall) == self.in_force.local_date(now.wall) {
                self.add_today(&dose.line, dose.counted, dose.at.wall);
            }
            let line = self.lines.entry(dose.line.clone()).or_default();
            line.last_dose = line.last_dose.max(Some((dose.at.wall, dose.counted)));
        }
    }

    /// Ages the doses of earlier boots anew: the clock has become trusted, and may prove that they are older.
    pub(super) fn age_past_doses(&mut self, now: Now) {
        for dose in self.past.clone() {
            let Some(age) = self.age_of(&dose, now) else {
                continue;
            };
            let (began, ended) = self.latest_times(&dose, age, now);
            self.books.window.update(dose.id, |counted| {
                counted.began = began;
                counted.ended = Some(ended);
                counted.due = ended;
            });
        }
        self.age_forgotten(now);
    }

    /// When a past dose can have begun and ended at the latest. Its stamp is that of its record; the head started when that was
    /// stored, within the time a permit is valid. One that nobody saw end may have gone on, and may have given all of it last.
    fn latest_times(&self, dose: &PastDose, age: Millis, now: Now) -> (Millis, Millis) {
        let began = now
            .elapsed
            .minus(age)
            .plus(self.controller().times.permit_valid);
        let ended = began.plus(dose.run_time);
        match dose.end {
            DoseEnd::Uncertain => (ended, ended),
            DoseEnd::Failed => (ended.min(now.elapsed), ended.min(now.elapsed)),
            DoseEnd::Delivered | DoseEnd::Interrupted | DoseEnd::NotStarted => {
                (began.min(now.elapsed), ended.min(now.elapsed))
            }
        }
    }
}

/// A real duration on clocks that run faster.
fn stretched(real: Millis, pace: u32) -> Millis {
    Millis::new(real.as_ms().saturating_mul(i64::from(pace.max(1))))
}

/// Elapsed time that is proven to lie between a moment of an earlier session and now, without any wall clock: the rest of that
/// boot as far as it is written down, all whole boots since, and this boot so far.
fn proven_age(
    sessions: &[PastSession],
    session: usize,
    at: Millis,
    boot: &str,
    now: Millis,
) -> Millis {
    let Some(own) = sessions.get(session) else {
        return Millis::ZERO;
    };
    let later = sessions.get(session..).unwrap_or_default();
    let mut per_boot: Vec<(&str, Millis)> = Vec::new();
    for s in later.iter().filter(|s| s.boot != boot) {
        match per_boot.iter_mut().find(|(b, _)| *b == s.boot) {
            Some((_, last)) => *last = (*last).max(s.elapsed_last),
            None => per_boot.push((&s.boot, s.elapsed_last)),
        }
    }
    let rest = per_boot.iter().map(|(b, last)| {
        if *b == own.boot {
            last.minus(at).max(Millis::ZERO)
        } else {
            *last
        }
    });
    rest.fold(now, Millis::plus)
}
