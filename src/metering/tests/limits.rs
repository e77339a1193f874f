//! What stands at the very edge of a calibration's limits.

use super::super::*;
use super::{OFFSET_RUNS, close, fitted, runs};
use crate::quantity::{FlowRate, Millis, Volume};
use crate::statistics::Confidence;

#[test]
fn the_smallest_dose_of_limits_is_long_enough_and_known_well_enough() {
    let calibration =
        Calibration::new(FlowRate::from_ml_per_min(60.0), Volume::from_ul(-20)).unwrap();
    let smallest = |dose_min| {
        let limits = MeteringLimits {
            run_min: Millis::new(500),
            run_max: Millis::from_secs(60),
            dose_min: Volume::from_ul(dose_min),
            tolerance_percent: 5.0,
        };
        limits.smallest(&calibration)
    };
    assert_eq!(smallest(300), Volume::from_ul(480), "500 ms");
    assert_eq!(smallest(800), Volume::from_ul(800));
}

#[test]
fn the_shortest_and_the_longest_run_of_limits_are_inclusive() {
    let calibration = Calibration::new(FlowRate::from_ml_per_min(60.0), Volume::ZERO).unwrap();
    let limits = MeteringLimits {
        run_min: Millis::new(500),
        run_max: Millis::new(2_000),
        dose_min: Volume::ZERO,
        tolerance_percent: 5.0,
    };
    let run_time = |ul| limits.run_time(&calibration, Volume::from_ul(ul));
    for ul in [500, 2_000] {
        assert_eq!(run_time(ul), Ok(Millis::new(ul)), "1 mL takes 1 s");
    }
    assert!(run_time(499).is_err() && run_time(2_001).is_err());
}

/// F and its upper tail worked out from the same rows in exact fractions and by numerical integration.
#[test]
fn the_lack_of_fit_is_the_textbooks() {
    let lack = fitted(&OFFSET_RUNS).unwrap().lack_of_fit().unwrap();
    close(lack.f, 0.008_160_027_2, 1e-6);
    close(lack.probability, 0.998_917_44, 1e-6);
    let two = [(10, 5_000), (10, 5_030), (40, 20_010), (40, 19_950)];
    assert!(fitted(&two).unwrap().lack_of_fit().is_none(), "two lengths");
}

#[test]
fn a_rate_said_again_is_the_same_within_one_percent_or_what_two_decimals_show() {
    let rate = FlowRate::from_ml_per_min;
    for (said, shown, same) in [
        (60.5, 60.0, true),
        (59.3, 60.0, false),
        (0.105, 0.1, true),
        (0.106, 0.1, false),
    ] {
        assert_eq!(same_rate(rate(said), rate(shown)), same, "{said} {shown}");
    }
}

#[test]
fn a_last_check_at_the_very_tolerance_is_not_out_yet() {
    let check = |measured_ul| Verification {
        run_time: Millis::HOUR,
        expected: Volume::from_ul(10_000),
        measured: Volume::from_ul(measured_ul),
    };
    let drift = |ul| Drift::of(&[check(ul)], 5.0, Confidence::P95).unwrap();
    for ul in [9_500, 10_500] {
        assert!(matches!(drift(ul), Drift::CannotTellYet(_)), "{ul}");
    }
    for ul in [9_499, 10_501] {
        assert!(matches!(drift(ul), Drift::OutNow { .. }), "{ul}");
    }
}

#[test]
fn a_tolerance_that_is_just_met_by_the_best_run_is_met() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let Err(DoseRefusal::NeverPrecise { best_percent, .. }) = fit.smallest_dose(0.1) else {
        panic!("0.1 % is finer than these runs");
    };
    assert!(fit.smallest_dose(best_percent).is_ok());
}

#[test]
fn the_best_that_a_calibration_can_do_is_told_when_it_is_not_enough() {
    let list = [(10, 5_000), (10, 5_030), (40, 20_010), (40, 19_950)];
    let fit = fitted(&list).unwrap();
    let Err(DoseRefusal::NeverPrecise { best_percent, .. }) = fit.smallest_dose(0.1) else {
        panic!("0.1 % is finer than these runs");
    };
    let line = fit.line();
    let percent = |ds: u32| {
        let seconds = f64::from(ds) / 10.0;
        let dose = fit
            .meter(Volume::from_ml(line.at(seconds)).unwrap())
            .unwrap();
        50.0 * (dose.dose_limits_ml.1 - dose.dose_limits_ml.0) / line.at(seconds)
    };
    let best = (101..=800).map(percent).fold(f64::INFINITY, f64::min);
    assert!(
        (best_percent / best - 1.0).abs() < 1e-3,
        "{best_percent} {best}"
    );
}

#[test]
fn a_drift_that_leaves_the_tolerance_only_beyond_the_horizon_is_told_without_a_time() {
    let drift = |hours: [i64; 5]| {
        // 0.1 % less at each check.
        let checks = (0..).zip(hours).map(|(n, hours)| Verification {
            run_time: Millis::from_mins(60 * hours),
            expected: Volume::from_ul(10_000),
            measured: Volume::from_ul(10_000 - 10 * n),
        });
        let checks: Vec<_> = checks.collect();
        Drift::of(&checks, 5.0, Confidence::P95).unwrap()
    };
    // 5 % would be reached at 10,000 h, and at 5,100 h, with the last check past 5,000 h.
    for hours in [[0, 200, 400, 600, 800], [4_700, 4_800, 4_900, 5_000, 5_100]] {
        let seen = drift(hours);
        let Drift::Drifts {
            leaves_at,
            leaves_earliest,
            ..
        } = seen
        else {
            panic!("{seen:?}")
        };
        assert_eq!((leaves_at, leaves_earliest), (None, None), "{hours:?}");
    }
}

#[test]
fn runs_on_record_that_give_another_line_than_the_one_in_force_are_not_fitted_again() {
    let runs = runs(&OFFSET_RUNS);
    let fitted = fit(&runs, &FitRules::default()).unwrap();
    let refitted = |rate_by: f64, offset_by: i64| {
        let now = fitted.calibration();
        let rate = now.rate().as_ml_per_min() * (1.0 + rate_by);
        let offset = now.offset().saturating_add(Volume::from_ul(offset_by));
        let on_record = OnRecord {
            calibration: Calibration::new(FlowRate::from_ml_per_min(rate), offset).unwrap(),
            limits: Some(fitted.metering_limits(20.0).unwrap()),
            runs: &runs,
            resolution: Some(Volume::ZERO),
        };
        on_record.limits_within(15.0).is_ok()
    };
    assert!(
        refitted(0.0, 0) && refitted(0.0, 1) && refitted(0.0, -1),
        "rounding"
    );
    assert!(!refitted(0.0, 2) && !refitted(0.0, -2));
    // A billionth is the arithmetic of another build.
    assert!(refitted(0.9e-9, 0) && refitted(-0.9e-9, 0));
    assert!(!refitted(1.1e-9, 0) && !refitted(-1.1e-9, 0));
}

#[test]
fn repeats_are_one_length_within_a_twentieth_and_a_single_run_has_no_scatter() {
    let some = [
        (10_000, 5_000),
        (10_400, 5_230),
        (40_000, 20_010),
        (40_000, 19_950),
        (20_000, 10_010),
    ];
    let some = some.map(|(ms, ul)| Run {
        on_time: Millis::new(ms),
        volume: Volume::from_ul(ul),
    });
    let fit = fit(&some, &FitRules::default()).unwrap();
    let lengths = fit.lengths().iter().map(|l| (l.runs, l.sd_ml.is_some()));
    let lengths: Vec<_> = lengths.collect();
    assert_eq!(lengths, [(2, true), (1, false), (2, true)]);
}

#[test]
fn steady_state_is_the_farthest_flow_of_the_mean() {
    let flows = [9.0, 10.0, 11.5];
    // The mean is 10 1/6, the farthest is 11.5: 4/3 of 61/6 are 13.11 %.
    close(steady_state_percent(&flows).unwrap(), 800.0 / 61.0, 1e-12);
}
