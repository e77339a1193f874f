//! How far one dose may be off, length by length. Expected values: own arithmetic, written anew from the rule in Python on scipy 1.17.

use super::super::runs::{LengthStats, pooled_cv_percent};
use super::super::*;
use super::{OFFSET_RUNS, close, fitted, runs};
use crate::quantity::{FlowRate, Millis, Volume};
use crate::statistics::Confidence;

/// Three runs of each length: 0.8 mL/s, and as far off it either way as is said.
fn three_of_each(lengths: &[(i64, i64, i64)]) -> Vec<Run> {
    let run = |ms, ul| Run {
        on_time: Millis::new(ms),
        volume: Volume::from_ul(ul),
    };
    let each = lengths.iter();
    each.flat_map(|(ms, ul, off)| [run(*ms, ul - off), run(*ms, *ul), run(*ms, ul + off)])
        .collect()
}

#[test]
fn a_dose_is_as_uncertain_as_the_scatter_of_its_neighbours_the_line_and_the_step() {
    // At 3, 6.584, 30 and 70 s, and of the offset, mL. A step of 0.1 mL hides nothing; 0.2 that of the shortest length, 0.25 of two.
    let steps = [
        (
            1,
            [
                0.110_894_16,
                0.156_392_93,
                0.411_246_12,
                1.309_211_82,
                0.064_279_83,
            ],
        ),
        (
            100,
            [
                0.110_894_16,
                0.156_392_93,
                0.411_246_12,
                1.309_211_82,
                0.064_279_83,
            ],
        ),
        (
            200,
            [
                0.161_840_98,
                0.159_631_20,
                0.411_247_01,
                1.312_401_93,
                0.075_029_39,
            ],
        ),
        (
            250,
            [
                0.209_362_44,
                0.204_397_03,
                0.411_294_66,
                1.317_203_24,
                0.099_687_05,
            ],
        ),
    ];
    for (step_ul, [a, b, c, d, offset]) in steps {
        let rules = FitRules {
            resolution: Volume::from_ul(step_ul),
            ..FitRules::default()
        };
        let fit = fit(&runs(&OFFSET_RUNS), &rules).unwrap();
        for (seconds, want) in [(3.0, a), (6.584, b), (30.0, c), (70.0, d)] {
            let error = fit.scatter().of_one(seconds, None);
            close(error.half_width(Confidence::P95), want, 1e-6);
        }
        let error = fit.scatter().of_line(0.0);
        close(error.half_width(Confidence::P95), offset, 1e-6);
    }
}

#[test]
fn what_a_step_makes_of_equal_runs_is_no_scatter_of_theirs() {
    let list = [
        (10, 5_000),
        (10, 5_600),
        (10, 5_200),
        (40, 20_000),
        (40, 21_400),
        (40, 20_300),
    ];
    let rules = FitRules {
        cv_percent_max: 50.0,
        ..FitRules::default()
    };
    let line = *fit(&runs(&list), &rules).unwrap().line();
    let lengths = LengthStats::of(&runs(&list), &line);
    for (step, want) in [
        (0.0, 4.821_493_8),
        (0.2, 4.512_824_9),
        (0.3, 4.094_396_7),
        (3.0, 0.0),
    ] {
        let cv = pooled_cv_percent(&lengths, step);
        assert!((cv - want).abs() < 1e-5, "{step}: {cv} is not {want}");
    }
}

/// 3.3 % of four degrees of freedom come of 3 % in 30 of 100 cases (F with 4 and infinite degrees), and one of six good runs lies as far
/// off as the first in 74 of 100.
#[test]
fn scatter_that_chance_makes_is_no_reason_to_refuse_also_where_one_run_is_farthest_off() {
    let list = [
        (10, 4_796),
        (10, 5_120),
        (10, 5_247),
        (40, 20_120),
        (40, 19_830),
        (40, 19_820),
    ];
    let line = *fitted(&list).unwrap().line();
    let farthest = SuspectRun::among(&runs(&list), &line).unwrap();
    assert_eq!(farthest.number, 1);
    close(farthest.probability, 0.737_368, 1e-5);
}

/// Within 5 %: 0.500 to 0.508 s, 1.029 to 37.115 s, and 41.564 to 100 s.
#[test]
fn a_length_that_scatters_is_not_within_what_is_metered_however_good_those_around_it_are() {
    let runs = three_of_each(&[
        (500, 400, 2),
        (750, 600, 30),
        (1_100, 880, 4),
        (30_000, 24_000, 50),
        (40_000, 32_000, 600),
        (50_000, 40_000, 100),
    ]);
    let fit = fit(&runs, &FitRules::default()).unwrap();
    let limits = fit.metering_limits(5.0).unwrap();
    assert_eq!(limits.run_max, Millis::new(37_115));
    let shortest = limits.run_time(&fit.calibration(), limits.dose_min);
    assert_eq!(shortest, Ok(Millis::new(1_030)), "in whole microlitres");
}

/// The best lies beside the best of those looked at first: before it, and behind it.
#[test]
fn the_best_is_looked_for_on_both_sides() {
    let behind = [(10, 5_000), (10, 5_030), (40, 20_050), (40, 19_950)];
    for (list, best) in [(&OFFSET_RUNS[..], 1.392_185_1), (&behind[..], 1.841_783_5)] {
        let refused = fitted(list).unwrap().smallest_dose(0.1);
        let Err(DoseRefusal::NeverPrecise { best_percent, .. }) = refused else {
            panic!("{refused:?}");
        };
        close(best_percent, best, 1e-6);
    }
}

#[test]
fn how_many_runs_would_do_is_more_than_there_were_and_at_most_20() {
    let fit = fitted(&OFFSET_RUNS).unwrap();
    let repeats = |ul, tolerance| fit.repeats_for(Volume::from_ul(ul), tolerance);
    assert_eq!(repeats(1_714, 5.0), Some(10));
    assert_eq!(repeats(7_749, 50.0), Some(4), "three were made");
    assert_eq!(repeats(2_116, 0.2), None);
    assert_eq!(repeats(1_000, 50.0), None, "shorter than any");
    let refused = fit.smallest_dose(1.35).unwrap_err().to_string();
    assert!(
        refused.contains("runs of each length would do if they scatter as these did"),
        "{refused}"
    );
    let refused = fit.smallest_dose(0.2).unwrap_err().to_string();
    assert!(
        refused.contains("20 runs of each length would not do either"),
        "{refused}"
    );
}

#[test]
fn lengths_lie_around_the_usual_dose_and_within_what_the_head_may_run() {
    let rate = FlowRate::from_ml_per_min(30.0);
    let around = |ul, max_s| {
        let [short, long] = lengths_around(Volume::from_ul(ul), rate, Millis::from_secs(max_s));
        (short.as_ms(), long.as_ms())
    };
    // 0.4 of it and twice as much; at least half a second, at most a quarter of the longest run, and four times as long.
    assert_eq!(around(5_000, 120), (4_000, 20_000));
    assert_eq!(around(100, 120), (500, 2_000));
    assert_eq!(around(100_000, 120), (30_000, 120_000));
    assert_eq!(around(40_000, 160), (32_000, 160_000));
    assert_eq!(around(40_000, 170), (32_000, 160_000));
}

#[test]
fn the_shortest_run_that_any_head_makes_is_metered() {
    let calibration = Calibration::new(FlowRate::from_ml_per_min(60.0), Volume::ZERO).unwrap();
    let shortest = Calibration::RUN_MIN;
    let ul = Volume::from_ul(shortest.as_ms());
    assert_eq!(calibration.run_time(ul), Ok(shortest), "1 mL takes 1 s");
    let less = ul.saturating_sub(Volume::from_ul(1));
    assert!(calibration.run_time(less).is_err());
}

#[test]
fn a_calibration_covers_what_is_within_its_limits_and_nothing_that_is_not_known() {
    let calibration = Calibration::new(FlowRate::from_ml_per_min(60.0), Volume::ZERO).unwrap();
    let limits = MeteringLimits {
        run_min: Millis::new(500),
        run_max: Millis::new(2_000),
        dose_min: Volume::ZERO,
        tolerance_percent: 5.0,
    };
    let covers = |coverage: Coverage, ul| coverage.check(&calibration, Volume::from_ul(ul)).is_ok();
    assert!(covers(Coverage::Limits(limits), 1_000));
    assert!(!covers(Coverage::Limits(limits), 499));
    assert!(covers(Coverage::Assumed, 499));
    assert!(!covers(Coverage::Unknown(Uncovered::NoLimits), 1_000));
}
