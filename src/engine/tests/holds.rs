//! Holds from outside, of no length, and what stays when one ends.

use super::faults::calcium_world;
use super::rig::{HOUR, MINUTE, SECOND, World, keeper, name, ul};
use crate::engine::{Command, Event};
use crate::quantity::Millis;
use crate::record::{Hold, HoldScope};

fn hold(world: &World, reason: &str, length: Option<i64>) -> Hold {
    Hold {
        scope: HoldScope::Line(name("calcium")),
        reason: reason.to_owned(),
        who: keeper(),
        since: world.wall(),
        until: length.map(|ms| world.wall() + jiff::SignedDuration::from_millis(ms)),
    }
}

#[test]
fn a_hold_that_is_found_stops_a_running_dose_at_once_and_stands_once() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - world.t + 2 * SECOND);
    assert_eq!(world.running(), 1);
    let found = hold(&world, "looks wrong", None);
    world.feed(Event::HoldsFound(vec![found.clone()]));
    world.run(SECOND);
    assert_eq!(world.running(), 0);
    let outcome = world.books.outcomes.values().next().unwrap();
    assert!(outcome.delivered < ul(3_000), "{outcome:?}");
    assert_eq!(
        world.holds,
        std::slice::from_ref(&found),
        "and is written down"
    );
    world.feed(Event::HoldsFound(vec![found.clone()]));
    world.run(SECOND);
    assert_eq!(
        world.holds,
        std::slice::from_ref(&found),
        "it says nothing new"
    );
    let other = hold(&world, "smells", None);
    world.feed(Event::HoldsFound(vec![found.clone(), other.clone()]));
    world.run(SECOND);
    assert_eq!(world.holds, [found, other]);
}

#[test]
fn a_hold_that_is_found_with_an_end_ends_by_itself_also_beside_the_same_without_one() {
    let mut world = calcium_world("\"08:00\"", 1);
    let lasting = hold(&world, "looks wrong", None);
    world.feed(Event::HoldsFound(vec![lasting.clone()]));
    let timed = hold(&world, "looks wrong", Some(10 * MINUTE));
    world.feed(Event::HoldsFound(vec![timed.clone()]));
    world.run(MINUTE);
    assert!(world.holds.contains(&timed) && world.holds.contains(&lasting));
    world.run(10 * MINUTE);
    assert_eq!(world.holds, [lasting]);
}

#[test]
fn when_a_hold_ends_the_record_keeps_what_else_holds_its_line() {
    let mut world = calcium_world("\"08:00\"", 1);
    let lasting = hold(&world, "looks wrong", None);
    let timed = hold(&world, "feeding", Some(10 * MINUTE));
    world.feed(Event::HoldsFound(vec![lasting.clone(), timed]));
    world.run(11 * MINUTE);
    assert_eq!(world.holds, std::slice::from_ref(&lasting));
    // The hold file is lost, so that the record alone says it.
    world.kill();
    world.holds.clear();
    world.start();
    world.sync();
    world.run(SECOND);
    let held: Vec<_> = world.status().holds.into_iter().map(|h| h.reason).collect();
    assert_eq!(held, [lasting.reason]);
}

#[test]
fn a_hold_of_no_length_is_one_without_an_end() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.ask(Command::Hold {
        scope: HoldScope::All,
        reason: "looks wrong".into(),
        length: Some(Millis::ZERO),
    });
    world.run(MINUTE);
    assert_eq!(world.status().holds.len(), 1);
}

#[test]
fn a_line_on_hold_has_no_next_dose_until_it_is_resumed() {
    let mut world = calcium_world("\"08:00\"", 1);
    let next = world.line("calcium").next_slot.unwrap();
    assert_eq!(world.status().next_dose.unwrap().at, next.at);
    let found = hold(&world, "looks wrong", None);
    world.feed(Event::HoldsFound(vec![found.clone()]));
    assert_eq!(world.line("calcium").next_slot, None);
    assert_eq!(world.status().next_dose, None, "no other line is planned");
    world.ask(Command::Resume { scope: found.scope });
    assert_eq!(world.line("calcium").next_slot, Some(next));
}
