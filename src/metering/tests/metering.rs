//! Metering by a fitted calibration: inverse, range, smallest dose, wear.

use proptest::prelude::*;

use super::super::*;
use super::{OFFSET_RUNS, close, fitted, runs};
use crate::quantity::{FlowRate, Millis, Volume, f64_from_i64};
use crate::statistics::Confidence;

/// Row a5.offset.inverse (1e-6 relative): run time for 5.00 mL and the 95 % prediction interval of one such dose, all lengths taken to
/// scatter alike.
#[test]
fn the_inverse_worked_example_comes_out_with_its_limits() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let line = fit.line();
    let seconds = (5.0 - line.intercept) / line.slope;
    close(seconds, 6.583_475, 1e-6);
    let half = line.half_width_of_one(seconds, Confidence::P95);
    close(5.0 - half, 4.803_356_9, 1e-6);
    close(5.0 + half, 5.196_643_1, 1e-6);
    // As metered: whole microlitres of offset and whole milliseconds.
    let dose = fit.meter(Volume::from_ul(5_000)).unwrap();
    assert_eq!(dose.on_time, Millis::new(6_584));
    // By the scatter of its neighbours alone, which is known from few runs, but is smaller than that of the long ones.
    let off = (dose.dose_limits_ml.1 - dose.dose_limits_ml.0) / 2.0;
    assert!((0.15..0.45).contains(&off), "{off}");
}

/// Row a5.offset.ignoring (1e-4): the same dose timed through the origin by the longest run is 5 % short.
#[test]
fn leaving_the_offset_out_makes_a_small_dose_short() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let seconds = 5.0 / (31.8933 / 40.0);
    let really = fit.line().at(seconds);
    assert!((seconds - 6.2709).abs() < 1e-4, "{seconds}");
    assert!((really - 4.748_47).abs() < 1e-4, "{really}");
    assert!(
        (100.0 * (really / 5.0 - 1.0) + 5.0305).abs() < 1e-3,
        "{really}"
    );
}

#[test]
fn doses_outside_the_calibrated_range_are_refused_with_what_can_be_metered() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let below = fit.meter(Volume::from_ul(1_200)).unwrap_err();
    assert!(
        matches!(below, DoseRefusal::BelowRange { smallest, .. } if smallest == Volume::from_ul(1_312)),
        "{below}"
    );
    let above = fit.meter(Volume::from_ul(70_000)).unwrap_err();
    assert!(
        matches!(above, DoseRefusal::AboveRange { largest, .. } if largest == Volume::from_ul(64_078)),
        "{above}"
    );
    for ul in [0, -1, i64::MIN] {
        assert!(matches!(
            fit.meter(Volume::from_ul(ul)),
            Err(DoseRefusal::BelowRange { .. })
        ));
    }
    assert!(matches!(
        fit.meter(Volume::from_ul(i64::MAX)),
        Err(DoseRefusal::AboveRange { .. })
    ));
    // The named ends themselves are metered.
    assert!(
        fit.meter(Volume::from_ul(1_312)).is_ok() && fit.meter(Volume::from_ul(64_078)).is_ok()
    );
}

#[test]
fn the_smallest_dose_meets_the_tolerance_and_one_a_little_smaller_does_not() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let smallest = fit.smallest_dose(5.0).unwrap();
    let percent = |volume: Volume| {
        let limits = fit.meter(volume).unwrap().dose_limits_ml;
        50.0 * (limits.1 - limits.0) / volume.as_ml()
    };
    assert!(percent(smallest) <= 5.001, "{smallest}");
    assert!(
        percent(smallest.saturating_sub(Volume::from_ul(20))) > 5.0,
        "{smallest}"
    );
    let limits = fit.metering_limits(5.0).unwrap();
    let calibration = fit.calibration();
    assert!(matches!(
        limits.run_time(&calibration, smallest.saturating_sub(Volume::from_ul(1))),
        Err(DoseRefusal::BelowTolerance { .. })
    ));
    assert_eq!(
        limits.run_time(&calibration, smallest),
        Ok(calibration.run_time(smallest).unwrap())
    );
    // 0.45 % is met by runs of 100 s and more, which nobody measured.
    for percent in [0.2, 0.45] {
        assert!(
            matches!(
                fit.smallest_dose(percent),
                Err(DoseRefusal::NeverPrecise { .. })
            ),
            "{percent}"
        );
    }
    for percent in [0.0, -1.0, 60.0, f64::NAN, f64::INFINITY] {
        assert!(
            matches!(
                fit.smallest_dose(percent),
                Err(DoseRefusal::Tolerance { .. })
            ),
            "{percent}"
        );
    }
}

#[test]
fn equal_readings_on_a_coarse_cylinder_are_no_proof_of_precision() {
    let list = [(10, 5_000), (10, 5_000), (40, 20_000), (40, 20_000)];
    let fine = fitted(&list).unwrap().smallest_dose(5.0).unwrap();
    let coarse = FitRules {
        resolution: Volume::from_ul(500),
        ..FitRules::default()
    };
    let coarse = fit(&runs(&list), &coarse)
        .unwrap()
        .smallest_dose(5.0)
        .unwrap();
    assert_eq!(fine, Volume::from_ul(5_000));
    assert!(coarse > Volume::from_ul(10_000), "{coarse}");
}

#[test]
fn a_worn_tube_is_seen_against_the_calibration_before() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let before = |rate: f64| {
        Calibration::new(FlowRate::from_ml_per_min(rate), Volume::from_ul(-298)).unwrap()
    };
    let worn = fit.compare(&before(52.0), WEAR_PERCENT);
    assert_eq!(
        (worn.verdict, worn.beyond_scatter),
        (TubeVerdict::SlowerPerhapsWorn, true)
    );
    assert!(worn.to_string().starts_with("-7.1 % against"), "{worn}");
    assert!(worn.to_string().contains("tube worn?"), "{worn}");
    let steady = fit.compare(&before(48.3), WEAR_PERCENT);
    assert_eq!(
        (steady.verdict, steady.beyond_scatter),
        (TubeVerdict::Steady, false)
    );
    let faster = fit.compare(&before(40.0), WEAR_PERCENT);
    assert_eq!(faster.verdict, TubeVerdict::FasterPerhapsChanged);
}

proptest! {
    #[test]
    fn what_is_metered_is_what_the_calibration_delivers_in_that_time(rate in 1.0_f64..400.0, share in 0.0_f64..1.0) {
        let made = Calibration::new(FlowRate::from_ml_per_min(rate), Volume::from_ul(80)).unwrap();
        let list = [5, 5, 30, 30].map(|s| (s, made.volume(Millis::from_secs(s)).as_ul()));
        let limits = fitted(&list).unwrap().metering_limits(5.0).unwrap();
        let (low, high) = (f64_from_i64(limits.dose_min.as_ul()), f64_from_i64(list[3].1));
        let volume = Volume::from_ml((low + share * (high - low)) / 1000.0).unwrap();
        let on_time = limits.run_time(&made, volume).unwrap();
        prop_assert!(on_time >= Millis::new(4_990) && on_time <= Millis::new(30_010));
        let back = made.volume(on_time).saturating_sub(volume).as_ul();
        prop_assert!(f64_from_i64(back).abs() <= rate / 60.0 + 1.0);
    }

    #[test]
    fn no_runs_whatever_panic(list in proptest::collection::vec((any::<i64>(), any::<i64>()), 0..10), near in proptest::collection::vec((200_i64..90_000, -10_i64..100_000), 4..12), any_rule in any::<f64>(), dose in any::<i64>()) {
        let rules = FitRules { extrapolation: any_rule, cv_percent_max: any_rule.abs(), bend_percent_max: 1e9, length_ratio_min: 1.0, resolution: Volume::from_ul(dose), ..FitRules::default() };
        for list in [list, near] {
            let some: Vec<_> = list.iter().map(|(ms, ul)| Run { on_time: Millis::new(*ms), volume: Volume::from_ul(*ul) }).collect();
            match fit(&some, &rules) {
                Ok(fit) => {
                    if let Ok(dose) = fit.meter(Volume::from_ul(dose)) {
                        prop_assert!(dose.on_time >= fit.run_range().0 && dose.on_time <= fit.run_range().1);
                    }
                    if let Ok(smallest) = fit.smallest_dose(20.0) {
                        prop_assert!(fit.meter(smallest).is_ok(), "{smallest}");
                    }
                    prop_assert!(fit.smallest_dose(any_rule).is_err() || (0.1..=50.0).contains(&any_rule));
                    prop_assert!(fit.lack_of_fit().is_none_or(|lack| (0.0..=1.0).contains(&lack.probability)));
                }
                Err(refusal) => prop_assert!(!refusal.to_string().is_empty()),
            }
        }
    }
}
