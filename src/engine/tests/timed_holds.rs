//! Holds that end by themselves.

use super::rig::{World, name};
use crate::engine::{Answer, Command, Event};
use crate::quantity::Millis;
use crate::record::{HoldScope, Who};

const BEGIN: &str = "2026-06-01T06:00:00Z";
const HOUR: i64 = 3_600_000;

fn pause(rig: &mut World, line: Option<&str>, reason: &str, hours: Option<i64>) -> String {
    let scope = line.map_or(HoldScope::All, |l| HoldScope::Line(name(l)));
    let ticket = rig.ask(Command::Hold {
        scope,
        reason: reason.into(),
        length: hours.map(|h| Millis::new(h * HOUR)),
    });
    match rig.answer(ticket) {
        Ok(Answer::Done { text }) => text.clone(),
        other => panic!("{other:?}"),
    }
}

fn held(rig: &mut World) -> usize {
    rig.status().holds.len()
}

#[test]
fn a_hold_for_two_hours_ends_by_itself_by_elapsed_time_and_the_plan_goes_on() {
    let mut rig = World::demo(BEGIN);
    let text = pause(&mut rig, None, "feeding", Some(2));
    assert!(text.contains("ends by itself"), "{text}");
    rig.run(2 * HOUR - 60_000);
    assert_eq!(held(&mut rig), 1);
    assert_eq!(rig.flows_of("alkalinity").len(), 0, "held all the time");
    rig.run(120_000);
    assert_eq!(held(&mut rig), 0);
    rig.run(2 * HOUR);
    assert!(!rig.flows_of("alkalinity").is_empty(), "the plan goes on");
}

#[test]
fn a_hold_without_an_end_outlasts_one_with_an_end_and_only_a_resume_lifts_it() {
    let mut rig = World::demo(BEGIN);
    pause(&mut rig, None, "bad test", Some(1));
    let text = pause(&mut rig, None, "bad test", None);
    assert!(text.contains("until `dosewright resume`"), "{text}");
    rig.run(30 * HOUR);
    assert_eq!(held(&mut rig), 1, "the one without an end is still there");
    rig.resume(None);
    assert_eq!(held(&mut rig), 0);
}

#[test]
fn a_shorter_hold_never_shortens_a_longer_one() {
    let mut rig = World::demo(BEGIN);
    pause(&mut rig, Some("calcium"), "new stones", Some(4));
    pause(&mut rig, Some("calcium"), "new stones", Some(1));
    rig.run(2 * HOUR);
    assert_eq!(held(&mut rig), 1);
    rig.run(3 * HOUR);
    assert_eq!(held(&mut rig), 0);
}

#[test]
fn after_a_restart_a_hold_ends_only_once_the_trusted_clock_says_so() {
    let mut rig = World::demo(BEGIN);
    pause(&mut rig, None, "away from home", Some(2));
    rig.run(HOUR / 2);
    // Off for three hours, and the clock is not known to be set after it: nothing proves that the time is over.
    rig.power_cut(3 * HOUR, 0);
    rig.feed(Event::ClockUnknown {
        why: "not synchronised".to_owned(),
    });
    rig.run(HOUR);
    assert_eq!(held(&mut rig), 1, "an unsure clock ends no hold");
    rig.sync();
    rig.run(60_000);
    assert_eq!(held(&mut rig), 0, "the trusted clock does");
}

#[test]
fn a_hold_that_was_set_with_an_unsure_clock_has_no_end_after_a_restart() {
    let mut rig = World::demo(BEGIN);
    // A clock that was trusted stays so for its boot.
    rig.power_cut(60_000, 0);
    rig.feed(Event::ClockUnknown {
        why: "not synchronised".to_owned(),
    });
    let text = pause(&mut rig, None, "feeding", Some(2));
    assert!(
        text.contains("after a restart only a resume lifts it"),
        "{text}"
    );
    rig.power_cut(5 * HOUR, 0);
    rig.sync();
    rig.run(HOUR);
    assert_eq!(held(&mut rig), 1);
}

#[test]
fn what_the_daemon_sets_has_no_end_and_a_resume_of_the_pause_s_end_leaves_it() {
    let mut rig = World::demo(BEGIN);
    pause(&mut rig, Some("calcium"), "pause", Some(1));
    rig.feed(Event::PumpFault {
        head: name("calcium"),
        why: "does not switch off".to_owned(),
    });
    assert_eq!(held(&mut rig), 2);
    rig.run(2 * HOUR);
    let left = rig.status().holds;
    assert_eq!(left.len(), 1, "{left:?}");
    assert_eq!(left[0].who, Who::Daemon.to_string());
    assert_eq!(left[0].until, None);
    // In the record too: the end of the pause lifted its scope, and what is left was set again with it.
    rig.kill();
    rig.restart_after(1_000);
    assert_eq!(held(&mut rig), 1);
}

#[test]
fn a_length_that_is_none_makes_a_hold_without_an_end() {
    let mut rig = World::demo(BEGIN);
    let text = pause(&mut rig, None, "bad test", Some(-3));
    assert!(text.contains("until `dosewright resume`"), "{text}");
    rig.run(40 * HOUR);
    assert_eq!(
        held(&mut rig),
        1,
        "a stop is never refused, and never cut short"
    );
}
