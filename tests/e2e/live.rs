//! Live mode on a machine that is no board: it says so and stays dry; arming has no way round its sentence; switching off needs
//! nothing. What the pins of a board do is shown on the emulated one (tests/board/run).

use std::io::Write;
use std::process::{Command, Output, Stdio};

use crate::rig::{CONTROLLER, Rig, binary, text};

const SENTENCE: &str = "I have read the cautions and accept that pumps will run";

fn live() -> String {
    CONTROLLER
        .replace("mode = \"dry-run\"", "mode = \"live\"")
        .replace(
            "[tank]",
            "[board]\ndriver = \"rppal\"\ncut-off = \"GPIO24\"\n[tank]",
        )
}

/// `arm` with something typed.
fn arm(rig: &Rig, typed: &str) -> Output {
    let mut command = Command::new(binary());
    rig.place(&mut command);
    let mut child = command
        .arg("arm")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A command that has refused already does not read any more.
    drop(child.stdin.take().unwrap().write_all(typed.as_bytes()));
    child.wait_with_output().unwrap()
}

#[test]
fn live_on_a_machine_that_is_no_board_is_dry_and_says_so() {
    let rig = Rig::new();
    rig.write("controller.toml", &live());
    let daemon = rig.start(&[]);
    let status = rig.status();
    assert_eq!(status["mode"], "dry-run");
    let why = status["daemon"]["not_live_because"].as_str().unwrap();
    assert!(why.contains("driver \"rppal\" does not work here"), "{why}");
    assert!(rig.log().contains("NOT LIVE"), "{}", rig.log());
    assert!(rig.ok(&["status"]).contains("NOT LIVE"));
    assert_eq!(rig.tell(&["status", "--exit-code"]).status.code(), Some(1));
    daemon.stop();
}

#[test]
fn arming_needs_the_sentence_and_is_written_down_with_it() {
    let rig = Rig::new();
    rig.write("controller.toml", &live());
    let daemon = rig.start(&[]);
    for typed in ["", "yes\n", "y\n", "I have read the cautions\n"] {
        let output = arm(&rig, typed);
        assert_eq!(output.status.code(), Some(1), "{typed:?} armed");
        assert!(text(&output.stdout).contains("Electricity near water"));
    }
    assert!(rig.rows("arming").is_empty());
    let output = arm(&rig, &format!("{SENTENCE}\n"));
    assert!(output.status.success(), "{}", text(&output.stderr));
    let rows = rig.rows("arming");
    assert_eq!(rows.len(), 1);
    assert_eq!(rows[0]["armed"], true);
    assert_eq!(rows[0]["sentence"], SENTENCE);
    let fingerprint = rig.status()["daemon"]["controller_fingerprint"]
        .as_str()
        .unwrap()
        .to_owned();
    assert!(
        rows[0]["fingerprint"]
            .as_str()
            .unwrap()
            .starts_with(&fingerprint)
    );
    rig.ok(&["disarm"]);
    assert_eq!(rig.rows("arming")[1]["armed"], false);
    daemon.stop();
}

#[test]
fn what_is_armed_is_what_the_daemon_runs_with() {
    let rig = Rig::new();
    rig.write("controller.toml", &live());
    let daemon = rig.start(&[]);
    rig.write(
        "controller.toml",
        &live().replace("daily-cap-ml = 510", "daily-cap-ml = 520"),
    );
    let output = arm(&rig, &format!("{SENTENCE}\n"));
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output.stderr).contains("restart the daemon"),
        "{}",
        text(&output.stderr)
    );
    daemon.stop();
    rig.write("controller.toml", CONTROLLER);
    let daemon = rig.start(&[]);
    let output = arm(&rig, &format!("{SENTENCE}\n"));
    assert!(
        text(&output.stderr).contains("mode = \"live\""),
        "{}",
        text(&output.stderr)
    );
    assert!(rig.rows("arming").is_empty());
    daemon.stop();
}

#[test]
fn a_pin_that_rests_on_at_boot_must_be_named_to_arm() {
    let rig = Rig::new();
    rig.write("controller.toml", &live().replace("GPIO27", "GPIO5"));
    let daemon = rig.start(&[]);
    let output = arm(&rig, &format!("{SENTENCE}\n"));
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output.stdout).contains("FAIL"),
        "{}",
        text(&output.stdout)
    );
    let output = arm(&rig, &format!("{SENTENCE}, also at boot on GPIO5\n"));
    assert!(output.status.success(), "{}", text(&output.stderr));
    daemon.stop();
}

#[test]
fn outputs_off_needs_no_daemon_tries_every_pin_and_tells_failures() {
    let rig = Rig::new();
    let output = rig.tell(&["outputs-off"]);
    assert!(output.status.success(), "{}", text(&output.stderr));
    assert!(
        text(&output.stdout).contains("no [board]"),
        "{}",
        text(&output.stdout)
    );
    // A dry run whose board is not this machine says one calm line, unless an output was reached here once.
    let dry = live().replace("mode = \"live\"", "mode = \"dry-run\"");
    rig.write("controller.toml", &dry);
    let output = rig.tell(&["outputs-off"]);
    assert!(output.status.success(), "{}", text(&output.stderr));
    let said = text(&output.stdout);
    assert!(said.contains("nothing to switch off"), "{said}");
    assert_eq!(said.lines().count(), 1, "{said}");
    std::fs::create_dir_all(rig.state()).unwrap();
    let seen = rig.state().join("outputs-seen");
    for (reached, code) in [(false, 0), (true, 1)] {
        let line = format!(
            r#"{{"what":"head slow","place":{{"gpio":17}},"was_on":false,"was_off":true,"is_off":{reached},"boot":"b","at":"2026-01-01T00:00:00Z","elapsed_ms":5,"clock_trusted":false}}"#
        );
        std::fs::write(&seen, line).unwrap();
        assert_eq!(rig.tell(&["outputs-off"]).status.code(), Some(code));
    }
    std::fs::remove_dir_all(rig.state()).unwrap();
    rig.write(
        "controller.toml",
        &dry.replace("[tank]", "this = = is no toml\n[tank]"),
    );
    assert_eq!(rig.tell(&["outputs-off"]).status.code(), Some(1));
    // This machine has no such pins, so each of them fails, and each is tried.
    for broken in ["", "\nthis = = is no toml\n"] {
        rig.write("controller.toml", &format!("{}{broken}", live()));
        let output = rig.tell(&["outputs-off"]);
        assert_eq!(output.status.code(), Some(1));
        let said = text(&output.stdout);
        for what in ["common cut-off", "head slow", "head fast"] {
            assert!(said.contains(&format!("NOT OFF {what}")), "{what}: {said}");
        }
        assert!(
            text(&output.stderr).contains("3 outputs"),
            "{}",
            text(&output.stderr)
        );
    }
    assert!(!rig.state().exists(), "it made a state folder");
    let output = Command::new(binary())
        .args(["--config", "/nonexistent", "outputs-off"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert!(text(&output.stdout).contains("cannot be read"));
}

#[test]
fn what_outputs_off_looked_at_is_on_record_from_the_next_start() {
    let rig = Rig::new();
    rig.start_real().stop();
    rig.write("controller.toml", &live());
    // Without such pins none is known to have been off, nor to be off now.
    assert_eq!(rig.tell(&["outputs-off"]).status.code(), Some(1));
    rig.write("controller.toml", CONTROLLER);
    let daemon = rig.start_real();
    let events = rig.rows("event");
    let found: Vec<&str> = events
        .iter()
        .filter(|event| event["code"] == "output-found-on")
        .filter_map(|event| event["text"].as_str())
        .collect();
    assert_eq!(found.len(), 3, "{events:?}");
    for what in ["common cut-off (GPIO24)", "head slow", "head fast"] {
        let said = found.iter().find(|text| text.contains(what)).unwrap();
        assert!(said.contains("could not be driven off"), "{said}");
    }
    daemon.stop();
}
