//! The hands of the rehearsal: what the daemon's threads do, done at once and in virtual time.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use jiff::Timestamp;

use super::chance::Digest;
use super::found::{LineFound, Task};
#[cfg(test)]
use super::plant::Trouble;
use super::plant::{Bottle, Head, Run, whole};
use super::watch::{Flow, HourlyCaps, Sight, Watch};
use super::water::Water;
use crate::config::{Controller, InputRole, Plan, Uptakes};
use crate::engine::{Effect, Event, Now, RunEnd, RunReport, TrustSource};
use crate::guard::DosePermit;
use crate::ledger::{Ledger, LedgerError};
use crate::plan::worked_out;
use crate::pump::not_started;
use crate::quantity::{Millis, Name, Volume, f64_from_i64};
use crate::record::{Carried, DoseId, History, Hold, Intent};
use crate::shell::{Hands, Verdict, Write};

/// A head that was switched off says so after this time.
const OFF_TAKES: Millis = Millis::new(3);
/// Beyond its own delay, by when a float must have been seen.
const FLOAT_SEEN: Millis = Millis::from_secs(1);
/// The elapsed clock when the rehearsal begins.
pub(super) const ELAPSED_BEGIN: Millis = Millis::from_mins(10);

/// What comes of something the engine wanted.
#[derive(Debug)]
pub(super) enum Coming {
    /// The run of a head has lasted its time.
    Ended(Name, DoseId),
    Told(Box<Event>),
    /// The network tells the time.
    Time,
}

/// What the ledger has to say of a write.
#[derive(Debug)]
pub(super) enum Report {
    Intent(DoseId, Result<(), LedgerError>),
    Outcome(Result<(), LedgerError>),
    Entries(Result<(), LedgerError>),
    Probe(Result<(), LedgerError>),
    Holds(u64),
}

pub(super) struct World {
    pub(super) begin: Timestamp,
    /// Since the begin.
    pub(super) now: Millis,
    /// When the elapsed clock was at zero.
    pub(super) booted: Millis,
    /// By how much the wall clock is ahead.
    pub(super) ahead: Millis,
    /// From when on the wall clock is right and known to be.
    pub(super) time_told_at: Millis,
    pub(super) controller: Arc<Controller>,
    pub(super) plan: Arc<Plan>,
    /// `None` between two processes.
    pub(super) ledger: Option<Ledger>,
    pub(super) heads: BTreeMap<Name, Head>,
    pub(super) bottles: BTreeMap<Name, Bottle>,
    pub(super) water: Water,
    pub(super) holds: Vec<Hold>,
    pub(super) coming: BTreeMap<(Millis, u64), Coming>,
    pub(super) reports: VecDeque<Report>,
    pub(super) verdicts: VecDeque<Verdict>,
    pub(super) watch: Watch,
    pub(super) hourly_caps: HourlyCaps,
    /// On record, by `Entry::Uptake`.
    pub(super) recorded: Uptakes,
    /// With what hangs on them.
    pub(super) uptakes: Uptakes,
    /// On record without an end.
    pub(super) open: BTreeMap<DoseId, Intent>,
    /// What runs that are over gave, with by how much more than metered that may be, until they are booked.
    pub(super) gave: BTreeMap<DoseId, (f64, f64)>,
    /// The last run of each head that is booked.
    pub(super) last: BTreeMap<Name, (DoseId, Volume)>,
    sequence: u64,
    pub(super) digest: Digest,
    pub(super) events: u64,
    pub(super) doses: u64,
    pub(super) lines: BTreeMap<Name, LineFound>,
    pub(super) refusals: BTreeMap<String, u64>,
    pub(super) used_up: BTreeSet<(Name, i64)>,
    pub(super) tasks: BTreeMap<String, Task>,
    #[cfg(test)]
    pub(super) trouble: Trouble,
}

/// The parts of a world that its begin decides.
pub(super) struct Begin<'a> {
    pub(super) at: Timestamp,
    pub(super) controller: Arc<Controller>,
    pub(super) plan: Arc<Plan>,
    pub(super) ledger: Ledger,
    pub(super) heads: BTreeMap<Name, Head>,
    pub(super) bottles: BTreeMap<Name, Bottle>,
    pub(super) water: Water,
    pub(super) recorded: Uptakes,
    /// Doses on record whose end nobody saw.
    pub(super) open: &'a [Intent],
}

impl World {
    pub(super) fn new(begin: Begin<'_>) -> Self {
        let mut world = Self {
            begin: begin.at,
            now: Millis::ZERO,
            booted: Millis::ZERO.minus(ELAPSED_BEGIN),
            ahead: Millis::ZERO,
            time_told_at: Millis::ZERO,
            controller: begin.controller,
            plan: begin.plan,
            ledger: Some(begin.ledger),
            heads: begin.heads,
            bottles: begin.bottles,
            water: begin.water,
            holds: Vec::new(),
            coming: BTreeMap::new(),
            reports: VecDeque::new(),
            verdicts: VecDeque::new(),
            watch: Watch::default(),
            hourly_caps: HourlyCaps::new(),
            recorded: begin.recorded,
            uptakes: Uptakes::new(),
            open: begin.open.iter().map(|i| (i.id, i.clone())).collect(),
            gave: BTreeMap::new(),
            last: BTreeMap::new(),
            sequence: 0,
            digest: Digest::new(),
            events: 0,
            doses: 0,
            lines: BTreeMap::new(),
            refusals: BTreeMap::new(),
            used_up: BTreeSet::new(),
            tasks: BTreeMap::new(),
            #[cfg(test)]
            trouble: Trouble::default(),
        };
        world.work_out();
        world
    }

    pub(super) fn wall(&self) -> Timestamp {
        self.wall_after(self.now)
    }

    fn wall_after(&self, elapsed: Millis) -> Timestamp {
        let ms = self.begin.as_millisecond().saturating_add(elapsed.as_ms());
        Timestamp::from_millisecond(ms).unwrap_or(Timestamp::MAX)
    }

    pub(super) fn day(&self) -> i64 {
        self.now.as_ms().div_euclid(Millis::DAY.as_ms())
    }

    fn sight<'a>(&self, controller: &'a Controller) -> Sight<'a> {
        Sight {
            wall: self.wall(),
            now: self.now,
            controller,
        }
    }

    pub(super) fn later(&mut self, at: Millis, coming: Coming) {
        self.sequence = self.sequence.saturating_add(1);
        self.coming.insert((at, self.sequence), coming);
    }

    /// What comes next becomes an event; `None` when it has come to nothing.
    pub(super) fn happens(&mut self) -> Option<Event> {
        match self.coming.pop_first()?.1 {
            Coming::Told(event) => Some(*event),
            Coming::Time => {
                self.ahead = Millis::ZERO;
                Some(Event::ClockKnown(TrustSource::Kernel))
            }
            Coming::Ended(head, id) => {
                let running = self.heads.get(&head)?.run.as_ref()?;
                (running.intent.id == id).then_some(())?;
                let on_time = self.end_run(&head)?;
                Some(Event::RunEnded {
                    id,
                    report: RunReport {
                        on_time,
                        end: RunEnd::Completed,
                    },
                })
            }
        }
    }

    /// After every event.
    pub(super) fn look(&mut self) {
        let controller = Arc::clone(&self.controller);
        let sight = self.sight(&controller);
        let (now, heads) = (self.now, self.heads.values());
        let running = heads.filter_map(|head| Some((head.run.as_ref()?, head.flowed(now))));
        self.watch.runs(&sight, running, &self.holds);
    }

    /// What was on its way in a process ends with it; what is on the disk stays.
    pub(super) fn forget_process(&mut self) {
        self.coming.clear();
        self.reports.clear();
        self.verdicts.clear();
        self.ledger = None;
    }

    /// From now on what is on record here counts, as a start reads it.
    pub(super) fn go_by(&mut self, ledger: Ledger, history: &History) {
        self.ledger = Some(ledger);
        let open = history.open.iter();
        self.open = open.map(|intent| (intent.id, intent.clone())).collect();
        for (name, left) in &history.reservoirs {
            if let Some(bottle) = self.bottles.get_mut(name) {
                bottle.booked = *left;
            }
        }
    }

    /// The head stops now; what flowed is in the tank. How long it was on.
    pub(super) fn end_run(&mut self, name: &Name) -> Option<Millis> {
        let head = self.heads.get_mut(name)?;
        let flowed = head.flowed(self.now);
        let run = head.run.take()?;
        let controller = Arc::clone(&self.controller);
        let on_time = self.now.minus(run.began);
        let intent = &run.intent;
        let bottle = self.bottles.get_mut(&intent.reservoir)?;
        // Of an empty bottle air is pumped.
        let volume = whole(flowed).min(bottle.holds);
        let air = whole(flowed).saturating_sub(volume);
        bottle.holds = bottle.holds.saturating_sub(volume);
        let solution = bottle.solution.clone();
        let effect = controller.solutions.get(&solution).map(|s| &s.effect);
        let carries = effect.map_or_else(Carried::new, |e| e.carried(volume, controller.tank));
        self.water.add(&carries);
        let meant = |of: f64| of / run.over;
        let flow = Flow {
            line: intent.line.clone(),
            solution,
            began: run.began,
            ended: self.now,
            meant: meant(f64_from_i64(volume.as_ul())),
            adds: carries.into_iter().map(|(of, a)| (of, meant(a))).collect(),
        };
        let line = self.lines.entry(intent.line.clone()).or_default();
        line.delivered = line.delivered.saturating_add(volume);
        line.air = line.air.saturating_add(air);
        let cap = self.hourly_caps.get(&intent.line).copied();
        let sight = self.sight(&controller);
        self.watch
            .ended(&sight, (&run, flowed, flow), cap, &self.uptakes);
        self.gave.insert(intent.id, (flowed, run.over));
        self.tell_float(&run.intent.reservoir.clone());
        Some(on_time)
    }

    /// A float hangs where the reserve begins to be drawn on by half.
    pub(super) fn tell_float(&mut self, reservoir: &Name) {
        let Some(bottle) = self.bottles.get_mut(reservoir) else {
            return;
        };
        let dry = bottle.holds.as_ul() < bottle.reserve.as_ul() / 2;
        let floats = self.controller.inputs.values();
        let mut floats = floats.filter(|i| i.role == InputRole::ReservoirFloat(reservoir.clone()));
        let Some(float) = floats.next() else {
            return;
        };
        if bottle.dry.is_some() == dry {
            return;
        }
        let told = Event::Input {
            input: float.name.clone(),
            safe: Some(!dry),
        };
        let (now, counts) = (self.now, self.now.plus(float.trip_after).plus(FLOAT_SEEN));
        bottle.dry = dry.then_some(counts);
        self.later(now, Coming::Told(Box::new(told)));
    }

    pub(super) fn work_out(&mut self) {
        self.uptakes = worked_out(&self.plan, &self.controller, &self.recorded).uptakes;
    }
}

impl Hands<()> for World {
    fn now(&self) -> Now {
        Now {
            wall: self.wall_after(self.now.plus(self.ahead)),
            elapsed: self.real(),
        }
    }

    fn real(&self) -> Millis {
        self.now.minus(self.booted)
    }

    fn stop_pump(&mut self, head: &Name) {
        #[cfg(test)]
        if self.trouble == Trouble::IgnoresStops {
            return;
        }
        let running = self.heads.get(head).and_then(|head| head.run.as_ref());
        let Some(id) = running.map(|run: &Run| run.intent.id) else {
            return;
        };
        if let Some(on_time) = self.end_run(head) {
            let end = RunEnd::Stopped;
            let report = RunReport { on_time, end };
            let at = self.now.plus(OFF_TAKES);
            self.later(at, Coming::Told(Box::new(Event::RunEnded { id, report })));
        }
    }

    fn start_pump(&mut self, name: &Name, permit: DosePermit) -> Result<(), RunReport> {
        let (id, lasts, at) = (permit.dose(), permit.run_time(), self.wall());
        let Some(intent) = self.open.get(&id).cloned() else {
            self.watch.no_record(at, id, permit.line());
            return Err(not_started());
        };
        let controller = Arc::clone(&self.controller);
        let (sight, now) = (self.sight(&controller), self.now);
        let running = self.heads.values().filter_map(|head| head.run.as_ref());
        let bottles = running.filter_map(|run| self.bottles.get(&run.intent.reservoir));
        let beside: Vec<&Name> = bottles.map(|bottle| &bottle.solution).collect();
        let Some(bottle) = self.bottles.get(&intent.reservoir) else {
            return Err(not_started());
        };
        let Some(mut head) = self.heads.get(name).filter(|h| h.run.is_none()).cloned() else {
            return Err(not_started());
        };
        head.begin(intent, lasts, now);
        if let Some(run) = &head.run {
            self.watch.starts(&sight, (run, bottle), &beside);
            let line = self.lines.entry(run.intent.line.clone()).or_default();
            line.doses = line.doses.saturating_add(1);
            line.planned = line.planned.saturating_add(run.intent.volume);
        }
        self.heads.insert(name.clone(), head);
        self.doses = self.doses.saturating_add(1);
        #[cfg(test)]
        if self.trouble == Trouble::NeverEnds {
            return Ok(());
        }
        self.later(now.plus(lasts), Coming::Ended(name.clone(), id));
        Ok(())
    }

    fn show(&mut self, effect: &Effect) {
        let now = self.now.as_ms();
        self.digest.add(format_args!("{now} {effect:?}"));
    }

    fn send(&mut self, write: &Write) -> bool {
        let report = self.write(write);
        let is_taken = report.is_some();
        self.reports.extend(report);
        is_taken
    }

    fn save_holds(&mut self, number: u64, holds: Vec<Hold>) {
        self.holds = holds;
        self.reports.push_back(Report::Holds(number));
    }

    fn give(&mut self, (): (), verdict: Verdict) {
        self.verdicts.push_back(verdict);
    }
}
