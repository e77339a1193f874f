//! Bounds on a single dose: its volume, the time it takes, and the same request twice.

use super::{Facts, Refusal, Request};
use crate::metering::{Calibration, CalibrationError};
use crate::quantity::Millis;
use crate::record::DoseKind;

/// A second dose by hand of the same volume on the same line within this time is taken for a slip of the finger (our rule;
/// after reports of a bouncing key that turned 4.8 into 44.8, softwarecpr.com 2006).
const REPEAT_WINDOW: Millis = Millis::from_secs(10);

pub(super) fn check_volume(
    request: &Request<'_>,
    facts: &Facts<'_>,
    now: Millis,
) -> Result<(), Refusal> {
    if request.volume > facts.line.dose_cap && !request.is_bench_run() {
        return Err(Refusal::DoseCap {
            line: facts.line.name.clone(),
            volume: request.volume,
            cap: facts.line.dose_cap,
        });
    }
    if request.timed.is_none() && request.volume < facts.head.dose_min {
        return Err(Refusal::TooSmall {
            head: facts.head.name.clone(),
            volume: request.volume,
            smallest: facts.head.dose_min,
        });
    }
    check_repetition(request, facts, now)
}

fn check_repetition(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    if request.kind != DoseKind::Hand {
        return Ok(());
    }
    let since = now.minus(REPEAT_WINDOW);
    let same = |d: &&super::Counted| {
        d.id != request.id && d.kind == DoseKind::Hand && d.line == *request.line && d.began > since
    };
    match facts.window.iter().rev().find(same) {
        Some(last) if last.volume == request.volume || last.ended.is_none() => {
            Err(Refusal::Repeated {
                volume: request.volume,
                since: now.minus(last.began),
                wait: REPEAT_WINDOW,
                until: last.began.plus(REPEAT_WINDOW),
            })
        }
        Some(_) | None => Ok(()),
    }
}

/// Run time of the request by the head's calibration.
pub(super) fn run_time(request: &Request<'_>, facts: &Facts<'_>) -> Result<Millis, Refusal> {
    let head = || facts.head.name.clone();
    if let Some(timed) = request.timed {
        return if timed < Calibration::RUN_MIN {
            Err(Refusal::RunTooShort {
                head: head(),
                run_time: timed,
                smallest: Calibration::RUN_MIN,
            })
        } else {
            Ok(timed)
        };
    }
    let calibration = facts
        .calibration
        .ok_or_else(|| Refusal::Uncalibrated { head: head() })?;
    calibration.run_time(request.volume).map_err(|e| match e {
        // Too large to be counted in milliseconds is longer than any run.
        CalibrationError::TooLarge { volume, .. } => Refusal::RunTooLong {
            head: head(),
            volume,
            run_time: Millis::MAX,
            run_max: facts.head.run_max,
        },
        CalibrationError::TooSmall { volume, smallest } => Refusal::TooSmall {
            head: head(),
            volume,
            smallest,
        },
        CalibrationError::Rate { .. } | CalibrationError::Offset { .. } => {
            Refusal::Uncalibrated { head: head() }
        }
    })
}

pub(super) fn check_run_time(
    request: &Request<'_>,
    facts: &Facts<'_>,
    _: Millis,
) -> Result<(), Refusal> {
    let run_time = run_time(request, facts)?;
    let run_max = facts.head.run_max;
    if run_time > run_max {
        return Err(Refusal::RunTooLong {
            head: facts.head.name.clone(),
            volume: request.volume,
            run_time,
            run_max,
        });
    }
    check_metered(request, facts)
}

/// What is metered lies within what the calibration's runs cover, and is not below what they can meter within the tolerance.
///
/// Runs of the bench are how that is widened, so they are not held to it.
fn check_metered(request: &Request<'_>, facts: &Facts<'_>) -> Result<(), Refusal> {
    let Some(calibration) = facts.calibration else {
        return Ok(());
    };
    match request.kind {
        DoseKind::Prime | DoseKind::Calibration => Ok(()),
        DoseKind::Plan | DoseKind::Hand => facts
            .coverage
            .check(calibration, request.volume)
            .map_err(|why| Refusal::NotMetered {
                head: facts.head.name.clone(),
                why,
            }),
    }
}
