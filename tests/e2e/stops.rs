//! Stops while something else is wrong: the disk, the daemon, its files, or the words that were typed.

use std::fs;
use std::process::{Command as Process, Stdio};

use dosewright::daemon::add_hold;
use dosewright::pump::elapsed;
use dosewright::quantity::Millis;
use dosewright::record::{Hold, HoldScope, Who};
use rustix::process::Signal;

use crate::rig::{FailingDisk, Rig, SmallDisk, binary, skipped, text, ul, wait_for};

fn long_dose(rig: &Rig) {
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    wait_for("flow", || {
        ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 0)
    });
}

fn fill(disk: &SmallDisk) {
    use std::io::Write;
    let mut file = fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(disk.path().join("ballast"))
        .unwrap();
    for size in [4096_usize, 64, 1] {
        while file.write_all(&vec![0_u8; size]).is_ok() {}
    }
}

#[test]
fn a_hold_on_a_full_disk_survives_a_kill() {
    let Some(disk) = SmallDisk::mount(2048) else {
        return skipped("a small file system cannot be mounted here");
    };
    let rig = Rig::with_state(&disk.path().join("state"));
    let daemon = rig.start_real();
    fill(&disk);
    fs::remove_file(rig.state().join("ledger.reserve")).unwrap();
    fill(&disk);
    // More than the block that the shortest file takes.
    let reasons: Vec<String> = (0..16).map(|n| format!("{n:0190} no room")).collect();
    for (n, reason) in reasons.iter().enumerate() {
        let line = if n % 2 == 0 { "slow" } else { "fast" };
        let said = rig.ok(&["hold", line, "--reason", reason]);
        assert!(!said.contains("not on disk"), "{said}");
    }
    daemon.kill();
    let daemon = rig.start(&[]);
    let status = rig.status();
    let kept = status["holds"].as_array().unwrap();
    for reason in &reasons {
        assert!(
            kept.iter().any(|hold| hold["reason"] == **reason),
            "{reason}: {kept:?}"
        );
    }
    drop(daemon);
}

#[test]
fn a_hold_that_the_disk_does_not_take_is_in_force_and_says_that_it_may_not_last() {
    let rig = Rig::new();
    let mut command = Process::new("sh");
    // A write over the limit is then an error, not the end.
    command.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh", binary(), "run"]);
    rig.place(&mut command);
    let mut daemon = rig.launch_command(command);
    rig.answers(&mut daemon);
    let limited = Process::new("prlimit")
        .arg(format!("--pid={}", daemon.pid()))
        .arg("--fsize=0")
        .status()
        .is_ok_and(|s| s.success());
    if !limited {
        return skipped("limits of another process cannot be set here");
    }
    a_hold_is_in_force_and_may_not_last(&rig);
}

fn a_hold_is_in_force_and_may_not_last(rig: &Rig) {
    let said = rig.ok(&["hold", "--reason", "no disk"]);
    assert!(
        said.contains("in force now, but not on disk yet")
            && said.contains("MAY NOT SURVIVE A RESTART")
            && said.contains("plug")
            && !said.contains("refused"),
        "{said}"
    );
    assert_eq!(rig.status()["held"], true);
}

#[test]
fn a_hold_on_a_disk_that_fails_under_the_daemon_is_in_force_and_says_that_it_may_not_last() {
    let Some(disk) = FailingDisk::mount() else {
        return skipped("a file system on a file, and an error in it, are not to be had here");
    };
    let rig = Rig::with_state(&disk.path().join("state"));
    let daemon = rig.start_real();
    rig.ok(&["hold", "slow", "--reason", "before it failed"]);
    disk.fail();
    a_hold_is_in_force_and_may_not_last(&rig);
    let refused = rig.tell(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    assert_eq!(refused.status.code(), Some(1), "{}", text(&refused.stdout));
    daemon.kill();
    // A power cut later the disk takes writes again, and what it took is obeyed.
    disk.detach();
    assert!(disk.attach());
    let daemon = rig.start_real();
    let holds = rig.status()["holds"].as_array().unwrap().clone();
    let is_kept = |reason: &str| holds.iter().any(|h| h["reason"] == reason);
    assert!(is_kept("before it failed"), "{holds:?}");
    assert!(
        !is_kept("after it failed"),
        "it was said not to last: {holds:?}"
    );
    daemon.stop();
}

#[test]
fn a_hold_on_a_read_only_disk_without_a_daemon_says_that_nothing_is_held() {
    let Some(disk) = SmallDisk::mount(2048) else {
        return skipped("a small file system cannot be mounted here");
    };
    let rig = Rig::with_state(&disk.path().join("state"));
    rig.start(&[]).stop();
    let remounted = Process::new("mount")
        .args(["-o", "remount,ro"])
        .arg(disk.path())
        .status()
        .is_ok_and(|s| s.success());
    if !remounted {
        return skipped("a file system cannot be made read-only here");
    }
    let told = rig.tell(&["hold"]);
    assert_eq!(told.status.code(), Some(74));
    let said = text(&told.stderr);
    assert!(
        said.starts_with("NOTHING IS HELD") && said.contains("PLUG"),
        "{said}"
    );
}

#[test]
fn a_hold_to_a_hung_daemon_says_so_soon_and_stands_where_the_next_start_obeys_it() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    daemon.signal(Signal::STOP);
    let began = elapsed();
    let told = rig.tell(&["hold", "--reason", "milky water"]);
    let took = elapsed().minus(began);
    // Meant are 2 s and what the outputs take; without a limit of its own it was 21 s.
    assert!(took < Millis::from_secs(10), "{took}");
    assert_eq!(told.status.code(), Some(69));
    let said = text(&told.stderr);
    for word in [
        "THE DAEMON DOES NOT ANSWER",
        "no output of this machine is driven",
        "PULL THE PUMPS' PLUG",
        "The hold is written down",
    ] {
        assert!(said.contains(word), "{word}: {said}");
    }
    assert!(!said.contains("temporarily unavailable"), "{said}");
    daemon.kill();
    let daemon = rig.start(&[]);
    assert_eq!(rig.status()["holds"][0]["reason"], "milky water");
    daemon.stop();
}

#[test]
fn a_daemon_that_wakes_obeys_the_hold_that_it_slept_through_once() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    daemon.signal(Signal::STOP);
    assert_eq!(
        rig.tell(&["hold", "--reason", "milky water"]).status.code(),
        Some(69)
    );
    daemon.signal(Signal::CONT);
    assert_eq!(rig.ended(1).outcome, "interrupted");
    wait_for("the hold", || (rig.status()["held"] == true).then_some(()));
    rig.ok(&["resume"]);
    // Whatever it still finds of it is the same hold.
    rig.ok(&["hold", "slow"]);
    assert_eq!(rig.status()["held"], false, "a lifted hold came back");
    daemon.stop();
}

#[test]
fn a_hold_that_is_put_into_the_file_of_a_running_daemon_is_taken_up_at_once() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    let hold = Hold {
        scope: HoldScope::All,
        reason: "from outside".to_owned(),
        who: Who::Local { uid: 0 },
        since: "2026-01-01T00:00:00Z".parse().unwrap(),
        until: None,
    };
    add_hold(rig.state(), hold).unwrap();
    let dose = rig.ended(1);
    assert!(dose.cause.contains("from outside"), "{}", dose.cause);
    assert_eq!(rig.status()["holds"].as_array().unwrap().len(), 1);
    daemon.kill();
    let daemon = rig.start(&[]);
    assert_eq!(rig.status()["holds"][0]["reason"], "from outside");
    daemon.stop();
}

/// Does something to the files of a dosing daemon, which must end for it and say so.
fn ends_when(what: &str, happens: impl FnOnce(&Rig)) {
    let rig = Rig::new();
    let mut daemon = rig.start_real();
    long_dose(&rig);
    happens(&rig);
    let status = daemon.end();
    assert_eq!(status.code(), Some(70), "{what}: {status}");
    let log = rig.log();
    assert!(
        log.contains(what) && log.contains("all heads were switched off"),
        "{log}"
    );
}

#[test]
fn a_daemon_whose_lock_is_taken_away_ends_and_no_other_doses_beside_it() {
    ends_when("lock file", |rig| {
        fs::remove_file(rig.state().join("lock")).unwrap();
    });
}

#[test]
fn a_daemon_whose_hold_file_is_replaced_ends() {
    ends_when("hold file", |rig| {
        let file = rig.state().join("holds.json");
        let other = rig.state().join("other");
        fs::copy(&file, &other).unwrap();
        fs::rename(other, file).unwrap();
    });
}

#[test]
fn a_daemon_whose_state_folder_is_moved_away_ends() {
    ends_when("state folder", |rig| {
        fs::rename(rig.state(), rig.folder().join("elsewhere")).unwrap();
    });
}

#[test]
fn a_socket_that_is_taken_away_is_made_again_and_a_hold_finds_the_daemon() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    fs::remove_file(rig.socket()).unwrap();
    rig.ok(&["hold", "slow"]);
    assert_eq!(rig.line("slow")["state"], "held");
    fs::remove_dir_all(rig.socket().parent().unwrap()).unwrap();
    rig.ok(&["hold"]);
    assert_eq!(rig.ended(1).outcome, "interrupted");
    // That of the folder that was made again is watched too.
    fs::remove_file(rig.socket()).unwrap();
    rig.ok(&["resume", "all"]);
    assert_eq!(rig.status()["held"], false);
    daemon.stop();
}

#[test]
fn the_words_of_panic_all_hold() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    for words in [
        &["stop"][..],
        &["pause"],
        &["hold", "all"],
        &["stop", "all"],
    ] {
        rig.ok(words);
        assert_eq!(rig.status()["held"], true, "{words:?}");
        rig.ok(&["resume", "all"]);
        assert_eq!(rig.status()["held"], false, "{words:?}");
    }
    daemon.stop();
}

#[test]
fn a_stop_that_stops_nothing_says_that_nothing_is_held_and_what_the_lines_are() {
    let rig = Rig::new();
    rig.start(&[]).stop();
    for words in [
        &["hold", "sloow"][..],
        &["stop", "The Blue One"],
        &["hold", "slow", "now"],
        &["hold", "--for", "2 years"],
        &["stopp"],
    ] {
        let told = rig.tell(words);
        assert!(
            matches!(told.status.code(), Some(1 | 2)),
            "{words:?}: {told:?}"
        );
        let said = text(&told.stderr);
        assert!(said.contains("NOTHING IS HELD"), "{words:?}: {said}");
        if words.len() == 2 {
            assert!(said.contains("slow, fast"), "{words:?}: {said}");
        }
    }
    let said = rig.ok(&["hold"]);
    assert!(
        said.starts_with("NOTHING IS HELD NOW") && said.contains("--state"),
        "{said}"
    );
    let elsewhere = Process::new(binary())
        .args(["hold", "--state", "/nowhere/at/all"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(elsewhere.status.code(), Some(69));
    let said = text(&elsewhere.stderr);
    assert!(
        said.starts_with("NOTHING IS HELD") && said.contains("--state"),
        "{said}"
    );
}
