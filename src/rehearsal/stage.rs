//! The loop: from one event to the next.

use std::collections::BTreeMap;

use super::world::{Coming, World};
use crate::chemistry::Quantity;
use crate::engine::Event;
use crate::quantity::Millis;
use crate::shell::{Core, Hands, MustEnd};

/// The engine is looked after at least this often, for what only time changes.
const LOOK_EVERY: Millis = Millis::HOUR;
/// Events at one moment that no plan needs.
const AT_ONCE_MAX: u32 = 2_000;

/// The whole of one run.
pub(super) struct Stage {
    pub(super) core: Core<()>,
    pub(super) world: World,
    pub(super) targets: BTreeMap<Quantity, f64>,
}

impl Stage {
    /// What the engine decided when it was started.
    pub(super) fn started(&mut self) -> Result<(), MustEnd> {
        let end = self.core.go_on(&mut self.world);
        let end = end.and(self.answers());
        self.world.look();
        self.limits();
        end
    }

    /// What a new process finds outside: contacts, and whether anybody tells the time.
    pub(super) fn tell_outside(&mut self) -> Result<(), MustEnd> {
        if self.world.time_told_at > self.world.now {
            let why = "the kernel does not say that it is synchronised".to_owned();
            self.feed(Event::ClockUnknown { why })?;
            self.world.later(self.world.time_told_at, Coming::Time);
        }
        let bottles: Vec<_> = self.world.bottles.keys().cloned().collect();
        for bottle in bottles {
            // A new process has not seen it dry.
            if let Some(bottle) = self.world.bottles.get_mut(&bottle) {
                bottle.dry = None;
            }
            self.world.tell_float(&bottle);
        }
        Ok(())
    }

    /// What is in force and hangs on more than the files.
    fn limits(&mut self) {
        for line in &self.world.controller.lines {
            let cap = self.core.engine.hourly_cap(line);
            if self.world.hourly_caps.get(&line.name) != Some(&cap) {
                self.world.hourly_caps.insert(line.name.clone(), cap);
            }
        }
    }

    /// One day of 24 h, with a visit of the owner.
    pub(super) fn day(
        &mut self,
        visit: Millis,
        mut visited: impl FnMut(&mut Self) -> Result<(), MustEnd>,
    ) -> Result<(), MustEnd> {
        let begin = self.world.day();
        let end = Millis::new(begin.saturating_add(1).saturating_mul(Millis::DAY.as_ms()));
        // An hour of the clock may be gone by a change of the zone's.
        self.until(visit.clamp(self.world.now, end))?;
        visited(self)?;
        self.until(end)
    }

    pub(super) fn until(&mut self, end: Millis) -> Result<(), MustEnd> {
        let (mut at_once, mut last) = (0_u32, self.world.now);
        loop {
            let wanted = self.core.engine.next_deadline(self.world.now());
            let wanted = wanted.plus(self.world.booted);
            let coming = self.world.coming.keys().next().map(|(at, _)| *at);
            let look = self.world.now.plus(LOOK_EVERY);
            #[cfg(test)]
            let (look, end) = self.world.looks(look, end);
            let next = wanted
                .min(look)
                .min(coming.unwrap_or(look))
                .max(self.world.now);
            if next >= end {
                self.pass(end);
                return Ok(());
            }
            at_once = if next == last {
                at_once.saturating_add(1)
            } else {
                0
            };
            if at_once > AT_ONCE_MAX {
                let why =
                    format!("{AT_ONCE_MAX} events at one moment: the engine turns on the spot");
                return Err(MustEnd { why });
            }
            last = next;
            self.pass(next);
            let event = if coming.is_some_and(|at| at <= next) {
                self.world.happens()
            } else {
                Some(Event::Tick)
            };
            if let Some(event) = event {
                self.feed(event)?;
            }
        }
    }

    pub(super) fn pass(&mut self, until: Millis) {
        self.world.now = until;
        self.world.water.pass(until);
    }

    pub(super) fn feed(&mut self, event: Event) -> Result<(), MustEnd> {
        let world = &mut self.world;
        world.events = world.events.saturating_add(1);
        let now = world.now.as_ms();
        world.digest.add(format_args!("{now} {event:?}"));
        #[cfg(test)]
        world.chaos.hears(now, &event);
        #[cfg(test)]
        world.may_be_misled();
        let end = self.core.feed(event, world);
        self.limits();
        let end = end.and(self.answers());
        self.world.look();
        end
    }

    /// Nothing runs any more, and the last word is written.
    pub(super) fn close(&mut self, how: &str) -> Result<(), MustEnd> {
        while self.world.heads.values().any(|head| head.run.is_some()) {
            self.until(self.world.now.plus(Millis::from_secs(2)))?;
        }
        self.core.last_words(how, &mut self.world)
    }

    /// What the ledger and the hold file have to say.
    pub(super) fn answers(&mut self) -> Result<(), MustEnd> {
        let mut end = Ok(());
        loop {
            let report = self.world.reports.borrow_mut().pop_front();
            if let Some(report) = report {
                self.world.reported(&report);
                if !report.tell(&mut self.core.desk) {
                    return end;
                }
            } else if let Some((number, written)) = self.world.holds_written.pop_front() {
                self.core.desk.holds_written(number, &written);
            } else {
                return end;
            }
            end = end.and(self.core.go_on(&mut self.world));
        }
    }
}
