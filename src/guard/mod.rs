//! Every interlock, one small file each, and one verdict function.
//!
//! Terms: a *request* is a dose that somebody wants; *facts* are everything known that bears on it; the *verdict* is a
//! [`DosePermit`] or a [`Refusal`] with its numbers. Only this module makes permits, and a driver consumes one for each run,
//! so "no dose without the interlocks" is a matter of types.
//!
//! What is unknown counts as its worst case. Nothing here acts, and nothing here remembers.

mod allowance;
mod apart;
mod bench;
mod calibration;
mod cap;
mod clock;
mod facts;
mod hold;
mod inputs;
mod ledger;
mod permit;
mod pump;
mod refusal;
mod reservoir;
mod run;
mod water;
mod window;

pub use allowance::{
    Allowance, AllowanceReason, LowReading, Prediction, WaterFacts, allowance, effective_share,
    uptake_counted,
};
pub use facts::{BenchFacts, ClockFact, Facts, Follows, InputBlock, LedgerFact, Request};
pub use permit::DosePermit;
pub use refusal::Refusal;
pub use window::{Counted, DoseWindow};

use crate::quantity::Millis;

/// One interlock: looks at a request and says no, or nothing.
type Interlock = fn(&Request<'_>, &Facts<'_>, Millis) -> Result<(), Refusal>;

/// All interlocks in the order in which they are asked: what needs a person first, what passes by itself last.
///
/// The order decides only which of several reasons is shown; a dose needs the consent of all.
const INTERLOCKS: [Interlock; 14] = [
    hold::check,
    bench::check,
    ledger::check,
    clock::check,
    inputs::check,
    calibration::check,
    run::check_volume,
    run::check_run_time,
    reservoir::check,
    cap::check,
    water::check,
    pump::check_free,
    pump::check_supply,
    apart::check,
];

/// Judges a request. A permit is valid until `now + permit_valid` and for this one run.
///
/// # Errors
/// The first refusal in the order of the interlocks.
pub fn judge(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<DosePermit, Refusal> {
    let run_time = examine(request, facts, now)?;
    Ok(DosePermit::new(
        request,
        run_time,
        now.plus(facts.permit_valid),
    ))
}

/// Looks once more at a permit whose intent has been stored, just before the start. Consumes the permit and gives it back.
///
/// # Errors
/// [`Refusal::PermitExpired`], or whatever has come up since the permit was made.
pub fn look_again(
    permit: DosePermit,
    request: &Request<'_>,
    facts: &Facts<'_>,
    now: Millis,
) -> Result<DosePermit, Refusal> {
    if permit.expires() < now {
        return Err(Refusal::PermitExpired {
            waited: now.minus(permit.expires()).plus(facts.permit_valid),
        });
    }
    examine(request, facts, now)?;
    Ok(permit)
}

/// Whether a request would be allowed now; makes no permit. The run time it would take.
///
/// # Errors
/// As [`judge`].
pub fn examine(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<Millis, Refusal> {
    // A simulation leaves one out, and must find that it is.
    #[cfg(test)]
    let left_out = sabotage::left_out();
    #[cfg(not(test))]
    let left_out = None;
    for (number, interlock) in INTERLOCKS.into_iter().enumerate() {
        if left_out != Some(number) {
            interlock(request, facts, now)?;
        }
    }
    run::run_time(request, facts)
}

#[cfg(test)]
pub(crate) mod sabotage;
#[cfg(test)]
mod tests;
