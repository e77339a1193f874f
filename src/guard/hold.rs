//! A hold stops its line, whoever asks and for whatever.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;

pub(super) fn check(_: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    facts.holds.first().map_or(Ok(()), |hold| {
        Err(Refusal::Held {
            reason: hold.reason.clone(),
            who: hold.who.to_string(),
            lifted_by: hold.scope.lifted_by(),
        })
    })
}
