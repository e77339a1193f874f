//! Changeovers over virtual days.

use super::rig::{CONTROLLER, DAY, HOUR, PLAN, SECOND, World, name, plan_of};
use crate::chemistry::Quantity;
use crate::config::{Controller, check_texts};
use crate::engine::{Answer, ChangeoverAction, Command, Denial, NewChangeover, Wish};
use crate::quantity::Words;
use crate::quantity::f64_from_i64;
use crate::record::{Changeover, ChangeoverState, Entry};

/// A second alkalinity line: 70 g/L of NaHCO3 (84.007 g/mol) are 0.8333 meq/mL, against 1.1322 of the demo's soda.
const MORE: &str = include_str!("../../../tests/support/second_line.toml");

const WAITING: &str =
    "\n[line.bicarbonate]\nshare-of-uptake = 0\nof = \"alkalinity\"\ndoses = 12\n";

fn files() -> (Controller, String) {
    files_with(WAITING)
}

fn files_with(waiting: &str) -> (Controller, String) {
    let controller = format!("{CONTROLLER}{MORE}");
    let plan = format!("{PLAN}{waiting}");
    let zones = |zone: &str| jiff::tz::TimeZone::get(zone).ok();
    let texts = [
        ("controller.toml", controller.as_str()),
        ("plan.toml", plan.as_str()),
    ];
    let loaded = check_texts(texts, &zones, &crate::plan::check_plan).unwrap();
    (loaded.controller, plan)
}

fn world(begin: &str) -> World {
    world_with(WAITING, begin)
}

fn world_with(waiting: &str, begin: &str) -> World {
    let (controller, plan) = files_with(waiting);
    let plan = plan_of(&plan, &controller);
    let mut world = World::new(controller, (*plan).clone(), begin);
    world.start();
    world.sync();
    world.read_alkalinity(7.9);
    world.run(DAY);
    world
}

fn start(world: &mut World, days: u32) -> Result<Answer, Denial> {
    world.wished(Wish::Changeover(NewChangeover {
        from: name("alkalinity"),
        to: name("bicarbonate"),
        by: Quantity::Alkalinity,
        days,
        note: Words::default(),
    }))
}

fn newest(world: &World) -> Changeover {
    let found = world.books.entries.iter().rev().find_map(|e| {
        let Entry::Changeover(c) = e else {
            return None;
        };
        Some(c.clone())
    });
    found.unwrap()
}

/// mL of both lines on each local day of Berlin, from the first midnight after a beginning at 06:00 local.
fn days(world: &World, from: i64, count: i64) -> Vec<(f64, f64)> {
    let midnight = 18 * HOUR;
    let of = |line: &str, day: i64| {
        let begin = midnight + (from + day) * DAY;
        let flows = world.flows_of(line);
        let on = flows
            .iter()
            .filter(|f| (begin..begin + DAY).contains(&f.began));
        f64_from_i64(on.map(|f| f.volume).sum()) / 1000.0
    };
    (0..count)
        .map(|day| (of("alkalinity", day), of("bicarbonate", day)))
        .collect()
}

fn near(got: &[(f64, f64)], wanted: &[(f64, f64)]) {
    assert_eq!(got.len(), wanted.len());
    for (g, w) in got.iter().zip(wanted) {
        // Simulated heads are off by up to a per cent.
        let close = |a: f64, b: f64| (a - b).abs() <= 0.02 * b.abs() + 0.2;
        assert!(
            close(g.0, w.0) && close(g.1, w.1),
            "{got:?} against {wanted:?}"
        );
    }
}

#[test]
fn a_line_that_waits_gives_nothing_until_a_changeover_brings_it_in() {
    let mut world = world("2026-06-10T04:00:00Z");
    world.run(DAY);
    assert!(world.flows_of("bicarbonate").is_empty());
    let status = world.line("bicarbonate");
    assert_eq!(status.plan_standing.as_ul(), 0);
    assert!((world.planned_alkalinity().as_dkh() - 0.8).abs() < 0.001);
}

#[test]
fn a_changeover_moves_a_step_a_day_at_equal_alkalinity_and_stays_when_complete() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    for _ in 0..7 {
        world.run(DAY);
        world.read_alkalinity(7.9);
    }
    // 75.6 mL of soda are worth 102.72 mL of bicarbonate.
    near(
        &days(&world, 0, 6),
        &[
            (75.6, 0.0),
            (56.7, 25.68),
            (37.8, 51.36),
            (18.9, 77.04),
            (0.0, 102.72),
            (0.0, 102.72),
        ],
    );
    for (soda, bicarbonate) in days(&world, 0, 6) {
        let meq = 1.1322 * soda + 0.8333 * bicarbonate;
        assert!((meq - 85.6).abs() < 1.5, "{meq} meq on a day");
    }
    assert_eq!(newest(&world).state, ChangeoverState::Complete);
    let words = world.status().changeover.unwrap();
    assert!(words.contains("is complete"), "{words}");
    assert!((world.planned_alkalinity().as_dkh() - 0.8).abs() < 0.001);
    world.check_caps();
    world.check_books();
}

#[test]
fn a_restart_keeps_the_step_and_an_outage_of_days_makes_no_jump() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(2 * DAY);
    assert_eq!(newest(&world).step, 2);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).step, 2);
    // Three days off: the day of the return is no further than one step on, and only because the last day was a real one.
    world.restart_after(3 * DAY);
    world.sync();
    world.run(SECOND);
    assert!(newest(&world).step <= 3, "{:?}", newest(&world));
    let after = newest(&world).step;
    world.run(DAY);
    assert!(newest(&world).step <= after + 1);
    world.run(5 * DAY);
    assert_eq!(newest(&world).state, ChangeoverState::Complete);
    world.check_caps();
}

#[test]
fn a_day_on_hold_is_no_step() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(DAY);
    assert_eq!(newest(&world).step, 1);
    world.hold(None, "bad test");
    world.run(3 * DAY);
    assert!(newest(&world).step <= 2, "{:?}", newest(&world));
    let held = newest(&world).step;
    world.resume(None);
    world.run(DAY / 2);
    assert!(newest(&world).step <= held + 1);
}

#[test]
fn it_can_be_paused_and_stepped_back_and_ends_where_it_began() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(2 * DAY);
    let set = |world: &mut World, action| world.told(Command::SetChangeover { action }).map(drop);
    set(&mut world, ChangeoverAction::Pause).unwrap();
    assert!(set(&mut world, ChangeoverAction::Pause).is_err());
    world.run(2 * DAY);
    assert_eq!(
        (newest(&world).step, newest(&world).state),
        (2, ChangeoverState::Paused)
    );
    set(&mut world, ChangeoverAction::Back).unwrap();
    world.run(4 * DAY);
    assert_eq!(newest(&world).state, ChangeoverState::Ended);
    near(
        &days(&world, 1, 7),
        &[
            (56.7, 25.68),
            (37.8, 51.36),
            (37.8, 51.36),
            (37.8, 51.36),
            (56.7, 25.68),
            (75.6, 0.0),
            (75.6, 0.0),
        ],
    );
    assert_eq!(
        set(&mut world, ChangeoverAction::Resume).unwrap_err().code,
        "unknown-changeover"
    );
    // Another one may begin.
    start(&mut world, 4).unwrap();
    assert_eq!(newest(&world).number, 2);
}

#[test]
fn a_plan_that_would_make_a_step_is_refused_until_the_changeover_is_complete() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(2 * DAY);
    let (controller, text) = files();
    let finished = text
        .replace("share-of-uptake = 0\n", "share-of-uptake = 1\n")
        .replacen("share-of-uptake = 1.0\n", "share-of-uptake = 0.0\n", 1);
    let reload = |world: &mut World, text: &str| {
        let plan = plan_of(text, &controller);
        let ticket = world.reload(plan);
        world.run(SECOND);
        world.answer(ticket).clone()
    };
    let denial = reload(&mut world, &finished).unwrap_err();
    assert!(denial.text.contains("is under way"), "{}", denial.text);
    // What does not touch it is taken.
    reload(&mut world, &text.replace("daily-ml = 6", "daily-ml = 6.3")).unwrap();
    world.run(3 * DAY);
    assert_eq!(newest(&world).state, ChangeoverState::Complete);
    reload(&mut world, &finished).unwrap();
    assert_eq!(newest(&world).state, ChangeoverState::Ended);
    let before = world.flows_of("bicarbonate").len();
    world.run(DAY);
    assert!(world.flows_of("bicarbonate").len() >= before + 11);
    assert!(world.status().changeover.is_none());
}

#[test]
fn what_a_limit_forbids_is_refused_before_it_begins() {
    let mut world = world("2026-06-10T04:00:00Z");
    let code = |answer: Result<Answer, Denial>| answer.unwrap_err().text;
    assert!(code(start(&mut world, 0)).contains("no length"));
    let backwards = Wish::Changeover(NewChangeover {
        from: name("bicarbonate"),
        to: name("alkalinity"),
        by: Quantity::Alkalinity,
        days: 4,
        note: Words::default(),
    });
    assert!(code(world.wished(backwards)).contains("share-of-uptake = 0"));
    let other = Wish::Changeover(NewChangeover {
        from: name("alkalinity"),
        to: name("calcium"),
        by: Quantity::Alkalinity,
        days: 4,
        note: Words::default(),
    });
    assert!(code(world.wished(other)).contains("share-of-uptake = 0"));
    let mut controller = (*world.controller).clone();
    for line in &mut controller.lines {
        if line.name == name("bicarbonate") {
            line.daily_cap = crate::quantity::Volume::from_ul(90_000);
        }
    }
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!(code(start(&mut world, 4)).contains("over its limit"));
}

/// Both lines spread over the day, 24 h across a midnight add what a day does. With the new line in the first six hours of a day only,
/// the last 18 h of the old one's evening meet them: 0.75 x 0.8 + 0.8 = 1.4 dKH in one step, over uptake and rise of 1.3; in two steps
/// 0.75 x 0.8 + 0.25 x 0.4 + 0.4 = 1.1 dKH.
#[test]
fn an_evening_and_a_morning_that_are_too_much_together_are_refused_before_it_begins() {
    let early = "\n[line.bicarbonate]\nshare-of-uptake = 0\nof = \"alkalinity\"\ndoses = 12\nwindow = \"00:00-06:00\"\n";
    let mut world = world_with(early, "2026-06-10T04:00:00Z");
    let why = start(&mut world, 1).unwrap_err().text;
    assert!(why.contains("midnight before day 1"), "{why}");
    assert!(why.contains("1.4") && why.contains("1.300 dKH"), "{why}");
    start(&mut world, 2).unwrap();
    for _ in 0..4 {
        world.run(DAY);
        world.read_alkalinity(7.9);
    }
    assert_eq!(newest(&world).state, ChangeoverState::Complete);
    assert_eq!(world.not_given(), [], "the guard had nothing to refuse");
    let even = &mut self::world("2026-06-10T04:00:00Z");
    start(even, 1).unwrap();
}

#[test]
fn the_day_of_25_hours_has_one_step() {
    // Berlin leaves summer time on 2026-10-25.
    let mut world = world("2026-10-22T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(4 * DAY);
    assert_eq!(newest(&world).step, 4);
    world.check_caps();
}

#[test]
fn a_new_line_that_does_not_dose_is_not_faded_in() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 10).unwrap();
    world.run(2 * DAY);
    let before = newest(&world).step;
    world.hold(Some("bicarbonate"), "cloudy bottle");
    for _ in 0..6 {
        world.run(DAY);
        world.read_alkalinity(7.9);
    }
    assert!(newest(&world).step <= before + 1, "{:?}", newest(&world));
    // The old line keeps giving what it gave, but for that one step.
    let (soda, _) = days(&world, 7, 1).first().copied().unwrap();
    assert!(soda > 75.6 * 0.65, "{soda} mL of soda");
}

#[test]
fn a_changeover_steps_back_although_the_new_line_is_on_hold() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    for _ in 0..6 {
        world.run(DAY);
        world.read_alkalinity(7.9);
    }
    assert_eq!(newest(&world).state, ChangeoverState::Complete);
    world.hold(Some("bicarbonate"), "bad batch");
    world
        .told(Command::SetChangeover {
            action: ChangeoverAction::Back,
        })
        .unwrap();
    let mut steps = Vec::new();
    for _ in 0..5 {
        world.run(DAY);
        world.read_alkalinity(7.9);
        steps.push(newest(&world).step);
    }
    assert_eq!(newest(&world).state, ChangeoverState::Ended, "{steps:?}");
}

#[test]
fn what_was_paused_on_its_way_back_goes_on_back() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(3 * DAY);
    let set = |world: &mut World, action| world.told(Command::SetChangeover { action }).map(drop);
    set(&mut world, ChangeoverAction::Back).unwrap();
    set(&mut world, ChangeoverAction::Pause).unwrap();
    assert_eq!(newest(&world).state, ChangeoverState::PausedBack);
    set(&mut world, ChangeoverAction::Resume).unwrap();
    assert_eq!(newest(&world).state, ChangeoverState::Back);
    // Said once more, it is turned.
    set(&mut world, ChangeoverAction::Resume).unwrap();
    assert_eq!(newest(&world).state, ChangeoverState::Forward);
}

#[test]
fn a_changeover_that_does_not_move_on_is_an_alarm_and_so_is_a_fading_line_that_gives_nothing() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 10).unwrap();
    for _ in 0..4 {
        world.run(DAY);
        world.read_alkalinity(7.9);
    }
    assert!(!world.has_alarm("changeover-stalled"));
    assert!(
        !world.has_alarm("under-delivered"),
        "fading alone is no fault"
    );
    world.hold(Some("bicarbonate"), "bad batch");
    world.run(3 * DAY);
    assert!(world.has_alarm("changeover-stalled"));
    assert!(world.has_alarm("under-delivered"));
    world.resume(Some("bicarbonate"));
    world.run(3 * DAY);
    assert!(!world.has_alarm("changeover-stalled"));
}

#[test]
fn a_course_gives_nothing_on_a_line_that_waits() {
    let mut world = world("2026-06-10T04:00:00Z");
    let course = Wish::Course(crate::engine::NewCourse {
        kind: crate::record::CourseKind::Once,
        line: name("bicarbonate"),
        raises: Quantity::Alkalinity,
        by: 0.15,
        at_most_per_day: 0.05,
        note: Words::default(),
    });
    assert_eq!(world.wished(course).unwrap_err().code, "course-refused");
}

#[test]
fn a_dose_that_would_run_too_long_is_refused_before_it_begins() {
    let mut world = world("2026-06-10T04:00:00Z");
    let mut controller = (*world.controller).clone();
    let head = controller.heads.get_mut(&name("bicarbonate")).unwrap();
    // 8.56 mL at 30 mL/min take 17 s.
    head.run_max = crate::quantity::Millis::from_secs(10);
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    let why = start(&mut world, 4).unwrap_err().text;
    assert!(why.contains("longest run"), "{why}");
}

#[test]
fn a_plan_edited_while_the_daemon_was_off_ends_a_changeover_with_an_alarm() {
    let mut world = world("2026-06-10T04:00:00Z");
    start(&mut world, 4).unwrap();
    world.run(2 * DAY);
    world.plan = plan_of(PLAN, &world.controller);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, ChangeoverState::Ended);
    let alarm = world.status().alarms;
    let text = format!("{alarm:?}");
    assert!(text.contains("ended at step 2 of 4"), "{text}");
}
