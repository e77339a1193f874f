//! Signals in the middle of a dose.

use rustix::process::Signal;
use serde_json::json;

use crate::rig::{CONTROLLER, PLAN, Rig, ul, wait_for};

fn long_dose(rig: &Rig) {
    rig.ok(&["dose", "fast", "300 mL", "--yes", "--repeat", "300 mL"]);
    wait_for("flow", || {
        ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 0)
    });
}

fn stopped_in_mid_dose_by(signal: Signal) {
    let rig = Rig::new();
    let mut daemon = rig.start_real();
    long_dose(&rig);
    daemon.signal(signal);
    assert_eq!(daemon.end().code(), Some(0));
    let dose = rig.books_are_right().remove(0);
    assert_eq!(dose.outcome, "interrupted");
    assert_eq!(dose.on_time_ms, Some(dose.delivered_ul));
    assert!(
        dose.delivered_ul > 0 && dose.delivered_ul < 300_000,
        "{dose:?}"
    );
    assert!(!rig.socket().exists());
    // Not a hold: the next start doses again, and the interrupted dose is not made up for.
    let daemon = rig.start_real();
    assert_eq!(rig.status()["held"], false);
    assert_ne!(rig.line("fast")["state"], "dosing");
    daemon.stop();
    assert_eq!(rig.doses_by_hand().len(), 1);
}

#[test]
fn sigterm_interrupts_and_books_the_running_dose() {
    stopped_in_mid_dose_by(Signal::TERM);
}

#[test]
fn sigint_interrupts_and_books_the_running_dose() {
    stopped_in_mid_dose_by(Signal::INT);
}

#[test]
fn sighup_reads_the_plan_all_or_nothing_and_leaves_the_running_dose_alone() {
    let rig = Rig::new();
    let daemon = rig.start_real();
    long_dose(&rig);
    let before = rig.status();
    rig.write("plan.toml", &PLAN.replace("480\ndoses", "240\ndoses"));
    daemon.signal(Signal::HUP);
    let planned = || ul(&rig.line("slow")["planned_ml_per_day"]);
    wait_for("the new plan", || planned().filter(|ul| *ul == 240_000));
    assert_ne!(
        rig.status()["daemon"]["plan_fingerprint"],
        before["daemon"]["plan_fingerprint"]
    );
    // A good first line and a bad second: none of it is taken. Limits are not the plan's to lift.
    rig.write(
        "plan.toml",
        "[line.slow]\ndaily-ml = 100\ndoses = 100\n[line.fast]\ndaily-ml = 9999\ndoses = 24\n",
    );
    daemon.signal(Signal::HUP);
    wait_for("the refusal in the log", || {
        rig.log().contains("the plan was not taken").then_some(())
    });
    assert_eq!(planned(), Some(240_000));
    // The controller file is not read again, so a limit cannot be lifted by a reload.
    rig.write(
        "controller.toml",
        &CONTROLLER.replace("daily-cap-ml = 510", "daily-cap-ml = 5000"),
    );
    rig.write("plan.toml", PLAN);
    rig.ok(&["reload"]);
    assert_eq!(planned(), Some(480_000));
    assert_eq!(ul(&rig.line("slow")["daily_cap_ml"]), Some(510_000));
    let line = rig.line("fast");
    assert_eq!(line["state"], "dosing", "{line}");
    assert_eq!(ul(&line["running"]["volume_ml"]), Some(300_000));
    let fast = || rig.doses().into_iter().filter(|d| d.line == "fast").count();
    assert_eq!(fast(), 1, "the reload began the dose again");
    rig.ok(&["hold"]);
    daemon.stop();
    assert_eq!(fast(), 1);
    rig.books_are_right();
}

/// Stopped by the shell's job control, a debugger or a freezing control group, no thread of the daemon can switch off. What went in
/// is booked by the true on-time, and the line is held.
fn suspended_for(dose_ml: i64, suspended_ms: i64) {
    let rig = Rig::new();
    let mut daemon = rig.start_real();
    let volume = format!("{dose_ml} mL");
    rig.ok(&["dose", "fast", &volume, "--yes", "--repeat", &volume]);
    // Some way into it, so that the head's thread has surely begun: an order that it has not taken yet would wait for it.
    wait_for("flow", || {
        ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 500)
    });
    daemon.signal(Signal::STOP);
    let until = dosewright::pump::elapsed().plus(dosewright::quantity::Millis::new(suspended_ms));
    wait_for("the time of the suspension", || {
        (dosewright::pump::elapsed() >= until).then_some(())
    });
    daemon.signal(Signal::CONT);
    let dose = rig.ended(1);
    assert!(dose.delivered_ul >= suspended_ms, "{dose:?}");
    assert_eq!(
        dose.on_time_ms,
        Some(dose.delivered_ul),
        "booked by the true on-time"
    );
    assert!(dose.volume_ul < dose.delivered_ul);
    // After a long suspension the loop may take the silent head for lost and end; the next start knows the hold all the same.
    let ended = wait_for("a hold or the end", || {
        if daemon.is_running() {
            rig.try_status()
                .filter(|s| s["holds"] != json!([]))
                .map(|_| false)
        } else {
            Some(true)
        }
    });
    let daemon = if ended {
        assert_ne!(daemon.end().code(), Some(0));
        rig.start_real()
    } else {
        daemon
    };
    let line = rig.line("fast");
    assert_eq!(line["state"], "held", "{line}");
    assert_eq!(ul(&line["delivered_24h_ml"]), Some(dose.delivered_ul));
    daemon.stop();
    rig.books_are_right();
}

#[test]
fn a_dose_that_ran_on_while_the_daemon_was_suspended_is_booked_as_long_as_it_was() {
    suspended_for(5, 9_000);
}

#[test]
fn a_long_suspension_is_booked_as_long_as_it_was_too() {
    suspended_for(5, 15_000);
}
