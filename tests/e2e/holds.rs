//! Stopping: at once, lasting, and whatever else is broken.

use crate::rig::{BOTTLE_UL, Rig, text, ul, wait_for};

/// Begins a dose of 300 mL by hand, five minutes long, and waits until it flows.
fn long_dose(rig: &Rig) {
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    wait_for("flow", || {
        ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 0)
    });
}

#[test]
fn a_hold_stops_a_running_dose_and_books_what_went_in_by_time() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    let before = ul(&rig.line("fast")["running"]["so_far_ml"]).unwrap();
    rig.ok(&["hold", "--reason", "milky water"]);
    let status = rig.status();
    assert_eq!(status["held"], true);
    let dose = rig.ended(1);
    assert_eq!(dose.outcome, "interrupted");
    assert!(dose.cause.contains("milky water"), "{}", dose.cause);
    // 60 mL/min is 1 uL a millisecond.
    assert_eq!(dose.on_time_ms, Some(dose.delivered_ul));
    assert!(
        dose.delivered_ul >= before && dose.delivered_ul < 300_000,
        "{before} {dose:?}"
    );
    assert_eq!(dose.left_ul, BOTTLE_UL - dose.delivered_ul);
    let line = rig.line("fast");
    assert_eq!(ul(&line["delivered_24h_ml"]), Some(dose.delivered_ul));
    assert_eq!(line["state"], "held");
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_hold_survives_kill_and_restart_until_it_is_resumed() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    rig.ok(&["hold", "--reason", "bad test"]);
    // Killed right after the word came back, the hold must be on disk.
    daemon.kill();
    let daemon = rig.start_real();
    let holds = rig.status()["holds"].clone();
    assert_eq!(holds.as_array().unwrap().len(), 1, "{holds}");
    assert_eq!(holds[0]["reason"], "bad test");
    let refused = rig.tell(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused.stderr).contains("bad test"),
        "{}",
        text(&refused.stderr)
    );
    rig.ok(&["resume"]);
    daemon.kill();
    let daemon = rig.start_real();
    assert_eq!(rig.status()["held"], false, "a lifted hold came back");
    rig.ok(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    wait_for("the second dose", || {
        rig.doses()
            .into_iter()
            .find(|d| d.number == 2 && d.outcome == "delivered")
    });
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_hold_of_one_line_leaves_the_other_running() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    rig.ok(&["hold", "slow"]);
    assert_eq!(rig.line("slow")["state"], "held");
    assert_eq!(rig.line("fast")["state"], "dosing");
    let unknown = rig.tell(&["hold", "sloow"]);
    assert_eq!(unknown.status.code(), Some(1));
    let said = text(&unknown.stderr);
    assert!(
        said.starts_with("NOTHING IS HELD") && said.contains("the lines are: slow, fast"),
        "{}",
        text(&unknown.stderr)
    );
    rig.ok(&["hold", "fast"]);
    assert_eq!(rig.ended(1).outcome, "interrupted");
    daemon.stop();
}

#[test]
fn a_hold_without_a_daemon_is_in_force_from_its_next_start() {
    let rig = Rig::new();
    // A state folder that was never used: nothing is made on a typing error in --state.
    let nowhere = rig.tell(&["hold"]);
    assert_eq!(nowhere.status.code(), Some(69));
    assert!(!rig.state().exists());
    rig.start(&["--warp", "600"]).stop();
    let said = rig.ok(&["hold", "--reason", "cleaning the sump"]);
    assert!(said.contains("no daemon runs here"), "{said}");
    let daemon = rig.start(&["--warp", "600"]);
    let holds = rig.status()["holds"].clone();
    assert_eq!(holds[0]["reason"], "cleaning the sump", "{holds}");
    wait_for("a slot refused by the hold", || {
        rig.rows("not_given")
            .into_iter()
            .find(|r| r["code"] == "held")
    });
    assert_eq!(rig.rows("hold").len(), 1, "the hold is in the ledger too");
    daemon.stop();
}

#[test]
fn a_hold_waits_for_a_daemon_that_is_just_starting() {
    let rig = Rig::new();
    rig.start(&[]).stop();
    // What a starting daemon looks like from outside: the lock is taken, and nobody listens yet.
    let lock = dosewright::daemon::InstanceLock::take(rig.state()).unwrap();
    let mut hold = std::process::Command::new(crate::rig::binary())
        .args(["hold", "--state"])
        .arg(rig.state())
        .spawn()
        .unwrap();
    crate::rig::pause(std::time::Duration::from_millis(400));
    assert!(hold.try_wait().unwrap().is_none(), "the hold gave up");
    drop(lock);
    assert!(hold.wait().unwrap().success());
    let daemon = rig.start(&[]);
    assert_eq!(rig.status()["held"], true);
    daemon.stop();
}

#[test]
fn a_hold_file_that_cannot_be_understood_holds_everything() {
    let rig = Rig::new();
    rig.start(&["--warp", "600"]).stop();
    std::fs::write(rig.state().join("holds.json"), "\0\0\0\0").unwrap();
    let begun = rig.doses().len();
    let daemon = rig.start(&["--warp", "600"]);
    let status = rig.status();
    assert_eq!(status["held"], true);
    assert!(
        status["holds"][0]["reason"]
            .as_str()
            .unwrap()
            .contains("cannot be read"),
        "{status}"
    );
    wait_for("a refused slot", || {
        rig.rows("not_given")
            .into_iter()
            .find(|r| r["code"] == "held")
    });
    assert_eq!(rig.doses().len(), begun);
    daemon.stop();
}

#[test]
fn a_hold_for_a_time_says_when_it_ends_and_a_length_that_is_none_holds_nothing() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    let said = rig.ok(&["hold", "--for", "2h", "--reason", "feeding"]);
    assert!(said.contains("for 2 h"), "{said}");
    let status = rig.status();
    assert!(status["holds"][0]["until"].is_string() || status["clock"]["trusted"] == false);
    let refused = rig.tell(&["hold", "--for", "2 years"]);
    assert_eq!(refused.status.code(), Some(2), "{refused:?}");
    rig.ok(&["resume"]);
    daemon.stop();
}
