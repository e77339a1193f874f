//! How fast each water quantity may be raised, over all lines that carry it.
//!
//! In every 24 h of elapsed time what is added of it stays within its allowance. A dose counts from the moment it *began*, so that a
//! plan at exactly the limit can repeat itself day after day at the same times.

use super::allowance::{ROUNDING, WaterFacts, allowance};
use super::{Facts, Refusal, Request};
use crate::chemistry::Quantity;
use crate::quantity::Millis;
use crate::record::Destination;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    if request.into == Destination::Bench {
        return Ok(());
    }
    let carried = facts.outlet.carried(request.volume, facts.tank);
    for (of, rise) in carried {
        if let Some(water) = facts.water.get(&of) {
            check_rise(request, facts, (&of, water, rise), now)?;
        }
    }
    Ok(())
}

fn check_rise(
    request: &Request<'_>,
    facts: &Facts<'_>,
    (of, water, rise): (&Quantity, &WaterFacts, f64),
    now: Millis,
) -> Result<(), Refusal> {
    let allowed = allowance(of, water).ok_or_else(|| Refusal::NoUptake {
        line: facts.line.name.clone(),
    })?;
    let weight = |d: &super::Counted| {
        let other = d.id != request.id && d.into == Destination::Tank;
        other.then(|| d.carries.get(of).copied()).flatten()
    };
    let since = now.minus(Millis::DAY);
    let before: f64 = facts
        .window
        .iter()
        .filter(|d| d.began > since)
        .filter_map(weight)
        .sum();
    let (total, limit) = (before + rise, allowed.per_day * (1.0 + ROUNDING));
    if total <= limit {
        return Ok(());
    }
    Err(Refusal::Rise {
        of: of.clone(),
        rise,
        total,
        allowed,
        until: facts.window.room_at(rise, limit, now, |d| {
            weight(d).map(|weight| (weight, Some(d.began)))
        }),
    })
}
