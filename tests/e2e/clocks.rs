//! A record that a wrong clock has written in.

use crate::rig::{Rig, text, ul, wait_for};

#[test]
fn a_record_with_a_wrong_time_is_put_right_and_everything_is_kept() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    rig.ok(&["dose", "fast", "0.5 mL", "--yes", "--repeat", "0.5 mL"]);
    wait_for("the end of the dose", || {
        rig.doses()
            .last()
            .filter(|d| !d.outcome.is_empty())
            .map(drop)
    });
    let given = ul(&rig.line("fast")["delivered_24h_ml"]);
    assert!(given >= Some(500), "{given:?}");
    daemon.stop();
    // As a clock leaves it that was trusted and 70 years ahead.
    let ledger = rusqlite::Connection::open(rig.ledger()).unwrap();
    ledger
        .execute(
            "UPDATE session SET last_at_ms = 1000 * unixepoch('2096-11-30 14:00'), last_trusted = 1",
            [],
        )
        .unwrap();
    drop(ledger);

    let daemon = rig.start(&[]);
    let refused = rig.tell(&["clock", "trust"]);
    assert_eq!(refused.status.code(), Some(1));
    let why = text(&refused.stderr);
    assert!(why.contains("dosewright clock wrong --from"), "{why}");
    let wrong = |from: &str, to: &str| rig.tell(&["clock", "wrong", "--from", from, "--to", to]);
    let nothing = wrong("2031-01-01T00:00:00Z", "2032-01-01T00:00:00Z");
    assert_eq!(nothing.status.code(), Some(1));
    let why = text(&nothing.stderr);
    assert!(why.contains("nothing on record lies from"), "{why}");
    let put_right = wrong("2096-01-01T00:00:00Z", "2097-01-01T00:00:00Z");
    assert!(put_right.status.success(), "{}", text(&put_right.stderr));
    // It starts anew, and then it takes the owner's word.
    wait_for("the owner's word to be taken", || {
        let trusted = rig.tell(&["clock", "trust"]);
        trusted.status.success().then_some(())
    });
    assert_eq!(rig.status()["clock"]["trusted"], true);
    assert_eq!(rig.rows("wrong_time").len(), 1);
    assert_eq!(ul(&rig.line("fast")["delivered_24h_ml"]), given);
    daemon.stop();
    assert_eq!(rig.books_are_right().len(), 1);
}
