//! Holds: a stop that lasts. It takes effect here and now; writing it down comes after.

use super::alarms::AlarmCode;
use super::effect::{Answer, Effect, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::quantity::{Millis, Name};
use crate::record::{Entry, Hold, HoldChange, HoldScope, Who};

/// A hold that is wanted.
#[derive(Debug)]
pub(super) struct Stop {
    pub(super) scope: HoldScope,
    pub(super) reason: String,
    /// Until a resume when `None`.
    pub(super) length: Option<Millis>,
}

impl Engine {
    /// Stops a line or all until somebody resumes it.
    pub(super) fn set_hold(
        &mut self,
        scope: HoldScope,
        reason: String,
        who: Who,
        ticket: Option<Ticket>,
        now: Now,
    ) {
        let stop = Stop {
            scope,
            reason,
            length: None,
        };
        self.stop_for(stop, who, ticket, now);
    }

    /// Stops a line or all. A hold that says no more than one in force changes nothing but is answered all the same.
    pub(super) fn stop_for(&mut self, stop: Stop, who: Who, ticket: Option<Ticket>, now: Now) {
        let Stop {
            scope,
            reason,
            length,
        } = stop;
        // A stop is never refused: a length that is none, or too long, makes a hold without an end.
        let length = length.filter(|l| *l > Millis::ZERO && *l <= Hold::LENGTH_MAX);
        self.stop_scope(&scope, &reason);
        let end = length.map(|l| now.elapsed.plus(l));
        let text = match length {
            None => format!("{scope} on hold, until `{}`", scope.lifted_by()),
            Some(length) => format!(
                "{scope} on hold for {length}{}; it ends by itself, or sooner by `{}`",
                if self.clock.unsure.is_some() {
                    " while the daemon runs (the clock is not trusted, so after a restart only a resume lifts it)"
                } else {
                    ""
                },
                scope.lifted_by()
            ),
        };
        if !self.holds.cover(&scope, (&reason, &who), end) {
            let hold = Hold {
                scope,
                reason,
                who,
                since: now.wall,
                until: Hold::end(now.wall, length, self.clock.unsure.is_none()),
            };
            self.put_in_force(hold, end, now);
        } else if ticket.is_none() {
            return;
        }
        self.save_holds(ticket.map(|t| (t, Answer::done(text))));
    }

    /// Takes up holds that were put into the hold file from outside. Their end, if they have one, is by the wall clock, as after a start.
    pub(super) fn holds_found(&mut self, found: Vec<Hold>, now: Now) {
        for hold in found {
            self.stop_scope(&hold.scope, &hold.reason);
            if hold.until.is_some()
                || !self
                    .holds
                    .cover(&hold.scope, (&hold.reason, &hold.who), None)
            {
                self.put_in_force(hold, None, now);
            }
        }
        self.save_holds(None);
    }

    fn stop_scope(&mut self, scope: &HoldScope, reason: &str) {
        self.stop_running(&format!("hold: {reason}"), |line| match scope {
            HoldScope::All => true,
            HoldScope::Line(held) => held == line,
        });
        self.benches.stop(scope);
    }

    pub(super) fn save_holds(&mut self, reply: Option<(Ticket, Answer)>) {
        self.out.push(Effect::SaveHolds {
            holds: self.holds.list().to_vec(),
            reply,
        });
    }

    fn put_in_force(&mut self, hold: Hold, end: Option<Millis>, now: Now) {
        self.holds.add(hold.clone(), end);
        self.touch_all_lines();
        self.mark_written(now);
        let at = self.stamp(now);
        self.store(Entry::Hold(HoldChange::set(hold, at)), None);
    }

    /// Ends holds whose time is over.
    pub(super) fn end_timed_holds(&mut self, now: Now) {
        let over = self.holds.take_over(self.clock.unsure.is_none(), now);
        if over.is_empty() {
            return;
        }
        self.touch_all_lines();
        self.mark_written(now);
        let at = self.stamp(now);
        // A lifted hold lifts its scope in the record: what else holds it is set again with it.
        let mut entries = Vec::new();
        for hold in &over {
            let lifted = HoldChange::lifted(hold.scope.clone(), Who::Daemon, at);
            entries.push(Entry::Hold(lifted));
            let others = self.holds.list().iter().filter(|h| h.scope == hold.scope);
            entries.extend(others.map(|h| Entry::Hold(HoldChange::set(h.clone(), at))));
        }
        self.out.push(Effect::Store {
            entries,
            reply: None,
        });
        self.save_holds(None);
    }

    /// Lifts all holds of one scope. Holds of other scopes stay, and are named.
    pub(super) fn resume(&mut self, scope: &HoldScope, who: Who, ticket: Ticket, now: Now) {
        let lifted = self.holds.lift(scope);
        let mut text = match lifted {
            0 => format!("{scope} was not on hold"),
            1 => format!("the hold on {scope} is lifted"),
            n => format!("{n} holds on {scope} are lifted"),
        };
        for hold in self.holds.list() {
            let how = hold.scope.lifted_by();
            text = format!(
                "{text}; still on hold: {} ({}), lifted by `{how}`",
                hold.scope, hold.reason
            );
        }
        if lifted > 0 {
            self.touch_all_lines();
            self.mark_written(now);
            let at = self.stamp(now);
            self.store(
                Entry::Hold(HoldChange::lifted(scope.clone(), who, at)),
                None,
            );
        }
        self.save_holds(Some((ticket, Answer::done(text))));
    }

    pub(super) fn hold_file_fault(&mut self, why: &str, now: Now) {
        let text = format!(
            "what is on hold stays on hold, but a power cut or a restart now may forget it: {why}"
        );
        self.raise(AlarmCode::HoldFileFault, "", text, now);
    }
}

/// Whether a name is one that a hold may stop.
pub(super) fn known_scope(scope: &HoldScope, lines: &[crate::config::Line]) -> Result<(), Name> {
    match scope {
        HoldScope::All => Ok(()),
        HoldScope::Line(name) if lines.iter().any(|l| l.name == *name) => Ok(()),
        HoldScope::Line(name) => Err(name.clone()),
    }
}
