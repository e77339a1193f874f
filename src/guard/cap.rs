//! The daily cap, in every 24 h of elapsed time, and the hourly one, in every 60 min.
//!
//! Under the daily cap a dose counts in full until 24 h after it *ended*, so that what is left of it is a plain sum. In an hour it counts
//! as it is given, so that a plan at exactly the limit can repeat itself every hour.

use super::window::{Limit, Over, Wanted};
use super::{Facts, Refusal, Request, run};
use crate::quantity::{Millis, Volume, f64_from_i64, i64_from_f64};
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
    let volume = |d: &super::Counted| counts(d).then(|| f64_from_i64(d.volume.as_ul()));
    let wanted = Wanted {
        amount: f64_from_i64(request.volume.as_ul()),
        run_time: Millis::ZERO,
    };
    let limit = Limit {
        most: f64_from_i64(cap.as_ul()),
        length: Millis::DAY,
    };
    let given = facts.window.given(volume);
    let total = |over: &Over| Volume::from_ul(i64_from_f64(over.total.ceil()).unwrap_or(i64::MAX));
    given
        .clone()
        .at_ends()
        .fits(wanted, limit, now)
        .map_err(|over| Refusal::DailyCap {
            line: line.clone(),
            volume: request.volume,
            total: total(&over),
            cap,
            until: over.until,
        })?;
    let wanted = Wanted {
        run_time: run::run_time(request, facts)?,
        ..wanted
    };
    let limit = Limit {
        most: f64_from_i64(facts.hourly_cap.as_ul()),
        length: Millis::HOUR,
    };
    given
        .fits(wanted, limit, now)
        .map_err(|over| Refusal::HourlyCap {
            line: line.clone(),
            volume: request.volume,
            total: total(&over),
            cap: facts.hourly_cap,
            until: over.until,
        })
}
