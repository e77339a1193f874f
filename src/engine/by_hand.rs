//! What was added by hand: it moves the predicted levels and counts in the windows like a dose of its time. It is found anew from what is
//! told, so that a correction leaves nothing behind.

use std::sync::Arc;

use jiff::Timestamp;

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::guard::{Counted, uptake_counted};
use crate::quantity::Millis;

impl Engine {
    /// Where a time that was told lies on the elapsed clock; what is told while the clock is not trusted counts as of now.
    pub(super) fn given_at(&self, happened: Timestamp, now: Now) -> Millis {
        if self.clock.unsure.is_some() {
            return now.elapsed;
        }
        now.elapsed_at(happened).min(now.elapsed)
    }

    /// The clock is trusted: now it can be said when they were given.
    pub(super) fn anchor_additions(&mut self, now: Now) {
        let started = self.clock.started.elapsed;
        self.told.anchor_additions(started, now);
        self.added_by_hand(now);
    }

    /// Something was added by hand, or that was corrected or taken back.
    pub(super) fn added_by_hand(&mut self, now: Now) {
        self.count_by_hand(now);
        self.touch_all_lines();
        self.follow_ramp(now);
        self.watch_by_hand(now);
    }

    pub(super) fn count_by_hand(&mut self, now: Now) {
        self.books.window.forget_by_hand();
        for counted in self.told.counted(self.clock.newest, now) {
            self.books.window.add(counted);
        }
    }

    /// What was added by hand is never refused; above the limit of a day it is an alarm.
    pub(super) fn watch_by_hand(&mut self, now: Now) {
        let since = now.elapsed.minus(Millis::DAY);
        let controller = Arc::clone(&self.in_force.controller);
        let is_by_hand = |d: &Counted| d.began > since && d.is_in_tank() && d.is_by_hand();
        if !self.books.window.iter().any(is_by_hand) {
            for of in controller.water.keys() {
                self.clear(AlarmCode::AddedByHand, of.as_str(), now);
            }
            return;
        }
        for (of, facts) in self.water_facts(now) {
            let added = |by_hand: bool| -> f64 {
                let counted =
                    self.books.window.iter().filter(|d| {
                        d.began > since && d.is_in_tank() && (d.is_by_hand() || !by_hand)
                    });
                counted.filter_map(|d| d.carries.get(&of)).sum()
            };
            let (by_hand, all) = (added(true), added(false));
            let limit = uptake_counted(&of, facts.uptake).unwrap_or(0.0) + facts.limits.max_rise;
            let cause = (by_hand > 0.0 && all > limit * (1.0 + 1e-9)).then(|| {
                format!(
                    "{} of {of} was added in 24 h, {} of it by hand; the limit is {}: nothing that carries it is given until there is room; test it, and add no more by hand",
                    of.amount(all),
                    of.amount(by_hand),
                    of.amount(limit)
                )
            });
            self.alarm_if(AlarmCode::AddedByHand, of.as_str(), cause, now);
        }
    }
}
