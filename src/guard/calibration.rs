//! Nothing is metered with a head that is not calibrated, or no longer.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;
use crate::record::DoseKind;

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    let head = || facts.head.name.clone();
    // A run by time is how a head comes to its calibration.
    if request.timed.is_some() {
        return Ok(());
    }
    if facts.calibration.is_none() {
        return Err(Refusal::Uncalibrated { head: head() });
    }
    let given = matches!(request.kind, DoseKind::Plan | DoseKind::Hand);
    if let Some(why) = facts.unverified.filter(|_| given) {
        return Err(Refusal::Unverified {
            head: head(),
            why: why.to_owned(),
        });
    }
    match (&facts.calibration_expired, request.kind) {
        (Some(why), DoseKind::Plan | DoseKind::Hand) => Err(Refusal::CalibrationExpired {
            head: head(),
            why: why.clone(),
        }),
        // The way out of an old calibration is to prime and to calibrate.
        (Some(_), DoseKind::Prime | DoseKind::Calibration) | (None, _) => Ok(()),
    }
}
