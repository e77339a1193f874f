//! Empty means stop: what the books say is gone is not pumped, and air never is.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    let reservoir = || facts.line.reservoir.clone();
    let Some(booked) = facts.reservoir_left else {
        return Err(Refusal::ReservoirUnknown {
            reservoir: reservoir(),
        });
    };
    // Doses that are allowed but not booked yet will take their share; this request's own is not counted against it.
    let promised = facts
        .window
        .active()
        .filter(|d| d.id != request.id && d.reservoir == facts.line.reservoir)
        .map(|d| d.volume)
        .sum();
    let left = booked.saturating_sub(promised);
    if left.saturating_sub(facts.reservoir_reserve) < request.volume {
        return Err(Refusal::ReservoirUsedUp {
            reservoir: reservoir(),
            left,
            reserve: facts.reservoir_reserve,
            volume: request.volume,
        });
    }
    Ok(())
}
