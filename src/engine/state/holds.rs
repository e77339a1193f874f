//! Holds in force, and when those end that end by themselves.

use crate::engine::event::Now;
use crate::quantity::{Millis, Name};
use crate::record::{Hold, HoldScope, Who};

/// More holds than this on one scope say nothing new; the list stays bounded whatever presses the button.
const HOLDS_PER_SCOPE_MAX: usize = 8;

#[derive(Debug, Default)]
pub(crate) struct Holds {
    all: Vec<Hold>,
    /// When holds that were set since the start end by themselves, on the elapsed clock.
    ends: Vec<(Hold, Millis)>,
}

impl Holds {
    /// Holds of two sources together, each once.
    pub(crate) fn union(first: Vec<Hold>, second: Vec<Hold>) -> Self {
        let mut all = first;
        for hold in second {
            if !all.iter().any(|h| {
                h.scope == hold.scope
                    && h.reason == hold.reason
                    && h.who == hold.who
                    && h.until == hold.until
            }) {
                all.push(hold);
            }
        }
        let ends = Vec::new();
        Self { all, ends }
    }

    pub(crate) fn list(&self) -> &[Hold] {
        &self.all
    }

    /// Whether there is a hold of this very scope.
    pub(crate) fn has(&self, scope: &HoldScope) -> bool {
        self.all.iter().any(|h| h.scope == *scope)
    }

    /// Those that stop a line.
    pub(crate) fn on(&self, line: &Name) -> Vec<&Hold> {
        let stops = |hold: &&Hold| match &hold.scope {
            HoldScope::All => true,
            HoldScope::Line(held) => held == line,
        };
        self.all.iter().filter(stops).collect()
    }

    pub(crate) fn add(&mut self, hold: Hold, end: Option<Millis>) {
        self.ends.extend(end.map(|end| (hold.clone(), end)));
        self.all.push(hold);
    }

    /// Lifts all holds of one scope. How many that were.
    pub(crate) fn lift(&mut self, scope: &HoldScope) -> usize {
        let before = self.all.len();
        self.all.retain(|h| h.scope != *scope);
        self.ends.retain(|(h, _)| h.scope != *scope);
        before.saturating_sub(self.all.len())
    }

    /// Whether a hold in force says the same, for as long. Beyond so many on one scope a further one says nothing new, unless it would
    /// outlast them all.
    pub(crate) fn cover(
        &self,
        scope: &HoldScope,
        (reason, who): (&str, &Who),
        end: Option<Millis>,
    ) -> bool {
        let mut same_scope = self.all.iter().filter(|h| h.scope == *scope);
        let lasts = |hold: &&Hold| match (self.end_of(hold), end) {
            (None, _) => hold.until.is_none(),
            (Some(_), None) => false,
            (Some(known), Some(end)) => known >= end,
        };
        let crowded = same_scope.clone().count() >= HOLDS_PER_SCOPE_MAX;
        same_scope.any(|h| lasts(&h) && (crowded || h.reason == reason && h.who == *who))
    }

    /// When a hold of this run ends, on the elapsed clock; `None` for one without an end, or of before the start.
    fn end_of(&self, hold: &Hold) -> Option<Millis> {
        let ends = self.ends.iter();
        ends.filter(|(known, _)| known == hold)
            .map(|(_, end)| *end)
            .max()
    }

    /// Takes out the holds whose time is over: of this run by elapsed time, of before the start once the trusted clock says so.
    pub(crate) fn take_over(&mut self, is_trusted: bool, now: Now) -> Vec<Hold> {
        let is_over = |hold: &Hold| {
            self.end_of(hold).map_or_else(
                || is_trusted && hold.until.is_some_and(|until| until <= now.wall),
                |end| end <= now.elapsed,
            )
        };
        let (over, left): (Vec<Hold>, Vec<Hold>) = self.all.iter().cloned().partition(is_over);
        self.all = left;
        self.ends.retain(|(hold, _)| self.all.contains(hold));
        over
    }

    /// Elapsed time at which the next hold of this run ends.
    pub(crate) fn next_end(&self) -> Option<Millis> {
        self.ends.iter().map(|(_, end)| *end).min()
    }
}
