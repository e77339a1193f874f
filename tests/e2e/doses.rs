//! Doses as a keeper sees them.

use std::path::PathBuf;

use dosewright::engine::{Answer, Command, Wish};
use dosewright::quantity::{Name, Volume};
use dosewright::record::DoseKind;
use serde_json::Value;

use crate::rig::{BOTTLE_UL, Rig, binary, text, ul, wait_for};

/// The sample configuration of the repository.
fn demo_config() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config")
}

#[test]
fn the_demo_reef_doses_within_seconds_and_can_be_held_and_resumed() {
    let rig = Rig::new();
    for file in ["controller.toml", "plan.toml"] {
        rig.write(
            file,
            &std::fs::read_to_string(demo_config().join(file)).unwrap(),
        );
    }
    let daemon = rig.start(&["--warp", "600"]);
    assert_eq!(rig.status()["mode"], "dry-run");
    wait_for("three delivered doses", || {
        let done = rig.rows("dose");
        (done.iter().filter(|d| d["outcome"] == "delivered").count() >= 3).then_some(())
    });
    rig.ok(&["hold", "--reason", "a look at it"]);
    let status = rig.status();
    assert_eq!(status["held"], true);
    for line in status["lines"].as_array().unwrap() {
        assert_eq!(line["state"], "held", "{line}");
        assert!(
            line["reason"]["text"]
                .as_str()
                .unwrap()
                .contains("a look at it"),
            "{line}"
        );
    }
    let at_hold = rig.rows("dose").len();
    wait_for("refused slots while held", || {
        (rig.rows("not_given").len() >= 2).then_some(())
    });
    assert_eq!(
        rig.rows("dose").len(),
        at_hold,
        "a dose was begun while everything was held"
    );
    rig.ok(&["resume"]);
    wait_for("a dose after the resume", || {
        (rig.rows("dose").len() > at_hold).then_some(())
    });
    daemon.stop();
    rig.ok(&["ledger", "check"]);
}

#[test]
fn a_dose_by_hand_in_real_time_is_booked_to_the_microlitre() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    rig.ok(&["dose", "fast", "1.5 mL", "--yes", "--repeat", "1.5 mL"]);
    let dose = rig.ended(1);
    assert_eq!(dose.outcome, "delivered");
    // A run that kept its time gave what was meant; one that a busy machine switched off late gave more, and is booked so.
    let on_time = dose.on_time_ms.unwrap();
    assert!(on_time >= 1500, "{on_time} ms");
    let by_time = if on_time <= 1501 { 1500 } else { on_time };
    assert_eq!(
        (dose.delivered_ul, dose.left_ul),
        (by_time, BOTTLE_UL - by_time)
    );
    assert_eq!(ul(&rig.line("fast")["delivered_24h_ml"]), Some(by_time));
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn one_confirmation_gives_one_dose() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    let wish = Wish::Dose {
        line: Name::new("fast").unwrap(),
        volume: Volume::from_ul(1000),
        kind: DoseKind::Hand,
    };
    let prepared = rig.ask(&Command::Prepare(wish).into()).unwrap();
    assert!(prepared.ok, "{prepared:?}");
    assert_eq!(rig.doses_by_hand().len(), 0, "asking is not giving");
    let Answer::Proposal(proposal) = serde_json::from_value(prepared.data).unwrap() else {
        panic!("no proposal");
    };
    // A line without a plan has no usual dose, so the volume is to be repeated.
    let confirm = proposal.confirm(Some(Volume::from_ul(1000)));
    let confirm = Command::Confirm(confirm).into();
    assert!(rig.ask(&confirm).unwrap().ok);
    let again = rig.ask(&confirm).unwrap();
    assert_eq!(again.code.as_deref(), Some("token-unknown"), "{again:?}");
    let given = rig.doses_by_hand().remove(0).number;
    assert!(rig.ended(given).delivered_ul >= 1000);
    assert_eq!(rig.doses_by_hand().len(), 1);
    daemon.stop();
}

#[test]
fn virtual_time_begins_where_it_is_told_to_and_the_plan_of_a_day_is_kept() {
    let rig = Rig::new();
    let daemon = rig.start(&["--warp", "3600", "--start-at", "2026-10-24T22:00:00Z"]);
    wait_for("a day of virtual time", || {
        let time: jiff::Timestamp = rig.status()["at"].as_str()?.parse().ok()?;
        (time > "2026-10-26T00:00:00Z".parse().unwrap()).then_some(())
    });
    daemon.stop();
    let doses = rig.books_are_right();
    let of_day: Vec<_> = doses
        .iter()
        .filter(|d| d.slot.as_ref().is_some_and(|s| s.1 == "2026-10-25"))
        .collect();
    let not_given = rig
        .rows("not_given")
        .iter()
        .filter(|r| r["slot_date"] == "2026-10-25")
        .count();
    let missed: i64 = rig
        .rows("outage")
        .iter()
        .filter_map(|r| r["slots"].as_i64())
        .sum();
    let missed = usize::try_from(missed).unwrap();
    assert!(
        of_day.len() + not_given + missed >= 480,
        "{} + {not_given} + {missed}",
        of_day.len()
    );
    // A late wake-up of a busy machine is minutes long at this speed, so not every slot can be kept; but each is accounted for.
    assert!(
        of_day.len() >= 48,
        "only {} of 480 slots were given",
        of_day.len()
    );
    let given: i64 = of_day.iter().map(|d| d.volume_ul).sum();
    assert!(given <= 480_000, "{given} uL");
}

#[test]
fn the_ledger_is_listed_by_the_words_that_the_help_uses() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    rig.ok(&["dose", "fast", "0.5 mL", "--yes", "--repeat", "0.5 mL"]);
    rig.ended(1);
    daemon.stop();
    let by_default: Value = serde_json::from_str(&rig.ok(&["ledger", "list", "--json"])).unwrap();
    assert_eq!(by_default.as_array().unwrap().len(), 1);
    let named = rig.ok(&[
        "ledger", "list", "doses", "--line", "fast", "--newest", "20",
    ]);
    assert!(named.contains("delivered"), "{named}");
    assert_eq!(rig.ok(&["ledger", "export"]).lines().count(), 2);
    assert_eq!(rig.ok(&["ledger", "export", "dose"]).lines().count(), 2);
    let unknown = rig.tell(&["ledger", "list", "dosis"]);
    assert_eq!(unknown.status.code(), Some(2));
    assert!(
        text(&unknown.stderr).contains("dose"),
        "{}",
        text(&unknown.stderr)
    );
}

#[test]
fn a_closed_pipe_is_no_error() {
    let rig = Rig::new();
    let mut command = std::process::Command::new("sh");
    let line = format!(
        "{} manual | head -n 1; {} check --config {} | head -n 1",
        binary(),
        binary(),
        demo_config().display()
    );
    let output = command.args(["-c", &line]).output().unwrap();
    assert!(output.status.success());
    assert_eq!(text(&output.stderr), "");
    drop(rig);
}
