//! Holds: a stop that lasts. It takes effect here and now; writing it down comes after.

use super::alarms::AlarmCode;
use super::effect::{Answer, Effect, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::quantity::Name;
use crate::record::{Entry, Hold, HoldChange, HoldScope, Who};

/// More holds than this on one scope say nothing new; the list stays bounded whatever presses the button.
const HOLDS_PER_SCOPE_MAX: usize = 8;

impl Engine {
    /// Stops a line or all. A hold that says the same as one in force changes nothing but is answered all the same.
    pub(super) fn set_hold(
        &mut self,
        scope: HoldScope,
        reason: String,
        who: Who,
        ticket: Option<Ticket>,
        now: Now,
    ) {
        self.stop_running(&format!("hold: {reason}"), |line| match &scope {
            HoldScope::All => true,
            HoldScope::Line(held) => held == line,
        });
        let what = scope_text(&scope);
        let same_scope = self.holds.iter().filter(|h| h.scope == scope);
        let known = same_scope
            .clone()
            .any(|h| h.reason == reason && h.who == who)
            || same_scope.count() >= HOLDS_PER_SCOPE_MAX;
        if !known {
            let hold = Hold {
                scope,
                reason,
                who,
                since: now.wall,
            };
            self.holds.push(hold.clone());
            self.touch_all_lines();
            self.mark_written(now);
            let at = self.stamp(now);
            self.store(Entry::Hold(HoldChange::set(hold, at)), None);
        }
        if !known || ticket.is_some() {
            let reply = ticket.map(|t| {
                (
                    t,
                    Answer::Done {
                        text: format!("{what} on hold"),
                    },
                )
            });
            self.out.push(Effect::SaveHolds {
                holds: self.holds.clone(),
                reply,
            });
        }
    }

    /// Lifts all holds of one scope. Holds of other scopes stay, and are named.
    pub(super) fn resume(&mut self, scope: &HoldScope, who: Who, ticket: Ticket, now: Now) {
        let before = self.holds.len();
        self.holds.retain(|h| h.scope != *scope);
        let lifted = before.saturating_sub(self.holds.len());
        let mut text = match lifted {
            0 => format!("{} was not on hold", scope_text(scope)),
            1 => format!("the hold on {} is lifted", scope_text(scope)),
            n => format!("{n} holds on {} are lifted", scope_text(scope)),
        };
        for hold in &self.holds {
            let how = match &hold.scope {
                HoldScope::All => "dosewright resume".to_owned(),
                HoldScope::Line(line) => format!("dosewright resume {line}"),
            };
            text = format!(
                "{text}; still on hold: {} ({}), lifted by `{how}`",
                scope_text(&hold.scope),
                hold.reason
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
        self.out.push(Effect::SaveHolds {
            holds: self.holds.clone(),
            reply: Some((ticket, Answer::Done { text })),
        });
    }

    pub(super) fn hold_file_fault(&mut self, why: &str, now: Now) {
        let text = format!(
            "what is on hold stays on hold, but a power cut or a restart now may forget it: {why}"
        );
        self.raise(AlarmCode::HoldFileFault, "", text, now);
    }
}

/// A scope in words.
pub(super) fn scope_text(scope: &HoldScope) -> String {
    match scope {
        HoldScope::All => "all dosing".to_owned(),
        HoldScope::Line(line) => format!("line {line}"),
    }
}

/// Holds of two sources together, each once.
pub(super) fn union(first: Vec<Hold>, second: Vec<Hold>) -> Vec<Hold> {
    let mut all = first;
    for hold in second {
        if !all
            .iter()
            .any(|h| h.scope == hold.scope && h.reason == hold.reason && h.who == hold.who)
        {
            all.push(hold);
        }
    }
    all
}

/// Whether a name is one that a hold may stop.
pub(super) fn known_scope(scope: &HoldScope, lines: &[crate::config::Line]) -> Result<(), Name> {
    match scope {
        HoldScope::All => Ok(()),
        HoldScope::Line(name) if lines.iter().any(|l| l.name == *name) => Ok(()),
        HoldScope::Line(name) => Err(name.clone()),
    }
}
