//! A configuration with mistakes starts nothing and makes nothing.

use crate::rig::{CONTROLLER, PLAN, Rig, text, ul, wait_for};

#[test]
fn every_mistake_is_named_at_once_and_nothing_is_made() {
    let rig = Rig::new();
    let wrong = CONTROLLER
        .replace("volume-l = 1000", "volume-l = nan")
        .replace("output = \"GPIO27\"", "output = \"GPIO17\"")
        .replace("daily-cap-ml = 5000", "daily-cap-ml = -5")
        .replace("heads-at-once = 2", "heads-at-onec = 2");
    rig.write("controller.toml", &wrong);
    for command in [&["run"][..], &["run", "--warp", "60"], &["check"]] {
        let output = rig.tell(command);
        assert_eq!(output.status.code(), Some(78), "{command:?}");
        let said = text(&output.stderr);
        for part in [
            "volume-l",
            "GPIO17",
            "daily-cap-ml",
            "heads-at-onec",
            "controller.toml:",
        ] {
            assert!(
                said.contains(part),
                "{command:?} does not name {part}: {said}"
            );
        }
    }
    assert!(
        !rig.state().exists(),
        "a state folder was made for a configuration with mistakes"
    );
}

#[test]
fn a_missing_file_is_a_mistake_too() {
    let rig = Rig::new();
    std::fs::remove_file(rig.folder().join("config/plan.toml")).unwrap();
    let output = rig.tell(&["run"]);
    assert_eq!(output.status.code(), Some(78));
    assert!(
        text(&output.stderr).contains("plan.toml"),
        "{}",
        text(&output.stderr)
    );
    assert!(!rig.state().exists());
}

#[test]
fn check_and_run_agree() {
    let rig = Rig::new();
    assert_eq!(rig.tell(&["check"]).status.code(), Some(0));
    rig.write("plan.toml", &PLAN.replace("doses = 480", "doses = 4800"));
    assert_eq!(rig.tell(&["check"]).status.code(), Some(78));
    assert_eq!(rig.tell(&["run"]).status.code(), Some(78));
    assert!(!rig.state().exists());
}

#[test]
fn warped_time_is_refused_in_live_mode() {
    let rig = Rig::new();
    rig.write(
        "controller.toml",
        &CONTROLLER
            .replace("mode = \"dry-run\"", "mode = \"live\"")
            .replace("[tank]", "[board]\ndriver = \"rppal\"\n[tank]"),
    );
    let output = rig.tell(&["run", "--warp", "60"]);
    assert_eq!(output.status.code(), Some(78), "{}", text(&output.stderr));
    assert!(
        text(&output.stderr).contains("--warp"),
        "{}",
        text(&output.stderr)
    );
    assert!(!rig.state().exists());
}

#[test]
fn a_plan_with_a_mistake_does_not_disturb_the_running_daemon() {
    let rig = Rig::new();
    let daemon = rig.start(&["--warp", "600"]);
    rig.write("plan.toml", "[line.slow]\ndaily-ml = 480\ndoses = 0\n");
    let output = rig.tell(&["reload"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(
        text(&output.stderr).contains("plan.toml:3"),
        "{}",
        text(&output.stderr)
    );
    assert_eq!(ul(&rig.line("slow")["planned_ml_per_day"]), Some(480_000));
    let seen = rig.doses().len();
    wait_for("a dose by the plan before", || {
        (rig.doses().len() > seen).then_some(())
    });
    daemon.stop();
}
