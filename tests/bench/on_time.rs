//! On-time error of the pump thread: `cargo bench --bench on_time`. 1,000 runs idle, 1,000 with all cores busy.
//!
//! Through the real thread of a head, with an output that only notes when it was switched, so that what is measured is the timing
//! and not a driver. Runs are 200 to 218 ms: the shortest that the guard allows, and all of it waiting.
#![expect(clippy::print_stdout, reason = "a report for people")]

#[path = "../pump/permits.rs"]
mod permits;

use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};

use dosewright::pump::{Output, Pace, PumpError, PumpHandle, PumpReport, Safeguards, SwitchedPump};
use permits::{RUN_MAX, demo, name, permit};
use rustix::time::{ClockId, clock_gettime};

const RUNS: i64 = 1_000;

/// Tells when it was switched, in nanoseconds of the elapsed clock.
struct Noting {
    on: bool,
    edges: Sender<(bool, i64)>,
}

fn now_ns() -> i64 {
    let now = clock_gettime(ClockId::Boottime);
    now.tv_sec * 1_000_000_000 + now.tv_nsec
}

impl Noting {
    fn set(&mut self, on: bool) {
        if self.on != on {
            self.on = on;
            self.edges
                .send((on, now_ns()))
                .expect("the bench outlives its head");
        }
    }
}

impl Output for Noting {
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.set(true);
        Ok(())
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.set(false);
        Ok(())
    }

    fn is_on(&mut self) -> Option<bool> {
        Some(self.on)
    }
}

/// Errors of all runs in milliseconds, smallest first.
fn measure() -> Vec<f64> {
    let controller = demo();
    let (edges, seen) = channel();
    let output = Noting { on: false, edges };
    let head = name("magnesium");
    let pump = SwitchedPump::new(
        &head,
        output,
        Pace::REAL,
        Safeguards::only(RUN_MAX),
        Box::new(|error| println!("{error}")),
    )
    .expect("an output that obeys");
    let (tell, told) = channel();
    let mut handle = PumpHandle::spawn(&head, Box::new(pump), move |report| {
        drop(tell.send(report));
    })
    .expect("a thread");
    let mut errors = Vec::new();
    for run in 1..=RUNS {
        let run_ms = 200 + (run % 10) * 2;
        assert!(handle.start(permit(&controller, run, run_ms)));
        let ended = told.recv().expect("a report");
        assert!(matches!(ended, PumpReport::Ended { .. }), "{ended:?}");
        let (on, off) = (seen.recv().expect("on"), seen.recv().expect("off"));
        assert!(on.0 && !off.0);
        let error_us = (off.1 - on.1) / 1000 - run_ms * 1000;
        errors.push(f64::from(i32::try_from(error_us).expect("less than half an hour")) / 1000.0);
    }
    errors.sort_by(f64::total_cmp);
    errors
}

fn report(what: &str, errors: &[f64], median_max: Option<f64>, worst_max: f64) -> bool {
    let at = |share: usize| {
        let last = errors.len().saturating_sub(1);
        errors.get(last * share / 1000).copied().unwrap_or(f64::MAX)
    };
    let (median, worst) = (at(500).abs(), at(0).abs().max(at(1000).abs()));
    println!(
        "{what}: on-time error over {RUNS} runs: median {:.3} ms, 99 % {:.3} ms, worst {worst:.3} ms",
        at(500),
        at(990)
    );
    let good = median_max.is_none_or(|most| median <= most) && worst <= worst_max;
    let wanted = median_max.map_or(String::new(), |most| format!("median {most} ms, "));
    println!(
        "    at most {wanted}worst {worst_max} ms: {}",
        if good { "met" } else { "MISSED" }
    );
    good
}

fn main() -> ExitCode {
    let idle = report("idle", &measure(), Some(0.2), 5.0);
    let stop = Arc::new(AtomicBool::new(false));
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let busy: Vec<_> = (0..cores)
        .map(|_| {
            let stop = Arc::clone(&stop);
            std::thread::spawn(move || while !stop.load(Ordering::Relaxed) {})
        })
        .collect();
    let loaded = report(&format!("all {cores} cores busy"), &measure(), None, 20.0);
    stop.store(true, Ordering::Relaxed);
    for thread in busy {
        thread.join().expect("it only spins");
    }
    if idle && loaded {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
