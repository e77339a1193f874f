//! Refills: what leaves an outlet is what the bottle and its tube hold, and a change of it is shown first.

use std::sync::Arc;

use super::rig::{DAY, HOUR, MINUTE, SECOND, World, demo, name, same, ul};
use crate::chemistry::{Quantity, SolutionEffect};
use crate::config::{Controller, Origin};
use crate::engine::{
    Answer, Command, Denial, Figures, LineStatus, NewBench, NewRefill, RefillFigures, RefillLevel,
    Wish,
};
use crate::engine::{BenchAsk, CourseWish};
use crate::quantity::{Millis, Name, Volume, Words};
use crate::record::DoseKind;

/// The demo, whose soda-ash bottle may also hold a solution that is a third stronger, or one that carries magnesium too.
fn two_strengths() -> Controller {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    let weak = controller.solutions[&name("soda-ash")].clone();
    let mut strong = weak.clone();
    strong.name = name("soda-ash-80");
    strong.effect.alkalinity_meq_per_l *= 80.0 / 60.0;
    let mut mixed = weak;
    mixed.name = name("soda-ash-mix");
    mixed.effect.dissolved_mg_per_l = controller.solutions[&name("magnesium-mix")]
        .effect
        .dissolved_mg_per_l
        .clone();
    let bottle = controller.reservoirs.get_mut(&name("alkalinity")).unwrap();
    for solution in [strong, mixed] {
        bottle.solutions.push(solution.name.clone());
        controller.solutions.insert(solution.name.clone(), solution);
    }
    controller
}

fn world() -> World {
    let (_, plan) = demo();
    let mut world = World::new(two_strengths(), plan, "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(MINUTE);
    world.read_alkalinity(8.0);
    world
}

/// A bottle that was poured out, and filled with the stronger solution.
fn stronger(tube: Option<i64>) -> NewRefill {
    NewRefill {
        solution: Some(name("soda-ash-80")),
        tube: tube.map(ul),
        emptied: true,
        ..same("alkalinity", RefillLevel::Full)
    }
}

fn shown(world: &mut World, new: NewRefill) -> Result<RefillFigures, Denial> {
    let proposal = world.proposed(Wish::Refill(new))?;
    let Figures::Refill(figures) = proposal.figures else {
        panic!("{:?}", proposal.figures);
    };
    Ok(figures)
}

fn fill(world: &mut World, new: NewRefill) {
    let Answer::Done { text } = world.wished(Wish::Refill(new)).unwrap() else {
        panic!("no answer");
    };
    assert!(text.contains("holds"), "{text}");
    world.run(SECOND);
}

fn denied<T: std::fmt::Debug>(result: Result<T, Denial>, code: &str) -> String {
    let denial = result.unwrap_err();
    assert_eq!(denial.code, code, "{}", denial.text);
    denial.text
}

fn tell(world: &mut World, command: Command) -> Result<Answer, Denial> {
    let ticket = world.ask(command);
    world.run(SECOND);
    world.answer(ticket).clone()
}

fn alkalinity(world: &mut World) -> LineStatus {
    world.line("alkalinity")
}

fn effect<'a>(controller: &'a Controller, solution: &str) -> &'a SolutionEffect {
    &controller.solutions[&name(solution)].effect
}

/// Runs until the line has given so many more doses.
fn doses(world: &mut World, count: usize) {
    let before = world.flows_of("alkalinity").len();
    while world.flows_of("alkalinity").len() < before + count {
        world.run(MINUTE);
    }
    world.run(MINUTE);
}

fn added(world: &World, dose: usize) -> f64 {
    let flows = world.flows_of("alkalinity");
    flows[flows.len() - dose].alkalinity
}

fn worth(controller: &Controller, solution: &str, volume: i64) -> f64 {
    let tank = controller.tank;
    let rise = effect(controller, solution).alkalinity_rise(ul(volume), tank);
    rise.as_meq_per_l()
}

#[test]
fn a_stronger_bottle_is_a_refill_and_the_volume_of_each_slot_follows_once_its_tube_is_through() {
    let mut world = world();
    let controller = Arc::clone(&world.controller);
    assert_eq!(alkalinity(&mut world).planned, ul(75_601));
    let figures = shown(&mut world, stronger(Some(6_000))).unwrap();
    let line = &figures.lines[0];
    assert_eq!((line.before, line.after), (ul(75_601), ul(56_701)));
    assert_eq!((line.daily_cap, line.dose_cap), (ul(100_000), ul(6_000)));
    assert_eq!((figures.level, figures.tube), (ul(2_000_000), ul(6_000)));
    // 1,850 mL above the reserve at 56.7 mL a day.
    assert!((figures.lasts_days.unwrap() - 32.6).abs() < 0.1);
    fill(&mut world, stronger(Some(6_000)));
    let status = alkalinity(&mut world);
    let tube = status.tube.unwrap();
    assert_eq!((tube.solution, tube.left), (name("soda-ash"), ul(6_000)));
    assert_eq!(
        (status.solution, status.planned),
        (name("soda-ash"), ul(75_601))
    );
    doses(&mut world, 1);
    // The second dose of 3.15 mL has what is left of the 6 mL, and the rest out of the bottle.
    let first = world.flows_of("alkalinity").last().unwrap().volume;
    assert!((added(&world, 1) - worth(&controller, "soda-ash", first)).abs() < 1e-9);
    doses(&mut world, 1);
    let second = world.flows_of("alkalinity").last().unwrap().volume;
    let of_tube = 6_000 - first;
    assert!(0 < of_tube && of_tube < second);
    let across = worth(&controller, "soda-ash", of_tube)
        + worth(&controller, "soda-ash-80", second - of_tube);
    assert!((added(&world, 1) - across).abs() < 1e-9);
    let status = alkalinity(&mut world);
    assert_eq!((status.tube, status.planned), (None, ul(56_701)));
    assert_eq!(status.solution, name("soda-ash-80"));
    assert_eq!(world.notes("tube-through").len(), 1);
    // The water gets what it got before.
    doses(&mut world, 1);
    let third = world.flows_of("alkalinity").last().unwrap().volume;
    assert!((2_360..=2_363).contains(&third), "{third}");
    assert!((added(&world, 1) - worth(&controller, "soda-ash", first)).abs() < 1e-5);
    world.run(2 * DAY);
    world.check_books();
    assert!(!world.has_alarm("under-delivered") && !world.has_alarm("over-delivered"));
}

#[test]
fn what_bottle_and_tube_hold_survives_a_restart() {
    let mut world = world();
    fill(&mut world, stronger(Some(6_000)));
    doses(&mut world, 1);
    let before = alkalinity(&mut world);
    world.restart_after(10 * SECOND);
    world.sync();
    world.run(MINUTE);
    let after = alkalinity(&mut world);
    assert_eq!((&after.tube, after.planned), (&before.tube, before.planned));
    assert_eq!(after.tube.unwrap().left, ul(6_000 - 3_150));
    doses(&mut world, 1);
    world.kill();
    world.restart_after(10 * SECOND);
    world.sync();
    world.run(MINUTE);
    let status = alkalinity(&mut world);
    assert_eq!((status.tube, status.solution), (None, name("soda-ash-80")));
    assert_eq!(status.planned, ul(56_701));
    let reservoirs = world.status().reservoirs;
    let bottle = reservoirs.iter().find(|r| r.name == name("alkalinity"));
    assert_eq!(bottle.unwrap().solution_from, Origin::Ledger);
    let other = reservoirs.iter().find(|r| r.name == name("calcium"));
    assert_eq!(other.unwrap().solution, name("calcium-chloride"));
}

/// A kill in a dose counts it in full, and so much is gone from the tube.
#[test]
fn a_dose_that_nobody_saw_end_is_out_of_the_tube_too() {
    let mut world = world();
    fill(&mut world, stronger(Some(20_000)));
    let gives = |line: LineStatus| line.running.is_some_and(|run| run.so_far > Volume::ZERO);
    while !gives(alkalinity(&mut world)) {
        world.run(SECOND);
    }
    world.kill();
    world.restart_after(10 * SECOND);
    world.sync();
    world.run(MINUTE);
    let left = alkalinity(&mut world).tube.unwrap().left;
    assert_eq!(left, ul(20_000 - 3_150));
}

#[test]
fn what_is_primed_at_the_bench_comes_out_of_the_tube() {
    let mut world = world();
    fill(&mut world, stronger(Some(6_000)));
    let open = NewBench {
        head: name("alkalinity"),
        cap: None,
        bucket_days: None,
        note: Words::default(),
    };
    tell(&mut world, Command::Bench(BenchAsk::Open(open))).unwrap();
    let run = Wish::Run {
        head: name("alkalinity"),
        run_time: Millis::from_secs(10),
        kind: DoseKind::Prime,
    };
    world.wished(run).unwrap();
    world.run(MINUTE);
    let given = world.flows_of("alkalinity").last().unwrap().volume;
    let tube = alkalinity(&mut world).tube;
    match tube {
        Some(tube) => assert_eq!(tube.left, ul(6_000 - given)),
        None => assert!(given >= 6_000, "{given}"),
    }
}

#[test]
fn what_the_old_tube_held_is_gone_with_it_over_a_restart_too() {
    let mut world = world();
    fill(&mut world, stronger(Some(6_000)));
    assert!(alkalinity(&mut world).tube.is_some());
    let open = BenchAsk::Open(NewBench {
        head: name("alkalinity"),
        cap: None,
        bucket_days: None,
        note: Words::default(),
    });
    world.told(Command::Bench(open)).unwrap();
    let new = BenchAsk::NewTube {
        head: name("alkalinity"),
        note: Words::default(),
    };
    let text = world.told(Command::Bench(new)).unwrap().text();
    assert!(
        text.contains("until it is primed from the bottle"),
        "{text}"
    );
    let back = BenchAsk::Back {
        head: name("alkalinity"),
    };
    world.told(Command::Bench(back)).unwrap();
    for _ in 0..2 {
        let status = alkalinity(&mut world);
        assert_eq!((status.tube, status.solution), (None, name("soda-ash-80")));
        // It may be empty: nothing is given through it.
        let denial = world
            .by_hand("alkalinity", 1_000, DoseKind::Hand)
            .unwrap_err();
        assert_eq!(denial.code, "uncalibrated");
        world.restart_after(SECOND);
        world.sync();
    }
    // What is told of it afterwards counts.
    let weaker = NewRefill {
        solution: Some(name("soda-ash")),
        ..stronger(Some(6_000))
    };
    fill(&mut world, weaker);
    world.restart_after(SECOND);
    world.sync();
    assert!(alkalinity(&mut world).tube.is_some());
}

#[test]
fn another_solution_is_never_taken_in_one_step_and_its_tube_must_be_known() {
    let mut world = world();
    let refused = tell(&mut world, Command::Refill(stronger(Some(6_000))));
    denied(refused, "another-solution");
    let text = denied(shown(&mut world, stronger(None)), "tube-not-said");
    assert!(text.contains("--tube \"6 mL\""), "{text}");
    let unknown = NewRefill {
        solution: Some(name("iodine")),
        ..stronger(Some(0))
    };
    denied(
        tell(&mut world, Command::Refill(unknown.clone())),
        "unknown-solution",
    );
    denied(shown(&mut world, unknown), "unknown-solution");
    let own = NewRefill {
        solution: Some(name("soda-ash")),
        ..stronger(Some(0))
    };
    denied(shown(&mut world, own), "refill-refused");
    assert_eq!(alkalinity(&mut world).solution, name("soda-ash"));
}

fn left_of(world: &mut World, solution: &str, left: i64) {
    let told = NewRefill {
        solution: Some(name(solution)),
        ..same("alkalinity", RefillLevel::To(ul(left)))
    };
    tell(world, Command::Refill(told)).unwrap();
}

#[test]
fn a_mixture_is_refused_unless_so_little_is_left_that_it_is_none() {
    let mut world = world();
    let topped_up = |level| NewRefill {
        emptied: false,
        level,
        ..stronger(Some(0))
    };
    let text = denied(shown(&mut world, topped_up(RefillLevel::Full)), "mixed");
    assert!(
        text.contains("25.0 % off") && text.contains("--emptied"),
        "{text}"
    );
    // A quarter weaker at worst: 160 mL of 2 L are 2 %.
    for (left, taken) in [(161_000, false), (160_000, true)] {
        left_of(&mut world, "soda-ash", left);
        let result = shown(&mut world, topped_up(RefillLevel::Full));
        assert_eq!(result.is_ok(), taken, "{left}: {result:?}");
    }
    let more = topped_up(RefillLevel::Add(ul(100_000)));
    denied(shown(&mut world, more), "mixed");
    // What only the old one carries is in the mixture at any strength.
    let mix = NewRefill {
        solution: Some(name("soda-ash-mix")),
        ..stronger(Some(0))
    };
    fill(&mut world, mix);
    left_of(&mut world, "soda-ash-mix", 1_000);
    let text = denied(shown(&mut world, topped_up(RefillLevel::Full)), "mixed");
    assert!(text.contains("only soda-ash-mix carries"), "{text}");
}

#[test]
fn a_tube_that_holds_two_solutions_takes_no_third() {
    let mut world = world();
    fill(&mut world, stronger(Some(6_000)));
    let mix = |tube| NewRefill {
        solution: Some(name("soda-ash-mix")),
        ..stronger(Some(tube))
    };
    denied(shown(&mut world, mix(1_000)), "tube-mixed");
    fill(&mut world, mix(0));
    let status = alkalinity(&mut world);
    assert_eq!((status.tube, status.solution), (None, name("soda-ash-mix")));
}

#[test]
fn the_step_that_a_wrongly_told_tube_could_make_is_shown_and_bounded() {
    let mut world = world();
    let controller = Arc::clone(&world.controller);
    let figures = shown(&mut world, stronger(Some(6_000))).unwrap();
    let of = Quantity::Alkalinity;
    // The tube and one dose, by a third of soda-ash.
    let off = ul(6_000 + 3_151);
    let dkh = |name: &str| effect(&controller, name).rise(&of, off, controller.tank);
    let step = dkh("soda-ash-80") - dkh("soda-ash");
    assert!((figures.steps[&of] - step).abs() < 1e-6, "{figures:?}");
    let text = denied(shown(&mut world, stronger(Some(160_000))), "step-too-large");
    assert!(text.contains("over the largest rise of 0.50 dKH"), "{text}");
    // Back to the weaker one it would be a fall.
    fill(&mut world, stronger(Some(0)));
    let weaker = NewRefill {
        solution: Some(name("soda-ash")),
        ..stronger(Some(160_000))
    };
    let text = denied(shown(&mut world, weaker), "step-too-large");
    assert!(text.contains("over the largest fall of 0.50 dKH"), "{text}");
}

#[test]
fn nothing_is_filled_that_caps_or_courses_do_not_go_with() {
    let mut world = world();
    let mut controller = (*world.controller).clone();
    let line = controller
        .lines
        .iter_mut()
        .find(|l| l.name == name("alkalinity"));
    line.unwrap().daily_cap = ul(60_000);
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    // 56.7 mL and a dose fit into 60 mL; 75.6 mL do not.
    fill(&mut world, stronger(Some(0)));
    let back = NewRefill {
        solution: Some(name("soda-ash")),
        ..stronger(Some(0))
    };
    let text = denied(shown(&mut world, back), "refill-refused");
    assert!(
        text.contains("75.601 mL a day, over its limit of 60.0 mL"),
        "{text}"
    );
}

#[test]
fn a_course_that_the_new_solution_cannot_carry_keeps_it_out() {
    let mut world = world();
    let mix = NewRefill {
        solution: Some(name("soda-ash-mix")),
        ..stronger(Some(0))
    };
    fill(&mut world, mix);
    let magnesium = Quantity::from_word("magnesium").unwrap();
    let course = CourseWish::Change {
        line: name("alkalinity"),
        of: magnesium,
        by: 0.1,
        at_most_per_day: 0.05,
    };
    world.begin(course).unwrap();
    let text = denied(shown(&mut world, stronger(Some(0))), "refill-refused");
    assert!(
        text.contains("carries no magnesium; end it first"),
        "{text}"
    );
}

#[test]
fn a_refill_that_was_shown_is_refused_when_a_dose_came_in_between() {
    let mut world = world();
    let proposal = world.proposed(Wish::Refill(stronger(Some(6_000)))).unwrap();
    world.by_hand("alkalinity", 1_000, DoseKind::Hand).unwrap();
    world.run(MINUTE);
    let ticket = world.ask(Command::Confirm(proposal.confirm(None)));
    world.run(SECOND);
    denied(world.answer(ticket).clone(), "token-unknown");
    let proposal = world.proposed(Wish::Refill(stronger(Some(6_000)))).unwrap();
    world.refill("alkalinity", RefillLevel::To(ul(1_000_000)));
    world.run(SECOND);
    let ticket = world.ask(Command::Confirm(proposal.confirm(None)));
    world.run(SECOND);
    denied(world.answer(ticket).clone(), "token-stale");
    assert_eq!(alkalinity(&mut world).solution, name("soda-ash"));
}

#[test]
fn while_a_line_doses_its_bottle_is_not_changed() {
    let mut world = world();
    while alkalinity(&mut world).running.is_none() {
        world.run(SECOND);
    }
    denied(shown(&mut world, stronger(Some(0))), "head-busy");
}

#[test]
fn a_nearly_empty_bottle_that_may_hold_several_is_asked_about() {
    let mut world = world();
    let full = || Command::Refill(same("alkalinity", RefillLevel::Full));
    tell(&mut world, full()).unwrap();
    world.refill("alkalinity", RefillLevel::To(ul(150_000)));
    world.run(SECOND);
    let text = denied(tell(&mut world, full()), "solution-not-said");
    assert!(text.contains("--solution NAME"), "{text}");
    let told = NewRefill {
        solution: Some(name("soda-ash")),
        ..same("alkalinity", RefillLevel::Full)
    };
    let Answer::Done { text } = tell(&mut world, Command::Refill(told)).unwrap() else {
        panic!("no answer");
    };
    assert!(text.contains("it had run dry: look for air"), "{text}");
    // A low bottle is asked about before its reserve is reached; one that holds one thing is not.
    world.refill("alkalinity", RefillLevel::To(ul(300_000)));
    world.run(MINUTE);
    assert!(world.has_alarm("reservoir-low"));
    denied(tell(&mut world, full()), "solution-not-said");
    world.refill("calcium", RefillLevel::To(ul(150_000)));
    world.run(SECOND);
    let calcium = Command::Refill(same("calcium", RefillLevel::Full));
    tell(&mut world, calcium).unwrap();
}

#[test]
fn a_solution_that_the_file_no_longer_names_is_not_dosed_by_the_strength_of_another() {
    let mut world = world();
    fill(&mut world, stronger(Some(0)));
    let mut controller = (*world.controller).clone();
    let bottle = controller.reservoirs.get_mut(&name("alkalinity")).unwrap();
    bottle
        .solutions
        .retain(|held: &Name| *held == name("soda-ash"));
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(3 * HOUR);
    let reason = alkalinity(&mut world).reason.unwrap();
    assert_eq!(reason.code, "reservoir-unknown");
    assert!(world.flows_of("alkalinity").is_empty());
    assert_eq!(world.notes("content-unknown").len(), 1);
}

#[test]
fn no_volume_is_lost_between_tube_and_bottle() {
    let mut controller = two_strengths();
    controller.fill(
        &name("alkalinity"),
        (&name("soda-ash-80"), true),
        Some(&crate::config::TubeContent {
            solution: name("soda-ash"),
            left: ul(1_000),
        }),
    );
    let tank = controller.tank;
    let outlet = controller.outlet(&name("alkalinity")).unwrap();
    for volume in [1, 999, 1_000, 1_001, 5_000] {
        let carried = outlet.carried(Volume::from_ul(volume), tank)[&Quantity::Alkalinity];
        let weak = volume.min(1_000);
        let of = |solution: &str, part: i64| {
            effect(&controller, solution).rise(&Quantity::Alkalinity, ul(part), tank)
        };
        let sum = of("soda-ash", weak) + of("soda-ash-80", volume - weak);
        assert!((carried - sum).abs() < 1e-12, "{volume}");
    }
}

/// The hourly limit follows the dose cap: a dose across the change must not be refused for ever.
#[test]
fn a_tube_gets_through_also_where_the_dose_cap_is_as_small_as_a_dose() {
    let mut controller = two_strengths();
    let mut lines = controller.lines.iter_mut();
    let line = lines.find(|l| l.name == name("alkalinity")).unwrap();
    line.dose_cap = ul(3_151);
    let (_, plan) = demo();
    let mut world = World::new(controller, plan, "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(MINUTE);
    world.read_alkalinity(8.0);
    fill(&mut world, stronger(Some(4_000)));
    world.run(3 * HOUR);
    assert_eq!(alkalinity(&mut world).tube, None);
    assert!(world.not_given().is_empty(), "{:?}", world.not_given());
}
