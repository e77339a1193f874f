//! The daily cap, in every 24 h of elapsed time.
//!
//! A dose counts until 24 h after it *ended*, so that no window of 24 h, wherever it begins, holds more than the cap.

use super::{Facts, Refusal, Request};
use crate::quantity::{Millis, Volume, f64_from_i64};

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    let (line, cap) = (&facts.line.name, facts.line.daily_cap);
    let own = facts
        .window
        .active()
        .filter(|d| d.id == request.id)
        .map(|d| d.volume)
        .sum::<Volume>();
    let used = facts.window.volume_24h(line, now).saturating_sub(own);
    let total = used.saturating_add(request.volume);
    if total <= cap {
        return Ok(());
    }
    let until = facts.window.room_at(
        f64_from_i64(request.volume.as_ul()),
        f64_from_i64(cap.as_ul()),
        now,
        |d| {
            (d.line == *line && d.id != request.id)
                .then(|| (f64_from_i64(d.volume.as_ul()), d.ended))
        },
    );
    Err(Refusal::DailyCap {
        line: line.clone(),
        volume: request.volume,
        total,
        cap,
        until,
    })
}
