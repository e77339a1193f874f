//! The estimate follows from the record: from what most probably reached the water and from what was told, whenever it was.

use super::rig::{DAY, HOUR, MINUTE, SECOND, World, demo, name, reading, tell};
use crate::chemistry::{Measurand, Quantity};
use crate::engine::{BenchAsk, Command, CourseWish, Lab, NewBench, Replaces, Tell};
use crate::estimate::filter::{Estimate, Finding};
use crate::estimate::policy;
use crate::quantity::Words;
use crate::record::{Addition, Carried, DoseEnd, DoseKind, Entry, Observed, Reading};

const OF: Quantity = Quantity::Alkalinity;

fn estimate(world: &World) -> Estimate {
    let engine = world.engine.as_ref().unwrap();
    engine.estimate_of(&OF, world.now()).expect("a reading")
}

fn level(world: &World) -> f64 {
    estimate(world).state.level
}

fn findings(world: &World) -> Vec<Finding> {
    world.engine.as_ref().unwrap().findings_of(&OF).to_vec()
}

/// Takes a reading each day.
fn days_of(world: &mut World, values: &[f64]) {
    for value in values {
        world.run(DAY);
        world.read_alkalinity(*value);
    }
}

/// A daemon that is started now must believe what one that ran through does, bit for bit.
fn same_after_restart(world: &mut World) {
    world.run(SECOND);
    let before = (estimate(world), findings(world));
    world.restart_after(0);
    world.sync();
    assert_eq!((estimate(world), findings(world)), before);
}

/// With no dose of the plan, so that only what a test gives is given.
fn without_plan() -> World {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    world.hold(Some("alkalinity"), "a test");
    world.hold(Some("calcium"), "a test");
    world.run(SECOND);
    world
}

fn near(got: f64, wanted: f64) {
    assert!((got - wanted).abs() < 1e-6, "{got} is not {wanted}");
}

fn told_at(world: &mut World, what: Observed, happened: Option<jiff::Timestamp>) {
    let told = Tell {
        happened,
        sure: true,
        ..tell(what)
    };
    world.told(Command::Tell(told)).unwrap();
}

#[test]
fn a_start_gives_bit_for_bit_what_ran_through() {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    days_of(&mut world, &[8.1, 8.0, 8.2]);
    world.tell_surely(Observed::WaterChange {
        litres: 30.0,
        held: Carried::from([(OF, 7.5)]),
    });
    world.run(5 * HOUR);
    same_after_restart(&mut world);
    days_of(&mut world, &[8.0, 7.9]);
    same_after_restart(&mut world);
}

#[test]
fn a_dose_of_a_dry_run_brings_nothing_into_the_water() {
    let mut levels = Vec::new();
    for live in [true, false] {
        let (controller, plan) = demo();
        let mut world = World::new(controller, plan, "2026-11-01T06:00:00Z");
        world.live = live;
        world.start();
        world.sync();
        world.read_alkalinity(8.0);
        world.run(DAY);
        levels.push(level(&world));
        // What a dry run gave counts for nothing afterwards either.
        world.live = true;
        world.restart_after(0);
        world.sync();
        near(level(&world), levels[levels.len() - 1]);
    }
    let given = levels[0] - levels[1];
    assert!((0.6..1.0).contains(&given), "{levels:?}");
    // Nothing given, and 0.8 dKH a day taken up by the plan's word.
    near(levels[1], 7.2);
}

#[test]
fn a_dose_into_the_tank_counts_and_a_run_at_the_bench_does_not() {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    world.hold(Some("calcium"), "a test");
    world.run(SECOND);
    let day = level(&world);
    world.by_hand("alkalinity", 4_000, DoseKind::Hand).unwrap();
    world.run(MINUTE);
    let given = world.worth("alkalinity", &OF, 4_000);
    let minutes = 0.8 / 1440.0;
    assert!((level(&world) - day - given + minutes).abs() < 1e-4);
    world
        .told(Command::Bench(BenchAsk::Open(NewBench {
            head: name("alkalinity"),
            cap: None,
            bucket_days: None,
            note: Words::default(),
        })))
        .unwrap();
    let before = level(&world);
    world
        .by_hand("alkalinity", 4_000, DoseKind::Calibration)
        .unwrap();
    world.run(MINUTE);
    assert!((level(&world) - before + minutes).abs() < 1e-4);
    same_after_restart(&mut world);
}

#[test]
fn a_dose_that_ended_unseen_counts_by_its_middle_with_the_variance_of_what_it_may_have_been() {
    let mut world = without_plan();
    world.resume(Some("alkalinity"));
    world.run(SECOND);
    let before = estimate(&world);
    world.by_hand("alkalinity", 4_000, DoseKind::Hand).unwrap();
    world.run(2 * SECOND);
    world.restart_after(0);
    world.sync();
    world.run(SECOND);
    assert_eq!(
        world.books.outcomes.values().last().unwrap().end,
        DoseEnd::Uncertain
    );
    let counted = world.books.outcomes.values().last().unwrap().delivered;
    let most = world.worth("alkalinity", &OF, counted.as_ul());
    let after = estimate(&world);
    assert!((after.state.level - before.state.level - most / 2.0).abs() < 1e-3);
    let grown = after.state.cov.ll - before.state.cov.ll;
    assert!(
        (grown / (most * most / 12.0) - 1.0).abs() < 0.1,
        "{grown} {most}"
    );
    same_after_restart(&mut world);
}

#[test]
fn a_reading_that_is_told_late_counts_as_of_its_time() {
    let mut in_time = World::demo("2026-11-01T06:00:00Z");
    let mut late = World::demo("2026-11-01T06:00:00Z");
    for world in [&mut in_time, &mut late] {
        days_of(world, &[8.1, 8.2]);
        world.run(DAY);
    }
    let happened = in_time.wall();
    in_time.read_alkalinity(7.7);
    in_time.run(DAY);
    late.run(DAY);
    assert!((level(&late) - level(&in_time)).abs() > 0.05);
    late.read_alkalinity_at(7.7, Some(happened));
    assert_eq!(estimate(&late), estimate(&in_time));
    same_after_restart(&mut late);
}

#[test]
fn what_is_corrected_or_taken_back_leaves_nothing_behind() {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    days_of(&mut world, &[8.1, 8.2]);
    let right = estimate(&world);
    world.read_alkalinity(7.8);
    let wrong = world.status().water.readings["alkalinity"].reading.number;
    assert!(level(&world) < right.state.level - 0.02);
    let taken_back = Command::TakeBack {
        number: wrong,
        why: "wrong tank".into(),
    };
    world.told(taken_back).unwrap();
    near(
        level(&world),
        right.state.level - right.state.uptake / 86_400.0,
    );
    same_after_restart(&mut world);
    let number = world.status().water.readings["alkalinity"].reading.number;
    let corrected = Tell {
        replaces: Some(Replaces {
            number,
            why: "wrong syringe".into(),
        }),
        ..tell(reading(OF, 8.0, 0.1))
    };
    world.told(Command::Tell(corrected)).unwrap();
    assert!(level(&world) < right.state.level - 0.02);
    same_after_restart(&mut world);
}

#[test]
fn water_changes_and_additions_by_hand_move_the_level() {
    let mut world = without_plan();
    let before = level(&world);
    let litres = world.controller.tank.as_litres() / 10.0;
    let held = Carried::from([(OF, 6.0)]);
    told_at(&mut world, Observed::WaterChange { litres, held }, None);
    near(level(&world), before * 0.9 + 0.6 - 0.8 / 86_400.0);
    let known = estimate(&world);
    told_at(
        &mut world,
        Observed::WaterChange {
            litres,
            held: Carried::new(),
        },
        None,
    );
    assert!(
        estimate(&world).state.cov.ll > known.state.cov.ll,
        "unknown water widens it"
    );
    let before = level(&world);
    let adds = Carried::from([(OF, 0.5)]);
    told_at(
        &mut world,
        Observed::Addition(Addition { from: None, adds }),
        None,
    );
    near(level(&world), before + 0.5 - 0.8 / 86_400.0);
    same_after_restart(&mut world);
}

#[test]
fn a_tenfold_slip_is_questioned_and_let_in_when_a_second_one_agrees() {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    days_of(&mut world, &[8.1, 8.0, 8.1]);
    world.run(DAY);
    world.read_alkalinity(80.0);
    let after = estimate(&world);
    assert!(
        after.questioned && (7.5..8.6).contains(&after.state.level),
        "{after:?}"
    );
    assert!(matches!(findings(&world)[..], [Finding::Questioned { .. }]));
    same_after_restart(&mut world);
    world.run(HOUR);
    world.read_alkalinity(80.0);
    assert!(matches!(findings(&world)[..], [_, Finding::LetIn { .. }]));
    assert!(level(&world) > 60.0 && !estimate(&world).questioned);
    same_after_restart(&mut world);
}

#[test]
fn what_was_believed_first_stays_whatever_is_accepted_later() {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    days_of(&mut world, &[8.1, 8.2, 8.3]);
    let before = estimate(&world);
    let uptake = crate::engine::Wish::Uptake(crate::engine::NewUptake {
        of: OF,
        per_day: 0.75,
        how: crate::record::UptakeHow::Accepted,
        sure: true,
    });
    world.wished(uptake).unwrap();
    let after = estimate(&world);
    near(after.state.uptake, before.state.uptake);
    same_after_restart(&mut world);
}

#[test]
fn a_course_is_told_apart_from_what_stands() {
    let mut world = World::demo("2026-11-01T06:00:00Z");
    let addition = |world: &World| {
        let engine = world.engine.as_ref().unwrap();
        engine.addition_of(&OF, world.now())
    };
    let standing = addition(&world);
    assert!((standing.per_day - 0.8).abs() < 0.02 && standing.course.abs() < 1e-12);
    world
        .begin(CourseWish::Change {
            line: name("alkalinity"),
            of: OF,
            by: 0.3,
            at_most_per_day: 0.1,
        })
        .unwrap();
    world.run(DAY);
    let with = addition(&world);
    near(with.per_day, standing.per_day);
    assert!((with.course - 0.1).abs() < 0.005, "{with:?}");
    assert!((1.5..3.0).contains(&with.course_days), "{with:?}");
}

/// Started, trusted, and without a reading.
fn untested() -> World {
    let (controller, plan) = demo();
    let mut world = World::new(controller, plan, "2026-11-01T06:00:00Z");
    world.start();
    world.sync();
    world
}

fn ago(world: &World, ms: i64) -> jiff::Timestamp {
    let at = world.wall().as_millisecond() - ms;
    jiff::Timestamp::from_millisecond(at).unwrap()
}

/// Tells readings that were taken at equal times, the last `until` ago, and what was added by hand between two of them.
fn series(world: &mut World, (step, until): (i64, i64), added: f64, values: &[f64]) {
    let last = i64::try_from(values.len()).unwrap() - 1;
    for (value, place) in values.iter().zip(0..) {
        let before = until + (last - place) * step;
        if place > 0 {
            let adds = Carried::from([(OF, added)]);
            let happened = ago(world, before + HOUR);
            told_at(
                world,
                Observed::Addition(Addition { from: None, adds }),
                Some(happened),
            );
        }
        let happened = ago(world, before);
        world.read_alkalinity_at(*value, Some(happened));
    }
}

fn shown(world: &mut World) -> crate::engine::EstimateStatus {
    world.status().water.estimates["alkalinity"].clone()
}

#[test]
fn a_break_is_named_with_its_dates_and_what_changed_in_the_week_before() {
    let mut world = untested();
    let note = |text: &str| Observed::Note {
        text: text.to_owned(),
    };
    let happened = ago(&world, 9 * DAY);
    told_at(&mut world, note("new lamp"), Some(happened));
    let happened = ago(&world, 20 * DAY);
    told_at(&mut world, note("new skimmer"), Some(happened));
    world.refill("alkalinity", crate::engine::RefillLevel::Full);
    world.run(SECOND);
    series(
        &mut world,
        (7 * DAY, 0),
        5.6,
        &[8.0, 8.0, 8.0, 8.0, 8.0, 8.0, 7.0],
    );
    let broke = shown(&mut world).broke.expect("a break");
    let day = |at: jiff::Timestamp| at.to_string().get(..10).unwrap().to_owned();
    assert_eq!(
        (day(broke.since), day(broke.seen)),
        ("2026-10-25".to_owned(), "2026-11-01".to_owned())
    );
    assert!(
        broke.after_per_day > broke.before_per_day + 0.05,
        "{broke:?}"
    );
    let named = broke.changes.join("; ");
    assert!(
        named.contains("new lamp") && !named.contains("skimmer"),
        "{named}"
    );
    for words in ["filled to", "added by hand"] {
        assert!(named.contains(words), "{words}: {named}");
    }
}

#[test]
fn a_level_that_will_leave_the_alarm_band_alarms_until_it_will_not() {
    let mut world = untested();
    let falls = [8.8, 8.6, 8.4, 8.2, 8.0, 7.8, 7.6, 7.4, 7.2, 7.0];
    series(&mut world, (DAY, 0), 0.8, &falls);
    assert!(world.has_alarm("level-leaving"));
    let alarms = world.status().alarms;
    let alarm = alarms
        .iter()
        .find(|a| a.code.as_str() == "level-leaving")
        .unwrap();
    assert!(
        alarm
            .text
            .contains("falls below the alarm limit of 6.50 dKH within")
            && !alarm.urgent,
        "{}",
        alarm.text
    );
    assert!(
        alarm.text.contains("dosewright advise alkalinity"),
        "{}",
        alarm.text
    );
    let adds = Carried::from([(OF, 1.5)]);
    told_at(
        &mut world,
        Observed::Addition(Addition { from: None, adds }),
        None,
    );
    assert!(!world.has_alarm("level-leaving"));
}

/// Raised at seven days, it goes only when the level stays within for more than nine.
#[test]
fn the_alarm_of_a_level_does_not_come_and_go_with_a_day() {
    let mut world = untested();
    let falls = [8.8, 8.6, 8.4, 8.2, 8.0, 7.8, 7.6, 7.4, 7.2, 7.0];
    series(&mut world, (DAY, 0), 0.8, &falls);
    let mut last = 0;
    while world.has_alarm("level-leaving") {
        let engine = world.engine.as_ref().unwrap();
        let plan = engine.addition_of(&OF, world.now());
        let leaves = policy::leaves_alarm_band(&estimate(&world), &plan, (6.5, 10.5));
        last = leaves.expect("the alarm says so").in_days;
        let adds = Carried::from([(OF, 0.02)]);
        let little = Addition { from: None, adds };
        told_at(&mut world, Observed::Addition(little), None);
    }
    assert_eq!(last, 9);
}

#[test]
fn nothing_is_foretold_from_a_stale_or_questioned_reading_or_in_a_dry_run() {
    let falls = [8.8, 8.6, 8.4, 8.2, 8.0, 7.8, 7.6, 7.4, 7.2, 7.0];
    let mut stale = untested();
    series(&mut stale, (DAY, 15 * DAY), 0.8, &falls);
    assert!(!stale.has_alarm("level-leaving"));
    let mut dry = untested();
    dry.live = false;
    dry.restart_after(SECOND);
    dry.sync();
    series(&mut dry, (DAY, 0), 0.8, &falls);
    assert!(!dry.has_alarm("level-leaving"));
    let mut doubted = untested();
    series(&mut doubted, (DAY, 0), 0.8, &falls);
    assert!(doubted.has_alarm("level-leaving"));
    doubted.read_alkalinity(80.0);
    assert!(!doubted.has_alarm("level-leaving"));
}

#[test]
fn the_status_says_level_uptake_age_and_what_is_questioned() {
    let mut world = untested();
    assert_eq!(shown(&mut world).level, None);
    series(&mut world, (DAY, HOUR), 0.8, &[8.0, 8.1, 8.0, 8.0]);
    let known = shown(&mut world);
    let (low, level, high) = (
        known.level_low.unwrap(),
        known.level.unwrap(),
        known.level_high.unwrap(),
    );
    assert!(
        7.6 < low && low < level && level < high && high < 8.3,
        "{known:?}"
    );
    assert!((known.uptake_per_day.unwrap() - 0.8).abs() < 0.1);
    assert_eq!((known.reading_age_s.unwrap() - 3600).abs() / 60, 0);
    assert_eq!((known.readings, known.questioned), (4, None));
    world.read_alkalinity(80.0);
    let words = shown(&mut world).questioned.unwrap();
    assert!(
        words.contains("the reading of 80.00 dKH does not fit"),
        "{words}"
    );
    world.run(SECOND);
    world.restart_after(0);
    assert_eq!(
        shown(&mut world).level,
        None,
        "what time it is, is not known"
    );
    world.sync();
    assert!(shown(&mut world).level.is_some());
}

#[test]
fn readings_that_scatter_less_than_kit_and_tank_allow_are_told() {
    let mut world = untested();
    series(&mut world, (7 * DAY, 0), 5.6, &[8.0; 4]);
    assert_eq!(shown(&mut world).liveliness, None);
    let mut world = untested();
    series(&mut world, (7 * DAY, 0), 5.6, &[8.0; 25]);
    let words = shown(&mut world).liveliness.unwrap();
    assert!(words.contains("less than they should"), "{words}");
}

#[test]
fn readings_that_scatter_more_than_kit_and_tank_allow_are_told() {
    let mut world = untested();
    let values: Vec<f64> = [7.7, 8.3].into_iter().cycle().take(25).collect();
    series(&mut world, (7 * DAY, 0), 5.6, &values);
    let words = shown(&mut world).liveliness.unwrap();
    assert!(words.contains("more than they should"), "{words}");
}

#[test]
fn the_guard_goes_by_its_own_bound_whatever_the_estimate_says() {
    let mut world = untested();
    series(&mut world, (DAY, 0), 0.8, &[8.0, 8.1, 8.0, 8.0]);
    // Doubted by the estimate, taken by the guard.
    world.read_alkalinity(10.9);
    assert!(shown(&mut world).questioned.is_some());
    near(world.prediction().unwrap().value, 10.9);
}

#[test]
fn the_step_of_the_kit_counts_in_every_reading_that_tells_none_of_its_own() {
    let variance = |kit_step: f64, own: Option<f64>| {
        let (mut controller, plan) = demo();
        controller.water.get_mut(&OF).unwrap().kit_step = kit_step;
        let mut world = World::new(controller, plan, "2026-11-01T06:00:00Z");
        world.start();
        world.sync();
        let Observed::Reading(read) = reading(OF, 8.0, 0.1) else {
            unreachable!()
        };
        world.tell_surely(Observed::Reading(Reading { step: own, ..read }));
        same_after_restart(&mut world);
        estimate(&world).state.cov.ll
    };
    let plain = variance(0.0, None);
    let with_step = |step: f64| plain + step * step / 12.0;
    near(variance(0.5, None), with_step(0.5));
    near(variance(0.5, Some(0.2)), with_step(0.2));
    near(variance(0.5, Some(0.0)), plain);
}

#[test]
fn a_lab_does_not_read_to_the_step_of_the_owners_kit() {
    let (mut controller, plan) = demo();
    controller.water.get_mut(&OF).unwrap().kit_step = 0.5;
    let mut world = World::new(controller, plan, "2026-11-01T06:00:00Z");
    world.start();
    world.sync();
    let of_lab = Tell {
        lab: Some(Box::new(Lab {
            name: "north".into(),
            columns: None,
        })),
        ..tell(reading(OF, 8.0, 0.1))
    };
    world.told(Command::Tell(of_lab)).unwrap();
    let steps = world.books.entries.iter().filter_map(|entry| {
        let Entry::Observation(told) = entry else {
            return None;
        };
        Some(told.reading()?.step)
    });
    assert_eq!(steps.last(), Some(None));
}

/// Told two days ago: alkalinity and salinity; a day ago: salinity.
fn with_salinities(values: [f64; 2]) -> World {
    let mut world = untested();
    let times = [2 * DAY, DAY].map(|before| ago(&world, before));
    told_at(&mut world, reading(OF, 8.0, 0.1), Some(times[0]));
    for (value, at) in values.into_iter().zip(times) {
        let salinity = reading(Measurand::Salinity, value, 0.3);
        told_at(&mut world, salinity, Some(at));
    }
    world
}

#[test]
fn a_salinity_that_moved_moves_what_is_dissolved_with_it() {
    let mut still = with_salinities([35.0, 35.7]);
    let mut moved = with_salinities([35.0, 36.75]);
    // In the middle between the two, after half a day of 0.8 dKH: 5 % of 7.6 dKH.
    let risen = level(&moved) - level(&still);
    assert!((risen - 0.38).abs() < 1e-3, "{risen}");
    let wider = estimate(&moved).state.cov.ll - estimate(&still).state.cov.ll;
    // Twice 0.3 of 35, of 7.6 dKH; and what the level was known to is 5 % more.
    let factor = 2.0 * (7.6 * 0.3 / 35.0_f64).powi(2);
    let (least, most) = (factor, factor + 0.11 * estimate(&still).state.cov.ll);
    assert!((least..most).contains(&wider), "{wider} {least} {most}");
    same_after_restart(&mut still);
    same_after_restart(&mut moved);
}

#[test]
fn salinities_that_agree_are_one_value_that_is_known_better_with_each() {
    let mut world = untested();
    let now = world.wall();
    let at = |days: i64| Some(now - jiff::Span::new().hours(24 * days));
    told_at(&mut world, reading(OF, 8.0, 0.1), at(9));
    for days in [9, 8, 7, 6, 5, 4, 3] {
        let salinity = reading(Measurand::Salinity, 35.0, 0.5);
        told_at(&mut world, salinity, at(days));
    }
    let before = level(&world);
    // Against one reading of 35 +- 0.5 this would be nothing.
    let salinity = reading(Measurand::Salinity, 36.2, 0.5);
    told_at(&mut world, salinity, at(2));
    assert!(level(&world) > before + 0.05, "{before} {}", level(&world));
}
