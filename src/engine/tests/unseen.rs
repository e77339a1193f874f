//! Doses whose end nobody saw: what counts, and what the water is taken to hold.

use super::faults::calcium_world;
use super::rig::{DAY, HOUR, MINUTE, SECOND, World, name, ul};
use crate::chemistry::Quantity;
use crate::quantity::{Millis, f64_from_i64};
use crate::record::{HoldScope, Outcome, OutputPlace};

/// A dose of 3 mL whose process is stopped in the middle of it; nothing has looked at its output since.
fn stopped_in_a_dose() -> World {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - world.t + 2 * SECOND);
    assert_eq!(world.running(), 1);
    world.t += 22 * SECOND;
    world.kill();
    world
}

fn outcome_after_a_minute(world: &mut World) -> Outcome {
    world.t += MINUTE;
    world.start();
    world.sync();
    world.run(MINUTE);
    world.books.outcomes.values().next().unwrap().clone()
}

#[test]
fn an_output_that_could_not_be_driven_off_counts_until_the_restart() {
    let mut world = stopped_in_a_dose();
    world.seen.iter_mut().for_each(|seen| seen.is_off = false);
    let outcome = outcome_after_a_minute(&mut world);
    assert!(
        outcome.on_time.unwrap() >= Millis::new(82 * SECOND),
        "{outcome:?}"
    );
}

#[test]
fn an_output_that_was_seen_on_for_no_longer_than_was_meant_counts_as_meant() {
    for early in [0, 1, 1_000] {
        let mut world = stopped_in_a_dose();
        let (intent, _) = world.books.intents.values().next().unwrap().clone();
        let meant = intent.at.elapsed.plus(intent.run_time);
        for seen in &mut world.seen {
            seen.at.elapsed = meant.minus(Millis::new(early));
        }
        let outcome = outcome_after_a_minute(&mut world);
        assert_eq!((outcome.on_time, outcome.delivered), (None, ul(3_000)));
        assert!(world.holds.is_empty());
    }
}

/// The elapsed clock of another boot says nothing of how long an output was on in this one.
#[test]
fn a_power_cut_ended_a_dose_however_long_the_machine_has_run_since_when_the_daemon_starts() {
    let mut world = stopped_in_a_dose();
    world.boot += 1;
    world.set_elapsed(5 * HOUR);
    let outcome = outcome_after_a_minute(&mut world);
    assert_eq!((outcome.on_time, outcome.delivered), (None, ul(3_000)));
    assert!(world.holds.is_empty());
}

#[test]
fn what_went_in_beyond_a_dose_is_in_the_predicted_level_too() {
    let mut world = World::demo("2026-06-01T06:00:00Z");
    let head = world.controller.heads[&name("alkalinity")].clone();
    let crate::config::HeadOutput::Switched(output) = head.output else {
        panic!("the demo's heads are switched");
    };
    let (before, since) = (world.prediction().unwrap().value, world.t);
    let runs = |world: &World| {
        let given = |id| !world.books.outcomes.contains_key(id);
        let intents = world.books.intents.iter();
        let open = intents.filter(|(id, (i, _))| given(*id) && i.line == name("alkalinity"));
        open.map(|(id, _)| *id).next()
    };
    let id = loop {
        if let Some(id) = runs(&world) {
            break id;
        }
        world.run(SECOND);
    };
    world.t += 22 * SECOND;
    world.kill();
    let on = |place: &OutputPlace| *place == OutputPlace::Gpio(output.gpio);
    assert!(world.seen.iter().any(|s| on(&s.place) && !s.was_off));
    world.t += MINUTE;
    world.start();
    world.sync();
    world.run(SECOND);
    let delivered = world.books.outcomes[&id].delivered;
    let (intent, _) = world.books.intents[&id].clone();
    assert!(delivered.as_ul() > 2 * intent.volume.as_ul(), "{delivered}");
    let mut holds = world.holds.iter();
    assert!(holds.any(|h| h.scope == HoldScope::Line(name("alkalinity"))));
    let rose = world.prediction().unwrap().value - before;
    let worth = world.worth("alkalinity", &Quantity::Alkalinity, delivered.as_ul());
    let days = f64_from_i64(world.t - since) / f64_from_i64(DAY);
    let taken_up = world.uptake().unwrap().as_dkh() * days;
    assert!(
        (rose - (worth - taken_up)).abs() < 1e-3,
        "{rose} {worth} {taken_up}"
    );
}
