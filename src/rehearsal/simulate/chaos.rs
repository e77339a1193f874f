//! What of the simulation the model world knows: when it dies, what its disk and its contacts do, and what was promised to its owner.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt::Debug;

use jiff::tz::AmbiguousOffset;
use jiff::{SignedDuration, Timestamp};

use super::plan::Fault;
use crate::config::{Blocks, InputRole};
use crate::engine::{Command, Event, RunEnd, RunReport};
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name};
use crate::record::{Destination, DoseId, DoseKind, Hold, HoldScope, Intent};
use crate::rehearsal::watch::Rule;
use crate::rehearsal::world::{Coming, World};
use crate::shell::{Write, hold_text};

/// A contact must count as it is after its own delay and this time.
const SEEN_WITHIN: Millis = Millis::from_secs(1);
/// What is told of a failure.
const RECENT: usize = 20;

/// A hold that its owner counts on.
#[derive(Debug, Clone, Copy)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is known of it by itself"
)]
pub(super) struct Owed {
    /// What was answered says that it lasts.
    pub(super) promised: bool,
    pub(super) until: Option<Millis>,
    pub(super) in_file: bool,
    pub(super) in_books: bool,
    /// Its end was reckoned by a wall clock that was right.
    pub(super) by_right_clock: bool,
    pub(super) over_restart: bool,
}

/// What becomes of the next run of any head.
#[derive(Debug, Clone, Copy)]
pub(super) enum NextRun {
    Late(Millis),
    Stuck(Millis),
    Hangs,
}

#[derive(Debug, Default)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a fault of its own, and any of them come together"
)]
pub(in crate::rehearsal) struct Chaos {
    /// It is a simulated machine, and not the world of a rehearsal, which is armed and knows its time without saying so.
    pub(super) simulated: bool,
    pub(super) dead: bool,
    /// Not written yet.
    pub(super) waiting: VecDeque<(Millis, Write)>,
    pub(super) delay: Millis,
    pub(super) at_write: Option<(u32, bool, Fault)>,
    pub(super) at_start: Option<(Millis, Fault)>,
    pub(super) due: Vec<(Millis, Fault)>,
    pub(super) hold_file: Option<String>,
    pub(super) hold_file_fails: bool,
    pub(super) next_run: Option<NextRun>,
    failing: BTreeSet<Name>,
    late: Option<Millis>,
    hung: Option<Name>,
    /// A sabotage.
    pub(super) books_as_meant: bool,
    pub(super) owed: BTreeMap<HoldScope, Owed>,
    /// Since the start somebody has said that the clock is right.
    pub(super) vouched: bool,
    /// Until when a clock that was vouched for and wrong may make what was given before a boot look older than it is.
    misled_until: Millis,
    pub(super) armed: bool,
    /// The planned times of all slots that are settled: a clock that was ahead has settled some that are still to come, and those are not
    /// given again when it is right.
    pub(super) settled: BTreeSet<Timestamp>,
    /// Heads whose outlet is out of the tank.
    pub(super) outlets_out: BTreeSet<Name>,
    /// What each contact shows, and since when.
    pub(super) contacts: BTreeMap<Name, (Option<bool>, Millis)>,
    pub(super) met: BTreeMap<String, u64>,
    /// The newest events and effects, when they are wanted.
    pub(super) recent: Option<VecDeque<String>>,
}

impl Chaos {
    pub(in crate::rehearsal) fn is_dead(&self) -> bool {
        self.dead
    }

    pub(in crate::rehearsal) fn met(&mut self, what: &str) {
        match self.met.get_mut(what) {
            Some(times) => *times += 1,
            None => drop(self.met.insert(what.to_owned(), 1)),
        }
    }

    pub(in crate::rehearsal) fn saw(&mut self, now: i64, what: &impl Debug) {
        if let Some(recent) = &mut self.recent {
            if recent.len() == RECENT {
                recent.pop_front();
            }
            recent.push_back(format!("{now} ms {what:?}"));
        }
    }

    /// Whether a head can no longer be told anything.
    pub(in crate::rehearsal) fn is_deaf(&self, head: &Name) -> bool {
        self.dead || self.hung.as_ref() == Some(head)
    }

    pub(in crate::rehearsal) fn is_stuck(&self, contact: &Name) -> bool {
        self.contacts.contains_key(contact)
    }

    /// Whoever lifts a hold counts on it no longer.
    pub(in crate::rehearsal) fn hears(&mut self, now: i64, event: &Event) {
        if let Event::Command { command, .. } = event {
            match command {
                Command::Resume { scope } => drop(self.owed.remove(scope)),
                Command::TrustClock {} => self.vouched = true,
                _ => {}
            }
        }
        self.saw(now, event);
    }

    /// Of a process that is no more.
    pub(super) fn starts(&mut self) {
        self.dead = false;
        self.vouched = false;
        self.late = None;
        self.hung = None;
        self.failing.clear();
        // What was promised to nobody need not be kept; what was, must be. Its end is by the wall clock then.
        self.owed
            .retain(|_, owed| owed.promised && (owed.until.is_none() || owed.by_right_clock));
        for owed in self.owed.values_mut() {
            owed.over_restart = true;
        }
    }

    /// Whether a write is not on the disk at once, or never.
    pub(in crate::rehearsal) fn holds_up(&mut self, write: &Write, now: Millis) -> bool {
        if self.dead {
            return true;
        }
        if let Some((number, survives, fault)) = self.at_write {
            if number == 0 {
                self.at_write = None;
                self.dead = true;
                self.due.push((now, fault));
                return !survives;
            }
            self.at_write = Some((number - 1, survives, fault));
        }
        if self.delay == Millis::ZERO && self.waiting.is_empty() {
            return false;
        }
        self.waiting
            .push_back((now.plus(self.delay), write.clone()));
        true
    }

    pub(in crate::rehearsal) fn writes_holds(&mut self, holds: &[Hold]) -> Result<(), String> {
        if self.dead {
            return Err("dead".to_owned());
        }
        if self.hold_file_fails {
            return Err("no room".to_owned());
        }
        self.hold_file = Some(hold_text(holds).unwrap());
        for owed in self.owed.values_mut() {
            owed.in_file = true;
        }
        Ok(())
    }
}

/// Wrong by less than this is drift.
const WRONG: i64 = 60_000;
const DAY_AND_MORE: Millis = Millis::from_mins(26 * 60);

impl World {
    pub(super) fn is_wrong(&self) -> bool {
        self.ahead.as_ms().abs() > WRONG
    }

    /// When the loop looks next, and where it is to come to a stand.
    pub(in crate::rehearsal) fn looks(&self, look: Millis, end: Millis) -> (Millis, Millis) {
        let (chaos, now) = (&self.chaos, self.now);
        if chaos.dead || (chaos.simulated && self.watch.count() > 0) {
            return (look, now);
        }
        let stands = chaos.due.iter().map(|(at, _)| *at);
        let stands = stands.chain(chaos.waiting.front().map(|(at, _)| *at)).min();
        let end = stands.map_or(end, |at| end.min(at.max(now)));
        if chaos.waiting.is_empty() {
            (look, end)
        } else {
            (look.min(now.plus(Millis::from_secs(1))), end)
        }
    }

    /// What nobody in the process can know: the network said twice that the clock is right, before a boot and after it, and was wrong
    /// once. What was given before that boot may then count for too short a time.
    pub(in crate::rehearsal) fn may_be_misled(&mut self) {
        if self.is_wrong() {
            // A clock that is ahead ends it too early.
            self.chaos
                .owed
                .retain(|_, owed| owed.until.is_none() || !owed.over_restart);
        }
        if self.chaos.vouched && self.is_wrong() {
            self.chaos.misled_until = self.now.plus(DAY_AND_MORE).plus(DAY_AND_MORE);
        }
        let has_booted = self.now.minus(self.booted) < DAY_AND_MORE;
        self.watch.misled = has_booted && self.now < self.chaos.misled_until;
    }

    /// A head has been switched on. How long it will be.
    pub(in crate::rehearsal) fn started(
        &mut self,
        head: &Name,
        id: DoseId,
        lasts: Millis,
    ) -> Millis {
        let intent = self.open.get(&id).filter(|_| self.chaos.simulated);
        if let Some(intent) = intent.cloned() {
            self.may_start(&intent);
            self.meets(&intent);
        }
        if let Some((after, fault)) = self.chaos.at_start.take() {
            self.chaos.due.push((self.now.plus(after), fault));
        }
        let next = self.chaos.next_run.take();
        let longer = match next {
            None => return lasts,
            Some(NextRun::Late(by)) => {
                self.chaos.late = Some(by);
                by
            }
            Some(NextRun::Stuck(by)) => {
                self.chaos.failing.insert(head.clone());
                by
            }
            Some(NextRun::Hangs) => {
                self.chaos.hung = Some(head.clone());
                Millis::DAY
            }
        };
        if let Some(run) = self.heads.get_mut(head).and_then(|h| h.run.as_mut()) {
            run.escaped = true;
        }
        lasts.plus(longer)
    }

    /// When it was planned for.
    pub(in crate::rehearsal) fn settles(&mut self, slot: &SlotKey) -> Timestamp {
        let zone = &self.controller.time_zone;
        let day = zone.to_ambiguous_timestamp(slot.date.at(0, 0, 0, 0));
        let planned = day.compatible().unwrap() + SignedDuration::from_secs(slot.number.into());
        self.chaos.settled.insert(planned);
        planned
    }

    fn meets(&mut self, intent: &Intent) {
        self.chaos.met(match intent.kind {
            DoseKind::Plan => "dose of the plan",
            DoseKind::Hand => "dose by hand given",
            DoseKind::Prime => "head primed",
            DoseKind::Calibration => "calibration run",
        });
        let Some(slot) = &intent.slot else {
            return;
        };
        let planned = self.settles(slot);
        let zone = &self.controller.time_zone;
        let local = zone.to_datetime(planned);
        let before = local - SignedDuration::from_secs(1);
        let offset = |local| zone.to_ambiguous_timestamp(local).offset();
        if matches!(offset(before), AmbiguousOffset::Gap { .. }) {
            self.chaos.met("slot in a gap of the clock");
        }
        if matches!(offset(local), AmbiguousOffset::Fold { .. }) {
            self.chaos.met("slot in a fold of the clock");
        }
    }

    /// How a run that has come to its end is reported.
    pub(in crate::rehearsal) fn ended_as(&mut self, head: &Name, report: RunReport) -> RunReport {
        let late = self.chaos.late.take().unwrap_or_default();
        if !self.chaos.failing.remove(head) {
            let on_time = if self.chaos.books_as_meant {
                report.on_time.minus(late)
            } else {
                report.on_time
            };
            return RunReport { on_time, ..report };
        }
        let why = "its run sense says that it runs although it was switched off".to_owned();
        let heads: Vec<Name> = self.heads.keys().cloned().collect();
        for head in heads {
            let why = why.clone();
            let fault = Event::PumpFault { head, why };
            self.later(self.now, Coming::Told(Box::new(fault)));
        }
        let end = RunEnd::Failed { why };
        RunReport { end, ..report }
    }

    fn asserts(&mut self, rule: Rule, id: DoseId, wrong: Option<String>) {
        let at = self.wall();
        self.watch.holds(at, rule, id, wrong);
    }

    /// What must be when a head starts, by what the model knows.
    fn may_start(&mut self, intent: &Intent) {
        let id = intent.id;
        let unarmed = intent.live != self.wet || (self.wet && !self.chaos.armed);
        let wrong = unarmed.then(|| format!("dose {} is given without an arming", id.0));
        self.asserts(Rule::NotLive, id, wrong);
        if intent.kind == DoseKind::Plan {
            let wrong = (!self.chaos.vouched).then(|| {
                format!(
                    "dose {} of the plan starts by a clock that nobody vouches for",
                    id.0
                )
            });
            self.asserts(Rule::ClockTrusted, id, wrong);
        }
        self.may_run(intent);
    }

    /// After every event: what must be while a head runs that can be told to stop.
    pub(in crate::rehearsal) fn may_go_on(&mut self) {
        if !self.chaos.simulated || self.chaos.dead {
            return;
        }
        let told = self
            .heads
            .iter()
            .filter(|(name, _)| !self.chaos.is_deaf(name));
        let running = told.filter_map(|(_, head)| Some(head.run.as_ref()?.intent.clone()));
        for intent in running.collect::<Vec<_>>() {
            self.may_run(&intent);
        }
    }

    fn may_run(&mut self, intent: &Intent) {
        let (id, line) = (intent.id, &intent.line);
        if intent.into == Destination::Tank {
            let is_out = self.chaos.outlets_out.contains(&intent.head);
            let wrong = is_out
                .then(|| format!("dose {} is given while the outlet is out of the tank", id.0));
            self.asserts(Rule::AtBench, id, wrong);
        }
        // Whoever holds a line and then takes its outlet out means the tank: guard/hold.rs.
        let scopes = match intent.into {
            Destination::Tank => vec![HoldScope::All, HoldScope::Line(line.clone())],
            Destination::Bench => vec![HoldScope::All],
        };
        for scope in scopes {
            let owed = self.chaos.owed.get(&scope);
            let is_held = owed.is_some_and(|owed| {
                // Its end is by the wall clock over a restart, which may be that much off and still be called right.
                let off = if owed.over_restart { WRONG } else { 0 };
                owed.until
                    .is_none_or(|until| self.now.plus(Millis::new(off)) < until)
            });
            let wrong =
                is_held.then(|| format!("dose {} runs although its owner holds {scope:?}", id.0));
            self.asserts(Rule::HoldStops, id, wrong);
        }
        if self.wet {
            for (rule, wrong) in self.contacts_allow(intent) {
                self.asserts(rule, id, wrong);
            }
        }
    }

    fn contacts_allow(&self, intent: &Intent) -> Vec<(Rule, Option<String>)> {
        let shown = self.chaos.contacts.iter();
        let looked = shown.filter_map(|(name, (says, since))| {
            let input = self.controller.inputs.get(name)?;
            let blocks = match &input.blocks {
                Blocks::All => true,
                Blocks::Lines(lines) => lines.contains(&intent.line),
            };
            let counts = since.plus(input.trip_after).plus(SEEN_WITHIN);
            let stops = blocks && *says != Some(true) && self.now >= counts;
            let rule = match input.role {
                InputRole::ReservoirFloat(_) => Rule::EmptyMeansStop,
                _ => Rule::InputStops,
            };
            let id = intent.id.0;
            let wrong = stops
                .then(|| format!("dose {id} runs, and {name} has shown {says:?} since {since}"));
            Some((rule, wrong))
        });
        looked.collect()
    }
}
