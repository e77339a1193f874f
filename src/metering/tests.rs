//! Fitting, refusing and metering together, against the worked examples.

use proptest::prelude::*;

use super::*;
use crate::quantity::{FlowRate, Millis, Volume, f64_from_i64};

/// Rows a5.offset.data_t and data_v: run times in s and uL delivered, three replicates each (made up).
const OFFSET_RUNS: [(i64, i64); 15] = [
    (2, 1_310),
    (2, 1_360),
    (2, 1_280),
    (5, 3_720),
    (5, 3_660),
    (5, 3_790),
    (10, 7_740),
    (10, 7_680),
    (10, 7_830),
    (20, 15_790),
    (20, 15_700),
    (20, 15_880),
    (40, 31_920),
    (40, 31_710),
    (40, 32_050),
];

fn runs(list: &[(i64, i64)]) -> Vec<Run> {
    list.iter()
        .map(|(seconds, ul)| Run {
            on_time: Millis::from_secs(*seconds),
            volume: Volume::from_ul(*ul),
        })
        .collect()
}

fn fitted(list: &[(i64, i64)]) -> Result<CalibrationFit, CalibrationRefusal> {
    fit(&runs(list), &FitRules::default())
}

fn close(got: f64, want: f64, relative: f64) {
    assert!((got / want - 1.0).abs() < relative, "{got} is not {want}");
}

/// Rows a5.offset.fit (1e-8 relative), .ci95 (1e-6) and .t (1e-4): computed with statsmodels 0.15.0, scipy 1.17.1.
#[test]
fn the_offset_worked_example_comes_out_with_its_limits() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let line = fit.line();
    close(line.intercept, -0.297_729_007_6, 1e-8);
    close(line.slope, 0.804_701_017_8, 1e-8);
    close(line.intercept_se, 0.033_756_336_03, 1e-8);
    close(line.slope_se, 0.001_635_883_88, 1e-8);
    close(line.residual_sd, 0.087_019_181_97, 1e-8);
    close(line.r_squared, 0.999_946_277_5, 1e-8);
    assert_eq!(line.dof, 13);
    let (low, high) = fit.offset_limits_ml();
    close(low, -0.370_655_14, 1e-6);
    close(high, -0.224_802_88, 1e-6);
    let (low, high) = fit.rate_limits();
    close(low.as_ul_per_ms(), 0.801_166_91, 1e-6);
    close(high.as_ul_per_ms(), 0.808_235_13, 1e-6);
    close(line.intercept / line.intercept_se, -8.819_94, 1e-4);
    close(fit.offset_probability(), 7.565e-7, 1e-4);
    assert_eq!(fit.calibration().offset(), Volume::from_ul(-298));
    assert_eq!(fit.suspect(), None);
    assert_eq!(
        fit.run_range(),
        (Millis::from_secs(2), Millis::from_secs(80))
    );
}

/// Row a5.offset.inverse (1e-6 relative): run time for 5.00 mL and the 95 % prediction interval of one such dose.
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
    close(dose.dose_limits_ml.0, 4.803_356_9, 1e-5);
    close(dose.dose_limits_ml.1, 5.196_643_1, 1e-5);
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

/// Fieller's limits are where the confidence limits of the line cross the dose.
#[test]
fn the_limits_of_a_run_time_are_where_the_limits_of_the_line_give_the_dose() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let (low, high) = fit.meter(Volume::from_ul(5_000)).unwrap().on_time_limits_s;
    let line = fit.line();
    assert!(low < 6.5835 && 6.5835 < high);
    close(
        line.at(low) + line.half_width_of_line(low, Confidence::P95),
        5.0,
        1e-9,
    );
    close(
        line.at(high) - line.half_width_of_line(high, Confidence::P95),
        5.0,
        1e-9,
    );
}

#[test]
fn lengths_are_reported_with_scatter_and_systematic_error() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let first = fit.lengths()[0];
    assert_eq!(
        (fit.lengths().len(), first.runs, first.on_time),
        (5, 3, Millis::from_secs(2))
    );
    // 1.31, 1.36, 1.28: mean 1.316667, sd 0.040415; the line gives 1.311673 at 2 s.
    close(first.mean_ml, 1.316_666_667, 1e-8);
    close(first.sd_ml.unwrap(), 0.040_414_519, 1e-6);
    close(first.cv_percent.unwrap(), 3.069_457, 1e-6);
    assert!(
        (first.bend_percent - 0.3807).abs() < 1e-3,
        "{}",
        first.bend_percent
    );
    assert!(
        (1.0..3.0).contains(&fit.cv_percent()),
        "{}",
        fit.cv_percent()
    );
    let lack = fit.lack_of_fit().unwrap();
    assert!(lack.probability > 0.05, "{lack:?}");
}

#[test]
fn a_curve_is_found_by_the_lack_of_fit_and_a_strong_one_is_refused() {
    let weak = fitted(&[
        (10, 5_000),
        (10, 5_010),
        (20, 10_200),
        (20, 10_210),
        (40, 19_900),
        (40, 19_910),
    ])
    .unwrap();
    assert!(weak.lack_of_fit().unwrap().probability < 0.01);
    let refusal = fitted(&[
        (10, 5_000),
        (10, 5_010),
        (20, 12_000),
        (20, 12_010),
        (40, 20_000),
        (40, 20_010),
    ])
    .unwrap_err();
    assert!(
        matches!(refusal, CalibrationRefusal::Bent { suspect: None, .. }),
        "{refusal}"
    );
}

#[test]
fn too_few_runs_or_lengths_say_what_is_needed() {
    for few in [
        &[][..],
        &[(10, 5_000), (10, 5_000), (20, 10_000)],
        &[(10, 5_000); 6],
    ] {
        let refusal = fitted(few).unwrap_err();
        assert!(
            matches!(
                refusal,
                CalibrationRefusal::TooFew {
                    runs_min: 4,
                    lengths_min: 2,
                    ..
                }
            ),
            "{refusal}"
        );
    }
    let once = fitted(&[(10, 5_000), (10, 5_000), (20, 10_000), (40, 20_000)]).unwrap_err();
    assert_eq!(
        once,
        CalibrationRefusal::NotRepeated {
            on_time: Millis::from_secs(40)
        }
    );
    let alike = fitted(&[(10, 5_000), (10, 5_000), (15, 7_500), (15, 7_500)]).unwrap_err();
    assert!(
        matches!(alike, CalibrationRefusal::LengthsTooClose { .. }),
        "{alike}"
    );
}

#[test]
fn rules_cannot_be_set_below_what_can_be_fitted() {
    let lax = FitRules {
        runs_min: 0,
        lengths_min: 0,
        ..FitRules::default()
    };
    assert!(fit(&runs(&[(10, 5_000), (20, 10_000)]), &lax).is_err());
    for nan in [
        FitRules {
            cv_percent_max: f64::NAN,
            ..FitRules::default()
        },
        FitRules {
            bend_percent_max: f64::NAN,
            ..FitRules::default()
        },
        FitRules {
            length_ratio_min: f64::NAN,
            ..FitRules::default()
        },
    ] {
        assert!(fit(&runs(&OFFSET_RUNS), &nan).is_err(), "{nan:?}");
    }
}

#[test]
fn one_wrong_run_is_named_with_what_the_others_say() {
    let mut list = OFFSET_RUNS;
    list[7].1 = 8_680; // A slip of the pen: 7.68 mL.
    let refusal = fitted(&list).unwrap_err();
    let CalibrationRefusal::TooScattered {
        suspect: Some(suspect),
        ..
    } = &refusal
    else {
        panic!("{refusal}")
    };
    assert_eq!(suspect.number, 8);
    assert!((suspect.expected_ml - 7.75).abs() < 0.05, "{suspect:?}");
    let text = refusal.to_string();
    assert!(
        text.contains("run 8 (10 s, 8.68 mL) looks wrong, the others say 7.7"),
        "{text}"
    );
}

#[test]
fn a_smaller_slip_is_accepted_with_a_warning() {
    let mut list = OFFSET_RUNS;
    list[10].1 = 16_300;
    let fit = fitted(&list).unwrap();
    assert_eq!(fit.suspect().unwrap().number, 11);
}

#[test]
fn scatter_of_two_repeats_names_nobody() {
    let refusal = fitted(&[(10, 5_000), (10, 6_000), (20, 10_000), (20, 11_000)]).unwrap_err();
    assert!(
        refusal.to_string().contains("no single run stands out"),
        "{refusal}"
    );
}

/// FT-CONF-03: litres taken for millilitres (factor 1,000 either way) give a rate outside 0.05 to 500 mL/min.
#[test]
fn litres_for_millilitres_are_refused() {
    for factor in [1_000_000, 1] {
        let list = [
            (30, 15 * factor),
            (30, 15 * factor),
            (60, 30 * factor),
            (60, 30 * factor),
        ];
        let refusal = fitted(&list).unwrap_err();
        assert!(
            matches!(
                refusal,
                CalibrationRefusal::NotAHead(CalibrationError::Rate { .. })
            ),
            "{refusal}"
        );
    }
}

#[test]
fn runs_that_did_nothing_or_ran_backwards_are_refused() {
    for ul in [0, -5_000, i64::MIN] {
        let refusal = fitted(&[(10, 5_000), (10, ul), (20, 10_000), (20, 10_000)]).unwrap_err();
        assert!(
            matches!(refusal, CalibrationRefusal::RunVolume { number: 2, .. }),
            "{refusal}"
        );
    }
    for seconds in [0, -10, 100_000] {
        let refusal =
            fitted(&[(10, 5_000), (seconds, 5_000), (20, 10_000), (20, 10_000)]).unwrap_err();
        assert!(
            matches!(refusal, CalibrationRefusal::RunTime { number: 2, .. }),
            "{refusal}"
        );
    }
    // More from short runs than from long ones: a negative rate, on which all lengths lie.
    let refusal = fitted(&[(10, 10_000), (10, 10_000), (20, 9_000), (20, 9_000)]).unwrap_err();
    assert!(
        matches!(refusal, CalibrationRefusal::NotAHead(_)),
        "{refusal}"
    );
    for ml in [f64::NAN, f64::INFINITY, 1e300] {
        assert_eq!(Run::from_ml(Millis::from_secs(1), ml), None);
    }
}

#[test]
fn an_offset_that_no_head_has_is_refused() {
    // 6 mL at once, then 6 mL/min: the vessel was not emptied between runs.
    let refusal = fitted(&[(10, 7_000), (10, 7_000), (20, 8_000), (20, 8_000)]).unwrap_err();
    assert!(
        matches!(
            refusal,
            CalibrationRefusal::NotAHead(CalibrationError::Offset { .. })
        ),
        "{refusal}"
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
    // 0.2 mL of half-width are 5 % of about 4 mL.
    assert!((3_500..4_500).contains(&smallest.as_ul()), "{smallest}");
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
    assert!(matches!(
        fit.smallest_dose(0.2),
        Err(DoseRefusal::NeverPrecise { .. })
    ));
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
    let off = fit
        .error_of_doses_before(&before(52.0), Volume::from_ul(10_000))
        .unwrap();
    assert!((off + 7.36).abs() < 0.05, "{off}");
    assert_eq!(fit.error_of_doses_before(&before(52.0), Volume::ZERO), None);
}

proptest! {
    #[test]
    fn exact_runs_give_back_their_calibration(rate in 1.0_f64..400.0, offset_ul in -50_i64..500) {
        let made = Calibration::new(FlowRate::from_ml_per_min(rate), Volume::from_ul(offset_ul)).unwrap();
        let list: Vec<_> = [15, 15, 40, 40, 90].map(|s| (s, made.volume(Millis::from_secs(s)).as_ul())).to_vec();
        let list = [list, vec![(90, made.volume(Millis::from_secs(90)).as_ul())]].concat();
        let got = fitted(&list).unwrap().calibration();
        // Whole microlitres leave at most one in each run.
        prop_assert!((got.rate().as_ml_per_min() - rate).abs() < 60.0 * 2e-3 / 60.0 + 1e-9, "{got:?}");
        prop_assert!((got.offset().as_ul() - offset_ul).abs() <= 2, "{got:?}");
    }

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
