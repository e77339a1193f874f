//! One run at a time on a head, and no more heads than the supply carries.

use super::{Facts, Refusal, Request};
use crate::quantity::{Millis, Name};

pub(super) fn check_free(
    request: &Request<'_>,
    facts: &Facts<'_>,
    now: Millis,
) -> Result<(), Refusal> {
    let busy = facts
        .window
        .active()
        .find(|d| d.id != request.id && d.head == facts.head.name);
    busy.map_or(Ok(()), |d| {
        Err(Refusal::HeadBusy {
            head: facts.head.name.clone(),
            until: soon_after(d.due, now),
        })
    })
}

pub(super) fn check_supply(
    request: &Request<'_>,
    facts: &Facts<'_>,
    now: Millis,
) -> Result<(), Refusal> {
    let others: Vec<(&Name, Millis)> = facts
        .window
        .active()
        .filter(|d| d.id != request.id)
        .map(|d| (&d.head, d.due))
        .collect();
    let running = u32::try_from(others.len()).unwrap_or(u32::MAX);
    if running < facts.heads_at_once {
        return Ok(());
    }
    let first_free = others.iter().map(|(_, due)| *due).min().unwrap_or(now);
    Err(Refusal::SupplyBusy {
        running,
        max: facts.heads_at_once,
        until: soon_after(first_free, now),
    })
}

/// A run that should already be over is looked at again in a second, not at once and for ever.
fn soon_after(due: Millis, now: Millis) -> Millis {
    due.max(now).plus(Millis::from_secs(1))
}
