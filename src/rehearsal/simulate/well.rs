//! The owner puts right what can be, and all goes on as it should.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::machine::Machine;
use super::plan::Fault;
use crate::chemistry::Quantity;
use crate::engine::{Command, Event, Status};
use crate::quantity::{Millis, Name};
use crate::record::HoldScope;
use crate::rehearsal::found::LineFound;
use crate::rehearsal::owner::{full, reading, status};
use crate::rehearsal::watch::Rule;
use crate::shell::Hands;

/// A run is shorter than that, so no clock that was ahead settled more.
const SETTLED_DAYS_MAX: u32 = 70;

impl Machine {
    /// What anybody would see to. `all` leaves nothing undone.
    pub(super) fn put_right(&mut self, all: bool) {
        if all {
            self.stage.world.chaos.due.clear();
            self.stage.world.chaos.at_start = None;
            self.stage.world.chaos.at_write = None;
            self.stage.world.chaos.next_run = None;
            self.stage.world.chaos.hold_file_fails = false;
            self.stage.world.chaos.contacts.clear();
            self.no_source = Millis::ZERO;
            self.disk_well();
            self.feed(Event::UnderVoltage(false));
            self.clock_fault(Fault::Synced);
            self.hold_file_well();
            self.tell_contacts();
            for number in 0..self.stage.world.controller.lines.len() {
                if !self.is_running(number) {
                    self.tube(&self.head(number), 100);
                }
                self.people(Fault::OutletBack(number));
            }
        }
        self.put_clock_right();
        if !self.stage.world.wet && self.stage.world.keeper.is_some() {
            self.arm();
        }
        let known = status(&mut self.stage);
        self.tell_bottles_and_heads(&known, all);
    }

    pub(super) fn put_clock_right(&mut self) {
        let known = status(&mut self.stage);
        if known.clock.trusted {
            return;
        }
        let ahead = self.stage.world.ahead;
        if ahead != Millis::ZERO {
            self.step(Millis::ZERO.minus(ahead));
        }
        let vouched = self.ask(Command::TrustClock {});
        if let Some(Err(denial)) = &vouched
            && denial.code == "clock-behind"
        {
            let wall = self.stage.world.now().wall.as_millisecond();
            let day = Millis::DAY.as_ms();
            let time = |ms| Timestamp::from_millisecond(ms).unwrap();
            let (from, to) = (time(wall + 60_000), time(wall + 5_000 * day));
            let told = self.ask(Command::ClockWrong { from, to });
            if told.is_some_and(|told| told.is_ok()) {
                self.stage.world.chaos.met("times called wrong");
                self.start_again();
                self.ask(Command::TrustClock {});
            }
        }
        let by = status(&mut self.stage).clock;
        self.stage.world.chaos.vouched |= by.trusted;
    }

    pub(super) fn tell_bottles_and_heads(&mut self, known: &Status, all: bool) {
        for bottle in &known.reservoirs {
            let low = bottle.left.is_none() || (all && bottle.days_left < Some(20.0));
            let silent = self.stage.world.bottles.get(&bottle.name);
            let off = silent.is_some_and(|b| b.holds < b.booked.scaled(0.9).unwrap());
            if low || off {
                let told = self.ask(Command::Refill(full(&bottle.name)));
                if told.is_some_and(|told| told.is_ok()) {
                    if let Some(bottle) = self.stage.world.bottles.get_mut(&bottle.name) {
                        bottle.holds = bottle.capacity;
                    }
                    self.stage.world.tell_float(&bottle.name);
                }
            }
        }
        for head in &known.heads {
            if head.rate.is_none() || all {
                self.calibrate(&head.name);
            }
        }
        if all || self.stage.world.told.is_empty() {
            let of = Quantity::Alkalinity;
            let truth = self.stage.world.water.levels[&of].now();
            self.ask(reading(&of, (truth, 0.1), true));
        }
    }

    /// Safety comes first; then all is well again, and an ordinary day must be dosed in full. It comes after so many days, and after those whose
    /// slots a clock that was ahead has settled already.
    pub(super) fn lives_on(&mut self, days: u32) {
        for day in 1..=days + SETTLED_DAYS_MAX {
            self.begin_well();
            let begin = self.stage.world.wall();
            // One that is planned for this very moment met heads at the bench.
            let after = begin + SignedDuration::from_millis(1);
            let coming = after..begin + SignedDuration::from_hours(24);
            let mut settled = self.stage.world.chaos.settled.range(coming);
            let is_ordinary = day >= days && settled.next().is_none();
            let before = self.stage.world.lines.clone();
            self.until(self.now().plus(Millis::DAY));
            if self.stage.world.watch.count() > 0 {
                return;
            }
            if is_ordinary {
                self.was_dosed(&before);
                return;
            }
        }
        let wrong = "no ordinary day came".to_owned();
        self.asserts(Rule::LivesOn, Some(wrong));
    }

    fn begin_well(&mut self) {
        for (of, level) in &mut self.stage.world.water.levels {
            let target = self.stage.targets.get(of).copied().unwrap_or_default();
            level.start += target - level.now();
        }
        self.put_right(true);
        self.ask(Command::Acknowledge { code: None });
        for hold in status(&mut self.stage).holds {
            let scope = hold.scope();
            self.ask(Command::Resume { scope });
        }
        self.ask(Command::Resume {
            scope: HoldScope::All,
        });
    }

    fn was_dosed(&mut self, before: &BTreeMap<Name, LineFound>) {
        for (line, now) in self.stage.world.lines.clone() {
            let was = before.get(&line).cloned().unwrap_or_default();
            let doses = now.doses - was.doses;
            let lacks = now.not_given - was.not_given;
            let fails = lacks > 0 || doses == 0;
            let wrong = fails.then(|| {
                let why = self.stage.world.refusals.clone();
                let alarms = status(&mut self.stage).alarms;
                format!(
                    "on an ordinary day line {line} gave {doses} doses and {lacks} were not given; {why:?}; {alarms:?}"
                )
            });
            self.asserts(Rule::LivesOn, wrong);
        }
    }
}
