//! No record, no dose.

use super::{Facts, LedgerFact, Refusal, Request};
use crate::quantity::Millis;

pub(super) fn check(_: &Request<'_>, facts: &Facts<'_>, _: Millis) -> Result<(), Refusal> {
    match facts.ledger {
        LedgerFact::Writable => Ok(()),
        LedgerFact::NotWritable(why) => Err(Refusal::LedgerNotWritable {
            why: why.to_owned(),
        }),
    }
}
