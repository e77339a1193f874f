//! Alarms that leave the box: a real daemon in dry run, a real `tell` beside it, and a program that appends to a file.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::Command;

use crate::rig::{CONTROLLER, Daemon, Rig, binary, text, wait_for};

const LEAK: &str = "[input.leak]\nrole = \"leak\"\ninput = \"GPIO5\"\nsafe = \"low\"\nblocks = [\"all\"]\nclear-after-s = 0\n";

/// A rig with a leak contact, and the program of its owner.
fn rig() -> Rig {
    let rig = Rig::new();
    rig.write("controller.toml", &format!("{CONTROLLER}{LEAK}"));
    let program = rig.folder().join("tell");
    let script = "#!/bin/sh\n{ cat; echo \"$DOSEWRIGHT_HAPPENED $DOSEWRIGHT_ALARM $DOSEWRIGHT_SUBJECT.\"; } >> \"$1\"\n";
    fs::write(&program, script).unwrap();
    fs::set_permissions(&program, fs::Permissions::from_mode(0o755)).unwrap();
    rig
}

fn start_telling(rig: &Rig) -> Daemon {
    let mut command = Command::new(binary());
    rig.place(&mut command);
    command.args(["tell", "--every", "1 s", "--program"]);
    command.arg(rig.folder().join("tell")).arg("--");
    command.arg(rig.folder().join("told"));
    rig.launch_command(command)
}

/// Waits until the program was given this, and returns all that it was given.
fn told(rig: &Rig, what: &str) -> String {
    wait_for(what, || {
        let told = fs::read_to_string(rig.folder().join("told")).ok()?;
        told.contains(what).then_some(told)
    })
}

#[test]
fn alarms_reach_the_owners_program_also_one_of_before_it_ran_and_that_the_daemon_has_gone() {
    let rig = rig();
    let daemon = rig.start_real();
    rig.ok(&["simulate", "leak", "unsafe"]);
    wait_for("the alarm", || {
        let alarms = rig.status()["alarms"].as_array().unwrap().clone();
        alarms.into_iter().find(|a| a["code"] == "input-unsafe")
    });
    let telling = start_telling(&rig);
    let all = told(&rig, "raised input-unsafe leak.");
    assert!(all.contains("test-reef: ALARM input-unsafe leak"), "{all}");
    assert!(all.contains("water where none should be"), "{all}");
    rig.ok(&["simulate", "leak", "safe"]);
    told(&rig, "over input-unsafe leak.");
    let said = rig.ok(&["alarm", "test"]);
    assert!(said.contains("dosing is not touched"), "{said}");
    let all = told(&rig, "raised test .");
    assert!(all.contains("nothing is wrong"), "{all}");
    let notes = rig.rows("event");
    assert!(notes.iter().any(|n| n["code"] == "alarm-test"), "{notes:?}");
    assert_eq!(rig.status()["held"], false);
    daemon.kill();
    told(&rig, "raised daemon-silent .");
    let daemon = rig.start_real();
    told(&rig, "over daemon-silent .");
    telling.kill();
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_program_that_cannot_be_run_is_refused_with_what_to_do() {
    let rig = rig();
    let plain = rig.folder().join("plain");
    fs::write(&plain, "").unwrap();
    for (program, said) in [
        ("tell", "whole path"),
        (plain.to_str().unwrap(), "chmod +x"),
        ("/nowhere/tell", "No such file"),
    ] {
        let output = rig.tell(&["tell", "--program", program]);
        assert_eq!(output.status.code(), Some(2), "{program}");
        assert!(text(&output.stderr).contains(said), "{program}");
    }
}
