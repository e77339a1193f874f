//! A hold stops its line, whoever asks and for whatever.
//!
//! One exception: who holds a line and then takes its outlet out of the tank to calibrate its head means the tank. A hold of everything
//! stops the bench too, and so does a hold of the line that comes while the outlet is out: both may be somebody whose hands are at the
//! head.
//!
//! What a line gives by plan stops too with what it goes by: calcium that goes by the uptake of alkalinity is taken up with alkalinity only.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;
use crate::record::{DoseKind, Hold, HoldScope};

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
    if let Some(hold) = stops {
        return Err(Refusal::Held {
            reason: hold.reason.clone(),
            who: hold.who.to_string(),
            lifted_by: hold.scope.lifted_by(),
            at_bench: session
                .filter(|_| hold.scope == HoldScope::All)
                .map(|_| facts.head.name.clone()),
        });
    }
    match &facts.follows {
        Some(follows) if request.kind == DoseKind::Plan => Err(Refusal::FollowsHeld {
            line: facts.line.name.clone(),
            lead: follows.lead.clone(),
            of: follows.of.clone(),
            reason: follows.hold.reason.clone(),
            lifted_by: follows.hold.scope.lifted_by(),
        }),
        Some(_) | None => Ok(()),
    }
}
