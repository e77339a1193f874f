//! Solutions that precipitate with each other are kept apart in time, in either order, whoever asks.

use super::{Facts, Refusal, Request};
use crate::config::ApartRule;
use crate::quantity::{Millis, Name};
use crate::record::Destination;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    if request.into == Destination::Bench {
        return Ok(());
    }
    let solution = &facts.solution.name;
    let refusals = facts.apart.iter().filter_map(|rule| {
        let other = other_of(rule, solution)?;
        let of_other = facts
            .window
            .iter()
            .filter(|d| d.solution == *other && d.id != request.id && d.into == Destination::Tank);
        // A dose that has not ended has just now been in the water, and will be until it is due.
        let last_end = of_other
            .map(|d| d.ended.unwrap_or_else(|| d.due.max(now)))
            .max()?;
        let until = last_end.plus(rule.gap);
        (until > now).then(|| Refusal::Apart {
            solution: solution.clone(),
            other: other.clone(),
            since: now.minus(last_end).max(Millis::ZERO),
            gap: rule.gap,
            until,
        })
    });
    let last = refusals.max_by_key(Refusal::until);
    last.map_or(Ok(()), Err)
}

fn other_of<'r>(rule: &'r ApartRule, solution: &Name) -> Option<&'r Name> {
    if rule.first == *solution {
        Some(&rule.second)
    } else if rule.second == *solution {
        Some(&rule.first)
    } else {
        None
    }
}
