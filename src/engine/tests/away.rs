//! What stands still with what it goes by, what is kept out of the water for long, and mixes that nobody has stated.

use super::rig::{
    CONTROLLER, DAY, HOUR, MINUTE, PLAN, SECOND, World, demo, name, plan_of, unlimited_hours,
};
use crate::chemistry::{Quantity, SolutionEffect};
use crate::config::{Controller, check_texts};
use crate::engine::{CourseWish, LineState, NewUptake, Wish};
use crate::quantity::Volume;
use crate::record::{DoseKind, UptakeHow};

const MORNING: &str = "2026-06-10T04:00:00Z";

fn begun(controller: Controller, plan: &str, begin: &str) -> World {
    let plan = plan_of(plan, &controller);
    let mut world = World::new(controller, (*plan).clone(), begin);
    world.start();
    world.sync();
    world.read_alkalinity(7.9);
    world.run(2 * HOUR);
    world
}

fn edited(from: &str, to: &str) -> String {
    assert_eq!(PLAN.matches(from).count(), 1, "{from}");
    PLAN.replacen(from, to, 1)
}

/// How many doses of a line come in the hours from now on.
fn doses_in(world: &mut World, line: &str, hours: i64) -> usize {
    let before = world.flows_of(line).len();
    world.run(hours * HOUR);
    world.flows_of(line).len() - before
}

#[test]
fn what_goes_by_alkalinity_stands_still_while_that_is_on_hold_and_says_why() {
    let mut world = begun(demo().0, PLAN, MORNING);
    assert!(doses_in(&mut world, "calcium", 4) >= 3);
    world.hold(Some("alkalinity"), "the bottle smells odd");
    world.run(MINUTE);
    assert_eq!(doses_in(&mut world, "calcium", 6), 0);
    assert!(
        doses_in(&mut world, "magnesium", 24) > 0,
        "it goes by nothing"
    );
    let line = world.line("calcium");
    let reason = line.reason.unwrap();
    assert_eq!(
        (line.state, reason.code.as_str()),
        (LineState::Blocked, "follows-held")
    );
    for words in [
        "the bottle smells odd",
        "`dosewright resume alkalinity` lifts both",
        "keeps-on = true",
    ] {
        assert!(reason.text.contains(words), "{}", reason.text);
    }
    assert!(world.not_given().iter().any(|s| s.code == "follows-held"));
    // Whoever stands there and asks for it is not stopped by it.
    world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap();
    world.run(MINUTE);
    world.resume(Some("alkalinity"));
    assert!(doses_in(&mut world, "calcium", 6) >= 5);
}

#[test]
fn a_line_that_is_told_to_keeps_on_alone() {
    let calcium = "share-of-uptake = 1.0\nof = \"calcium\"";
    let plan = edited(calcium, &format!("{calcium}\nkeeps-on = true"));
    let mut world = begun(demo().0, &plan, MORNING);
    world.hold(Some("alkalinity"), "the bottle smells odd");
    world.run(MINUTE);
    assert!(doses_in(&mut world, "calcium", 6) >= 5);
}

/// The demo with a second line for alkalinity that gives half of it.
#[test]
fn of_two_lines_that_share_an_uptake_one_may_stand_still() {
    let more = include_str!("../../../tests/support/second_line.toml");
    let whole = "share-of-uptake = 1.0\nof = \"alkalinity\"";
    let half = "share-of-uptake = 0.5\nof = \"alkalinity\"";
    let plan = edited(whole, half) + &format!("\n[line.bicarbonate]\n{half}\ndoses = 12\n");
    let text = format!("{CONTROLLER}{more}");
    let zones = |zone: &str| jiff::tz::TimeZone::get(zone).ok();
    let texts = [
        ("controller.toml", text.as_str()),
        ("plan.toml", plan.as_str()),
    ];
    let loaded = check_texts(texts, &zones, &crate::plan::check_plan).unwrap();
    let mut world = World::new(loaded.controller, loaded.plan, MORNING);
    world.start();
    world.sync();
    world.read_alkalinity(7.9);
    world.run(2 * HOUR);
    world.hold(Some("alkalinity"), "the bottle smells odd");
    world.run(MINUTE);
    assert!(
        doses_in(&mut world, "calcium", 4) >= 3,
        "half of it is still given"
    );
    world.hold(Some("bicarbonate"), "this too");
    world.run(MINUTE);
    assert_eq!(doses_in(&mut world, "calcium", 6), 0);
    world.resume(Some("alkalinity"));
    assert!(doses_in(&mut world, "calcium", 4) >= 3);
}

fn kept_away(world: &mut World) -> Option<String> {
    let alarms = world.status().alarms;
    let mut found = alarms
        .into_iter()
        .filter(|a| a.code.as_str() == "kept-away" && a.active);
    let alarm = found.next()?;
    assert!(!alarm.urgent);
    Some(alarm.text)
}

#[test]
fn what_a_hold_has_kept_away_for_a_day_says_what_that_does_to_the_level() {
    let mut world = begun(demo().0, PLAN, MORNING);
    world.run(DAY);
    assert_eq!(kept_away(&mut world), None);
    world.hold(Some("alkalinity"), "the bottle smells odd");
    world.run(22 * HOUR);
    assert_eq!(kept_away(&mut world), None);
    world.run(4 * HOUR + 30 * MINUTE);
    let text = kept_away(&mut world).unwrap();
    // 0.8 dKH a day times 26.5 to 27.5 h are 0.88 to 0.92 dKH.
    for words in [
        "alkalinity has not been added for 2",
        " h (line alkalinity is on hold: the bottle smells odd)",
        "it has fallen by some 0.9 dKH",
        "test alkalinity",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert_eq!(world.status().water.notes, [text]);
    // A restart knows of a day at least, and what stands in the way.
    world.run(SECOND);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!(kept_away(&mut world).unwrap().contains("for 24 h"));
    world.resume(Some("alkalinity"));
    world.run(2 * HOUR);
    assert_eq!(kept_away(&mut world), None);
    assert!(world.status().water.notes.is_empty());
}

/// After two days without a daemon: what was not given then was not kept away by anything that stands here.
#[test]
fn in_another_mode_nothing_has_been_kept_away_from_before_it_began() {
    for live in [false, true] {
        let mut world = World::new(demo().0, (*plan_of(PLAN, &demo().0)).clone(), MORNING);
        world.live = !live;
        world.start();
        world.sync();
        world.read_alkalinity(7.9);
        world.run(DAY);
        world.kill();
        world.t += 2 * DAY;
        world.live = live;
        world.start();
        world.sync();
        world.hold(Some("alkalinity"), "the bottle smells odd");
        world.run(HOUR);
        assert_eq!(kept_away(&mut world), None);
        world.restart_after(SECOND);
        world.sync();
        world.run(HOUR);
        assert_eq!(kept_away(&mut world), None, "the mode is two hours old");
        world.run(22 * HOUR + MINUTE);
        let text = kept_away(&mut world).unwrap();
        assert_eq!(
            text.starts_with("in this dry run alkalinity has not"),
            !live
        );
        assert_eq!(text.contains("it would have fallen by some 0.8 dKH"), !live);
        world.restart_after(DAY);
        world.sync();
        world.run(SECOND);
        assert!(
            kept_away(&mut world).is_some(),
            "it is older than a day now"
        );
    }
}

#[test]
fn what_an_interlock_has_kept_away_says_so_too() {
    let mut world = begun(demo().0, PLAN, MORNING);
    world.input("return-pump", Some(false));
    world.run(27 * HOUR);
    let text = kept_away(&mut world).unwrap();
    assert!(text.contains("return-pump"), "{text}");
}

/// A line that doses once a day leaves 25 hours between two doses when the clocks are set back.
#[test]
fn a_line_that_doses_once_a_day_is_not_taken_for_one_that_is_kept_away() {
    let (mut controller, _) = demo();
    let magnesium = Quantity::from_word("magnesium").unwrap();
    let band = controller.water[&Quantity::Alkalinity].tracked;
    controller.water.get_mut(&magnesium).unwrap().tracked = band;
    let plan = edited("daily-ml = 6\ndoses = 3\n", "daily-ml = 4\ndoses = 1\n")
        + "[uptake.magnesium]\nstart-mg-per-l-per-day = 0.16\n";
    unlimited_hours(&mut controller);
    let mut world = begun(controller, &plan, "2026-10-23T04:00:00Z");
    world.read(&magnesium, 8.0, 0.1);
    for _ in 0..5 * 48 {
        world.run(30 * MINUTE);
        assert_eq!(kept_away(&mut world), None, "{}", world.wall());
    }
    assert!(world.flows_of("magnesium").len() >= 4);
    world.hold(Some("magnesium"), "the tube leaks");
    world.run(2 * DAY);
    assert!(
        kept_away(&mut world)
            .unwrap()
            .contains("magnesium has not been added")
    );
}

#[test]
fn what_was_not_planned_was_not_kept_away() {
    let none = "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n";
    let line = "[line.alkalinity]\nshare-of-uptake = 1.0\nof = \"alkalinity\"\ndoses = 24\n";
    let mut world = begun(demo().0, none, MORNING);
    world.run(3 * DAY);
    let plan = plan_of(&format!("{none}{line}"), &world.controller);
    world.reload(plan);
    let told = NewUptake {
        of: Quantity::Alkalinity,
        per_day: 0.8,
        how: UptakeHow::Told,
        sure: true,
    };
    world.wished(Wish::Uptake(told)).unwrap();
    world.run(2 * SECOND);
    assert!(world.line("alkalinity").planned > Volume::ZERO);
    assert_eq!(kept_away(&mut world), None);
    world.hold(Some("alkalinity"), "the bottle smells odd");
    world.run(25 * HOUR);
    // As it was when the alarm came, and as it is now.
    let text = kept_away(&mut world).unwrap();
    assert!(text.contains("for 24 h"), "{text}");
    let notes = world.status().water.notes;
    assert!(notes[0].contains("for 25 h"), "{notes:?}");
}

#[test]
fn what_nobody_has_stated_is_worked_out_of_nowhere_and_the_status_says_so() {
    let (mut controller, _) = demo();
    let mix = controller.solutions.get_mut(&name("iodine")).unwrap();
    mix.effect = SolutionEffect::default();
    mix.unstated = true;
    let mut world = begun(controller, PLAN, MORNING);
    let before = world.prediction().unwrap();
    let notes = world.status().water.notes;
    assert_eq!(
        notes,
        [
            "line iodine gives 2.0 mL a day of iodine, and what it carries is not stated: no figure here counts it, and only the line's caps limit it"
        ]
    );
    let denial = world
        .begin(CourseWish::TopUp {
            line: name("iodine"),
            of: Quantity::from_word("iodine").unwrap(),
            per_day: 0.001,
            days: 30,
        })
        .unwrap_err();
    assert!(
        denial
            .text
            .contains("it is not stated whether iodine of line iodine carries iodine"),
        "{}",
        denial.text
    );
    while world.by_hand("iodine", 1_000, DoseKind::Hand).is_err() {
        world.run(MINUTE);
    }
    assert!((world.prediction().unwrap().value - before.value).abs() < 0.01);
    let said = world.refill("iodine", crate::engine::RefillLevel::Full);
    world.run(SECOND);
    let text = format!("{:?}", world.answer(said));
    assert!(
        text.contains("what it carries is not stated, so another batch of it may do otherwise"),
        "{text}"
    );
    assert!(doses_in(&mut world, "iodine", 24) > 0);
}

#[test]
fn a_line_that_picks_its_dates_is_not_taken_for_one_that_is_kept_away() {
    let (mut controller, _) = demo();
    let magnesium = Quantity::from_word("magnesium").unwrap();
    let band = controller.water[&Quantity::Alkalinity].tracked;
    controller.water.get_mut(&magnesium).unwrap().tracked = band;
    let plan = edited(
        "daily-ml = 6\ndoses = 3\n",
        "daily-ml = 4\ncron = \"0 9 * * Mon,Thu\"\n",
    )
    .replacen("window = \"09:00-21:00\"\n", "", 1)
        + "[uptake.magnesium]\nstart-mg-per-l-per-day = 0.16\n";
    unlimited_hours(&mut controller);
    let mut world = begun(controller, &plan, MORNING);
    world.read(&magnesium, 8.0, 0.1);
    for _ in 0..4 * 24 {
        world.run(HOUR);
        assert_eq!(kept_away(&mut world), None, "{}", world.wall());
    }
}
