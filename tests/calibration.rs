//! Whether the limits of a calibration hold as often as they say, on simulated heads of fixed seeds. The whole table is
//! `cargo bench --bench calibration`.
#[path = "bench/heads.rs"]
mod heads;

use dosewright::metering::{FitRules, Run, fit};
use dosewright::quantity::{Millis, Volume};
use heads::{Cell, Found, Scatter, found};

const HEADS: u32 = 400;

/// 93 and 97 in 100: 1.8 standard deviations of 400 heads either way of 95.
const LEAST: u32 = 372;
const MOST: u32 = 388;

fn of(scatter: Scatter, cv_percent: f64, step_ul: i64) -> Found {
    let cell = Cell {
        scatter,
        cv_percent: cv_percent..cv_percent,
        step: Volume::from_ul(step_ul),
    };
    found(&cell, HEADS, 7)
}

#[test]
fn limits_hold_95_times_in_100_whether_a_head_scatters_by_so_much_or_in_proportion() {
    for scatter in [Scatter::Constant, Scatter::InProportion] {
        let found = of(scatter, 1.5, 1);
        assert!(found.calibrated >= HEADS - 4, "{scatter:?}: {found:?}");
        for held in [found.rate, found.offset] {
            assert!((LEAST..=MOST).contains(&held), "{scatter:?}: {found:?}");
        }
    }
}

#[test]
fn limits_hold_when_the_step_of_the_cylinder_hides_the_scatter() {
    for (scatter, step) in [(Scatter::Constant, 200), (Scatter::InProportion, 100)] {
        let found = of(scatter, 0.5, step);
        let least = LEAST * found.calibrated / HEADS;
        assert!(
            found.rate >= least && found.offset >= least,
            "{scatter:?}: {found:?}"
        );
    }
}

/// No more than 5 of 100 heads may give a dose outside; three standard deviations of 400 heads are 13.
#[test]
fn the_smallest_and_the_longest_dose_are_within_the_tolerance_up_to_a_scatter_of_3_percent() {
    for scatter in [Scatter::Constant, Scatter::InProportion] {
        let found = of(scatter, 3.0, 10);
        assert!(found.metering > 50, "{scatter:?}: {found:?}");
        for within in [found.smallest, found.longest] {
            assert!(found.metering - within <= 20 + 13, "{scatter:?}: {found:?}");
        }
    }
}

#[test]
fn equal_readings_of_a_coarse_cylinder_have_limits_as_wide_as_its_step() {
    let runs = [(10, 5.0), (10, 5.0), (40, 20.0), (40, 20.0)]
        .map(|(s, ml)| Run::from_ml(Millis::from_secs(s), ml).unwrap());
    let rules = FitRules {
        resolution: Volume::from_ul(200),
        ..FitRules::default()
    };
    let fitted = fit(&runs, &rules).unwrap();
    let (low, high) = fitted.rate_limits();
    // Two means, each anywhere within 0.1 mL, 30 s apart: 95 % of the triangle lie within 0.2 - 2 sqrt(0.05 x 0.1 x 0.1) mL.
    let half = 2.0 * (0.2 - 2.0 * 0.0005_f64.sqrt());
    assert!((high.as_ml_per_min() - 30.0 - half).abs() < 1e-6, "{high}");
    assert!((30.0 - low.as_ml_per_min() - half).abs() < 1e-6, "{low}");
}
