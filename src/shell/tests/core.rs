use super::hands::{pass_until, reef, with_intent};
use crate::engine::{Command, Event, RunEnd, RunReport};
use crate::quantity::Millis;
use crate::record::{HoldScope, Who};
use crate::shell::Write;

fn hold_all() -> Command {
    Command::Hold {
        scope: HoldScope::All,
        reason: "bad test".into(),
        length: None,
    }
}

#[test]
fn the_end_that_comes_of_an_intent_the_ledger_does_not_take_is_not_overlooked() {
    let (mut core, mut hands) = reef();
    (hands.room, hands.clock_fails) = (0, true);
    let end = pass_until(&mut core, &mut hands, |core, _| {
        core.desk.next_write().is_some()
    });
    let why = end.unwrap_err().why;
    assert!(why.contains("the elapsed clock went back"), "{why}");
}

#[test]
fn the_end_that_comes_of_a_head_that_takes_no_order_is_not_overlooked() {
    let (mut core, mut hands, id) = with_intent();
    (hands.heads_obey, hands.clock_fails) = (false, true);
    let end = core.feed(Event::IntentStored(id), &mut hands);
    assert!(hands.did.iter().any(|did| did.starts_with("start")));
    let why = end.unwrap_err().why;
    assert!(why.contains("the elapsed clock went back"), "{why}");
}

#[test]
fn the_end_that_comes_of_a_last_report_on_the_way_out_is_not_overlooked() {
    let (mut core, mut hands, id) = with_intent();
    core.feed(Event::IntentStored(id), &mut hands).unwrap();
    core.close();
    hands.now.elapsed = hands.now.elapsed.minus(Millis::from_secs(10));
    let report = RunReport {
        on_time: Millis::new(500),
        end: RunEnd::Stopped,
    };
    let end = core.feed(Event::RunEnded { id, report }, &mut hands);
    assert!(end.is_err());
    let is_booked = |write: &Write| matches!(write, Write::Outcome(outcome) if outcome.id == id);
    assert!(hands.sent.iter().any(is_booked), "and the dose is booked");
}

#[test]
fn an_intent_that_the_ledger_does_not_take_is_a_slot_that_is_not_given() {
    let (mut core, mut hands) = reef();
    hands.room = 0;
    pass_until(&mut core, &mut hands, |core, _| {
        core.desk.next_write().is_some()
    })
    .unwrap();
    assert!(hands.intents().is_empty() && !core.engine.is_dosing());
    hands.room = usize::MAX;
    core.go_on(&mut hands).unwrap();
    let told = format!("{:?}", hands.sent);
    assert!(told.contains("it is behind with its writing"), "{told}");
}

#[test]
fn a_head_that_takes_no_order_ends_its_dose_as_failed() {
    let (mut core, mut hands, id) = with_intent();
    hands.heads_obey = false;
    core.feed(Event::IntentStored(id), &mut hands).unwrap();
    assert!(!core.engine.is_dosing());
    assert!(format!("{:?}", hands.sent).contains("it takes no order"));
}

#[test]
fn a_stop_is_carried_out_before_it_is_shown() {
    let (mut core, mut hands, id) = with_intent();
    core.feed(Event::IntentStored(id), &mut hands).unwrap();
    let ticket = core.desk.ticket("keeper");
    let command = Event::Command {
        ticket,
        who: Who::Local { uid: 1000 },
        command: hold_all(),
        nonce: None,
    };
    core.feed(command, &mut hands).unwrap();
    let stop = |did: &&String| did.contains("stop");
    let stops: Vec<&String> = hands.did.iter().filter(stop).collect();
    assert_eq!(*stops[1], format!("show {}", stops[0]), "{stops:?}");
}

#[test]
fn a_hold_is_answered_when_its_file_is_written_or_patience_is_over() {
    let hold = |room: usize| {
        let (mut core, mut hands) = reef();
        hands.room = room;
        let ticket = core.desk.ticket("keeper");
        let command = Event::Command {
            ticket,
            who: Who::Local { uid: 1000 },
            command: hold_all(),
            nonce: None,
        };
        core.feed(command, &mut hands).unwrap();
        assert!(hands.given.is_empty());
        (core, hands)
    };
    let (mut core, mut hands) = hold(usize::MAX);
    let (number, holds) = hands.saved.last().unwrap().clone();
    assert_eq!(holds[0].reason, "bad test");
    core.desk.holds_written(number, &Ok(()));
    core.go_on(&mut hands).unwrap();
    assert!(matches!(&hands.given[..], [("keeper", Ok(_))]));

    let (mut core, mut hands) = hold(0);
    hands.now.elapsed = hands.now.elapsed.plus(Millis::from_secs(2));
    core.feed(Event::Tick, &mut hands).unwrap();
    let [("keeper", Ok(answer))] = &hands.given[..] else {
        panic!("{:?}", hands.given);
    };
    assert!(
        answer
            .text()
            .contains("in force now, but not on disk yet: the disk does not answer")
    );
}

#[test]
fn on_the_way_out_nothing_is_begun() {
    let (mut core, mut hands) = reef();
    core.close();
    pass_until(&mut core, &mut hands, |core, _| core.engine.is_dosing()).unwrap();
    assert!(hands.intents().is_empty());
    core.last_words("stopped in order", &mut hands).unwrap();
    assert!(format!("{:?}", hands.sent.last()).contains("stopped in order"));
}

#[test]
fn a_hold_that_cannot_be_written_down_is_an_alarm_until_it_is() {
    let (mut core, mut hands) = reef();
    let is_raised = |core: &mut crate::shell::Core<&str>, now| {
        let alarms = core
            .engine
            .status(now, &crate::engine::ShellFacts::default())
            .alarms;
        let mut of_file = alarms
            .iter()
            .filter(|a| a.code.as_str() == "hold-file-fault");
        of_file.next().is_some_and(|alarm| alarm.active)
    };
    core.desk.holds_written(1, &Err("disk full".to_owned()));
    core.go_on(&mut hands).unwrap();
    assert!(is_raised(&mut core, hands.now));
    core.desk.holds_written(1, &Ok(()));
    core.go_on(&mut hands).unwrap();
    assert!(!is_raised(&mut core, hands.now));
}
