//! What was added by hand: it moves the predicted levels and counts in the windows like a dose of its time. It is found anew from what is
//! told, so that a correction leaves nothing behind.

use jiff::Timestamp;

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::chemistry::Quantity;
use crate::guard::{Counted, uptake_counted};
use crate::quantity::Millis;
use crate::record::{Addition, Observed};

/// No window reaches back further.
const WINDOW: Millis = Millis::from_mins(25 * 60);

impl Engine {
    /// Where a time that was told lies on the elapsed clock; what is told while the clock is not trusted counts as of now.
    pub(super) fn given_at(&self, happened: Timestamp, now: Now) -> Millis {
        if self.clock.unsure.is_some() {
            return now.elapsed;
        }
        now.elapsed_at(happened).min(now.elapsed)
    }

    /// Additions that the ledger knows. Their age is not known before the clock is.
    pub(super) fn take_additions(&mut self, now: Now) {
        let additions = self
            .told
            .values()
            .filter(|told| told.what.added().is_some());
        self.by_hand = additions.map(|told| (told.number, None)).collect();
        self.count_by_hand(now);
    }

    /// The clock is trusted: now it can be said when they were given. One that was told by a clock that was not counts from the start on.
    pub(super) fn anchor_additions(&mut self, now: Now) {
        let started = self.clock.started.elapsed;
        for (number, given) in self.by_hand.iter_mut().filter(|(_, given)| given.is_none()) {
            let told = self.told.get(number).filter(|told| told.at.trusted);
            let at = told.map(|told| now.elapsed_at(told.happened).min(now.elapsed));
            *given = Some(at.unwrap_or(started));
        }
        self.added_by_hand(now);
    }

    /// Something was added by hand, or that was corrected or taken back.
    pub(super) fn added_by_hand(&mut self, now: Now) {
        self.by_hand
            .retain(|number, _| self.told.contains_key(number));
        self.count_by_hand(now);
        self.touch_all_lines();
        self.follow_ramp(now);
        self.watch_by_hand(now);
    }

    fn count_by_hand(&mut self, now: Now) {
        self.window.forget_by_hand();
        for (number, given) in &self.by_hand {
            let Some(told) = self.told.get(number) else {
                continue;
            };
            let Observed::Addition(Addition { from, adds }) = &told.what else {
                continue;
            };
            // Time can only have gone on since the newest word with a trusted clock: no addition is younger than that says.
            let newest = self.clock.newest.unwrap_or(told.happened);
            let long_ago = Millis::new(
                newest
                    .as_millisecond()
                    .saturating_sub(told.happened.as_millisecond()),
            );
            let at = match given {
                Some(at) => *at,
                None if told.at.trusted && long_ago > WINDOW => continue,
                None => now.elapsed,
            };
            if now.elapsed.minus(at) < WINDOW {
                let solution = from.as_ref().map(|(solution, _)| solution);
                self.window
                    .add(Counted::by_hand(*number, solution, adds.clone(), at));
            }
        }
    }

    /// What was added by hand of a quantity since a moment; of one whose time is not known, all.
    pub(super) fn by_hand_since(&self, of: &Quantity, since: Millis) -> f64 {
        let given = self
            .by_hand
            .iter()
            .filter(|(_, given)| given.is_none_or(|at| at >= since));
        let adds = given.filter_map(|(number, _)| self.told.get(number)?.what.added()?.get(of));
        adds.sum()
    }

    /// What was added by hand is never refused; above the limit of a day it is an alarm.
    pub(super) fn watch_by_hand(&mut self, now: Now) {
        let since = now.elapsed.minus(Millis::DAY);
        for (of, facts) in self.water_facts(now) {
            let added = |by_hand: bool| -> f64 {
                let counted = self
                    .window
                    .iter()
                    .filter(|d| d.began > since && d.is_in_tank() && (d.is_by_hand() || !by_hand));
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
