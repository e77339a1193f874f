//! A ledger that cannot be written: no dose, a clear word, a daemon that stays up to say so, and holds that still work.

use std::fs;
use std::process::Command;

use serde_json::Value;

use crate::rig::{Rig, SmallDisk, skipped, text, ul, wait_for};

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

/// The daemon says that the ledger is at fault, gives no dose and takes a hold that outlives a kill.
fn says_so_and_takes_a_hold(rig: &Rig, args: &[&str], words: &str) {
    let daemon = rig.start(args);
    if args.is_empty() {
        rig.ok(&["clock", "trust"]);
    }
    let status = rig.status();
    assert_eq!(status["ledger"]["writable"], false, "{status}");
    let reason = status["ledger"]["reason"].as_str().unwrap();
    assert!(reason.contains(words), "{reason}");
    assert!(
        status["alarms"]
            .as_array()
            .unwrap()
            .iter()
            .any(|a| a["code"] == "ledger-fault"),
        "{status}"
    );
    let line = rig.line("slow");
    assert_eq!(line["state"], "blocked", "{line}");
    for unknown in [
        "delivered_today_ml",
        "delivered_24h_ml",
        "cap_left_ml",
        "last_dose",
    ] {
        assert_eq!(
            line[unknown],
            Value::Null,
            "{unknown}: nothing is known of the past"
        );
    }
    for bottle in status["reservoirs"].as_array().unwrap() {
        assert_eq!(bottle["left_ml"], Value::Null, "{bottle}");
        assert_eq!(bottle["days_left"], Value::Null, "{bottle}");
    }
    assert!(rig.ok(&["status"]).contains("unknown"));
    assert!(
        line["reason"]["text"].as_str().unwrap().contains(words),
        "{line}"
    );
    assert_eq!(rig.tell(&["status", "--exit-code"]).status.code(), Some(1));
    let refused = rig.tell(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        text(&refused.stderr).contains(words),
        "{}",
        text(&refused.stderr)
    );
    rig.ok(&["hold", "--reason", "no books"]);
    assert_eq!(rig.status()["held"], true);
    daemon.kill();
    let daemon = rig.start(args);
    let holds = rig.status()["holds"].clone();
    assert_eq!(holds[0]["reason"], "no books", "{holds}");
    daemon.stop();
    assert!(
        !rig.log().contains("dose started"),
        "a dose was started without a record"
    );
}

#[test]
fn a_damaged_ledger_stops_dosing_and_is_left_byte_for_byte() {
    let rig = Rig::new();
    rig.start(&["--warp", "60"]).stop();
    let mut bytes = fs::read(rig.ledger()).unwrap();
    bytes[..100].fill(0xff);
    fs::write(rig.ledger(), &bytes).unwrap();
    fs::write(rig.log_file(), "").unwrap();
    says_so_and_takes_a_hold(
        &rig,
        &["--warp", "60"],
        "does not begin like an SQLite database",
    );
    assert_eq!(fs::read(rig.ledger()).unwrap(), bytes);
}

#[test]
fn a_ledger_damaged_inside_stops_dosing_and_is_left_byte_for_byte() {
    let rig = Rig::new();
    rig.start(&["--warp", "60"]).stop();
    let mut bytes = fs::read(rig.ledger()).unwrap();
    // All pages but the first, which has the header.
    bytes[4096..].fill(0xa5);
    fs::write(rig.ledger(), &bytes).unwrap();
    fs::write(rig.log_file(), "").unwrap();
    says_so_and_takes_a_hold(&rig, &["--warp", "60"], "damaged");
    assert_eq!(fs::read(rig.ledger()).unwrap(), bytes);
}

#[test]
fn a_ledger_put_back_in_its_place_is_taken_up_without_a_restart() {
    let rig = Rig::new();
    rig.start(&["--warp", "60"]).stop();
    let good = fs::read(rig.ledger()).unwrap();
    fs::write(
        rig.ledger(),
        "not a ledger, but a note that somebody saved under its name",
    )
    .unwrap();
    let mut daemon = rig.start(&["--warp", "60"]);
    assert_eq!(writable(&rig), Some(false));
    rig.ok(&["hold", "slow", "--reason", "no books"]);
    fs::write(rig.ledger(), good).unwrap();
    // Tried a minute after the start; the socket is made anew then.
    wait_for("the ledger taken up", || {
        assert!(daemon.is_running());
        (writable(&rig) == Some(true)).then_some(())
    });
    assert_eq!(
        rig.status()["holds"][0]["reason"],
        "no books",
        "the hold was lost on the way"
    );
    rig.ok(&["resume", "slow"]);
    wait_for("a dose", || {
        rig.doses().into_iter().find(|d| d.outcome == "delivered")
    });
    assert!(rig.socket().exists());
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_ledger_of_the_other_timeline_is_refused_in_words() {
    let rig = Rig::new();
    rig.start(&["--warp", "60"]).stop();
    let bytes = fs::read(rig.ledger()).unwrap();
    fs::write(rig.log_file(), "").unwrap();
    says_so_and_takes_a_hold(&rig, &[], "with --warp (virtual time)");
    assert_eq!(fs::read(rig.ledger()).unwrap(), bytes);
    let other = Rig::new();
    other.start(&[]).stop();
    let daemon = other.start(&["--warp", "60"]);
    let status = other.status();
    assert!(
        status["ledger"]["reason"]
            .as_str()
            .unwrap()
            .contains("without --warp (real time)"),
        "{status}"
    );
    daemon.stop();
}

#[test]
fn a_ledger_that_may_only_be_read_stops_dosing() {
    let rig = Rig::new();
    rig.start(&[]).stop();
    let bytes = fs::read(rig.ledger()).unwrap();
    fs::write(rig.log_file(), "").unwrap();
    let file = rig.ledger();
    if is_root() {
        // Root writes whatever the mode says; a read-only mount of the one file keeps root out too.
        let mount = |args: &[&str]| {
            Command::new("mount")
                .args(args)
                .arg(&file)
                .status()
                .is_ok_and(|s| s.success())
        };
        let path = file.to_str().unwrap();
        if !mount(&["--bind", path]) {
            return skipped("a bind mount is not allowed here");
        }
        let guarded = Unmount(&file);
        if !mount(&["-o", "remount,ro,bind"]) {
            return skipped("a read-only bind mount is not allowed here");
        }
        says_so_and_takes_a_hold(&rig, &[], "read");
        drop(guarded);
    } else {
        let mut mode = fs::metadata(&file).unwrap().permissions();
        mode.set_readonly(true);
        fs::set_permissions(&file, mode).unwrap();
        says_so_and_takes_a_hold(&rig, &[], "read");
    }
    assert_eq!(fs::read(&file).unwrap(), bytes);
}

struct Unmount<'a>(&'a std::path::Path);

impl Drop for Unmount<'_> {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("-l").arg(self.0).status());
    }
}

fn writable(rig: &Rig) -> Option<bool> {
    rig.try_status()?["ledger"]["writable"].as_bool()
}

/// Fills what is left of a small disk, to the last byte.
fn fill(disk: &SmallDisk) {
    use std::io::Write;
    let mut file = fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(disk.path().join("ballast"))
        .unwrap();
    for size in [4096_usize, 512, 64, 1] {
        while file.write_all(&vec![0_u8; size]).is_ok() {}
    }
}

#[test]
fn a_full_disk_stops_dosing_ends_the_running_dose_in_the_books_and_recovers_with_space() {
    let Some(disk) = SmallDisk::mount(4096) else {
        return skipped("a small file system cannot be mounted here");
    };
    let rig = Rig::with_state(&disk.path().join("state"));
    let daemon = rig.start_real();
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    wait_for("flow", || {
        ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 0)
    });
    fill(&disk);
    // The end of the dose that runs finds room, for some was put by.
    let held = rig.tell(&["hold", "fast"]);
    let dose = rig.ended(1);
    assert_eq!(
        (dose.outcome.as_str(), dose.on_time_ms),
        ("interrupted", Some(dose.delivered_ul))
    );
    assert_eq!(rig.line("fast")["state"], "held", "{}", text(&held.stderr));
    fill(&disk);
    // The next dose, on the line that is not held, does not start.
    let refused = wait_for("a refusal for want of space", || {
        fill(&disk);
        let told = rig.tell(&["dose", "slow", "1 mL", "--yes", "--repeat", "1 mL"]);
        if told.status.success() {
            // Room was found once more: stop that dose and fill that room too.
            rig.tell(&["hold", "slow"]);
            rig.tell(&["resume", "slow"]);
            return None;
        }
        Some(text(&told.stderr))
    });
    assert!(
        refused.contains("full") || refused.contains("wait for the disk"),
        "{refused}"
    );
    wait_for("a ledger at fault", || {
        (writable(&rig) == Some(false)).then_some(())
    });
    let started = rig.log().matches("dose started").count();
    let held = rig.tell(&["hold", "--reason", "disk full"]);
    assert_eq!(
        rig.status()["held"],
        true,
        "in force, whether or not it can be written: {}",
        text(&held.stderr)
    );
    assert!(held.status.success(), "{}", text(&held.stderr));
    assert!(
        !text(&held.stdout).contains("not on disk"),
        "its file has its room"
    );
    assert_eq!(rig.log().matches("dose started").count(), started);
    fs::remove_file(disk.path().join("ballast")).unwrap();
    wait_for("the ledger's recovery", || {
        (writable(&rig) == Some(true)).then_some(())
    });
    rig.ok(&["resume"]);
    rig.ok(&["resume", "fast"]);
    rig.ok(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    wait_for("a dose after the recovery", || {
        rig.doses()
            .into_iter()
            .rev()
            .find(|d| d.line == "fast" && d.outcome == "delivered")
    });
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_hold_that_a_full_disk_does_not_take_is_written_once_there_is_room() {
    let Some(disk) = SmallDisk::mount(2048) else {
        return skipped("a small file system cannot be mounted here");
    };
    let rig = Rig::with_state(&disk.path().join("state"));
    let daemon = rig.start_real();
    fill(&disk);
    fs::remove_file(rig.state().join("ledger.reserve")).unwrap();
    fill(&disk);
    let told = rig.tell(&["hold", "--reason", "no room"]);
    assert_eq!(rig.status()["held"], true, "{}", text(&told.stderr));
    fs::remove_file(disk.path().join("ballast")).unwrap();
    wait_for("the hold on disk", || {
        let saved = fs::read_to_string(rig.state().join("holds.json")).unwrap_or_default();
        saved.contains("no room").then_some(())
    });
    daemon.kill();
    let daemon = rig.start_real();
    assert_eq!(rig.status()["holds"][0]["reason"], "no room");
    daemon.stop();
}

#[test]
fn a_ledger_locked_by_another_program_stops_dosing_until_it_is_free() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    let other = rusqlite::Connection::open(rig.ledger()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let refused = rig.tell(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    assert_eq!(refused.status.code(), Some(1), "{}", text(&refused.stdout));
    // Whether the dose itself met the lock, or something that the daemon wrote just before it.
    let said = text(&refused.stderr);
    assert!(
        said.contains("another program") || said.contains("earlier writes wait"),
        "{said}"
    );
    assert_eq!(writable(&rig), Some(false));
    rig.ok(&["hold"]);
    rig.ok(&["resume"]);
    other.execute_batch("ROLLBACK").unwrap();
    drop(other);
    wait_for("the ledger's recovery", || {
        (writable(&rig) == Some(true)).then_some(())
    });
    rig.ok(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    wait_for("the dose", || {
        rig.doses().into_iter().find(|d| d.outcome == "delivered")
    });
    daemon.stop();
    let holds: Vec<Value> = rig.rows("hold");
    assert_eq!(
        holds.len(),
        2,
        "set and lifted, both written once there was a way: {holds:?}"
    );
    rig.books_are_right();
}

#[test]
fn a_ledger_that_is_taken_away_under_the_daemon_stops_dosing() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    fs::rename(rig.ledger(), rig.state().join("taken.db")).unwrap();
    let refused = rig.tell(&["dose", "fast", "1 mL", "--yes", "--repeat", "1 mL"]);
    assert_eq!(
        refused.status.code(),
        Some(1),
        "a dose was recorded in a file that nobody will find again"
    );
    assert_eq!(writable(&rig), Some(false));
    assert!(!rig.log().contains("dose started"));
    daemon.stop();
}
