use super::hands::with_intent;
use crate::engine::{Answer, Event};
use crate::quantity::Millis;
use crate::record::{Entry, HoldChange, HoldScope, Intent, Stamp, Who};
use crate::shell::{Books, Desk, Verdict, Write};

fn entry() -> Entry {
    Entry::Hold(HoldChange::lifted(
        HoldScope::All,
        Who::Daemon,
        Stamp::trusted_at("2026-06-01T00:00:00Z"),
    ))
}

fn intent() -> Intent {
    let (_, hands, _) = with_intent();
    hands.intents()[0].clone()
}

fn answer(text: &str) -> Answer {
    Answer::done(text)
}

/// Hands an entry in for somebody.
fn ask(desk: &mut Desk<&'static str>, who: &'static str) {
    let ticket = desk.ticket(who);
    desk.entries(vec![entry()], Some((ticket, answer(who))));
}

fn take_all(desk: &mut Desk<&'static str>) -> usize {
    let mut taken = 0;
    while desk.next_write().is_some() {
        desk.taken();
        taken += 1;
    }
    taken
}

fn answers(desk: &mut Desk<&'static str>) -> Vec<(&'static str, Verdict)> {
    std::iter::from_fn(|| desk.next_answer()).collect()
}

/// Who was answered, and whether it was a yes.
fn told(desk: &mut Desk<&'static str>) -> Vec<(&'static str, bool)> {
    let answers = answers(desk).into_iter();
    answers
        .map(|(who, verdict)| (who, verdict.is_ok()))
        .collect()
}

fn events(desk: &mut Desk<&'static str>) -> Vec<Event> {
    std::iter::from_fn(|| desk.next_event()).collect()
}

#[test]
fn an_answer_waits_until_its_entry_is_on_disk() {
    let mut desk = Desk::new(Books::Well);
    ask(&mut desk, "anna");
    desk.entries(vec![entry()], None);
    ask(&mut desk, "ben");
    assert_eq!(take_all(&mut desk), 3);
    assert!(told(&mut desk).is_empty());
    desk.entry_stored();
    assert_eq!(told(&mut desk), [("anna", true)]);
    desk.entry_stored();
    desk.entry_failed("disk full".to_owned(), false);
    let [("ben", Err(denial))] = &answers(&mut desk)[..] else {
        panic!("ben is told that it is not recorded");
    };
    assert_eq!(denial.code, "not-recorded");
    assert_eq!(
        denial.text,
        "ben: in force now, but not on disk yet: disk full"
    );
    assert!(matches!(&events(&mut desk)[..], [Event::LedgerFault { why }] if why == "disk full"));
    assert_eq!(desk.books(), Books::AtFault);
}

#[test]
fn an_entry_that_is_tried_again_does_not_use_up_the_answer_of_another() {
    let mut desk = Desk::new(Books::Well);
    ask(&mut desk, "anna");
    ask(&mut desk, "ben");
    take_all(&mut desk);
    desk.entry_failed("disk full".to_owned(), true);
    desk.entry_failed("disk full".to_owned(), true);
    assert_eq!(told(&mut desk), [("anna", false), ("ben", false)]);
    ask(&mut desk, "carl");
    take_all(&mut desk);
    desk.entry_stored();
    desk.entry_stored();
    assert!(told(&mut desk).is_empty());
    desk.entry_stored();
    assert_eq!(told(&mut desk), [("carl", true)]);
}

#[test]
fn what_the_ledger_does_not_take_waits_in_order_and_an_intent_does_not() {
    let mut desk = Desk::new(Books::Well);
    ask(&mut desk, "anna");
    desk.not_taken();
    assert_eq!(desk.books(), Books::AtFault);
    let id = intent().id;
    desk.intent(intent());
    desk.probe(Stamp::trusted_at("2026-06-01T00:00:00Z"));
    ask(&mut desk, "ben");
    let failed = |e: &Event| matches!(e, Event::IntentFailed { id: of, .. } if *of == id);
    assert!(matches!(&events(&mut desk)[..], [event] if failed(event)));
    assert!(matches!(desk.next_write(), Some(Write::Entries(_))));
    assert_eq!(take_all(&mut desk), 2);
    desk.entry_stored();
    desk.entry_stored();
    assert_eq!(told(&mut desk), [("anna", true), ("ben", true)]);
}

#[test]
fn an_intent_or_a_probe_that_is_not_taken_is_not_kept() {
    let mut desk = Desk::<&str>::new(Books::Well);
    desk.intent(intent());
    desk.not_taken();
    assert!(matches!(
        &events(&mut desk)[..],
        [Event::IntentFailed { .. }]
    ));
    desk.probe(Stamp::trusted_at("2026-06-01T00:00:00Z"));
    desk.not_taken();
    assert!(desk.next_write().is_none());
    assert!(events(&mut desk).is_empty());
}

#[test]
fn a_ledger_that_takes_nothing_any_more_cannot_fill_the_memory() {
    let mut desk = Desk::new(Books::Well);
    for _ in 0..5_000 {
        ask(&mut desk, "anna");
        desk.not_taken();
    }
    let refused = answers(&mut desk);
    assert!(refused.iter().all(|(_, verdict)| {
        let text = &verdict.as_ref().unwrap_err().text;
        text.contains("too much waits for the ledger already")
    }));
    assert_eq!(refused.len() + take_all(&mut desk), 5_000);
    assert!(refused.len() >= 3_900, "{}", refused.len());
}

#[test]
fn without_a_ledger_nothing_is_sent_and_nobody_is_left_waiting() {
    let mut desk = Desk::new(Books::Absent);
    ask(&mut desk, "anna");
    desk.intent(intent());
    desk.probe(Stamp::trusted_at("2026-06-01T00:00:00Z"));
    assert!(desk.next_write().is_none());
    assert!(matches!(
        &events(&mut desk)[..],
        [Event::IntentFailed { .. }]
    ));
    let [("anna", Err(denial))] = &answers(&mut desk)[..] else {
        panic!("anna is told that it is not recorded");
    };
    assert!(
        denial.text.ends_with("the ledger cannot be used"),
        "{denial:?}"
    );
}

#[test]
fn an_intent_that_failed_in_the_ledger_is_told_after_the_fault() {
    let mut desk = Desk::<&str>::new(Books::Well);
    desk.intent_failed(intent().id, "disk full".to_owned());
    let told = events(&mut desk);
    assert!(matches!(
        &told[..],
        [Event::LedgerFault { .. }, Event::IntentFailed { .. }]
    ));
    desk.ledger_healthy();
    assert_eq!(desk.books(), Books::Well);
    assert!(matches!(&events(&mut desk)[..], [Event::LedgerHealthy]));
}

#[test]
fn a_hold_set_that_is_written_answers_for_all_before_it() {
    let mut desk = Desk::new(Books::Well);
    let mut order = |who: &'static str, real: i64| {
        let ticket = desk.ticket(who);
        desk.order_holds(Some((ticket, answer(who))), Millis::from_secs(real))
    };
    let (_, second, third) = (order("anna", 0), order("ben", 0), order("carl", 2));
    desk.holds_written(second, &Ok(()));
    assert_eq!(told(&mut desk), [("anna", true), ("ben", true)]);
    desk.time_passes(Millis::from_secs(2));
    assert!(desk.waits_for_hold_file());
    desk.time_passes(Millis::from_secs(3));
    assert_eq!(told(&mut desk), [("carl", true)], "it is in force");
    assert!(!desk.waits_for_hold_file());
    desk.holds_written(third, &Ok(()));
    assert!(told(&mut desk).is_empty(), "nobody is answered twice");
}

#[test]
fn a_hold_whose_file_cannot_be_written_is_said_to_be_in_force_all_the_same() {
    let mut desk = Desk::new(Books::Well);
    let ticket = desk.ticket("anna");
    let number = desk.order_holds(Some((ticket, answer("all on hold"))), Millis::ZERO);
    desk.holds_written(
        number,
        &Err("cannot write holds.json: disk full".to_owned()),
    );
    let [("anna", Ok(answer))] = &answers(&mut desk)[..] else {
        panic!("anna is told, and not that it was refused");
    };
    let text = answer.text();
    let begins =
        "all on hold: in force now, but not on disk yet: cannot write holds.json: disk full. ";
    assert!(
        text.starts_with(begins)
            && text.contains("MAY NOT SURVIVE A RESTART")
            && text.contains("plug"),
        "{text}"
    );
}

/// So many seconds of the loop, from this one on.
fn seconds(desk: &mut Desk<&'static str>, from: i64, count: i64) -> Vec<Event> {
    for second in from..from + count {
        // Looked at more often than once a second, which must not count.
        desk.time_passes(Millis::from_secs(second));
        desk.time_passes(Millis::from_secs(second).plus(Millis::new(300)));
    }
    events(desk)
}

#[test]
fn a_ledger_that_never_answers_is_a_fault_within_seconds_and_told_once() {
    let mut desk = Desk::new(Books::Well);
    assert!(
        seconds(&mut desk, 100, 60).is_empty(),
        "it was asked nothing"
    );
    desk.entries(vec![entry()], None);
    take_all(&mut desk);
    assert!(seconds(&mut desk, 200, 4).is_empty());
    let told = seconds(&mut desk, 204, 60);
    let [Event::LedgerFault { why }] = &told[..] else {
        panic!("{told:?}");
    };
    assert!(why.contains("the ledger has not answered for 5 s"), "{why}");
    assert_eq!(desk.books(), Books::AtFault);
    desk.entry_stored();
    assert!(seconds(&mut desk, 300, 60).is_empty(), "it has answered");
}

#[test]
fn a_ledger_that_answers_each_write_is_not_silent_and_one_that_stops_in_between_is() {
    let mut desk = Desk::new(Books::Well);
    for second in 0..30 {
        desk.entries(vec![entry()], None);
        take_all(&mut desk);
        assert!(seconds(&mut desk, 100 + second, 1).is_empty());
        if second > 0 {
            desk.entry_stored();
        }
    }
    assert_eq!(
        seconds(&mut desk, 200, 10).len(),
        1,
        "one is left unanswered"
    );
}

#[test]
fn a_machine_that_slept_makes_no_thread_silent() {
    let mut desk = Desk::new(Books::Well);
    desk.entries(vec![entry()], None);
    take_all(&mut desk);
    desk.order_holds(None, Millis::ZERO);
    for at in [100, 7_300, 90_000] {
        assert!(seconds(&mut desk, at, 1).is_empty());
    }
}

#[test]
fn a_hold_file_that_is_never_written_is_a_fault_until_it_is() {
    let mut desk = Desk::<&str>::new(Books::Well);
    let number = desk.order_holds(None, Millis::ZERO);
    let told = seconds(&mut desk, 100, 60);
    assert!(
        matches!(&told[..], [Event::HoldFileFault { why }] if why.contains("the hold file has not answered"))
    );
    desk.holds_written(number, &Ok(()));
    assert!(matches!(&events(&mut desk)[..], [Event::HoldFileHealthy]));
    desk.holds_written(number, &Err("disk full".to_owned()));
    assert!(matches!(
        &events(&mut desk)[..],
        [Event::HoldFileFault { .. }]
    ));
    assert_eq!(desk.books(), Books::Well, "that is another matter");
}
