//! A hold stops its line, whoever asks and for whatever.
//!
//! One exception: who holds a line and then takes its outlet out of the tank to calibrate its head means the tank. A hold of everything
//! stops the bench too, and so does a hold of the line that comes while the outlet is out: both may be somebody whose hands are at the
//! head.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;
use crate::record::{Hold, HoldScope};

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    let session = facts.bench.filter(|b| request.is_bench_run() && !b.silent);
    let of_all = |hold: &&&Hold| hold.scope == HoldScope::All;
    let stops = match session {
        Some(session) => facts
            .holds
            .iter()
            .find(of_all)
            .or_else(|| facts.holds.first().filter(|_| !session.runs_on_hold)),
        None => facts.holds.first(),
    };
    stops.map_or(Ok(()), |hold| {
        Err(Refusal::Held {
            reason: hold.reason.clone(),
            who: hold.who.to_string(),
            lifted_by: hold.scope.lifted_by(),
            at_bench: session
                .filter(|_| hold.scope == HoldScope::All)
                .map(|_| facts.head.name.clone()),
        })
    })
}
