//! SIGKILL at any moment. What is on disk decides: an intent without an outcome counts in full, once, and is never given again.

use std::collections::BTreeSet;
use std::time::Duration;

use dosewright::ledger::{Ledger, OpenAs, SessionStart, Timeline};
use dosewright::plan::SlotKey;
use dosewright::quantity::{Millis, Name, Volume};
use dosewright::record::{
    Carried, Destination, DoseId, DoseKind, Entry, Intent, Refill, Stamp, Who,
};
use jiff::Timestamp;

use crate::rig::{BOTTLE_UL, Rig, Spread, pause, text, ul};

/// Numbers of the doses whose head was started, as the log tells.
fn started(log: &str) -> Vec<i64> {
    let number = |line: &str| {
        let (_, rest) = line.split_once("dose started dose=")?;
        rest.split(' ').next()?.parse().ok()
    };
    log.lines().filter_map(number).collect()
}

/// The killed daemon may be anywhere: before an intent is stored, between intent and start, in mid-run, between the end and its
/// outcome. The moments are spread over the whole cycle of a dose, many times.
#[test]
fn after_any_kill_the_books_are_right_and_no_slot_is_given_twice() {
    let rig = Rig::new();
    let mut spread = Spread::new(7);
    // By number: a daemon that is killed before it has closed what it found open leaves it to the next.
    let mut seen_open: BTreeSet<i64> = BTreeSet::new();
    let mut clean_seen = 0;
    let mut newest: Option<Timestamp> = None;
    for round in 0..40 {
        // 3600 times faster a slot comes every 50 ms and its run takes 17 ms.
        let daemon = rig.start(&["--warp", "3600"]);
        let now: Timestamp = rig.status()["at"].as_str().unwrap().parse().unwrap();
        assert!(
            newest.is_none_or(|newest| now.as_second() >= newest.as_second()),
            "round {round}: virtual time went back to {now} from {newest:?}"
        );
        // Two unseen ends within a day hold the line, which is right, and is lifted here to go on killing.
        rig.ok(&["resume", "slow"]);
        pause(Duration::from_millis(20 + spread.below(110)));
        daemon.kill();
        rig.ok(&["ledger", "check"]);
        let doses = rig.doses();
        let open = doses.iter().filter(|d| d.outcome.is_empty()).count();
        assert!(open <= 1, "round {round}: {open} open doses on one head");
        seen_open.extend(
            doses
                .iter()
                .filter(|d| d.outcome.is_empty())
                .map(|d| d.number),
        );
        clean_seen += usize::from(open == 0);
        newest = doses.iter().filter_map(|d| d.at.parse().ok()).max();
    }
    rig.start(&["--warp", "3600"]).stop();
    let doses = rig.books_are_right();
    let numbers: BTreeSet<i64> = doses.iter().map(|d| d.number).collect();
    let started = started(&rig.log());
    assert!(
        started.len() > 20,
        "only {} doses were started",
        started.len()
    );
    assert!(
        started.iter().all(|n| numbers.contains(n)),
        "a dose was started without a record"
    );
    assert_eq!(
        started.iter().collect::<BTreeSet<_>>().len(),
        started.len(),
        "a dose was started twice"
    );
    let slots: Vec<_> = doses.iter().filter_map(|d| d.slot.clone()).collect();
    assert_eq!(
        slots.iter().collect::<BTreeSet<_>>().len(),
        slots.len(),
        "a slot was given twice"
    );
    let uncertain: Vec<_> = doses.iter().filter(|d| d.outcome == "uncertain").collect();
    assert!(
        uncertain.iter().all(|d| d.delivered_ul == d.volume_ul),
        "an unseen end was not counted in full"
    );
    let uncertain_seen = seen_open.len();
    assert_eq!(uncertain.len(), uncertain_seen);
    assert!(
        uncertain_seen >= 3 && clean_seen >= 3,
        "the kills hit one moment only: {uncertain_seen} in a dose, {clean_seen} between doses"
    );
    println!(
        "{} doses, {uncertain_seen} killed in the middle, {clean_seen} kills between doses",
        doses.len()
    );
}

#[test]
fn a_dose_killed_in_the_middle_counts_in_full_and_is_not_given_again() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    rig.dosing("fast");
    daemon.kill();
    let open = rig.doses();
    assert_eq!((open.len(), open[0].outcome.as_str()), (1, ""));
    let daemon = rig.start_real();
    let line = rig.line("fast");
    assert_eq!(ul(&line["delivered_24h_ml"]), Some(300_000), "{line}");
    let status = rig.status();
    let bottles = status["reservoirs"].as_array().unwrap();
    let bottle = bottles.iter().find(|b| b["name"] == line["reservoir"]);
    assert_eq!(ul(&bottle.unwrap()["left_ml"]), Some(BOTTLE_UL - 300_000));
    assert_ne!(line["state"], "dosing");
    let dose = rig.ended(1);
    assert_eq!(
        (dose.outcome.as_str(), dose.delivered_ul, dose.on_time_ms),
        ("uncertain", 300_000, None)
    );
    assert!(
        rig.status()["alarms"]
            .as_array()
            .unwrap()
            .iter()
            .any(|a| a["code"] == "dose-uncertain"),
        "{}",
        rig.status()["alarms"]
    );
    daemon.stop();
    assert_eq!(rig.books_are_right().len(), 1);
    assert_eq!(started(&rig.log()), [1]);
}

/// A ledger of virtual time with an open intent for the slot of 12:00 on 2026-03-01, written a minute before that slot is due.
fn leave_an_intent(rig: &Rig) {
    std::fs::create_dir(rig.state()).unwrap();
    let began: Timestamp = "2026-03-01T11:59:00Z".parse().unwrap();
    let stamp = |ms: i64| Stamp {
        wall: Timestamp::from_millisecond(began.as_millisecond() + ms).unwrap(),
        elapsed: Millis::new(began.as_millisecond() + ms),
        trusted: true,
    };
    let session = SessionStart {
        boot: "virtual".to_owned(),
        at: stamp(0),
        version: "0.1.0".to_owned(),
        controller_fingerprint: "c".to_owned(),
        plan_fingerprint: "p".to_owned(),
        live: false,
    };
    let mut ledger = Ledger::open(
        &rig.ledger(),
        &OpenAs {
            timeline: Timeline::Virtual,
            installation: None,
            session,
        },
    )
    .unwrap();
    let name = |n: &str| Name::new(n).unwrap();
    let intent = Intent {
        id: DoseId(1),
        line: name("slow"),
        head: name("slow"),
        reservoir: name("slow"),
        solution: name("slow"),
        kind: DoseKind::Plan,
        // The slot of 12:00, one minute before it is due: whatever the clock did, it has had its dose.
        slot: Some(SlotKey {
            line: name("slow"),
            date: "2026-03-01".parse().unwrap(),
            number: 43_200,
        }),
        volume: Volume::from_ul(1000),
        run_time: Millis::new(60_000),
        carries: Carried::new(),
        into: Destination::Tank,
        who: Who::Plan,
        live: false,
        at: stamp(10),
    };
    let full = Refill {
        reservoir: name("slow"),
        level: Volume::from_ul(BOTTLE_UL),
        before: None,
        solution: name("slow"),
        tube: None,
        who: Who::Daemon,
        note: "full".to_owned(),
        at: stamp(0),
    };
    ledger.store(&[Entry::Refill(full)]).unwrap();
    ledger.store_intent(&intent).unwrap();
}

/// What a kill between intent and start, in mid-run, and between end and outcome leaves on disk is the same: an intent. Made here
/// exactly, with the library, for a slot that lies in the future of the daemon that is started on it.
#[test]
fn an_intent_on_disk_settles_its_slot_for_good() {
    let rig = Rig::new();
    leave_an_intent(&rig);
    let daemon = rig.start(&["--warp", "600"]);
    crate::rig::wait_for("the doses of the next slots", || {
        (rig.doses().len() >= 4).then_some(())
    });
    daemon.stop();
    let doses = rig.books_are_right();
    assert_eq!(
        (doses[0].outcome.as_str(), doses[0].delivered_ul),
        ("uncertain", 1000)
    );
    let noon = doses
        .iter()
        .filter(|d| d.slot.as_ref().is_some_and(|s| s.2 == 43_200))
        .count();
    assert_eq!(noon, 1, "the slot of an open intent was given again");
    let not_given = rig.rows("not_given");
    assert!(
        not_given.iter().all(|r| r["slot_second"] != 43_200),
        "{not_given:?}"
    );
    let next = doses[1].slot.as_ref().unwrap().2;
    assert!(next > 43_200, "{next}");
}

#[test]
fn twenty_kills_and_restarts_never_meet_a_stale_socket_or_lock() {
    let rig = Rig::new();
    for round in 0..20 {
        let mut daemon = rig.start(&[]);
        assert!(daemon.is_running(), "round {round}");
        assert!(rig.socket().exists());
        daemon.kill();
        assert!(
            rig.socket().exists(),
            "a killed daemon cannot tidy up; the test would prove nothing"
        );
    }
    rig.start(&[]).stop();
    assert!(
        !rig.socket().exists(),
        "an orderly end takes its socket away"
    );
    assert_eq!(rig.rows("session").len(), 21);
    rig.books_are_right();
}

#[test]
fn a_second_daemon_on_the_same_state_is_turned_away_and_touches_nothing() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    rig.dosing("fast");
    let sessions = rig.rows("session").len();
    let second = rig.tell(&["run"]);
    assert_eq!(second.status.code(), Some(75), "{}", text(&second.stderr));
    assert!(
        text(&second.stderr).contains("another dosewright daemon"),
        "{}",
        text(&second.stderr)
    );
    // A warped one would move its clock into the same books.
    assert_eq!(rig.tell(&["run", "--warp", "60"]).status.code(), Some(75));
    assert_eq!(rig.rows("session").len(), sessions);
    assert_eq!(
        rig.line("fast")["state"],
        "dosing",
        "the running dose goes on, and the socket still answers"
    );
    rig.ok(&["hold"]);
    assert_eq!(rig.ended(1).outcome, "interrupted");
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_line_whose_doses_keep_ending_unseen_is_held() {
    let rig = Rig::new();
    // Two volumes, for the same one at once would be taken for a slip of the finger.
    for volume in ["20 mL", "21 mL"] {
        let daemon = rig.start_real();
        rig.ok(&["dose", "fast", volume, "--yes", "--repeat", volume]);
        rig.dosing("fast");
        daemon.kill();
    }
    let daemon = rig.start_real();
    let line = rig.line("fast");
    assert_eq!(line["state"], "held", "{line}");
    assert!(
        line["reason"]["text"]
            .as_str()
            .unwrap()
            .contains("ended unseen"),
        "{line}"
    );
    let refused = rig.tell(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    assert_eq!(refused.status.code(), Some(1));
    assert_ne!(
        rig.line("slow")["state"],
        "held",
        "the other line has done nothing wrong"
    );
    daemon.stop();
    assert_eq!(rig.books_are_right().len(), 2);
}
