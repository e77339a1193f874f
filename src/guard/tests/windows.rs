//! The window held against every stretch of time, counted the long way.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::{name, ul};
use crate::guard::window::{Limit, Over, Wanted};
use crate::guard::{Counted, DoseWindow};
use crate::quantity::{Millis, f64_from_i64};
use crate::record::{Destination, DoseId, DoseKind};

const LIMIT: f64 = 10_000.0;

/// Begin, end and microlitres.
type Run = (i64, i64, i64);

fn window(runs: &[Run]) -> DoseWindow {
    let mut window = DoseWindow::default();
    for (id, (began, ended, volume)) in (1..).zip(runs) {
        window.add(Counted {
            id: DoseId(id),
            line: name("a"),
            head: name("head-a"),
            reservoir: name("bottle-a"),
            solution: name("soda"),
            kind: DoseKind::Plan,
            volume: ul(*volume),
            carries: BTreeMap::new(),
            into: Destination::Tank,
            began: Millis::new(*began),
            ended: Some(Millis::new(*ended)),
            due: Millis::new(*ended),
        });
    }
    window
}

fn fits(runs: &[Run], (at, run, volume): Run, length: Millis) -> Result<(), Over> {
    let given = window(runs).given(|d| Some(f64_from_i64(d.volume.as_ul())));
    let wanted = Wanted {
        amount: f64_from_i64(volume),
        run_time: Millis::new(run),
    };
    let limit = Limit {
        most: LIMIT,
        length,
    };
    given.fits(wanted, limit, Millis::new(at))
}

/// What one stretch holds, each run poured evenly.
fn poured(runs: &[Run], from: i64, length: i64) -> f64 {
    let each = runs.iter().map(|(began, ended, volume)| {
        let inside = ((*ended).min(from + length) - (*began).max(from)).max(0);
        f64_from_i64(*volume) * f64_from_i64(inside) / f64_from_i64(ended - began)
    });
    each.sum()
}

/// The most that any stretch holds: those that begin or end where a run does, and others between.
fn most(runs: &[Run], length: i64) -> f64 {
    let edges = runs.iter().flat_map(|(began, ended, _)| [*began, *ended]);
    let from =
        edges.flat_map(|edge| [edge, edge - length, edge + 1, edge - length - 1, edge + 777]);
    from.map(|from| poured(runs, from, length))
        .fold(0.0, f64::max)
}

proptest! {
    /// Pauses of up to two windows, runs of a millisecond to ten minutes: what fits leaves every stretch within the limit, what is refused
    /// would not, and the time that is told is the first at which it fits.
    #[test]
    fn no_stretch_holds_more_than_the_limit_and_nothing_less_is_refused(
        wanted in prop::collection::vec((0..5_000_000_i64, 1..600_000_i64, 1..9_000_i64), 2..40),
        hour in any::<bool>(),
    ) {
        let length = if hour { Millis::HOUR } else { Millis::DAY };
        let (mut runs, mut t): (Vec<Run>, i64) = (Vec::new(), 0);
        for (pause, run, volume) in wanted {
            t += if hour { pause } else { pause * 4 };
            let with = |at: i64| [runs.as_slice(), &[(at, at + run, volume)]].concat();
            if let Err(over) = fits(&runs, (t, run, volume), length) {
                let worst = most(&with(t), length.as_ms());
                prop_assert!(worst > LIMIT && (worst - over.total).abs() < 1e-6, "{worst} {over:?}");
                let until = over.until.expect("every run has ended").as_ms();
                prop_assert!(until > t && most(&with(until - 1), length.as_ms()) > LIMIT);
                t = until;
            }
            prop_assert_eq!(fits(&runs, (t, run, volume), length), Ok(()));
            runs.push((t, t + run, volume));
            t += run;
            prop_assert!(most(&runs, length.as_ms()) <= LIMIT * (1.0 + 1e-8));
        }
    }
}

#[test]
fn a_slow_dose_and_a_fast_one_a_day_later_are_not_in_one_day_together() {
    let day = Millis::DAY.as_ms();
    let slow = [(0, 600_000, 10_000)];
    let over = fits(&slow, (day, 1_000, 10_000), Millis::DAY).unwrap_err();
    assert!(over.total > 19_900.0, "{over:?}");
    assert_eq!(
        over.until,
        Some(Millis::new(day + 600_000 - 1_000)),
        "their ends meet"
    );
}

#[test]
fn a_plan_at_exactly_the_limit_repeats_itself_at_the_same_times() {
    let day = Millis::DAY.as_ms();
    let times = [
        (3_600_000, 600_000, 5_000),
        (7_200_000, 1, 2_000),
        (9_000_000, 7_001, 3_000),
    ];
    let mut runs: Vec<Run> = Vec::new();
    for (at, run, volume) in (0..9).flat_map(|d| times.map(|(at, run, v)| (at + d * day, run, v))) {
        assert_eq!(fits(&runs, (at, run, volume), Millis::DAY), Ok(()));
        runs.push((at, at + run, volume));
    }
    let earlier = fits(&runs, (9 * day + 3_599_999, 600_000, 5_000), Millis::DAY);
    assert!(earlier.is_err(), "a millisecond too early");
}
