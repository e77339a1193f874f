//! A ledger that may have forgotten doses: nothing is free until 24 h have passed.

use super::rig::{DAY, HOUR, MINUTE, World};
use crate::engine::AlarmCode;
use crate::quantity::Volume;

const BEGIN: &str = "2026-06-01T06:00:00Z";

fn cap_left(world: &mut World) -> Volume {
    world.line("alkalinity").cap_left.unwrap()
}

fn alarmed(world: &mut World) -> bool {
    let alarms = world.status().alarms;
    alarms
        .iter()
        .any(|a| a.code == AlarmCode::BooksForgotten && a.active)
}

#[test]
fn what_may_be_forgotten_counts_as_given_for_24_h_over_restarts_and_power_cuts() {
    let mut world = World::demo(BEGIN);
    world.run(2 * HOUR);
    assert!(cap_left(&mut world) > Volume::ZERO);
    world.forget();
    world.sync();
    assert_eq!(cap_left(&mut world), Volume::ZERO);
    assert!(alarmed(&mut world));
    let before = world.flows_of("alkalinity").len();
    world.run(8 * HOUR);
    world.restart_after(MINUTE);
    world.sync();
    assert_eq!(cap_left(&mut world), Volume::ZERO);
    world.run(8 * HOUR);
    world.power_cut(10 * MINUTE, 0);
    world.sync();
    world.run(7 * HOUR);
    assert_eq!(cap_left(&mut world), Volume::ZERO);
    assert!(alarmed(&mut world));
    assert_eq!(
        world.flows_of("alkalinity").len(),
        before,
        "nothing was given"
    );
    // What was not written down before the power cut is not proven.
    world.run(4 * HOUR);
    assert!(cap_left(&mut world) > Volume::ZERO, "24 h have passed");
    assert!(!alarmed(&mut world));
    world.run(DAY);
    assert!(
        world.flows_of("alkalinity").len() > before,
        "and the plan goes on"
    );
}

#[test]
fn a_reading_from_before_predicts_nothing_for_what_was_added_since_may_be_forgotten() {
    let mut world = World::demo(BEGIN);
    world.run(HOUR);
    world.read_alkalinity(8.0);
    world.run(HOUR);
    assert!(world.prediction().is_some());
    world.forget();
    world.sync();
    world.run(HOUR);
    assert_eq!(world.prediction(), None);
    world.read_alkalinity(8.1);
    world.run(MINUTE);
    assert!(world.prediction().is_some());
}
