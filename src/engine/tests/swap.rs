//! Swapped bottles over virtual days.

use std::sync::Arc;

use super::rig::{CONTROLLER, DAY, Flow, HOUR, PLAN, SECOND, World, name, plan_of, ul};
use crate::chemistry::Quantity;
use crate::config::{Controller, check_texts};
use crate::engine::{Answer, ChangeoverAction, Command, Denial, NewSwap, Wish};
use crate::plan::with_solution;
use crate::quantity::Words;
use crate::quantity::f64_from_i64;
use crate::record::{BottleSwap, Entry, SwapState};

/// 70 g/L of NaHCO3 (84.007 g/mol) are 0.8333 meq/mL, against 1.1322 of the demo's soda (60 g/L, 105.988 g/mol, two equivalents): 75.6 mL
/// of the one are worth 102.72 mL of the other.
const WEAKER: &str = r#"
[solution.bicarbonate]
salts = [{ salt = "NaHCO3", g-per-l = 70 }]
caustic = false
[solution.strong-soda]
salts = [{ salt = "Na2CO3", g-per-l = 120 }]
caustic = true
[solution.third]
salts = [{ salt = "NaHCO3", g-per-l = 60 }]
caustic = false
[solution.unsaid]
salts = [{ salt = "NaHCO3", g-per-l = 65 }]
caustic = false
[[apart]]
first = "bicarbonate"
second = "calcium-chloride"
gap-min = 1
[[apart]]
first = "bicarbonate"
second = "magnesium-mix"
gap-min = 1
[[apart]]
first = "strong-soda"
second = "calcium-chloride"
gap-min = 1
[[apart]]
first = "strong-soda"
second = "magnesium-mix"
gap-min = 1
[[apart]]
first = "third"
second = "calcium-chloride"
gap-min = 1
[[apart]]
first = "third"
second = "magnesium-mix"
gap-min = 1
"#;

fn controller_of(text: &str) -> Controller {
    let zones = |zone: &str| jiff::tz::TimeZone::get(zone).ok();
    let texts = [("controller.toml", text), ("plan.toml", PLAN)];
    let mut controller = check_texts(texts, &zones).unwrap().controller;
    // As a label may claim it: calcium with some alkalinity.
    let mut both = controller.solutions[&name("calcium-chloride")].clone();
    both.name = name("calcium-too");
    both.effect.alkalinity_meq_per_l = 100.0;
    controller.apart.push(crate::config::ApartRule {
        first: both.name.clone(),
        second: name("soda-ash"),
        gap: crate::quantity::Millis::from_mins(15),
    });
    controller.solutions.insert(both.name.clone(), both);
    let bottle = controller.reservoirs.get_mut(&name("alkalinity")).unwrap();
    bottle.capacity = ul(5_000_000);
    for line in &mut controller.lines {
        if line.name == name("alkalinity") || line.name == name("calcium") {
            line.daily_cap = ul(150_000);
            line.dose_cap = ul(12_000);
        }
    }
    controller
}

fn world() -> World {
    let controller = controller_of(&format!("{CONTROLLER}{WEAKER}"));
    let plan = plan_of(PLAN, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.read_alkalinity(7.9);
    world.run(DAY);
    world
}

fn ask(world: &mut World, to: &str, tube: i64) -> Result<Answer, Denial> {
    world.told(Command::StartSwap(NewSwap {
        line: name("alkalinity"),
        to: name(to),
        by: Quantity::Alkalinity,
        tube: ul(tube),
        expected: None,
        note: Words::default(),
    }))
}

fn swap(world: &mut World, to: &str, tube: i64) {
    world.hold(Some("alkalinity"), "bottle swap");
    world.run(SECOND);
    ask(world, to, tube).unwrap();
    world.resume(Some("alkalinity"));
    world.run(SECOND);
}

/// controller.toml says another solution from the next start on.
fn restart_with(world: &mut World, solution: &str) {
    let edited = with_solution(&world.controller, &name("alkalinity"), &name(solution));
    world.controller = edited.into();
    world.restart_after(SECOND);
    world.sync();
}

fn newest(world: &World) -> BottleSwap {
    let found = world.books.entries.iter().rev().find_map(|e| {
        let Entry::Swap(swap) = e else {
            return None;
        };
        Some(swap.clone())
    });
    found.unwrap()
}

/// Doses of the line since, as solution and whole tenths of a mL.
fn since(world: &World, from: usize) -> Vec<(String, i64)> {
    let flows = world.flows_of("alkalinity");
    let of = |f: &Flow| (f.solution.to_string(), (f.volume + 50) / 100);
    flows.iter().skip(from).map(of).collect()
}

#[test]
fn the_tube_is_emptied_at_the_old_volume_and_then_the_new_one_is_in_force() {
    let mut world = world();
    let before = world.flows_of("alkalinity").len();
    swap(&mut world, "bicarbonate", 6_300);
    world.run(6 * HOUR);
    let doses = since(&world, before);
    // 75.6 mL in 24 doses are 3.15 mL each, 102.72 mL are 4.28 mL; two of the old ones are the tube.
    let soda = |tenths| ("soda-ash".to_owned(), tenths);
    let bicarbonate = |tenths| ("bicarbonate".to_owned(), tenths);
    assert!(doses.len() >= 5, "{doses:?}");
    let shown: Vec<_> = doses.into_iter().take(5).collect();
    assert_eq!(
        shown,
        [
            soda(32),
            soda(32),
            bicarbonate(43),
            bicarbonate(43),
            bicarbonate(43)
        ]
    );
    assert_eq!(newest(&world).state, SwapState::Through);
    assert_eq!(newest(&world).after.as_ul() / 10, 10_272);
    for _ in 0..2 {
        world.run(DAY);
        world.read_alkalinity(7.9);
    }
    // The water sees no step, and what follows the line does not move.
    let last_day = |line: &str, of: fn(&Flow) -> f64| -> f64 {
        let end = world.now().elapsed.as_ms();
        let flows = world.flows_of(line);
        flows.iter().filter(|f| f.began > end - DAY).map(of).sum()
    };
    let meq = last_day("alkalinity", |f| f.alkalinity) * 300.0;
    assert!(
        (meq - 85.6).abs() < 3.7,
        "{meq} meq in 24 h: more than a dose off"
    );
    let calcium = last_day("calcium", |f| f64_from_i64(f.volume)) / 1000.0;
    assert!(
        (calcium - 75.6).abs() < 4.0,
        "{calcium} mL of calcium in 24 h"
    );
    assert!((world.status().planned_alkalinity.as_dkh() - 0.8).abs() < 0.001);
    assert_eq!(world.line("alkalinity").solution, name("bicarbonate"));
    assert_eq!(world.not_given(), []);
    world.check_caps();
    world.check_books();
}

#[test]
fn a_restart_changes_nothing_about_how_far_a_tube_is_and_what_it_gives() {
    let mut world = world();
    let before = world.flows_of("alkalinity").len();
    swap(&mut world, "bicarbonate", 6_300);
    while world.flows_of("alkalinity").len() == before {
        world.run(HOUR / 4);
    }
    assert_eq!(newest(&world).state, SwapState::Tube);
    world.restart_after(SECOND);
    world.sync();
    world.run(2 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    // controller.toml still says soda.
    world.restart_after(SECOND);
    world.sync();
    let from = world.flows_of("alkalinity").len();
    world.run(2 * HOUR);
    let doses = since(&world, from);
    assert!(!doses.is_empty());
    assert!(
        doses.iter().all(|d| *d == ("bicarbonate".to_owned(), 43)),
        "{doses:?}"
    );
    assert_eq!(
        since(&world, before)[..2],
        [("soda-ash".to_owned(), 32), ("soda-ash".to_owned(), 32)]
    );
}

#[test]
fn a_dose_that_nobody_saw_end_counts_as_through_the_tube() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    let open = |world: &World| {
        let mut intents = world.books.intents.values();
        intents
            .any(|(i, _)| i.line == name("alkalinity") && !world.books.outcomes.contains_key(&i.id))
    };
    while !open(&world) {
        world.run(SECOND);
    }
    world.power_cut(HOUR, 0);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Through);
}

#[test]
fn a_swap_is_over_when_both_files_say_it_and_not_before() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    // Only controller.toml: 75.6 mL of bicarbonate would be a fall, so the volume of the swap stays.
    restart_with(&mut world, "bicarbonate");
    world.run(2 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    assert!((world.status().planned_alkalinity.as_dkh() - 0.8).abs() < 0.001);
    // Both.
    let plan = finished_plan();
    world.plan = plan_of(&plan, &world.controller);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Ended);
    assert!(world.status().changeover.is_none());
    let from = world.flows_of("alkalinity").len();
    world.run(2 * HOUR);
    assert!(
        since(&world, from)
            .iter()
            .all(|d| *d == ("bicarbonate".to_owned(), 43))
    );
}

#[test]
fn what_makes_a_step_is_refused_and_nothing_is_swapped() {
    let mut world = world();
    let why = |answer: Result<Answer, Denial>| answer.unwrap_err().text;
    assert!(why(ask(&mut world, "bicarbonate", 6_300)).contains("not on hold"));
    world.hold(Some("alkalinity"), "bottle swap");
    world.run(SECOND);
    assert!(why(ask(&mut world, "soda-ash", 6_300)).contains("gives soda-ash already"));
    assert!(why(ask(&mut world, "trace-mix", 6_300)).contains("--by"));
    assert!(why(ask(&mut world, "unknown", 6_300)).contains("the solutions are"));
    // 3 L of twice the strength in a tube would be 3 x 1.132 eq / 300 L = 11 meq/L: no tube, and no rise for a day.
    assert!(why(ask(&mut world, "strong-soda", 3_000_000)).contains("tube"));
    // 150 mL of it: 150 x 1.132 meq / 300 L are 0.566 meq/L or 1.6 dKH.
    let early = why(ask(&mut world, "strong-soda", 150_000));
    assert!(
        early.contains("1.59 dKH") && early.contains("0.50 dKH"),
        "{early}"
    );
    no_swap(&world);
}

fn no_swap(world: &World) {
    let swaps = world.books.entries.iter();
    assert_eq!(swaps.filter(|e| matches!(e, Entry::Swap(_))).count(), 0);
}

#[test]
fn what_is_not_said_or_not_equal_or_not_alone_in_its_bottle_is_refused() {
    let mut world = world();
    let why = |answer: Result<Answer, Denial>| answer.unwrap_err().text;
    world.hold(Some("alkalinity"), "bottle swap");
    world.run(SECOND);
    let unsaid = why(ask(&mut world, "unsaid", 6_300));
    assert!(
        unsaid.contains("does not say how far apart unsaid must be"),
        "{unsaid}"
    );
    let shown = Command::StartSwap(NewSwap {
        line: name("alkalinity"),
        to: name("bicarbonate"),
        by: Quantity::Alkalinity,
        tube: ul(6_300),
        expected: Some(ul(108_700)),
        note: Words::default(),
    });
    let shown = why(world.told(shown));
    assert!(shown.contains("you were shown 108.7 mL"), "{shown}");
    world.hold(Some("calcium"), "bottle swap");
    world.run(SECOND);
    let moves = Command::StartSwap(NewSwap {
        line: name("calcium"),
        to: name("calcium-too"),
        by: Quantity::from_word("Ca").unwrap(),
        tube: ul(6_300),
        expected: None,
        note: Words::default(),
    });
    let moves = why(world.told(moves));
    // 75.6 mL of 100 meq/L in 300 L are 0.0252 meq/L or 0.071 dKH.
    assert!(moves.contains("from 0.000 to 0.071 dKH"), "{moves}");
    let mut controller = (*world.controller).clone();
    controller.apart.push(crate::config::ApartRule {
        first: name("bicarbonate"),
        second: name("calcium-chloride"),
        gap: crate::quantity::Millis::from_mins(30),
    });
    for line in &mut controller.lines {
        if line.name == name("alkalinity") {
            line.daily_cap = ul(85_000);
        }
    }
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    let apart = why(ask(&mut world, "bicarbonate", 6_300));
    assert!(
        apart.contains("30 min") && apart.contains("15 min"),
        "{apart}"
    );
    let cap = why(ask(&mut world, "third", 6_300));
    assert!(cap.contains("over its limit of 85"), "{cap}");
    let mut controller = (*world.controller).clone();
    for line in &mut controller.lines {
        if line.name == name("iodine") {
            line.reservoir = name("alkalinity");
        }
    }
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    let shared = why(ask(&mut world, "third", 6_300));
    assert!(shared.contains("one bottle"), "{shared}");
    no_swap(&world);
}

#[test]
fn while_a_swap_is_under_way_nothing_else_moves_the_line() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    let course = Wish::Course(crate::engine::NewCourse {
        kind: crate::record::CourseKind::Once,
        line: name("alkalinity"),
        raises: Quantity::Alkalinity,
        by: 0.15,
        at_most_per_day: 0.05,
        note: Words::default(),
    });
    let why = world.wished(course).unwrap_err();
    assert!(why.text.contains("bottle swap 1"), "{}", why.text);
    let reload = |world: &mut World, text: &str| {
        let plan = plan_of(text, &world.controller.clone());
        let ticket = world.reload(plan);
        world.run(SECOND);
        world.answer(ticket).clone()
    };
    let other = PLAN.replace("daily-ml = 75.6", "daily-ml = 78.0");
    let why = reload(&mut world, &other).unwrap_err();
    assert!(why.text.contains("changeover finish"), "{}", why.text);
    reload(
        &mut world,
        &PLAN.replace("daily-ml = 6\n", "daily-ml = 6.3\n"),
    )
    .unwrap();
    assert_eq!(newest(&world).state, SwapState::Through);
    assert!(
        world
            .told(Command::SetChangeover {
                action: ChangeoverAction::Back
            })
            .is_err()
    );
    world.hold(Some("alkalinity"), "bottle swap");
    world.run(SECOND);
    let third = ask(&mut world, "third", 3_000).unwrap_err();
    assert!(third.text.contains("one thing at a time"), "{}", third.text);
}

#[test]
fn the_old_bottle_can_be_put_back_at_once_or_later() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 6_300);
    swap(&mut world, "soda-ash", 6_300);
    // In force at once; that the files agree is seen at the next start.
    assert_eq!(newest(&world).state, SwapState::Through);
    let from = world.flows_of("alkalinity").len();
    world.run(6 * HOUR);
    assert!(
        since(&world, from)
            .iter()
            .all(|d| *d == ("soda-ash".to_owned(), 32))
    );
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Ended);
    // Later: the way back goes through the tube as well.
    swap(&mut world, "bicarbonate", 3_000);
    world.run(6 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    // A plan read meanwhile must not move slots to where only the new solution may be: soda and calcium need 15 min.
    let plan = plan_of(PLAN, &world.controller.clone());
    let ticket = world.reload(plan);
    world.run(SECOND);
    world.answer(ticket).clone().unwrap();
    let reloaded = world.now().elapsed.as_ms();
    world.run(6 * HOUR);
    let since_reload = |line: &str| -> Vec<Flow> {
        let flows = world.flows_of(line).into_iter();
        flows.filter(|f| f.began > reloaded).collect()
    };
    let (soda, calcium) = (since_reload("alkalinity"), since_reload("calcium"));
    assert!(soda.len() >= 5 && calcium.len() >= 5);
    let near = |a: &Flow, b: &Flow| {
        a.began < b.ended + 15 * 60 * SECOND && b.began < a.ended + 15 * 60 * SECOND
    };
    assert!(!soda.iter().any(|s| calcium.iter().any(|c| near(s, c))));
    let from = world.flows_of("alkalinity").len();
    swap(&mut world, "soda-ash", 4_000);
    world.run(3 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    let doses = since(&world, from);
    assert_eq!(
        doses.into_iter().take(3).collect::<Vec<_>>(),
        [
            ("bicarbonate".to_owned(), 43),
            ("soda-ash".to_owned(), 32),
            ("soda-ash".to_owned(), 32)
        ]
    );
    world.run(DAY);
    assert_eq!(world.not_given(), [], "every slot has its gap");
    world.check_books();
    // Of the three that were begun and the one way back all are over after a start with files that say soda.
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    let last_of = |number: i64| {
        let mut rows = world.books.entries.iter().rev();
        rows.find_map(|e| {
            let Entry::Swap(swap) = e else {
                return None;
            };
            (swap.number == number).then_some(swap.state)
        })
    };
    for number in 1..=4 {
        assert_eq!(last_of(number), Some(SwapState::Ended), "swap {number}");
    }
}

#[test]
fn the_way_back_after_the_files_were_finished_but_not_read_keeps_what_is_in_the_bottle() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    // `finish` has written the files; nobody restarted, and the old bottle goes back in.
    swap(&mut world, "soda-ash", 3_000);
    world.run(3 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    let plan = finished_plan();
    let edited = with_solution(&world.controller, &name("alkalinity"), &name("bicarbonate"));
    world.plan = plan_of(&plan, &edited);
    world.controller = edited.into();
    world.restart_after(SECOND);
    world.sync();
    let from = world.flows_of("alkalinity").len();
    world.run(3 * HOUR);
    let doses = since(&world, from);
    assert!(!doses.is_empty());
    assert!(
        doses.iter().all(|d| *d == ("soda-ash".to_owned(), 32)),
        "{doses:?}"
    );
    assert!((world.status().planned_alkalinity.as_dkh() - 0.8).abs() < 0.001);
}

fn finished_plan() -> String {
    PLAN.replace("daily-ml = 75.6", "daily-ml = 102.7")
        .replace("ratio = 1.0", "ratio = 0.7361")
}

fn held(world: &mut World, line: &str) -> String {
    let from = world.flows_of(line).len();
    world.run(3 * HOUR);
    assert_eq!(
        world.flows_of(line).len(),
        from,
        "line {line} gave something"
    );
    format!("{:?}", world.status().holds)
}

#[test]
fn a_follower_whose_ratio_was_forgotten_is_held_and_not_multiplied() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    let edited = with_solution(&world.controller, &name("alkalinity"), &name("bicarbonate"));
    world.plan = plan_of(
        &PLAN.replace("daily-ml = 75.6", "daily-ml = 102.7"),
        &edited,
    );
    world.controller = edited.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Ended);
    let held = held(&mut world, "calcium");
    assert!(
        held.contains("102.7 mL a day instead of 75.6 mL") && held.contains("ratio = 0.736"),
        "{held}"
    );
}

#[test]
fn a_volume_edited_while_the_daemon_was_off_holds_the_line() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    let before = Arc::clone(&world.plan);
    let less = PLAN
        .replace("daily-ml = 75.6", "daily-ml = 72.0")
        .replace("uptake-dkh-per-day = 0.80", "uptake-dkh-per-day = 0.76");
    world.plan = plan_of(&less, &world.controller.clone());
    world.restart_after(SECOND);
    world.sync();
    let reason = held(&mut world, "alkalinity");
    assert!(reason.contains("edited to 72.0 mL"), "{reason}");
    world.plan = before;
    world.restart_after(SECOND);
    world.sync();
    world.resume(Some("alkalinity"));
    let from = world.flows_of("alkalinity").len();
    world.run(3 * HOUR);
    assert!(world.flows_of("alkalinity").len() > from);
}

#[test]
fn a_line_on_standby_gives_nothing_whatever_was_agreed_for_it() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    while world.running() > 0 {
        world.run(SECOND);
    }
    let mut waits = (*world.plan).clone();
    for line in &mut waits.lines {
        line.standby = line.line == name("alkalinity");
    }
    world.plan = waits.into();
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(
        held(&mut world, "alkalinity"),
        "[]",
        "no hold is what keeps it off"
    );
}

#[test]
fn standby_is_not_the_new_volume() {
    let mut world = world();
    swap(&mut world, "strong-soda", 3_000);
    world.run(3 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    // 37.8 mL of the strong one were worth 75.6; on standby with 75.6 in the file it must not come back with that.
    let edited = with_solution(&world.controller, &name("alkalinity"), &name("strong-soda"));
    let mut waits = (*world.plan).clone();
    for line in &mut waits.lines {
        line.standby = line.line == name("alkalinity");
    }
    world.controller = edited.into();
    world.plan = waits.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Through);
    held(&mut world, "alkalinity");
}

#[test]
fn the_way_back_after_an_edited_strength_is_to_the_volume_of_before() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    let mut edited = (*world.controller).clone();
    let solution = edited.solutions.get_mut(&name("bicarbonate")).unwrap();
    solution.effect.alkalinity_meq_per_l *= 1.2;
    world.controller = edited.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    ask(&mut world, "soda-ash", 3_000).unwrap();
    world.resume(Some("alkalinity"));
    world.run(6 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    assert_eq!(newest(&world).after.as_ul(), 75_600);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Ended);
    let holds = format!("{:?}", world.status().holds);
    assert!(!holds.contains("bottle swap"), "{holds}");
}

#[test]
fn a_new_volume_in_the_plan_alone_is_not_taken_and_moves_no_follower() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    let alone = PLAN.replace("daily-ml = 75.6", "daily-ml = 102.7");
    let edited = with_solution(&world.controller, &name("alkalinity"), &name("bicarbonate"));
    let plan = plan_of(&alone, &edited);
    let ticket = world.reload(Arc::clone(&plan));
    world.run(SECOND);
    let why = world.answer(ticket).clone().unwrap_err();
    assert!(why.text.contains("stays at 75.6 mL"), "{}", why.text);
    // The same while the daemon was off: calcium would be 102.7 mL.
    world.plan = plan;
    world.restart_after(SECOND);
    world.sync();
    let reason = held(&mut world, "calcium");
    assert!(reason.contains("instead of 75.6 mL"), "{reason}");
    assert_eq!(world.line("alkalinity").solution, name("bicarbonate"));
}

#[test]
fn a_strength_edited_meanwhile_holds_the_line() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    let mut edited = (*world.controller).clone();
    let solution = edited.solutions.get_mut(&name("bicarbonate")).unwrap();
    solution.effect.alkalinity_meq_per_l *= 1.1;
    world.controller = edited.into();
    world.restart_after(SECOND);
    world.sync();
    let reason = held(&mut world, "alkalinity");
    assert!(reason.contains("put their strengths right"), "{reason}");
}

#[test]
fn what_was_rehearsed_in_a_dry_run_is_not_in_force_live() {
    let controller = controller_of(&format!("{CONTROLLER}{WEAKER}"));
    let plan = plan_of(PLAN, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.live = false;
    world.start();
    world.sync();
    world.read_alkalinity(7.9);
    world.run(HOUR);
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    assert_eq!(newest(&world).state, SwapState::Through);
    let mut edited = (*world.controller).clone();
    edited.mode = crate::config::Mode::Live;
    world.controller = edited.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    // Set to live, and not armed: what was rehearsed is over, and nothing new may begin, for no tube is emptied.
    assert_eq!(newest(&world).state, SwapState::Ended);
    world.hold(Some("alkalinity"), "bottle swap");
    world.run(SECOND);
    let why = ask(&mut world, "bicarbonate", 3_000).unwrap_err();
    assert!(why.text.contains("dosewright arm"), "{}", why.text);
    world.live = true;
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(newest(&world).state, SwapState::Ended);
    assert_eq!(world.line("alkalinity").solution, name("soda-ash"));
    assert_eq!(world.line("alkalinity").plan_standing.as_ul(), 75_600);
}

#[test]
fn a_line_is_held_when_nobody_can_tell_what_is_in_its_bottle() {
    let mut world = world();
    swap(&mut world, "bicarbonate", 3_000);
    world.run(3 * HOUR);
    restart_with(&mut world, "third");
    let from = world.flows_of("alkalinity").len();
    world.run(3 * HOUR);
    assert_eq!(world.flows_of("alkalinity").len(), from);
    let held = world.status().holds;
    assert!(
        format!("{held:?}").contains("make sure what is in the bottle"),
        "{held:?}"
    );
}
