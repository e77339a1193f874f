//! What every driver and every head promises: off first, off last, off whatever happens; and what a head does with a cut-off and a
//! run-sense contact that do not agree. The drivers of real boards pass the same contract on the emulated board (tests/board/run).
#![cfg(test)]

mod permits;
mod pwm;
mod steppers;

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use dosewright::config::{ActiveLevel, SimulatedHead};
use dosewright::engine::{RunEnd, RunReport};
use dosewright::guard::DosePermit;
use dosewright::pump::{
    Contact, CutOff, Output, Pace, Pump, PumpError, PumpHandle, PumpReport, RunControl, Safeguards,
    SimulatedOutput, SwitchedPump, Trouble,
};
use dosewright::quantity::{FlowRate, Millis, Volume};
use permits::{RUN_MAX, demo, name, permit, permit_given_at};

fn simulated() -> (SimulatedOutput, dosewright::pump::SimulatedTrace) {
    let head = SimulatedHead {
        rate: FlowRate::from_ml_per_min(30.0),
        offset: Volume::ZERO,
        scatter: 0.0,
    };
    SimulatedOutput::new(head, Pace::REAL)
}

/// What any output must do, whatever drives it.
fn keeps_the_contract(mut output: impl Output) {
    output.set_off().unwrap();
    assert_ne!(output.is_on(), Some(true), "off when it was switched off");
    output.set_on().unwrap();
    assert_ne!(output.is_on(), Some(false), "on when it was switched on");
    output.set_on().unwrap();
    assert_ne!(output.is_on(), Some(false), "twice on is on");
    output.set_off().unwrap();
    output.set_off().unwrap();
    assert_ne!(output.is_on(), Some(true), "twice off is off");
}

#[test]
fn the_simulated_driver_keeps_the_contract() {
    keeps_the_contract(simulated().0);
    let boxed: Box<dyn Output> = Box::new(simulated().0);
    keeps_the_contract(boxed);
}

/// What any head must do, whatever kind it is: `head` makes one, and tells whether any of its outputs is on.
fn a_head_keeps_the_contract<P: Pump + 'static, F: Fn() -> bool>(head: impl Fn() -> (P, F)) {
    let controller = demo();
    let (mut pump, is_on) = head();
    assert!(!is_on(), "off when it is taken over");
    let report = pump.run(permit(&controller, 1, 300), &RunControl::default());
    assert_eq!(report.end, RunEnd::Completed);
    assert!(report.on_time >= Millis::new(300), "{report:?}");
    assert!(!is_on(), "off when a run is over");
    let an_hour_ago = dosewright::pump::elapsed().minus(Millis::from_mins(60));
    let late = permit_given_at(&controller, 2, 300, an_hour_ago);
    let report = pump.run(late, &RunControl::default());
    assert_eq!(
        (report.end, report.on_time),
        (RunEnd::Stopped, Millis::ZERO)
    );
    let stopped = RunControl::default();
    stopped.stop(dosewright::record::DoseId(3));
    let report = pump.run(permit(&controller, 3, 8_000), &stopped);
    assert_eq!(
        (report.end, report.on_time),
        (RunEnd::Stopped, Millis::ZERO)
    );
    pump.off().unwrap();
    pump.off().unwrap();
    // Stopped, and let go, in the middle of a run.
    for gone in [false, true] {
        let (pump, is_on) = head();
        let (tell, told) = std::sync::mpsc::channel();
        let mut handle = PumpHandle::spawn(&name("magnesium"), Box::new(pump), move |report| {
            drop(tell.send(report));
        })
        .unwrap();
        assert!(handle.start(permit(&controller, 4, 8_000)));
        while !is_on() {
            std::thread::yield_now();
        }
        if gone {
            drop(handle);
        } else {
            handle.stop();
        }
        let PumpReport::Ended { report, .. } = told.recv().unwrap() else {
            panic!("no report of a run");
        };
        assert_eq!(report.end, RunEnd::Stopped);
        assert!(report.on_time < Millis::new(4_000), "{report:?}");
        assert!(!is_on(), "off when it was stopped");
    }
}

#[test]
fn a_switched_head_keeps_the_contract_of_heads() {
    a_head_keeps_the_contract(|| {
        let (output, trace) = simulated();
        let pump = SwitchedPump::new(
            &name("magnesium"),
            output,
            Pace::REAL,
            Safeguards::only(RUN_MAX),
            Box::new(|_| {}),
        );
        (pump.unwrap(), move || trace.is_on())
    });
}

#[test]
fn a_stepper_head_keeps_the_contract_of_heads() {
    a_head_keeps_the_contract(steppers::simulated_stepper);
}

#[test]
fn the_pwm_driver_keeps_the_contract() {
    let kernel = pwm::Kernel::new(&[("fe20c000.pwm", 2)]);
    keeps_the_contract(kernel.take(1).unwrap().output);
}

#[test]
fn a_pwm_head_keeps_the_contract_of_heads() {
    a_head_keeps_the_contract(pwm::head);
}

/// A driver that breaks in the middle of a run, with its output on.
struct Breaking(Wire);

impl Pump for Breaking {
    fn off(&mut self) -> Result<(), PumpError> {
        self.0.set_off()
    }

    fn run(&mut self, permit: DosePermit, _: &RunControl) -> RunReport {
        self.0.set_on().unwrap();
        panic!(
            "dose {} breaks its driver, as this test wants",
            permit.dose().0
        );
    }

    fn watch(&mut self) {}
}

impl Drop for Breaking {
    fn drop(&mut self) {
        self.off().unwrap();
    }
}

/// Fault row FT-RUST-03: nobody may lose the news that a thread is dead, and the shell ends at this report.
#[test]
fn a_head_whose_thread_panics_is_off_and_told_as_gone() {
    let log = Arc::new(Mutex::new(Vec::new()));
    let wire = Wire::new("head", &log);
    let (tell, told) = std::sync::mpsc::channel();
    let pump = Box::new(Breaking(wire.clone()));
    let mut handle = PumpHandle::spawn(&name("magnesium"), pump, move |report| {
        tell.send(report).unwrap();
    })
    .unwrap();
    assert!(handle.start(permit(&demo(), 1, 8_000)));
    let report = told.recv().unwrap();
    assert!(
        matches!(&report, PumpReport::Gone { head, panicked: true } if head.as_str() == "magnesium"),
        "{report:?}"
    );
    assert!(!wire.is_really_on());
    assert_eq!(*log.lock().unwrap(), ["head on", "head off"]);
    assert!(
        !handle.start(permit(&demo(), 2, 8_000)),
        "nobody is there to take it"
    );
}

#[test]
fn an_order_whose_permit_has_expired_is_not_carried_out() {
    let (output, trace) = simulated();
    let mut pump = SwitchedPump::new(
        &name("magnesium"),
        output,
        Pace::REAL,
        Safeguards::only(RUN_MAX),
        Box::new(|_| {}),
    )
    .unwrap();
    let an_hour_ago = dosewright::pump::elapsed().minus(Millis::from_mins(60));
    let late = permit_given_at(&demo(), 1, 300, an_hour_ago);
    let report = pump.run(late, &RunControl::default());
    assert_eq!(
        (report.on_time, report.end),
        (Millis::ZERO, RunEnd::Stopped)
    );
    assert!(trace.edges().is_empty(), "{:?}", trace.edges());
    let good = permit(&demo(), 2, 300);
    assert_eq!(
        pump.run(good, &RunControl::default()).end,
        RunEnd::Completed
    );
}

/// A pin that can be told to misbehave, and what all pins of a test did, in order.
#[derive(Clone, Default)]
struct Wire {
    on: Arc<AtomicBool>,
    /// Reads as on whatever it is told.
    stuck_on: Arc<AtomicBool>,
    log: Arc<Mutex<Vec<String>>>,
    label: &'static str,
}

impl Wire {
    fn new(label: &'static str, log: &Arc<Mutex<Vec<String>>>) -> Self {
        Self {
            label,
            log: Arc::clone(log),
            ..Self::default()
        }
    }

    fn set(&self, on: bool) {
        if self.on.swap(on, Ordering::SeqCst) != on {
            let word = if on { "on" } else { "off" };
            let mut log = self.log.lock().unwrap_or_else(PoisonError::into_inner);
            log.push(format!("{} {word}", self.label));
        }
    }

    fn is_really_on(&self) -> bool {
        self.on.load(Ordering::SeqCst)
    }
}

impl Output for Wire {
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.set(true);
        Ok(())
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.set(false);
        Ok(())
    }

    fn is_on(&mut self) -> Option<bool> {
        Some(self.is_really_on() || self.stuck_on.load(Ordering::SeqCst))
    }
}

/// A run-sense contact: what the motor would have.
struct Motor {
    head: Wire,
    supply: Wire,
    /// A welded relay: the motor hangs on the supply alone.
    welded: Arc<AtomicBool>,
    /// A broken wire to the motor.
    broken: Arc<AtomicBool>,
}

impl Contact for Motor {
    fn level(&mut self) -> Option<ActiveLevel> {
        let switched = self.head.is_really_on() || self.welded.load(Ordering::SeqCst);
        let runs = switched && self.supply.is_really_on() && !self.broken.load(Ordering::SeqCst);
        Some(if runs {
            ActiveLevel::High
        } else {
            ActiveLevel::Low
        })
    }
}

struct Rig {
    head: Wire,
    supply: Wire,
    welded: Arc<AtomicBool>,
    broken: Arc<AtomicBool>,
    cut_off: Arc<CutOff>,
    faults: Arc<Mutex<Vec<String>>>,
    log: Arc<Mutex<Vec<String>>>,
    pump: SwitchedPump<Wire>,
}

fn rig() -> Rig {
    let log = Arc::new(Mutex::new(Vec::new()));
    let (head, supply) = (Wire::new("head", &log), Wire::new("supply", &log));
    let (welded, broken) = (
        Arc::new(AtomicBool::new(false)),
        Arc::new(AtomicBool::new(false)),
    );
    let cut_off = Arc::new(CutOff::new(Box::new(supply.clone())).unwrap());
    let motor = Motor {
        head: head.clone(),
        supply: supply.clone(),
        welded: Arc::clone(&welded),
        broken: Arc::clone(&broken),
    };
    let faults = Arc::new(Mutex::new(Vec::new()));
    let told = Arc::clone(&faults);
    let safeguards = Safeguards {
        run_max: RUN_MAX,
        cut_off: Some(Arc::clone(&cut_off)),
        sense: Some((Box::new(motor), ActiveLevel::High)),
    };
    let pump = SwitchedPump::new(
        &name("magnesium"),
        head.clone(),
        Pace::REAL,
        safeguards,
        Box::new(move |error| told.lock().unwrap().push(error.to_string())),
    )
    .unwrap();
    Rig {
        head,
        supply,
        welded,
        broken,
        cut_off,
        faults,
        log,
        pump,
    }
}

#[test]
fn the_cut_off_closes_before_the_head_goes_on_and_opens_after_it_went_off() {
    let (mut rig, controller) = (rig(), demo());
    let report = rig
        .pump
        .run(permit(&controller, 1, 400), &RunControl::default());
    assert_eq!(report.end, RunEnd::Completed);
    assert!((400..450).contains(&report.on_time.as_ms()), "{report:?}");
    assert_eq!(
        *rig.log.lock().unwrap(),
        vec!["supply on", "head on", "head off", "supply off"]
    );
    assert!(rig.faults.lock().unwrap().is_empty());
}

#[test]
fn a_welded_relay_is_seen_at_the_end_of_the_dose_and_nothing_runs_after_it() {
    let (mut rig, controller) = (rig(), demo());
    rig.welded.store(true, Ordering::SeqCst);
    let report = rig
        .pump
        .run(permit(&controller, 1, 200), &RunControl::default());
    assert!(
        matches!(&report.end, RunEnd::Failed { why } if why.contains("shows voltage")),
        "{report:?}"
    );
    assert!(!rig.supply.is_really_on() && rig.cut_off.tripped().is_some());
    let again = rig
        .pump
        .run(permit(&controller, 2, 200), &RunControl::default());
    assert!(matches!(again.end, RunEnd::Failed { .. }) && again.on_time == Millis::ZERO);
    assert!(!rig.supply.is_really_on() && !rig.head.is_really_on());
}

#[test]
fn a_motor_without_voltage_ends_the_dose_as_failed() {
    let (mut rig, controller) = (rig(), demo());
    rig.broken.store(true, Ordering::SeqCst);
    let report = rig
        .pump
        .run(permit(&controller, 1, 3_000), &RunControl::default());
    assert!(
        matches!(&report.end, RunEnd::Failed { why } if why.contains("no voltage")),
        "{report:?}"
    );
    assert!(
        report.on_time < Millis::new(1_000),
        "it must not run to its end: {report:?}"
    );
    assert!(!rig.head.is_really_on() && !rig.supply.is_really_on());
}

#[test]
fn an_idle_output_that_is_found_on_is_switched_off_reported_and_takes_the_supply_with_it() {
    let mut rig = rig();
    rig.pump.watch();
    assert!(rig.faults.lock().unwrap().is_empty());
    rig.head.set(true);
    rig.pump.watch();
    assert!(!rig.head.is_really_on());
    assert!(rig.faults.lock().unwrap()[0].contains("found on although no dose runs"));
    assert!(rig.cut_off.tripped().is_some());
}

#[test]
fn an_output_that_another_program_switches_off_ends_the_dose_as_failed() {
    let (mut rig, controller) = (rig(), demo());
    let head = rig.head.clone();
    let meddler = std::thread::spawn(move || {
        while !head.is_really_on() {
            std::thread::yield_now();
        }
        head.set(false);
    });
    let report = rig
        .pump
        .run(permit(&controller, 1, 3_000), &RunControl::default());
    meddler.join().unwrap();
    assert!(matches!(report.end, RunEnd::Failed { .. }), "{report:?}");
    assert!(
        report.on_time < Millis::new(1_000),
        "it must not run to its end: {report:?}"
    );
}

#[test]
fn a_cut_off_that_does_not_open_is_no_cut_off() {
    let log = Arc::new(Mutex::new(Vec::new()));
    let wire = Wire::new("supply", &log);
    wire.stuck_on.store(true, Ordering::SeqCst);
    assert!(CutOff::new(Box::new(wire)).is_err());
}

#[test]
fn a_shell_that_goes_away_in_a_dose_takes_the_head_with_it() {
    let controller = demo();
    let (output, trace) = simulated();
    let pump = SwitchedPump::new(
        &name("magnesium"),
        output,
        Pace::REAL,
        Safeguards::only(RUN_MAX),
        Box::new(|_| {}),
    )
    .unwrap();
    let mut handle = PumpHandle::spawn(&name("magnesium"), Box::new(pump), |_| {}).unwrap();
    assert!(handle.start(permit(&controller, 1, 8_000)));
    while !trace.is_on() {
        std::thread::yield_now();
    }
    // As when the event loop panics: the handle is dropped, nobody says stop.
    drop(handle);
    assert!(!trace.is_on());
    let edges = trace.edges();
    assert!(edges[1].0 - edges[0].0 < 5_000_000, "it ran to its end");
}

#[test]
fn a_write_that_fails_to_switch_off_is_tried_until_it_works_and_the_dose_is_not_done_before() {
    let controller = demo();
    for failures in [1, 3] {
        let (output, trace) = simulated();
        let faults = Arc::new(Mutex::new(0));
        let count = Arc::clone(&faults);
        let mut pump = SwitchedPump::new(
            &name("magnesium"),
            output,
            Pace::REAL,
            Safeguards::only(RUN_MAX),
            Box::new(move |_| *count.lock().unwrap() += 1),
        )
        .unwrap();
        trace.set_trouble(Trouble::RunsOn(failures));
        let report = pump.run(permit(&controller, 1, 200), &RunControl::default());
        assert!(!trace.is_on());
        assert!(matches!(report.end, RunEnd::Failed { .. }), "{report:?}");
        assert!(report.on_time >= Millis::new(250), "{report:?}");
        assert_eq!(*faults.lock().unwrap(), 1, "told once");
    }
}

#[test]
fn stopping_for_good_lets_no_later_run_begin() {
    let controller = demo();
    let (output, trace) = simulated();
    let pump = SwitchedPump::new(
        &name("magnesium"),
        output,
        Pace::REAL,
        Safeguards::only(RUN_MAX),
        Box::new(|_| {}),
    )
    .unwrap();
    let (tell, told) = std::sync::mpsc::channel();
    let mut handle = PumpHandle::spawn(&name("magnesium"), Box::new(pump), move |report| {
        drop(tell.send(report));
    })
    .unwrap();
    handle.control().stop_for_good();
    assert!(handle.start(permit(&controller, 7, 8_000)));
    let PumpReport::Ended { report, .. } = told.recv().unwrap() else {
        panic!("no report of a run");
    };
    assert_eq!(
        (report.end, report.on_time),
        (RunEnd::Stopped, Millis::ZERO)
    );
    assert!(trace.edges().is_empty());
}

#[test]
fn a_driver_holds_to_its_heads_longest_run_whatever_a_permit_allows() {
    let (output, trace) = simulated();
    let pump = SwitchedPump::new(
        &name("magnesium"),
        output,
        Pace::REAL,
        Safeguards::only(Millis::new(250)),
        Box::new(|_| {}),
    );
    let report = pump
        .unwrap()
        .run(permit(&demo(), 1, 8_000), &RunControl::default());
    assert!((250..4_000).contains(&report.on_time.as_ms()), "{report:?}");
    assert!(!trace.is_on());
}

/// A machine so busy that switching off takes it a quarter of a second, which is a quarter of an hour of warped time.
struct Busy(SimulatedOutput);

impl Output for Busy {
    fn set_on(&mut self) -> Result<(), PumpError> {
        self.0.set_on()
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        let until = dosewright::pump::elapsed().plus(Millis::new(250));
        while dosewright::pump::elapsed() < until {
            std::thread::yield_now();
        }
        self.0.set_off()
    }

    fn is_on(&mut self) -> Option<bool> {
        self.0.is_on()
    }
}

#[test]
fn a_run_in_warped_time_is_as_long_as_it_was_meant_however_busy_the_machine_is() {
    let mut pump = SwitchedPump::new(
        &name("magnesium"),
        Busy(simulated().0),
        Pace::new(3600),
        Safeguards::only(RUN_MAX),
        Box::new(|_| {}),
    )
    .unwrap();
    let report = pump.run(permit(&demo(), 1, 6_700), &RunControl::default());
    assert_eq!(
        (report.end, report.on_time),
        (RunEnd::Completed, Millis::new(6_700))
    );
}
