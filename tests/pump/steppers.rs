//! Stepper heads: the exact number of steps, the order of the outputs, and off whatever happens.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use dosewright::config::StepSpeed;
use dosewright::engine::RunEnd;
use dosewright::pump::{
    CutOff, LineTrace, MotorCurrent, Output, Priority, Pump, PumpError, PumpHandle, PumpReport,
    RunControl, Safeguards, SimulatedLine, StepperLines, SwitchedPump, steps_in, time_for,
};
use dosewright::quantity::Millis;
use rustix::time::{ClockId, clock_gettime};

use super::Wire;
use super::permits::{RUN_MAX, demo, name, permit};

/// The speed of the measure: 1,000 steps/s.
const FAST: StepSpeed = StepSpeed {
    steps_per_s: 1000,
    steps_per_s2: 4000,
};

struct Traces {
    step: LineTrace,
    direction: LineTrace,
    enable: LineTrace,
}

pub(crate) fn simulated_stepper() -> (SwitchedPump<MotorCurrent>, impl Fn() -> bool) {
    let (pump, traces) = simulated();
    let moves = move || traces.enable.is_on() || traces.step.is_on() || traces.direction.is_on();
    (pump, moves)
}

fn simulated() -> (SwitchedPump<MotorCurrent>, Traces) {
    let (step, step_trace) = SimulatedLine::new();
    let (direction, direction_trace) = SimulatedLine::new();
    let (enable, enable_trace) = SimulatedLine::new();
    let lines = StepperLines {
        step: Box::new(step),
        direction: Some(Box::new(direction)),
        enable: Some(Box::new(enable)),
    };
    let pump = SwitchedPump::stepper(
        &name("magnesium"),
        lines,
        FAST,
        Safeguards::only(RUN_MAX),
        Box::new(|error| panic!("{error}")),
    )
    .unwrap();
    let traces = Traces {
        step: step_trace,
        direction: direction_trace,
        enable: enable_trace,
    };
    (pump, traces)
}

#[test]
fn the_steps_of_every_run_are_exact_and_the_motor_is_released_after_it() {
    let (mut pump, traces) = simulated();
    let controller = demo();
    let mut sum = 0;
    for (dose, run_ms) in [(1, 200), (2, 500), (3, 1500)] {
        let report = pump.run(permit(&controller, dose, run_ms), &RunControl::default());
        assert_eq!(report.end, RunEnd::Completed);
        assert_eq!(report.on_time, Millis::new(run_ms));
        sum += steps_in(FAST, Millis::new(run_ms));
        assert_eq!(traces.step.rises(), sum);
        assert!(!traces.step.is_on() && !traces.enable.is_on() && !traces.direction.is_on());
    }
    assert_eq!(traces.enable.rises(), 3);
    assert_eq!(traces.direction.rises(), 3);
}

/// A step line that notes when it goes on.
struct Timed(Arc<Mutex<Vec<i64>>>, bool);

impl Output for Timed {
    fn set_on(&mut self) -> Result<(), PumpError> {
        let now = clock_gettime(ClockId::Boottime);
        let us = now.tv_sec * 1_000_000 + now.tv_nsec / 1000;
        self.0.lock().unwrap().push(us);
        self.1 = true;
        Ok(())
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.1 = false;
        Ok(())
    }

    fn is_on(&mut self) -> Option<bool> {
        Some(self.1)
    }

    fn drives_something(&self) -> bool {
        false
    }
}

/// Counts and distances, not durations: a busy machine may make the run longer, and nothing else. Two spinning threads a core.
#[test]
fn under_load_the_count_is_exact_and_steps_never_come_in_a_bunch() {
    let stop = Arc::new(AtomicBool::new(false));
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let busy: Vec<_> = (0..2 * cores)
        .map(|_| {
            let stop = Arc::clone(&stop);
            std::thread::spawn(move || while !stop.load(Ordering::Relaxed) {})
        })
        .collect();
    let times = Arc::new(Mutex::new(Vec::new()));
    let lines = StepperLines {
        step: Box::new(Timed(Arc::clone(&times), false)),
        direction: None,
        enable: None,
    };
    let pump = SwitchedPump::stepper(
        &name("magnesium"),
        lines,
        FAST,
        Safeguards::only(RUN_MAX),
        Box::new(|error| panic!("{error}")),
    );
    let report = pump
        .unwrap()
        .run(permit(&demo(), 1, 2_000), &RunControl::default());
    stop.store(true, Ordering::Relaxed);
    for thread in busy {
        thread.join().unwrap();
    }
    let times = times.lock().unwrap();
    let closest = times
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .min()
        .unwrap();
    let took = times.last().unwrap() - times.first().unwrap();
    println!("{} steps in {took} us, closest {closest} us", times.len());
    assert_eq!(report.end, RunEnd::Completed, "{report:?}");
    assert_eq!(times.len(), 1750);
    assert_eq!(steps_in(FAST, Millis::new(2_000)), 1750);
    // Nine tenths of 1 ms.
    assert!(closest >= 899, "{closest} us");
}

#[test]
fn a_stopped_run_is_over_at_once_and_is_booked_by_the_steps_that_were_sent() {
    let (pump, traces) = simulated();
    let (tell, told) = std::sync::mpsc::channel();
    let mut handle = PumpHandle::spawn(&name("magnesium"), Box::new(pump), move |report| {
        drop(tell.send(report));
    })
    .unwrap();
    assert!(handle.start(permit(&demo(), 1, 8_000)));
    while traces.step.rises() < 300 {
        std::thread::yield_now();
    }
    handle.stop();
    let at_stop = traces.step.rises();
    let PumpReport::Ended { report, .. } = told.recv().unwrap() else {
        panic!("no report of a run");
    };
    let sent = traces.step.rises();
    assert_eq!(report.end, RunEnd::Stopped);
    assert!(sent - at_stop <= 1, "{at_stop} {sent}");
    assert!(!traces.step.is_on() && !traces.enable.is_on() && !traces.direction.is_on());
    assert_eq!(report.on_time, time_for(FAST, sent));
    assert!(steps_in(FAST, report.on_time) >= sent, "counted short");
}

fn wired(log: &Arc<Mutex<Vec<String>>>, faults: &Arc<Mutex<Vec<String>>>) -> Wired {
    let (step, enable) = (Wire::new("step", log), Wire::new("enable", log));
    let (direction, supply) = (Wire::new("direction", log), Wire::new("supply", log));
    let cut_off = Arc::new(CutOff::new(Box::new(supply.clone())).unwrap());
    let told = Arc::clone(faults);
    let pump = SwitchedPump::stepper(
        &name("magnesium"),
        StepperLines {
            step: Box::new(step.clone()),
            direction: Some(Box::new(direction.clone())),
            enable: Some(Box::new(enable.clone())),
        },
        FAST,
        Safeguards {
            run_max: RUN_MAX,
            cut_off: Some(cut_off),
            sense: None,
        },
        Box::new(move |error| told.lock().unwrap().push(error.to_string())),
    );
    Wired {
        pump: pump.unwrap(),
        step,
        enable,
        direction,
        supply,
    }
}

struct Wired {
    pump: SwitchedPump<MotorCurrent>,
    step: Wire,
    enable: Wire,
    direction: Wire,
    supply: Wire,
}

#[test]
fn the_supply_comes_first_then_direction_and_current_and_they_go_in_turn() {
    let (log, faults) = (Arc::default(), Arc::default());
    let mut rig = wired(&log, &faults);
    let report = rig
        .pump
        .run(permit(&demo(), 1, 200), &RunControl::default());
    assert_eq!(report.end, RunEnd::Completed);
    let log = log.lock().unwrap();
    assert_eq!(log[..3], ["supply on", "direction on", "enable on"]);
    assert_eq!(
        log[log.len() - 3..],
        ["enable off", "direction off", "supply off"]
    );
    let steps: Vec<&str> = log[3..log.len() - 3].iter().map(String::as_str).collect();
    let pulses = usize::try_from(steps_in(FAST, Millis::new(200))).unwrap();
    assert_eq!(steps, ["step on", "step off"].repeat(pulses));
    assert!(faults.lock().unwrap().is_empty());
}

/// Another program takes the current away, or turns the direction round: either ends the dose and opens the cut-off.
#[test]
fn an_output_that_another_program_drives_in_a_run_ends_it_as_failed() {
    for which in ["enable", "direction"] {
        let (log, faults) = (Arc::default(), Arc::default());
        let mut rig = wired(&log, &faults);
        let wire = if which == "enable" {
            rig.enable.clone()
        } else {
            rig.direction.clone()
        };
        let step = rig.step.clone();
        let meddler = std::thread::spawn(move || {
            while !step.is_really_on() {
                std::thread::yield_now();
            }
            wire.set(false);
        });
        let report = rig
            .pump
            .run(permit(&demo(), 1, 6_000), &RunControl::default());
        meddler.join().unwrap();
        assert!(
            matches!(&report.end, RunEnd::Failed { why } if why.contains("opposite")),
            "{which}: {report:?}"
        );
        assert!(report.on_time < Millis::new(2_000), "{which}: {report:?}");
        assert!(!rig.enable.is_really_on() && !rig.step.is_really_on());
        assert!(!rig.supply.is_really_on());
        assert!(!faults.lock().unwrap().is_empty());
    }
}

#[test]
fn an_idle_step_output_that_is_found_on_is_switched_off_and_reported() {
    let (log, faults) = (Arc::default(), Arc::default());
    let mut rig = wired(&log, &faults);
    rig.pump.watch();
    assert!(faults.lock().unwrap().is_empty());
    rig.step.set(true);
    rig.pump.watch();
    assert!(!rig.step.is_really_on());
    assert!(faults.lock().unwrap()[0].contains("found on although no dose runs"));
}

/// A step output whose driver panics after some steps.
struct Breaking(LineTrace, SimulatedLine);

impl Output for Breaking {
    fn set_on(&mut self) -> Result<(), PumpError> {
        assert!(self.0.rises() < 20, "this test breaks the step output");
        self.1.set_on()
    }

    fn set_off(&mut self) -> Result<(), PumpError> {
        self.1.set_off()
    }

    fn is_on(&mut self) -> Option<bool> {
        self.1.is_on()
    }
}

#[test]
fn a_panic_in_the_pulse_thread_releases_the_motor_and_ends_the_dose_as_failed() {
    let (line, trace) = SimulatedLine::new();
    let (enable, enable_trace) = SimulatedLine::new();
    let pump = SwitchedPump::stepper(
        &name("magnesium"),
        StepperLines {
            step: Box::new(Breaking(trace.clone(), line)),
            direction: None,
            enable: Some(Box::new(enable)),
        },
        FAST,
        Safeguards::only(RUN_MAX),
        Box::new(|_| {}),
    );
    let report = pump
        .unwrap()
        .run(permit(&demo(), 1, 2_000), &RunControl::default());
    assert!(
        matches!(&report.end, RunEnd::Failed { why } if why.contains("before its time")),
        "{report:?}"
    );
    assert!(!trace.is_on() && !enable_trace.is_on());
    // The step that broke is counted.
    assert_eq!(report.on_time, time_for(FAST, 21));
}

/// Policy and priority of this process's threads of that name, from the kernel: fields 41 and 40 of their stat lines (proc(5)).
/// Other tests may run a head of the same name at the same time.
fn scheduling(thread: &str) -> Vec<(String, String)> {
    let Ok(tasks) = std::fs::read_dir("/proc/self/task") else {
        return Vec::new();
    };
    let of = |task: std::fs::DirEntry| {
        let stat = std::fs::read_to_string(task.path().join("stat")).ok()?;
        let (name, rest) = stat.split_once('(')?.1.rsplit_once(')')?;
        let fields: Vec<&str> = rest.split_whitespace().collect();
        (name == thread).then(|| (fields[38].to_owned(), fields[37].to_owned()))
    };
    tasks.flatten().filter_map(of).collect()
}

/// Whether the system allows it or not, what the handle says is what the kernel has, and pulses get what the head has.
#[test]
fn real_time_priority_is_had_or_said_to_be_refused_and_pulses_get_it_too() {
    let (log, faults) = (Arc::default(), Arc::default());
    let rig = wired(&log, &faults);
    let step = rig.step.clone();
    let mut handle = PumpHandle::spawn(&name("rt"), Box::new(rig.pump), |_| {}).unwrap();
    assert!(handle.start(permit(&demo(), 1, 8_000)));
    while !step.is_really_on() {
        std::thread::yield_now();
    }
    let (head, pulses) = (scheduling("pump-rt"), scheduling("steps-magnesium"));
    match handle.priority() {
        Some(Priority::RealTime) => {
            let fifo_10 = ("1".to_owned(), "10".to_owned());
            assert!(head.contains(&fifo_10), "{head:?}");
            assert!(pulses.contains(&fifo_10), "{pulses:?}");
        }
        Some(Priority::Ordinary { why }) => {
            assert!(!why.is_empty());
            assert!(head.iter().all(|(policy, _)| policy == "0"), "{head:?}");
        }
        None => panic!("a driven head must ask"),
    }
    // A head that drives nothing does not ask.
    let simulated = PumpHandle::spawn(&name("dry"), Box::new(simulated().0), |_| {}).unwrap();
    assert_eq!(simulated.priority(), None);
}
