//! From runs to a calibration or a refusal.

use proptest::prelude::*;

use super::super::*;
use super::{OFFSET_RUNS, close, fitted, runs};
use crate::quantity::{FlowRate, Millis, Volume};
use crate::statistics::{Confidence, t_probability_two_sided};

/// Rows a5.offset.fit (1e-8 relative), .ci95 (1e-6) and .t (1e-4): computed with statsmodels 0.15.0, scipy 1.17.1. The rows' limits take
/// all lengths to scatter alike; those of a calibration do not (`the_limits_of_two_lengths_are_welchs`).
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
    let (low, high) = line.intercept_limits(Confidence::P95);
    close(low, -0.370_655_14, 1e-6);
    close(high, -0.224_802_88, 1e-6);
    let (low, high) = line.slope_limits(Confidence::P95);
    close(low, 0.801_166_91, 1e-6);
    close(high, 0.808_235_13, 1e-6);
    let t = line.intercept / line.intercept_se;
    close(t, -8.819_94, 1e-4);
    close(t_probability_two_sided(t, 13.0), 7.565e-7, 1e-4);
    assert_eq!(fit.calibration().offset(), Volume::from_ul(-298));
    assert_eq!(fit.suspect(), None);
    assert_eq!(
        fit.run_range(),
        (Millis::from_secs(2), Millis::from_secs(80))
    );
}

/// Through two lengths the rate is the difference of two means over that of the times, and its limits are those of Welch's test: worked
/// out by hand with the variances of 0.0001 and 0.0025 mL2 of three runs each and scipy 1.17.1 (`stats.t.ppf`).
#[test]
fn the_limits_of_two_lengths_are_welchs() {
    let fit = fitted(&[
        (10, 4_990),
        (10, 5_000),
        (10, 5_010),
        (40, 19_950),
        (40, 20_000),
        (40, 20_050),
    ])
    .unwrap();
    let (low, high) = fit.rate_limits();
    close(low.as_ul_per_ms(), WELCH_RATE.0, 1e-6);
    close(high.as_ul_per_ms(), WELCH_RATE.1, 1e-6);
    let (low, high) = fit.offset_limits_ml();
    close(low, -WELCH_OFFSET, 1e-6);
    close(high, WELCH_OFFSET, 1e-6);
}

#[test]
fn scatter_that_chance_may_make_of_few_runs_is_no_refusal_and_more_of_it_is() {
    let spread = |ul: i64| {
        let runs = [-ul, 0, ul].map(|off| (10, 5_000 + off));
        let long = [-4 * ul, 0, 4 * ul].map(|off| (40, 20_000 + off));
        fitted(&[runs, long].concat())
    };
    // Four degrees of freedom: 5.47 % is beyond 3 % by chance one time in 100 (chi square of 13.28).
    assert!(spread(150).is_ok() && spread(270).is_ok(), "3 % and 5.4 %");
    assert!(matches!(
        spread(280),
        Err(CalibrationRefusal::TooScattered { .. })
    ));
}

#[test]
fn what_the_step_of_the_cylinder_makes_of_equal_runs_is_no_scatter() {
    let list = [
        (10, 1_000),
        (10, 1_200),
        (10, 1_000),
        (40, 4_400),
        (40, 4_400),
        (40, 4_600),
    ];
    let by = |step: i64| {
        let rules = FitRules {
            resolution: Volume::from_ul(step),
            ..FitRules::default()
        };
        fit(&runs(&list), &rules)
    };
    assert!(by(200).is_ok());
    assert!(matches!(
        by(10),
        Err(CalibrationRefusal::TooScattered { .. })
    ));
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
fn repeats_whose_measured_times_differ_by_milliseconds_are_one_length() {
    let some = [
        (9_998, 5_000),
        (10_004, 5_003),
        (40_010, 20_010),
        (39_991, 19_994),
    ]
    .map(|(ms, ul)| Run {
        on_time: Millis::new(ms),
        volume: Volume::from_ul(ul),
    });
    let fit = fit(&some, &FitRules::default()).unwrap();
    assert_eq!(fit.lengths().len(), 2);
    // The milliseconds are on the line and do not count as scatter: 20,010 and 19,994 uL would be 0.06 %.
    assert!(fit.cv_percent() < 0.02, "{}", fit.cv_percent());
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
    let refusal = fit(&runs(&[(10, 5_000), (20, 10_000)]), &lax).unwrap_err();
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
    let read = Run::from_ml(Millis::from_secs(1), 1.25).unwrap();
    assert_eq!(
        (read.on_time, read.volume),
        (Millis::from_secs(1), Volume::from_ul(1_250))
    );
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

const WELCH_RATE: (f64, f64) = (0.496_063_370, 0.503_936_630);
const WELCH_OFFSET: f64 = 0.034_873_717;

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
}
