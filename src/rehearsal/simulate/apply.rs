//! Lives through a plan of faults, each when it is to come.

use super::coverage::kind_of;
use super::machine::Machine;
use super::plan::{Fault, Planned, When};
use crate::engine::{Answer, Command, Denial, Wish};
use crate::quantity::{Millis, Name};
use crate::record::{DoseId, HoldScope};
use crate::rehearsal::owner::Done;
use crate::rehearsal::watch::Rule;

/// Between the visits of the owner.
const VISIT_EVERY: Millis = Millis::DAY;

impl Machine {
    /// Lives through what is planned, and stops at the first rule that breaks.
    pub(super) fn live_through(&mut self, planned: &[Planned], end: Millis) {
        let mut planned = planned.iter().peekable();
        let mut visit = self.now().plus(Millis::HOUR);
        while self.now() < end && self.stage.world.watch.count() == 0 {
            let next = planned.peek().map_or(end, |next| next.at);
            self.until(next.min(visit).min(end));
            if self.now() >= visit {
                visit = self.now().plus(VISIT_EVERY);
                self.visit();
            }
            while let Some(next) = planned.next_if(|next| next.at <= self.now()) {
                self.stage.world.chaos.met(kind_of(&next.fault));
                self.meets(*next);
            }
        }
    }

    pub(super) fn meets(&mut self, planned: Planned) {
        let chaos = &mut self.stage.world.chaos;
        match planned.when {
            When::Then => self.apply(planned.fault),
            When::AtStart(after) => chaos.at_start = Some((after, planned.fault)),
            When::AtWrite { number, survives } => {
                chaos.at_write = Some((number, survives, planned.fault));
            }
        }
    }

    pub(super) fn until(&mut self, end: Millis) {
        loop {
            let went = self.stage.until(end.max(self.now()));
            self.settle(went);
            self.write_waiting();
            let now = self.now();
            let due = &mut self.stage.world.chaos.due;
            let next = due.iter().position(|(at, _)| *at <= now);
            if let Some(next) = next {
                let (_, fault) = due.remove(next);
                self.apply(fault);
            } else if self.stage.world.chaos.dead {
                // It died of something that is not to come any more.
                self.kill(Some(Millis::ZERO), Millis::from_secs(5));
            } else if now >= end || self.stage.world.watch.count() > 0 {
                return;
            }
        }
    }

    pub(super) fn line(&self, number: usize) -> Name {
        let lines = &self.stage.world.controller.lines;
        lines[number % lines.len()].name.clone()
    }

    pub(super) fn head(&self, number: usize) -> Name {
        let lines = &self.stage.world.controller.lines;
        lines[number % lines.len()].head.clone()
    }

    pub(super) fn is_running(&self, number: usize) -> bool {
        let head = self.stage.world.heads.get(&self.head(number));
        head.is_some_and(|head| head.run.is_some())
    }

    pub(super) fn contact(&self, number: usize) -> Option<Name> {
        let inputs = &self.stage.world.controller.inputs;
        inputs.keys().nth(number % inputs.len().max(1)).cloned()
    }

    pub(super) fn scope(&self, line: Option<usize>) -> HoldScope {
        line.map_or(HoldScope::All, |line| HoldScope::Line(self.line(line)))
    }

    pub(super) fn later(&mut self, after: Millis, fault: Fault) {
        let at = self.now().plus(after);
        self.stage.world.chaos.due.push((at, fault));
    }

    pub(super) fn done(&mut self, done: Done) -> Option<Result<Answer, Denial>> {
        match done {
            Ok(verdict) if !self.stage.world.chaos.dead => Some(verdict),
            Ok(_) => None,
            Err(end) => {
                self.settle(Err(end));
                None
            }
        }
    }

    pub(super) fn ask(&mut self, command: Command) -> Option<Result<Answer, Denial>> {
        if self.stage.world.chaos.dead {
            return None;
        }
        let done = self.keeper.ask(&mut self.stage, command);
        self.done(done)
    }

    pub(super) fn wish(&mut self, wish: Wish) -> Option<Result<Answer, Denial>> {
        let done = self.keeper.wish(&mut self.stage, wish);
        self.done(done)
    }

    pub(super) fn asserts(&mut self, rule: Rule, wrong: Option<String>) {
        let at = self.stage.world.wall();
        self.stage.world.watch.holds(at, rule, DoseId(0), wrong);
    }

    pub(super) fn apply(&mut self, fault: Fault) {
        match fault {
            Fault::PowerCut { off, shows } => self.power_cut(off, shows),
            Fault::Kill { hook, back } => self.kill(hook, back),
            _ if self.stage.world.chaos.dead => self.kill(Some(Millis::ZERO), Millis::from_secs(5)),
            Fault::Stop { back } => self.stop(back),
            Fault::Ledger(swap) => self.swap_ledger(swap),
            Fault::Step(_)
            | Fault::NoSource(_)
            | Fault::WrongTime(_)
            | Fault::Synced
            | Fault::Look => self.clock_fault(fault),
            Fault::Disk(..)
            | Fault::DiskWell
            | Fault::HoldFileTorn
            | Fault::HoldFileGone
            | Fault::HoldFileFails(_)
            | Fault::HoldFileWell => self.disk_fault(fault),
            Fault::Late(_)
            | Fault::Stuck(_)
            | Fault::Hangs
            | Fault::Tube(..)
            | Fault::Contact(..)
            | Fault::ContactWell(_)
            | Fault::Bounce(_)
            | Fault::UnderVoltage(_)
            | Fault::SupplyWell
            | Fault::Bottle(..) => self.hardware_fault(fault),
            Fault::Hold(..)
            | Fault::Resume(_)
            | Fault::Dose(..)
            | Fault::Slip(_)
            | Fault::Bench(..)
            | Fault::OutletBack(_)
            | Fault::Miscalibrated(..)
            | Fault::Plan(_)
            | Fault::Remote(_)
            | Fault::WaterChange(_) => self.people(fault),
        }
    }
}
