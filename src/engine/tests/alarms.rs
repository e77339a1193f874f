//! Which alarms call somebody, and the one that only tries whether they do.

use super::faults::calcium_world;
use super::rig::{HOUR, MINUTE, SECOND, World, name};
use crate::engine::{Answer, Command, Event};

/// A world in which nothing calls.
fn quiet_world() -> World {
    let mut world = calcium_world("\"23:00\"", 1);
    let urgent: Vec<_> = world
        .status()
        .alarms
        .into_iter()
        .filter(|a| a.urgent)
        .collect();
    assert!(urgent.is_empty(), "{urgent:?}");
    world
}

fn calls(world: &World) -> bool {
    world.engine.as_ref().unwrap().calls_for_help()
}

fn acknowledge(world: &mut World, code: &str) {
    world.ask(Command::Acknowledge {
        code: Some(code.into()),
    });
}

#[test]
fn an_urgent_alarm_calls_until_somebody_has_seen_it_also_when_its_cause_has_gone() {
    let mut world = quiet_world();
    assert!(!calls(&world));
    world.feed(Event::UnderVoltage(true));
    assert!(calls(&world));
    world.feed(Event::UnderVoltage(false));
    assert!(calls(&world), "nobody has seen it");
    acknowledge(&mut world, "under-voltage");
    assert!(!calls(&world));
    world.feed(Event::UnderVoltage(true));
    acknowledge(&mut world, "under-voltage");
    assert!(!calls(&world), "seen, although it lasts");
}

#[test]
fn what_can_wait_and_what_somebody_did_call_nobody() {
    let mut world = quiet_world();
    world.hold(None, "water change");
    world.run(13 * HOUR);
    assert!(world.has_alarm("hold-forgotten"));
    assert!(!world.has_alarm("held"));
    assert!(!calls(&world));
}

#[test]
fn a_hold_that_dosewright_set_by_itself_calls_and_is_over_when_it_is_lifted() {
    let mut world = quiet_world();
    world.feed(Event::PumpFault {
        head: name("calcium"),
        why: "it does not go off".to_owned(),
    });
    let alarm = |world: &mut World| {
        let alarms = world.status().alarms.into_iter();
        alarms
            .filter(|a| a.code.as_str() == "held")
            .collect::<Vec<_>>()
    };
    let [held] = alarm(&mut world).try_into().unwrap();
    assert_eq!(held.subject.as_deref(), Some("calcium"));
    assert!(held.urgent);
    for part in ["it does not go off", "dosewright resume calcium"] {
        assert!(held.text.contains(part), "{}", held.text);
    }
    assert!(calls(&world));
    world.restart_after(SECOND);
    assert!(calls(&world), "a hold outlasts a restart, and so does this");
    acknowledge(&mut world, "held");
    world.resume(Some("calcium"));
    assert_eq!(alarm(&mut world), []);
}

#[test]
fn a_stop_button_calls_at_once_and_a_return_pump_only_when_it_stays_off() {
    let mut world = quiet_world();
    world.input("return-pump", Some(false));
    world.run(29 * MINUTE);
    assert!(world.has_alarm("input-unsafe"));
    assert!(!calls(&world), "feeding takes minutes");
    world.input("return-pump", Some(true));
    world.run(HOUR);
    assert!(!calls(&world), "it was back in time");
    acknowledge(&mut world, "input-unsafe");
    world.input("return-pump", Some(false));
    world.run(31 * MINUTE);
    assert!(calls(&world));
    acknowledge(&mut world, "input-unsafe");
    world.input("stop-button", Some(false));
    world.run(5 * SECOND);
    assert!(calls(&world));
}

#[test]
fn a_test_calls_for_half_a_minute_ends_by_itself_and_touches_nothing_but_the_record() {
    let mut world = quiet_world();
    let before = world.status();
    let answer = world.told(Command::TestAlarm {}).unwrap();
    let Answer::Done { text } = answer else {
        panic!("{answer:?}");
    };
    for part in ["GPIO20", "30 s", "dosing is not touched"] {
        assert!(text.contains(part), "{text}");
    }
    assert!(calls(&world));
    assert!(world.has_alarm("test"));
    assert_eq!(world.notes("alarm-test").len(), 1);
    let during = world.status();
    assert_eq!((during.holds, during.held), (before.holds, before.held));
    let state = |lines: &[crate::engine::LineStatus]| {
        lines
            .iter()
            .map(|l| (l.state, l.next_slot.clone()))
            .collect::<Vec<_>>()
    };
    assert_eq!(state(&during.lines), state(&before.lines));
    // A second one begins anew, and is over when it is seen.
    world.run(20 * SECOND);
    world.ask(Command::TestAlarm {});
    world.run(29 * SECOND);
    assert!(calls(&world));
    world.run(2 * SECOND);
    assert!(!calls(&world));
    assert!(!world.has_alarm("test"), "nobody need acknowledge it");
    world.ask(Command::TestAlarm {});
    acknowledge(&mut world, "test");
    assert!(!calls(&world));
}

#[test]
fn in_a_dry_run_a_test_says_that_the_output_stays_off() {
    let mut world = quiet_world();
    world.live = false;
    world.restart_after(SECOND);
    let answer = world.told(Command::TestAlarm {}).unwrap();
    assert!(answer.text().contains("dry run"), "{answer:?}");
    let mut controller = (*world.controller).clone();
    controller.board = None;
    world.controller = controller.into();
    world.restart_after(SECOND);
    let answer = world.told(Command::TestAlarm {}).unwrap();
    assert!(
        answer.text().contains("there is no alarm output"),
        "{answer:?}"
    );
}
