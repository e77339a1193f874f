//! Stepper heads: steps that come late are not crowded together, so their runs may take longer before a head counts as lost.

use super::faults::calcium_world;
use super::rig::{SECOND, World, name};
use crate::config::{ActiveLevel, HeadOutput, Output, StepSpeed, Stepper};
use crate::engine::Event;
use crate::record::{DoseKind, Entry};

/// Milliseconds from the start of a dose of 6 mL whose end is never told until the daemon gives up.
fn patience(mut world: World) -> i64 {
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(SECOND);
    let began = world.t;
    while world.exits.is_empty() && world.t < began + 120 * SECOND {
        world.t += 500;
        world.feed(Event::Tick);
    }
    world.t - began
}

#[test]
fn a_stepper_head_is_waited_for_by_its_run_time_longer_than_a_switched_one() {
    let switched = patience(calcium_world("\"23:00\"", 1));
    let mut world = calcium_world("\"23:00\"", 1);
    let mut controller = (*world.controller).clone();
    let head = controller.heads.get_mut(&name("calcium")).unwrap();
    assert_eq!(
        head.output,
        HeadOutput::Switched(Output {
            gpio: 27,
            active: ActiveLevel::High
        })
    );
    head.output = HeadOutput::Stepper(Stepper {
        step: 27,
        direction: None,
        enable: None,
        speed: StepSpeed {
            steps_per_s: 1000,
            steps_per_s2: 4000,
        },
    });
    world.controller = controller.into();
    // It meters whatever drives the head: this is about waiting.
    for entry in &mut world.books.entries {
        if let Entry::Calibration(stored) = entry {
            stored.drive.clear();
        }
    }
    world.restart_after(SECOND);
    world.sync();
    world.run(6 * 60 * SECOND);
    let stepper = patience(world);
    // 6 mL take some 12 s.
    let longer = stepper - switched;
    assert!(
        (11 * SECOND..=13 * SECOND).contains(&longer),
        "{switched} {stepper}"
    );
}
