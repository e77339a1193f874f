//! What stands at the very edge of a rule, and what a rule must leave out.

use super::{
    ALKALINITY, BenchFacts, Case, DoseId, Millis, NOW, Volume, band, effective_share, meq, name,
    prediction, ramp, ul,
};
use crate::config::ApartRule;
use crate::guard::Counted;
use crate::metering::Calibration;
use crate::record::{Carried, Destination, DoseKind};

#[test]
fn a_plan_that_misses_its_limits_by_rounding_alone_is_left_as_it_is() {
    let water = ramp(Some(prediction(8.0, Millis::DAY)));
    let share = |planned: f64| effective_share(&ALKALINITY, planned, &water);
    let (low, high) = (
        meq(0.05) - band().max_fall,
        meq(0.05) + water.limits.max_rise,
    );
    let untouched = |share: f64| (share - 1.0).abs() < f64::EPSILON / 2.0;
    for planned in [low * (1.0 - 5e-10), low, high, high * (1.0 + 5e-10)] {
        assert!(untouched(share(planned)), "{planned}");
    }
    for planned in [low * (1.0 - 2e-9), high * (1.0 + 2e-9)] {
        assert!(!untouched(share(planned)), "{planned}");
    }
}

#[test]
fn what_went_into_a_vessel_is_kept_apart_from_nothing() {
    let mut case = Case::new();
    case.apart.push(ApartRule {
        first: name("soda"),
        second: name("chloride"),
        gap: Millis::from_mins(15),
    });
    case.earlier(1, "b", "chloride", Millis::from_mins(10), 2_000);
    assert_eq!(case.code(), "keep-apart");
    case.window
        .update(DoseId(1), |d| d.into = Destination::Bench);
    assert_eq!(case.code(), "ok");
}

#[test]
fn a_plan_at_exactly_the_hourly_cap_repeats_itself_every_hour() {
    let mut case = Case::new();
    case.kind = DoseKind::Plan;
    case.hourly_cap = ul(3_000);
    case.volume = ul(3_000);
    case.earlier(1, "a", "soda", Millis::HOUR, 3_000);
    assert_eq!(case.code(), "ok", "it comes in as the other goes out");
    case.now = NOW.minus(Millis::new(1));
    assert_eq!(case.code(), "hourly-cap");
}

/// Into the tank everything counts, whatever it was for; into a bucket what is rehearsed counts for itself.
#[test]
fn a_daily_cap_counts_what_went_the_same_way_and_the_runs_of_the_bench_only_in_the_tank() {
    use Destination::{Bench, Tank};
    use DoseKind::{Calibration, Hand, Plan, Prime};
    let mut case = Case::new();
    case.earlier(1, "a", "soda", Millis::from_mins(60), 9_500);
    for (into, kind, before, code) in [
        (Tank, Hand, Tank, "daily-cap"),
        (Tank, Prime, Tank, "daily-cap"),
        (Tank, Calibration, Tank, "daily-cap"),
        (Tank, Plan, Bench, "ok"),
        (Tank, Prime, Bench, "ok"),
        (Bench, Plan, Bench, "daily-cap"),
        (Bench, Hand, Bench, "daily-cap"),
        (Bench, Prime, Bench, "ok"),
        (Bench, Calibration, Bench, "ok"),
        (Bench, Plan, Tank, "ok"),
    ] {
        (case.kind, case.into) = (Plan, into);
        case.bench = (into == Bench).then_some(BenchFacts {
            cap: Volume::ZERO,
            given: Volume::ZERO,
            silent: false,
            runs_on_hold: false,
        });
        case.window
            .update(DoseId(1), |d| (d.kind, d.into) = (kind, before));
        assert_eq!(case.code(), code, "{kind} {before}, then into {into}");
    }
}

/// Of 5 mL that uptake alone allows.
#[test]
fn a_rise_counts_what_went_into_the_water_and_not_the_dose_itself() {
    let mut case = Case::new();
    case.water.insert(ALKALINITY, ramp(None));
    case.volume = ul(3_000);
    case.earlier(1, "a", "soda", Millis::from_mins(60), 2_500);
    assert_eq!(case.code(), "ramp-limit");
    case.window
        .update(DoseId(1), |d| d.into = Destination::Bench);
    assert_eq!(case.code(), "ok");
    case.earlier(100, "a", "soda", Millis::ZERO, 3_000);
    case.window.update(DoseId(100), |d| d.ended = None);
    assert_eq!(case.code(), "ok");
}

#[test]
fn the_shortest_run_by_time_is_inclusive() {
    let mut case = Case::new();
    case.kind = DoseKind::Prime;
    case.timed = Some(Calibration::RUN_MIN);
    assert_eq!(case.verdict(), Ok(Calibration::RUN_MIN));
    case.timed = Some(Calibration::RUN_MIN.minus(Millis::new(1)));
    assert_eq!(case.code(), "run-too-short");
}

#[test]
fn the_window_is_in_the_order_in_which_doses_began_whenever_they_are_told() {
    let mut case = Case::new();
    for (id, mins) in [(1, 20), (2, 40), (3, 20), (4, 30)] {
        case.earlier(id, "a", "soda", Millis::from_mins(mins), 1_000);
    }
    let order: Vec<i64> = case.window.iter().map(|d| d.id.0).collect();
    assert_eq!(order, [2, 4, 1, 3]);
}

#[test]
fn only_what_was_added_by_hand_is_forgotten_to_be_counted_anew() {
    let mut case = Case::new();
    case.earlier(0, "a", "soda", Millis::from_mins(20), 1_000);
    case.earlier(1, "a", "soda", Millis::from_mins(20), 1_000);
    case.window
        .add(Counted::by_hand(1, None, Carried::new(), NOW));
    let by_hand = |d: &Counted| (d.id.0, d.is_by_hand());
    let all: Vec<_> = case.window.iter().map(by_hand).collect();
    assert_eq!(all, [(0, false), (1, false), (-1, true)]);
    case.window.forget_by_hand();
    let left: Vec<_> = case.window.iter().map(|d| d.id.0).collect();
    assert_eq!(left, [0, 1]);
}

#[test]
fn runs_of_a_session_that_fell_silent_count_as_given_to_the_tank_and_no_others() {
    let mut case = Case::new();
    for (id, line, into, volume) in [
        (1, "a", Destination::Bench, 500),
        (2, "a", Destination::Tank, 700),
        (3, "a", Destination::Bench, 1_000),
        (4, "b", Destination::Bench, 1_100),
        (5, "a", Destination::Bench, 2_000),
    ] {
        case.earlier(id, line, "soda", Millis::from_mins(20), volume);
        case.window.update(DoseId(id), |d| d.into = into);
    }
    let added = case.window.into_tank(&name("head-a"), DoseId(3));
    // 1 mL carries 1 meq into 100 L.
    assert!((added[&ALKALINITY] - meq(0.03)).abs() < 1e-12, "{added:?}");
    let in_tank: Vec<_> = case
        .window
        .iter()
        .map(|d| (d.id.0, d.is_in_tank()))
        .collect();
    let expected = [(1, false), (2, true), (3, true), (4, false), (5, true)];
    assert_eq!(in_tank, expected);
}

#[test]
fn a_dose_is_dropped_25_hours_after_its_end_and_never_before_it_has_one() {
    let mut case = Case::new();
    case.earlier(1, "a", "soda", Millis::from_mins(60), 1_000);
    let ended = case.window.iter().next().unwrap().ended.unwrap();
    case.earlier(2, "b", "soda", Millis::from_mins(60), 1_000);
    case.window.update(DoseId(2), |d| d.ended = None);
    let gone = ended.plus(Millis::from_mins(25 * 60));
    let mut left = |now: Millis| {
        case.window.prune(now);
        case.window.iter().count()
    };
    assert_eq!(left(gone.minus(Millis::new(1))), 2);
    assert_eq!(left(gone), 1);
    assert_eq!(left(gone.plus(Millis::DAY)), 1);
}

#[test]
fn what_a_line_gave_is_of_that_line_into_the_tank_and_within_the_time() {
    let mut case = Case::new();
    case.earlier(1, "a", "soda", Millis::from_mins(20), 1_000);
    case.earlier(2, "b", "soda", Millis::from_mins(20), 2_000);
    case.earlier(3, "a", "soda", Millis::from_mins(20), 4_000);
    case.window
        .update(DoseId(3), |d| d.into = Destination::Bench);
    let ended = case.window.iter().next().unwrap().ended.unwrap();
    let within = |now: Millis| {
        let window = &case.window;
        window.volume_within(Millis::HOUR, &case.line.name, now)
    };
    let leaves = ended.plus(Millis::HOUR);
    assert_eq!(within(leaves.minus(Millis::new(1))), ul(1_000));
    assert_eq!(within(leaves), Volume::ZERO);
}
