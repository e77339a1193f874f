//! The daily cap, in every 24 h of elapsed time.
//!
//! A dose counts until 24 h after it *ended*, so that no window of 24 h, wherever it begins, holds more than the cap.

use super::{Facts, Refusal, Request};
use crate::quantity::{Millis, f64_from_i64};
use crate::record::{Destination, DoseKind};

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    let (line, cap) = (&facts.line.name, facts.line.daily_cap);
    if request.is_bench_run() {
        return Ok(());
    }
    // What goes into a bucket is held to the same cap, for itself.
    let counts = |d: &super::Counted| {
        let given = matches!(d.kind, DoseKind::Plan | DoseKind::Hand);
        d.line == *line
            && d.id != request.id
            && d.into == request.into
            && (given || d.into == Destination::Tank)
    };
    let used = facts.window.volume_24h_of(now, counts);
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
