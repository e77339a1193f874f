//! Contacts and flags of the board that block.

use super::{Facts, Refusal, Request};
use crate::quantity::Millis;

pub(super) fn check(_: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    let blocks = facts
        .inputs
        .iter()
        .find(|block| block.until.is_none_or(|until| until > now));
    blocks.map_or(Ok(()), |b| {
        Err(Refusal::InputBlocks {
            input: b.input.clone(),
            says: b.says.clone(),
            until: b.until,
        })
    })
}
