//! What the owner tells and accepts.

use super::rig::{DAY, HOUR, PLAN, SECOND, World, a_course, demo, name, plan_of, tell};
use crate::chemistry::{Element, Quantity};
use crate::engine::{
    Answer, Command, Confirm, CourseAction, CourseFigures, CourseWish, Denial, Figures, NewUptake,
    Proposal, Tell, Wish,
};
use crate::quantity::Millis;
use crate::record::{Carried, CourseState, Entry, Observed, UptakeHow};

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

fn told(dkh: f64) -> Wish {
    Wish::Uptake(NewUptake {
        of: Quantity::Alkalinity,
        per_day: dkh,
        how: UptakeHow::Told,
        sure: false,
    })
}

fn accept(world: &mut World, dkh: f64) -> Result<(), String> {
    world
        .wished(told(dkh))
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
            if (u.uptake - 0.95).abs() < 1e-9 && u.before == Some(0.8) && u.how == UptakeHow::Told)
    });
    assert!(written);
    // 0.95 dKH in 300 L are 101.6 meq: 89.77 mL of 1.1322 meq/mL. Calcium is tied to it.
    let planned = |world: &mut World, line: &str| world.line(line).plan_standing.as_ml();
    assert!((planned(&mut world, "alkalinity") - 89.77).abs() < 0.05);
    assert!((planned(&mut world, "calcium") - 89.8).abs() < 0.1);
    assert!((planned(&mut world, "magnesium") - 6.0).abs() < 1e-9);
}

#[test]
fn an_uptake_is_accepted_within_the_largest_step_only_and_not_twice_within_the_settling_time() {
    let mut world = settled();
    // The first one need not wait: the start of the plan is no change that has to settle.
    accept(&mut world, 0.85).unwrap();
    world.run(DAY + HOUR);
    // The demo allows 0.3 dKH a day at once.
    assert_eq!(accept(&mut world, 1.2).unwrap_err(), "uptake-refused");
    assert!((uptake(&mut world) - 0.85).abs() < 1e-9);
    accept(&mut world, 1.0).unwrap();
    assert_eq!(accept(&mut world, 1.1).unwrap_err(), "uptake-refused");
    world.run(DAY + HOUR);
    accept(&mut world, 1.1).unwrap();
}

#[test]
fn a_first_uptake_that_is_unlikely_is_asked_about_twice() {
    let mut world = settled();
    // 0.8 dKH a day are given: half and twice of that are the edges.
    for unlikely in [0.39, 1.61, 3.2] {
        assert_eq!(
            accept(&mut world, unlikely).unwrap_err(),
            "uptake-questioned",
            "{unlikely}"
        );
    }
    assert_eq!(accept(&mut world, 10.5).unwrap_err(), "uptake-refused");
    let Wish::Uptake(new) = told(3.2) else {
        unreachable!()
    };
    world
        .wished(Wish::Uptake(NewUptake { sure: true, ..new }))
        .unwrap();
    assert!((uptake(&mut world) - 3.2).abs() < 1e-9);
}

#[test]
fn a_start_edited_in_the_plan_moves_no_uptake_and_is_named() {
    let mut world = settled();
    let text = PLAN.replace("start-dkh-per-day = 0.80", "start-dkh-per-day = 0.90");
    let plan = plan_of(&text, &world.controller);
    let ticket = world.reload(plan.clone());
    world.run(SECOND);
    let Ok(Answer::Done { text }) = world.answer(ticket).clone() else {
        panic!("a plan with another start is refused")
    };
    assert!(
        text.contains("uptake of alkalinity: 0.80 dKH a day is in force (start"),
        "{text}"
    );
    assert!((uptake(&mut world) - 0.8).abs() < 1e-9);
    world.plan = plan;
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!((uptake(&mut world) - 0.8).abs() < 1e-9);
    assert!((world.planned_alkalinity().as_dkh() - 0.8).abs() < 0.001);
}

#[test]
fn a_told_uptake_survives_a_restart_and_one_of_its_own_unties_calcium() {
    let mut world = settled();
    accept(&mut world, 0.9).unwrap();
    let calcium = Wish::Uptake(NewUptake {
        of: Quantity::from_word("calcium").unwrap(),
        per_day: 5.0,
        how: UptakeHow::Accepted,
        sure: false,
    });
    world.wished(calcium).unwrap();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert!((uptake(&mut world) - 0.9).abs() < 1e-9);
    // 5 mg/L in 300 L are 1.5 g: 66.1 mL of 22.68 mg/mL.
    let ml = world.line("calcium").plan_standing.as_ml();
    assert!((ml - 66.1).abs() < 0.1, "{ml}");
}

#[test]
fn a_fact_of_tomorrow_is_not_written_down() {
    let mut world = settled();
    let note = Observed::Note {
        text: "new light".to_owned(),
    };
    let tomorrow = Tell {
        happened: Some("2027-01-01T00:00:00Z".parse().unwrap()),
        ..tell(note.clone())
    };
    let denial = world.told(Command::Tell(tomorrow)).unwrap_err();
    assert_eq!(denial.code, "future-time");
    world.told(Command::Tell(tell(note.clone()))).unwrap();
    let kept = world.books.entries.iter();
    let kept = kept.filter(|e| matches!(e, Entry::Observation(told) if told.what == note));
    assert_eq!(kept.count(), 1);
}

fn iodine_quantity() -> Quantity {
    Quantity::Element(Element::new("I").unwrap())
}

/// So many microlitres more of a line a day, fewer when negative, for so many days.
fn change(
    world: &mut World,
    (line, of): (&str, &Quantity),
    extra_ul: i64,
    days: u32,
) -> Result<Answer, Denial> {
    let per_day = world.worth(line, of, extra_ul);
    world.begin(CourseWish::Change {
        line: name(line),
        of: of.clone(),
        by: per_day * f64::from(days),
        at_most_per_day: per_day.abs(),
    })
}

pub(super) fn iodine(world: &mut World, extra_ul: i64, days: u32) -> Result<Answer, Denial> {
    change(world, ("iodine", &iodine_quantity()), extra_ul, days)
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
    let running = world.set_course(1, CourseAction::End);
    assert_eq!(running.unwrap_err().code, "unknown-course");
}

#[test]
fn a_paused_course_gives_nothing_until_it_is_resumed() {
    let mut world = settled();
    iodine(&mut world, 500, 4).unwrap();
    world.run(DAY);
    world.set_course(1, CourseAction::Pause).unwrap();
    assert_eq!(
        world.set_course(1, CourseAction::Pause).unwrap_err().code,
        "course-refused"
    );
    world.run(3 * DAY);
    let paused = days_of(&world, "iodine", 4, 2);
    assert!(
        paused.iter().all(|ul| (ul - 2_000).abs() <= 60),
        "{paused:?}"
    );
    world.set_course(1, CourseAction::Resume).unwrap();
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
    let cron = world.begin(CourseWish::Change {
        line: name("trace"),
        of: Quantity::Element(Element::new("Mn").unwrap()),
        by: 0.0002,
        at_most_per_day: 0.0001,
    });
    assert_eq!(cron.unwrap_err().code, "course-refused");
}

#[test]
fn a_course_of_alkalinity_counts_in_the_ramp() {
    let mut world = settled();
    let of = Quantity::Alkalinity;
    let alkalinity = |world: &mut World, ul| change(world, ("alkalinity", &of), ul, 3);
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
    let of = iodine_quantity();
    world.begin(CourseWish::TopUp {
        line: name("iodine"),
        per_day: world.worth("iodine", &of, 500),
        of,
        days,
    })
}

fn confirm(world: &mut World, days: u32, read: jiff::Timestamp) -> Result<Answer, Denial> {
    world.set_course(1, CourseAction::Confirm { days, read })
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
    let held = Carried::new();
    Command::Tell(tell(Observed::WaterChange { litres, held }))
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

fn figures(proposal: &Proposal) -> &CourseFigures {
    let Figures::Course(figures) = &proposal.figures else {
        panic!("{proposal:?}");
    };
    figures
}

#[test]
fn what_a_second_course_shows_is_what_both_give_and_nothing_else_is_begun() {
    let mut world = settled();
    let of = iodine_quantity();
    let per_day = world.worth("iodine", &of, 300);
    let wish = CourseWish::Change {
        line: name("iodine"),
        of,
        by: 4.0 * per_day,
        at_most_per_day: per_day,
    };
    let wish = a_course(wish);
    let first = world.proposed(wish.clone()).unwrap();
    let day_of = |proposal: &Proposal| {
        let day = figures(proposal).by_day.get(1).unwrap();
        day.volumes.get(&name("iodine")).unwrap().as_ul()
    };
    assert_eq!(day_of(&first), 2_300);
    world.wished(wish.clone()).unwrap();
    let old = world.told(Command::Confirm(first.confirm(None)));
    assert_eq!(old.unwrap_err().code, "token-unknown");
    let second = world.proposed(wish.clone()).unwrap();
    assert_eq!(day_of(&second), 2_600);
    assert!(
        second.text.iter().any(|w| w.contains("2.6 mL a day")),
        "{:?}",
        second.text
    );
    let other = Confirm {
        shown: Some(first.figures.clone()),
        ..second.confirm(None)
    };
    let other = world.told(Command::Confirm(other));
    assert_eq!(other.unwrap_err().code, "not-as-shown");
    world.wished(wish).unwrap();
    world.run(2 * DAY);
    let given = days_of(&world, "iodine", 3, 1);
    assert!((given[0] - 2_600).abs() <= 60, "{given:?}");
}

#[test]
fn a_course_that_lowers_gives_less_on_its_days_and_ends_by_itself() {
    let mut world = settled();
    world.read_alkalinity(7.9);
    change(
        &mut world,
        ("alkalinity", &Quantity::Alkalinity),
        -18_900,
        2,
    )
    .unwrap();
    world.run(5 * DAY);
    let given = days_of(&world, "alkalinity", 2, 4);
    for (got, want) in given.iter().zip([75_600, 56_700, 56_700, 75_600]) {
        assert!((got - want).abs() <= 1_500, "{given:?}");
    }
    assert!(world.status().courses.is_empty());
    assert!(!world.has_alarm("over-delivered") && !world.has_alarm("under-delivered"));
    world.check_caps();
}

#[test]
fn no_more_is_taken_off_a_line_than_it_gives_and_than_alkalinity_may_fall() {
    let mut world = settled();
    let less = iodine(&mut world, -2_100, 3).unwrap_err().text;
    assert!(less.contains("gives 2.0 mL"), "{less}");
    iodine(&mut world, -1_200, 3).unwrap();
    // Both together count.
    let second = iodine(&mut world, -1_200, 3).unwrap_err().text;
    assert!(second.contains("gives 2.0 mL"), "{second}");
    // 0.6 dKH a day of the demo's 0.8; it may fall by 0.5.
    let alkalinity = ("alkalinity", &Quantity::Alkalinity);
    let fall = change(&mut world, alkalinity, -56_700, 3).unwrap_err().text;
    assert!(fall.contains("largest fall of 0.500 dKH"), "{fall}");
    change(&mut world, alkalinity, -37_800, 3).unwrap();
}

#[test]
fn courses_of_one_quantity_do_not_pull_against_each_other() {
    let mut world = settled();
    iodine(&mut world, 300, 3).unwrap();
    let against = iodine(&mut world, -300, 3).unwrap_err().text;
    assert!(against.contains("pulls the other way"), "{against}");
    assert!(
        world
            .set_course(1, CourseAction::Back)
            .unwrap_err()
            .text
            .contains("no steps to go back")
    );
}

#[test]
fn at_most_eight_courses_are_under_way() {
    let mut world = settled();
    for _ in 0..8 {
        iodine(&mut world, 20, 3).unwrap();
    }
    let ninth = iodine(&mut world, 20, 3).unwrap_err().text;
    assert!(ninth.contains("8 courses are under way"), "{ninth}");
}

#[test]
fn the_volume_of_a_course_follows_what_is_in_the_bottle() {
    let mut world = settled();
    iodine(&mut world, 500, 5).unwrap();
    world.run(DAY);
    assert_eq!(world.line("iodine").planned.as_ul(), 2_500);
    let mut controller = (*world.controller).clone();
    let solution = controller
        .solution_of(&name("iodine"))
        .unwrap()
        .name
        .clone();
    let effect = &mut controller.solutions.get_mut(&solution).unwrap().effect;
    for per_litre in effect.dissolved_mg_per_l.values_mut() {
        *per_litre *= 2.0;
    }
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(world.line("iodine").planned.as_ul(), 2_250);
}

#[test]
fn what_was_begun_in_a_dry_run_is_not_in_force_live_nor_the_other_way_round() {
    let mut world = settled();
    iodine(&mut world, 500, 20).unwrap();
    let restart = |world: &mut World, live| {
        world.live = live;
        world.restart_after(SECOND);
        world.sync();
        world.run(SECOND);
        world.status().courses
    };
    assert!(restart(&mut world, false).is_empty(), "begun live");
    iodine(&mut world, 100, 20).unwrap();
    let live = restart(&mut world, true);
    assert_eq!(live.len(), 1, "{live:?}");
    assert_eq!(live[0].course.number, 1);
    let notes = world.notes("course-set-aside");
    assert!(
        notes
            .iter()
            .any(|n| n.contains("begun in a dry run and is over")),
        "{notes:?}"
    );
    // For good: the next dry run does not give it again.
    assert!(restart(&mut world, false).is_empty());
}
