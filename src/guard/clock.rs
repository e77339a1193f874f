//! The clock must be trusted, except for filling a tube or calibrating, which a person watches.

use super::{ClockFact, Facts, Refusal, Request};
use crate::quantity::Millis;
use crate::record::DoseKind;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    match (facts.clock, request.kind) {
        (ClockFact::Trusted, _)
        | (ClockFact::Unsure(_), DoseKind::Prime | DoseKind::Calibration) => Ok(()),
        (ClockFact::Unsure(why), DoseKind::Plan | DoseKind::Hand) => Err(Refusal::ClockUnsure {
            why: why.to_owned(),
        }),
    }
}
