//! Books that may have forgotten doses: a ledger that was lost, replaced or restored.
//!
//! Nothing was given since that was written down, but the day before it may have had all that the caps allow. So each line counts as having
//! given its whole daily cap at that moment, with everything that this carries, and the windows do the rest: nothing is free for 24 h of
//! elapsed time, over every restart in between.

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::guard::Counted;
use crate::quantity::Millis;
use crate::record::{Carried, Destination, DoseId, DoseKind};

impl Engine {
    /// When it was found out, at the latest; `None` when that can no longer count.
    fn forgotten_at(&self, now: Now) -> Option<Millis> {
        let forgotten = self.forgotten.as_ref()?;
        let age = self.age_since(forgotten.session?, forgotten.record.at, now);
        Some(now.elapsed.minus(age.unwrap_or(Millis::ZERO)))
    }

    /// Until when the caps count as full.
    pub(super) fn forgets_until(&self, now: Now) -> Option<Millis> {
        let until = self.forgotten_at(now)?.plus(Millis::DAY);
        (until > now.elapsed).then_some(until)
    }

    pub(super) fn count_forgotten(&mut self, now: Now) {
        let Some(at) = self.forgotten_at(now) else {
            return;
        };
        for (id, line) in stand_ins().zip(&self.in_force.controller.lines) {
            let Some(solution) = self.in_force.controller.solution_of(&line.name) else {
                continue;
            };
            // Which of its solutions it was may be forgotten, too: the strongest in each quantity counts.
            let mut carries = Carried::new();
            for held in self.in_force.controller.may_give(line) {
                for (of, amount) in held
                    .effect
                    .carried(line.daily_cap, self.in_force.controller.tank)
                {
                    let most = carries.entry(of).or_insert(amount);
                    *most = amount.max(*most);
                }
            }
            self.books.window.add(Counted {
                id,
                line: line.name.clone(),
                head: line.head.clone(),
                reservoir: line.reservoir.clone(),
                solution: solution.name.clone(),
                kind: DoseKind::Plan,
                volume: line.daily_cap,
                carries,
                into: Destination::Tank,
                began: at,
                ended: Some(at),
                due: at,
            });
        }
    }

    /// The clock has become trusted, and may prove that it is longer ago.
    pub(super) fn age_forgotten(&mut self, now: Now) {
        let Some(at) = self.forgotten_at(now) else {
            return;
        };
        for (id, _) in stand_ins().zip(&self.in_force.controller.lines) {
            self.books.window.update(id, |counted| {
                (counted.began, counted.ended, counted.due) = (at, Some(at), at);
            });
        }
    }

    pub(super) fn watch_forgotten(&mut self, now: Now) {
        let why = self.forgotten.as_ref().map(|f| f.record.why.clone());
        let cause = self.forgets_until(now).zip(why).map(|(until, why)| {
            let left = until.minus(now.elapsed);
            format!(
                "the ledger may have forgotten doses ({why}), so each line's daily cap counts as full, for another {left}; the hold that came with it says what to do"
            )
        });
        self.alarm_if(AlarmCode::BooksForgotten, "", cause, now);
    }
}

/// Numbers that no dose will have, one for each line; those below zero are of additions by hand.
fn stand_ins() -> impl Iterator<Item = DoseId> {
    (0..).map(|number: i64| DoseId(i64::MAX.saturating_sub(number)))
}
