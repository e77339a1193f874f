//! What the owner tells and accepts.

use super::rig::{DAY, HOUR, PLAN, SECOND, World, demo, name, plan_of, ul};
use crate::chemistry::{Quantity, Rises};
use crate::engine::{Answer, Command, CourseAction, Denial, NewCourse, NewFact, Wish};
use crate::quantity::{Alkalinity, Lines, Millis, Words};
use crate::record::{CourseKind, CourseState, Entry, FactKind};

/// The demo reef with a settling time of a day, its uptake declared longer ago than that.
pub(super) fn settled() -> World {
    let (mut controller, plan) = demo();
    let limits = controller.water.get_mut(&Quantity::Alkalinity);
    if let Some(limits) = limits.and_then(|l| l.tracked.as_mut()) {
        limits.settling = Millis::DAY;
    }
    let mut world = World::new(controller, plan, "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(2 * DAY);
    world
}

fn accept(world: &mut World, dkh: f64) -> Result<(), String> {
    let uptake = Alkalinity::from_dkh(dkh);
    world
        .wished(Wish::Uptake { uptake })
        .map(drop)
        .map_err(|denial| denial.code)
}

fn uptake(world: &mut World) -> f64 {
    world.uptake().unwrap().as_dkh()
}

#[test]
fn an_accepted_uptake_is_in_force_at_once_and_is_written_down() {
    let mut world = settled();
    accept(&mut world, 0.95).unwrap();
    assert!((uptake(&mut world) - 0.95).abs() < 1e-9);
    let written = world.books.entries.iter().any(|entry| {
        matches!(entry, Entry::Uptake(u)
            if (u.uptake.as_dkh() - 0.95).abs() < 1e-9 && (u.declared.as_dkh() - 0.8).abs() < 1e-9)
    });
    assert!(written, "the plan's own declaration stays what it was");
}

#[test]
fn an_uptake_is_accepted_within_the_largest_step_only_and_not_twice_within_the_settling_time() {
    let mut world = settled();
    // The demo allows 0.3 dKH a day at once.
    assert_eq!(accept(&mut world, 1.2).unwrap_err(), "uptake-refused");
    assert!((uptake(&mut world) - 0.8).abs() < 1e-9);
    accept(&mut world, 1.0).unwrap();
    assert_eq!(accept(&mut world, 1.1).unwrap_err(), "uptake-refused");
    world.run(DAY + HOUR);
    accept(&mut world, 1.1).unwrap();
}

#[test]
fn a_plan_brought_into_line_with_an_accepted_uptake_need_not_wait() {
    let mut world = settled();
    accept(&mut world, 0.9).unwrap();
    let text = PLAN
        .replace("uptake-dkh-per-day = 0.80", "uptake-dkh-per-day = 0.90")
        .replace("daily-ml = 75.6", "daily-ml = 85.0");
    let plan = plan_of(&text, &world.controller);
    let ticket = world.reload(plan);
    world.run(SECOND);
    world.answer(ticket).clone().unwrap();
    assert!((uptake(&mut world) - 0.9).abs() < 1e-9);
    assert!((world.planned_alkalinity().as_dkh() - 0.9).abs() < 0.01);
}

#[test]
fn a_fact_of_tomorrow_is_not_written_down() {
    let mut world = settled();
    let mut fact = NewFact {
        kind: FactKind::Change,
        name: Words::default(),
        value: None,
        uncertainty: None,
        text: Words::new("new light").into(),
        happened: Some("2027-01-01T00:00:00Z".parse().unwrap()),
        replaces: None,
        sure: false,
    };
    let denial = world.told(Command::AddFact(fact.clone())).unwrap_err();
    assert_eq!(denial.code, "future-time");
    fact.happened = None;
    world.told(Command::AddFact(fact)).unwrap();
    let kept = world.books.entries.iter();
    let kept = kept.filter(|e| matches!(e, Entry::Fact(f) if f.text == "new light"));
    assert_eq!(kept.count(), 1);
}

/// A course of so much a day for so many days on a line of the demo.
fn course(
    world: &World,
    kind: CourseKind,
    (line, of): (&str, &str),
    extra_ul: i64,
    days: u32,
) -> Wish {
    let controller = &world.controller;
    let config = controller
        .lines
        .iter()
        .find(|l| l.name == name(line))
        .unwrap();
    let effect = &controller.solutions[&config.solution].effect;
    let each = Rises::of(&[(effect, ul(extra_ul))], controller.tank);
    let raises = Quantity::from_word(of).unwrap();
    let per_day = match &raises {
        Quantity::Alkalinity => each.alkalinity.as_dkh(),
        Quantity::Element(element) => each.element(element).as_mg_per_l(),
    };
    // A hair more than so much, of which the rounding down to the microlitre leaves it.
    let per_day = per_day * (1.0 + 1e-9);
    Wish::Course(NewCourse {
        kind,
        line: name(line),
        raises,
        by: per_day * f64::from(days),
        at_most_per_day: per_day,
        note: Words::default(),
    })
}

fn iodine(world: &mut World, extra_ul: i64, days: u32) -> Result<Answer, Denial> {
    let wish = course(world, CourseKind::Once, ("iodine", "I"), extra_ul, days);
    world.wished(wish)
}

/// What really went in on each local day of Berlin from the world's beginning at 06:00 local, from one midnight to the next.
fn days_of(world: &World, line: &str, from_day: i64, count: i64) -> Vec<i64> {
    let midnight = 18 * HOUR;
    (0..count)
        .map(|day| {
            let begin = midnight + (from_day - 1 + day) * DAY;
            world
                .flows_of(line)
                .iter()
                .filter(|f| (begin..begin + DAY).contains(&f.began))
                .map(|f| f.volume)
                .sum()
        })
        .collect()
}

#[test]
fn a_course_adds_its_extra_on_its_days_and_ends_by_itself() {
    let mut world = settled();
    iodine(&mut world, 500, 3).unwrap();
    world.run(6 * DAY);
    let near = |got: &[i64], want: &[i64]| {
        assert_eq!(got.len(), want.len());
        for (g, w) in got.iter().zip(want) {
            assert!((g - w).abs() <= 60, "{got:?} against {want:?}");
        }
    };
    // Told on day 2; whole days from the next one on.
    near(
        &days_of(&world, "iodine", 2, 5),
        &[2_000, 2_500, 2_500, 2_500, 2_000],
    );
    let last = world.books.entries.iter().rev().find_map(|e| {
        if let Entry::Course(c) = e {
            Some(c.state)
        } else {
            None
        }
    });
    assert_eq!(last, Some(CourseState::Ended));
    world.check_caps();
}

#[test]
fn a_course_goes_on_after_a_restart_and_its_days_are_not_made_up_for() {
    let mut world = settled();
    iodine(&mut world, 500, 3).unwrap();
    world.run(DAY);
    world.restart_after(SECOND);
    world.sync();
    world.run(4 * DAY);
    let given: i64 = days_of(&world, "iodine", 3, 4).iter().sum();
    // Three days of 0.5 mL and four of 2 mL, less at most the slots round the restart.
    assert!((8_300..=9_560).contains(&given), "{given}");
    let running = world.told(Command::SetCourse {
        number: 1,
        action: CourseAction::End,
    });
    assert_eq!(running.unwrap_err().code, "unknown-course");
}

#[test]
fn a_paused_course_gives_nothing_until_it_is_resumed() {
    let mut world = settled();
    iodine(&mut world, 500, 4).unwrap();
    world.run(DAY);
    let set = |action| Command::SetCourse { number: 1, action };
    world.told(set(CourseAction::Pause)).unwrap();
    assert_eq!(
        world.told(set(CourseAction::Pause)).unwrap_err().code,
        "course-refused"
    );
    world.run(3 * DAY);
    let paused = days_of(&world, "iodine", 4, 2);
    assert!(
        paused.iter().all(|ul| (ul - 2_000).abs() <= 60),
        "{paused:?}"
    );
    world.told(set(CourseAction::Resume)).unwrap();
    world.run(5 * DAY);
    let all = days_of(&world, "iodine", 7, 4);
    let extra: i64 = all.iter().map(|ul| ul - 2_000).sum();
    // Three of the four days were left.
    assert!((extra - 1_500).abs() <= 250, "{all:?}");
}

#[test]
fn a_course_that_a_cap_would_refuse_slot_by_slot_is_refused_before_it_starts() {
    let mut world = settled();
    // The demo's iodine line: daily cap 4 mL, two doses a day of at most 1.5 mL.
    for extra in [1_100, 2_500] {
        let denial = iodine(&mut world, extra, 2).unwrap_err();
        assert_eq!(denial.code, "course-refused", "{}", denial.text);
    }
    let cron = course(&world, CourseKind::Once, ("trace", "Mn"), 100, 2);
    assert_eq!(world.wished(cron).unwrap_err().code, "course-refused");
}

#[test]
fn a_course_of_alkalinity_counts_in_the_ramp() {
    let mut world = settled();
    let alkalinity = |world: &mut World, extra| {
        let wish = course(world, CourseKind::Once, ("alkalinity", "KH"), extra, 3);
        world.wished(wish)
    };
    // 60 mL more would be 0.63 dKH over uptake; the demo allows 0.5. The daily cap of 100 mL is in the way even before.
    assert!(alkalinity(&mut world, 60_000).is_err());
    alkalinity(&mut world, 18_900).unwrap();
    world.run(DAY);
    // Without a reading nothing may rise above uptake: the course is clamped away, not given.
    assert!((world.planned_alkalinity().as_dkh() - 1.0).abs() < 0.01);
    assert!(
        (world.share_in_force() - 0.8).abs() < 0.01,
        "{}",
        world.share_in_force()
    );
    world.read_alkalinity(7.8);
    world.run(SECOND);
    assert!((world.share_in_force() - 1.0).abs() < 1e-6);
    world.run(2 * DAY);
    world.check_caps();
}

fn top_up(world: &mut World, days: u32) -> Result<Answer, Denial> {
    let wish = course(world, CourseKind::TopUp, ("iodine", "I"), 500, days);
    world.wished(wish)
}

fn confirm(world: &mut World, days: u32, read: jiff::Timestamp) -> Result<Answer, Denial> {
    let action = CourseAction::Confirm { days, read };
    world.told(Command::SetCourse { number: 1, action })
}

fn reviews(world: &mut World) -> Vec<(String, bool)> {
    let alarms = world.status().alarms;
    let of = alarms.iter().filter(|a| a.code.as_str() == "top-up-review");
    of.map(|a| (a.text.clone(), a.active)).collect()
}

#[test]
fn a_top_up_stops_on_its_review_date_when_no_reading_confirms_it() {
    let mut world = settled();
    top_up(&mut world, 6).unwrap();
    world.run(2 * DAY);
    assert!(reviews(&mut world).is_empty(), "asked too early");
    world.run(2 * DAY);
    let asked = reviews(&mut world);
    assert!(
        asked.len() == 1 && asked[0].1 && asked[0].0.contains("unless a new reading confirms it"),
        "{asked:?}"
    );
    world.run(5 * DAY);
    let extra: i64 = days_of(&world, "iodine", 3, 8)
        .iter()
        .map(|ul| ul - 2_000)
        .sum();
    assert!((extra - 3_000).abs() <= 300, "{extra}");
    let over = reviews(&mut world);
    assert!(
        over.len() == 1 && !over[0].1 && over[0].0.contains("gives nothing more"),
        "{over:?}"
    );
    let late = world.now().wall;
    assert_eq!(
        confirm(&mut world, 30, late).unwrap_err().code,
        "unknown-course"
    );
}

#[test]
fn a_top_up_goes_on_only_by_a_sample_newer_than_its_last_look() {
    let mut world = settled();
    let before = world.now().wall;
    top_up(&mut world, 6).unwrap();
    world.run(4 * DAY);
    let now = world.now().wall;
    for (days, read) in [
        (10, before),
        (10, now + jiff::SignedDuration::from_hours(1)),
        (93, now),
        (0, now),
    ] {
        let denial = confirm(&mut world, days, read).unwrap_err();
        assert_eq!(denial.code, "course-refused", "{days} {read}");
    }
    confirm(&mut world, 10, now).unwrap();
    world.run(SECOND);
    assert!(reviews(&mut world).iter().all(|(_, active)| !active));
    // The same sample does not confirm it twice.
    world.run(DAY);
    assert_eq!(
        confirm(&mut world, 10, now).unwrap_err().code,
        "course-refused"
    );
    world.run(11 * DAY);
    let extra: i64 = days_of(&world, "iodine", 3, 15)
        .iter()
        .map(|ul| ul - 2_000)
        .sum();
    // Four days and the one of the confirmation, then ten more: 14 days begun from day 3 on.
    // The fifteenth day has the plan's volume only.
    assert!((extra - 14 * 500).abs() <= 700, "{extra}");
    world.check_caps();
}

#[test]
fn a_course_with_an_aim_is_not_prolonged() {
    let mut world = settled();
    iodine(&mut world, 500, 3).unwrap();
    world.run(DAY);
    let now = world.now().wall;
    let denial = confirm(&mut world, 10, now).unwrap_err();
    assert!(denial.text.contains("has an aim"), "{}", denial.text);
}

fn water_change(litres: f64) -> Command {
    Command::AddFact(NewFact {
        kind: FactKind::WaterChange,
        name: Words::default(),
        value: Some(litres),
        uncertainty: None,
        text: Lines::default(),
        happened: None,
        replaces: None,
        sure: false,
    })
}

#[test]
fn after_a_water_change_nothing_rises_above_uptake_until_the_next_reading() {
    let mut world = settled();
    world.read_alkalinity(7.9);
    world.run(DAY);
    assert!(world.prediction().is_some());
    world.told(water_change(30.0)).unwrap();
    assert!(world.prediction().is_none());
    let allowed = world.allowed();
    assert!((allowed.as_dkh() - 0.8).abs() < 1e-9);
    world.restart_after(SECOND);
    world.sync();
    world.run(HOUR);
    assert!(world.prediction().is_none(), "remembered over a restart");
    let old = world.status().alarms;
    assert!(
        old.iter()
            .any(|a| a.active && a.text.contains("the water was changed")),
        "{old:?}"
    );
    world.read_alkalinity(7.8);
    world.run(SECOND);
    assert!(world.prediction().is_some());
}

#[test]
fn a_water_change_of_more_than_the_tank_is_no_water_change() {
    let mut world = settled();
    for litres in [0.0, -3.0, 300.5, f64::NAN] {
        let denial = world.told(water_change(litres)).unwrap_err();
        assert_eq!(denial.code, "water-change-refused", "{litres}");
    }
    world.told(water_change(300.0)).unwrap();
}
