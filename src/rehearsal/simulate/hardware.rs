//! Clocks, heads and contacts.

use super::chaos::NextRun;
use super::machine::{AGAIN, Machine};
use super::people::{part_of, share};
use super::plan::Fault;
use super::sabotage::Sabotage;
use crate::config::InputRole;
use crate::engine::{Event, TrustSource};
use crate::quantity::{Millis, Name, Volume};
use crate::record::HoldScope;
use crate::rehearsal::owner::status;

/// A contact bounces for this long, this often.
const BOUNCES: i64 = 14;
const BOUNCE_EVERY: Millis = Millis::from_secs(2);

impl Machine {
    pub(super) fn clock_fault(&mut self, fault: Fault) {
        match fault {
            Fault::Step(by) => self.step(by),
            Fault::NoSource(lasts) => {
                self.no_source = self.now().plus(lasts);
                self.synced = false;
            }
            Fault::WrongTime(by) => {
                self.synced = true;
                self.step(by);
            }
            Fault::Synced if self.now() < self.no_source => {
                let wait = self.no_source.minus(self.now());
                self.later(wait, Fault::Synced);
            }
            Fault::Synced => {
                self.synced = true;
                let ahead = self.stage.world.ahead;
                self.step(Millis::ZERO.minus(ahead));
                self.tell_clock();
            }
            Fault::Look => self.tell_clock(),
            _ => {}
        }
    }

    pub(super) fn step(&mut self, by: Millis) {
        let status = status(&mut self.stage);
        let world = &mut self.stage.world;
        let (least, most) = (Millis::from_mins(-1_500_000), Millis::from_mins(5_000_000));
        let ahead = world.ahead.plus(by).clamp(least, most);
        let by = ahead.minus(world.ahead);
        world.ahead = ahead;
        let max = world.controller.times.clock_step_max;
        let far = by.as_ms().abs() > max.as_ms();
        self.feed(Event::Tick);
        if far && status.clock.trusted && !self.stage.world.chaos.dead {
            self.owes(HoldScope::All, None, true);
        }
        let look = self.now().plus(AGAIN);
        self.stage.world.chaos.due.push((look, Fault::Look));
    }

    /// What the daemon finds at its look at the kernel's clock.
    pub(super) fn tell_clock(&mut self) {
        if self.synced || self.is(Sabotage::AlwaysTrusted) {
            self.stage.world.chaos.vouched |= self.synced;
            self.feed(Event::ClockKnown(TrustSource::Kernel));
        } else {
            let why = "the kernel does not say that it is synchronised".to_owned();
            self.feed(Event::ClockUnknown { why });
        }
    }

    pub(super) fn hardware_fault(&mut self, fault: Fault) {
        let now = self.now();
        match fault {
            Fault::Late(by) => self.stage.world.chaos.next_run = Some(NextRun::Late(by)),
            Fault::Stuck(by) => self.stage.world.chaos.next_run = Some(NextRun::Stuck(by)),
            Fault::Hangs => self.stage.world.chaos.next_run = Some(NextRun::Hangs),
            Fault::Tube(number, _) if self.is_running(number) => {
                self.later(Millis::from_mins(2), fault);
            }
            Fault::Tube(number, percent) => self.tube(&self.head(number), percent),
            Fault::Contact(number, says, lasts) => {
                self.show_contact(number, says);
                self.later(lasts, Fault::ContactWell(number));
            }
            Fault::ContactWell(number) => {
                if let Some(name) = self.contact(number) {
                    self.stage.world.chaos.contacts.remove(&name);
                    self.tell_contacts();
                }
            }
            Fault::Bounce(number) => {
                for bounce in 0..BOUNCES {
                    let after = Millis::new(BOUNCE_EVERY.as_ms() * bounce);
                    let says = (bounce % 2 == 0).then_some(false).or(Some(true));
                    self.later(after, Fault::Contact(number, says, BOUNCE_EVERY));
                }
            }
            Fault::UnderVoltage(lasts) => {
                self.feed(Event::UnderVoltage(true));
                self.later(lasts, Fault::SupplyWell);
            }
            Fault::SupplyWell => self.feed(Event::UnderVoltage(false)),
            Fault::Bottle(number, percent) => {
                let name = self.line(number);
                let line = self.stage.world.controller.line(&name);
                let Some(bottle) = line.map(|line| line.reservoir.clone()) else {
                    return;
                };
                if let Some(known) = self.stage.world.bottles.get_mut(&bottle) {
                    let left = known.booked.scaled(share(percent)).unwrap();
                    known.holds = known.holds.min(left.or_zero());
                }
                self.stage.world.tell_float(&bottle);
            }
            _ => {}
        }
        debug_assert!(self.now() >= now);
    }

    pub(super) fn tube(&mut self, head: &Name, percent: i64) {
        let simulated = &self.stage.world.controller.heads[head].simulated;
        let (rate, offset) = (simulated.rate, simulated.offset);
        let Some(head) = self.stage.world.heads.get_mut(head) else {
            return;
        };
        // One that runs backwards gives the tank nothing.
        head.truth.rate = part_of(rate, percent.max(0));
        head.truth.offset = if percent > 0 { offset } else { Volume::ZERO };
    }

    pub(super) fn show_contact(&mut self, number: usize, says: Option<bool>) {
        let Some(name) = self.contact(number) else {
            return;
        };
        let role = &self.stage.world.controller.inputs[&name].role;
        // A float that sticks at safe cannot be known.
        let says = says.filter(|_| !matches!(role, InputRole::ReservoirFloat(_)));
        let now = self.now();
        let contacts = &mut self.stage.world.chaos.contacts;
        let known = contacts.entry(name.clone()).or_insert((says, now));
        if known.0 != says {
            *known = (says, now);
        }
        let (input, safe) = (name, says);
        self.feed(Event::Input { input, safe });
    }

    pub(super) fn tell_contacts(&mut self) {
        for input in self.stage.world.controller.inputs.clone().into_values() {
            let shown = self.stage.world.chaos.contacts.get(&input.name);
            let truth = match &input.role {
                InputRole::ReservoirFloat(bottle) => {
                    let bottle = self.stage.world.bottles.get(bottle);
                    bottle.is_none_or(|bottle| bottle.dry.is_none())
                }
                _ => true,
            };
            let safe = shown.map_or(Some(truth), |(says, _)| *says);
            let input = input.name;
            self.feed(Event::Input { input, safe });
        }
    }
}
