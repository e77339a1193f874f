//! From the plan's slots to doses: due, waiting for a gap, missed, refused. Nothing is ever made up for.

use super::alarms::AlarmCode;
use super::dose::Cause;
use super::effect::Denial;
use super::event::Now;
use super::state::{Engine, WaitingSlot};
use crate::guard::{Refusal, Request, judge};
use crate::plan::{DailyVolumes, Slot};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseKind, Entry, NotGiven, OutageMissed, SlotNotGiven, Who};
use jiff::Timestamp;

impl Engine {
    /// Looks at every slot that came due since the last look, then again at those that wait.
    pub(super) fn due_slots(&mut self, now: Now) {
        if self.stopping {
            return;
        }
        if self.clock.unsure.is_some() {
            self.give_up_waiting(now);
            return;
        }
        if now.wall > self.slots.cursor {
            let daily = self.daily_volumes();
            let lateness_max = self.controller().times.slot_lateness_max;
            // What is older than this cannot be given any more; a long gap is one row a line, not a row a slot.
            let missed_until = shift(now.wall, lateness_max);
            if missed_until > self.slots.cursor {
                self.slots_lost(self.slots.cursor, missed_until, now);
            }
            let fresh_from = self.slots.cursor.max(missed_until);
            let due = match self.in_force.schedule.between(fresh_from, now.wall, &daily) {
                Ok(slots) => {
                    self.clear(AlarmCode::PlanUnplaceable, "", now);
                    slots
                }
                Err(error) => {
                    // The check at load looks 400 days ahead; a plan in force for longer can still meet such a day.
                    self.raise(
                        AlarmCode::PlanUnplaceable,
                        "",
                        format!("today's slots cannot be placed, so none is given: {error}"),
                        now,
                    );
                    Vec::new()
                }
            };
            let before = std::mem::replace(&mut self.slots.cursor, now.wall);
            for slot in due {
                self.slot_due(slot, now);
            }
            self.forget_old_keys(before, now);
        }
        self.try_waiting(now);
    }

    fn slot_due(&mut self, slot: Slot, now: Now) {
        if self.slots.settled.contains(&slot.key) {
            return;
        }
        let give_up = now.elapsed.plus(self.controller().times.slot_wait_max);
        self.slots.waiting.push(WaitingSlot {
            slot,
            give_up,
            retry_at: Some(now.elapsed),
        });
    }

    /// While nothing can be tried: what is on hold or has waited long enough does not wait on.
    fn give_up_waiting(&mut self, now: Now) {
        for waiting in std::mem::take(&mut self.slots.waiting) {
            if waiting.give_up < now.elapsed {
                self.waited_too_long(waiting.slot, now);
            } else if self.holds.on(&waiting.slot.key.line).is_empty() {
                self.slots.waiting.push(waiting);
            } else {
                let denial = Denial::new("held", "the line was put on hold while this dose waited");
                self.slot_not_given(waiting.slot, NotGiven::Refused, &denial, now);
            }
        }
    }

    /// Nobody looked in time (a suspend, a stall, an unsure clock): late is never made up for.
    fn waited_too_long(&mut self, slot: Slot, now: Now) {
        let max = self.controller().times.slot_wait_max;
        let denial = Denial::new(
            "waited-too-long",
            format!("it could not be given within {max}"),
        );
        self.slot_not_given(slot, NotGiven::Missed, &denial, now);
    }

    /// Slots that wait are dropped, each with its record.
    pub(super) fn drop_waiting(&mut self, kind: NotGiven, denial: &Denial, now: Now) {
        for waiting in std::mem::take(&mut self.slots.waiting) {
            self.slot_not_given(waiting.slot, kind, denial, now);
        }
    }

    /// Elapsed time at which a waiting slot wants to be looked at.
    pub(super) fn next_waiting_look(&self) -> Option<Millis> {
        let unsure = self.clock.unsure.is_some();
        let look = |w: &WaitingSlot| {
            if unsure {
                Some(w.give_up.plus(Millis::new(1)))
            } else {
                w.retry_at
            }
        };
        self.slots.waiting.iter().filter_map(look).min()
    }

    fn try_waiting(&mut self, now: Now) {
        for mut waiting in std::mem::take(&mut self.slots.waiting) {
            if waiting.give_up < now.elapsed {
                self.waited_too_long(waiting.slot, now);
                continue;
            }
            if waiting.retry_at.is_some_and(|at| at > now.elapsed)
                && self.holds.on(&waiting.slot.key.line).is_empty()
            {
                self.slots.waiting.push(waiting);
                continue;
            }
            match self.try_slot(&waiting.slot, now) {
                Ok(()) => {}
                Err(refusal) => match refusal.until().filter(|until| *until <= waiting.give_up) {
                    Some(until) => {
                        waiting.retry_at = Some(until.max(now.elapsed.plus(Millis::new(1))));
                        self.slots.waiting.push(waiting);
                    }
                    None => self.refuse_slot(waiting.slot, refusal, now),
                },
            }
        }
    }

    fn try_slot(&mut self, slot: &Slot, now: Now) -> Result<(), Refusal> {
        let line = slot.key.line.clone();
        let permit = {
            let request = Request {
                id: self.books.next_dose_id(),
                line: &line,
                volume: slot.volume,
                kind: DoseKind::Plan,
                timed: None,
                into: self.destination(&line, DoseKind::Plan),
            };
            let Some(facts) = self.facts(&line, now) else {
                return Ok(());
            };
            judge(&request, &facts, now.elapsed)?
        };
        let cause = Cause {
            kind: DoseKind::Plan,
            timed: false,
            slot: Some(slot.key.clone()),
            who: Who::Plan,
            ticket: None,
        };
        self.begin(permit, cause, now);
        Ok(())
    }

    fn refuse_slot(&mut self, slot: Slot, refusal: Refusal, now: Now) {
        let denial = Denial::from(&refusal);
        let line = slot.key.line.clone();
        self.slot_not_given(slot, NotGiven::Refused, &denial, now);
        self.lines.entry(line).or_default().last_refusal = Some((refusal, now.wall));
    }

    /// Writes down that a slot was not given; its key is settled with that.
    pub(super) fn slot_not_given(&mut self, slot: Slot, kind: NotGiven, denial: &Denial, now: Now) {
        self.slots.settled.insert(slot.key.clone());
        self.mark_written(now);
        let entry = SlotNotGiven {
            key: slot.key,
            due: slot.at,
            volume: slot.volume,
            kind,
            reason: denial.text.clone(),
            code: denial.code.clone(),
            at: self.stamp(now),
        };
        self.store(Entry::SlotNotGiven(entry), None);
    }

    fn planned_lines(&self) -> Vec<Name> {
        let lines = self.in_force.plan.lines.iter();
        lines.map(|l| l.line.clone()).collect()
    }

    /// Writes down, a row a line, what was missed after `from` up to `until`.
    fn slots_lost(&mut self, from: Timestamp, until: Timestamp, now: Now) {
        let at = self.stamp(now);
        let lines = self.planned_lines();
        let daily = self.daily_volumes();
        let mut total = 0_u32;
        for line in lines {
            // What gives nothing at present has missed nothing: a line that waits for a changeover, one that it has faded out.
            if daily.get(&line).is_none_or(|v| *v <= Volume::ZERO) {
                continue;
            }
            let counted = self
                .in_force
                .schedule
                .count_between(&line, from, until, &daily);
            if counted.is_some_and(|(slots, _)| slots == 0) {
                continue;
            }
            let (slots, volume) = counted.unzip();
            total = total.saturating_add(slots.unwrap_or(1));
            self.mark_written(now);
            self.store(
                Entry::OutageMissed(OutageMissed {
                    line,
                    from,
                    until,
                    slots,
                    volume,
                    at,
                }),
                None,
            );
        }
        if total > 0 {
            self.raise_missed(total, from, until, now);
        }
    }

    /// When the clock becomes trusted: what lies between the last known moment and now was missed.
    pub(super) fn slots_lost_in_outage(&mut self, now: Now) {
        if self.clock.newest.is_none() {
            // Nothing was ever written, so nothing was missed, whatever the clock showed before it was set.
            self.slots.cursor = now.wall;
            return;
        }
        if now.wall > self.slots.cursor {
            self.slots_lost(self.slots.cursor, now.wall, now);
            self.slots.cursor = now.wall;
        }
    }

    /// Keys of three local days are enough: no slot of an older day can come due while the clock is trusted.
    fn forget_old_keys(&mut self, before: Timestamp, now: Now) {
        let today = self.in_force.local_date(now.wall);
        if self.in_force.local_date(before) == today {
            return;
        }
        if let Ok(oldest) = today.checked_sub(jiff::Span::new().days(3)) {
            self.slots.settled.retain(|key| key.date >= oldest);
        }
    }

    /// Elapsed time at which the next slot comes due, if the clock is trusted.
    pub(super) fn next_slot_at(&mut self, now: Now) -> Option<Millis> {
        if self.clock.unsure.is_some() || self.stopping {
            return None;
        }
        let daily = self.daily_volumes();
        // Not from now on: what fell due since the last look is wanted at once.
        let slot = self
            .in_force
            .schedule
            .next_after(self.slots.cursor, &daily)?;
        Some(
            now.elapsed.plus(Millis::new(
                slot.at
                    .as_millisecond()
                    .saturating_sub(now.wall.as_millisecond()),
            )),
        )
    }

    /// The next slot of each line after now, with the volumes in force.
    pub(super) fn next_slots(&mut self, now: Now) -> Vec<Slot> {
        let daily = self.daily_volumes();
        let from = self.slots.cursor.max(now.wall);
        let lines = self.planned_lines();
        lines
            .iter()
            .filter_map(|line| self.in_force.schedule.next_of_line(line, from, &daily))
            .collect()
    }

    /// The hourly limits follow the busiest hour of what is planned.
    pub(super) fn follow_hours(&mut self, now: Now) {
        let of = (self.in_force.local_date(now.wall), self.planned_volumes());
        self.in_force.follow_hours(of);
    }

    /// Volumes per day in force: those of plan and courses, with the share applied that the limits on the water leave.
    pub(super) fn daily_volumes(&self) -> DailyVolumes {
        self.limited(self.planned_volumes())
    }

    /// What is in force of a day's volumes.
    pub(super) fn limited(&self, mut daily: DailyVolumes) -> DailyVolumes {
        for planned in &self.in_force.plan.lines {
            let share = self.share_in_force(&planned.line);
            if (share - 1.0).abs() >= f64::EPSILON
                && let Some(volume) = daily.get_mut(&planned.line)
            {
                *volume = volume.scaled(share).unwrap_or(Volume::ZERO);
            }
        }
        daily
    }
}

fn shift(wall: Timestamp, by: Millis) -> Timestamp {
    Timestamp::from_millisecond(wall.as_millisecond().saturating_sub(by.as_ms()))
        .unwrap_or(Timestamp::MIN)
}
