//! Solutions that precipitate with each other are kept apart in time, in either order, whoever asks.
//!
//! A bottle counts as holding everything that it may hold: the end of a tube's content is known to a dose, not to a drop.

use super::{Facts, Refusal, Request};
use crate::config::ApartRule;
use crate::quantity::{Millis, Name};
use crate::record::Destination;

pub(super) fn check<'a>(
    request: &Request<'_>,
    facts: &Facts<'a>,
    now: Millis,
) -> Result<(), Refusal> {
    if request.into == Destination::Bench {
        return Ok(());
    }
    let own = &facts.outlet.solution().name;
    let gives = |(solution, reservoir): (&Name, &Name), name: &Name| {
        let bottle = facts.reservoirs.get(reservoir);
        solution == name || bottle.is_some_and(|bottle| bottle.solutions.contains(name))
    };
    let sides = |rule: &'a ApartRule| {
        let ApartRule { first, second, .. } = rule;
        [(rule, first, second), (rule, second, first)]
    };
    let rules = facts.apart.iter().flat_map(sides);
    let ours = rules.filter(|(_, solution, _)| gives((own, &facts.line.reservoir), solution));
    let refusals = ours.filter_map(|(rule, solution, other)| {
        let of_other = facts
            .window
            .iter()
            .filter(|d| d.id != request.id && d.into == Destination::Tank)
            .filter(|d| gives((&d.solution, &d.reservoir), other));
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
