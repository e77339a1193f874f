//! Tests of placement: a builder of small controllers and a checker that knows the rules but not the placement.

mod changes;
mod days;
mod files;
mod limits;
mod random;
mod rules;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::{Date, Time, date};
use jiff::tz::TimeZone;

use super::*;
use crate::chemistry::SolutionEffect;
use crate::config::{
    ActiveLevel, ApartRule, Contents, Controller, CronTimes, Gives, Head, HeadOutput, Line, Mode,
    OldCalibration, Output, PlannedLine, Reservoir, SimulatedHead, Solution, TimeLimits, Times,
    Uptakes,
};
use crate::quantity::{FlowRate, Millis, TankVolume, f64_from_i64, i64_from_f64, name};

/// One line of a test controller with its plan. Head, reservoir and solution carry the line's name unless told otherwise.
#[derive(Debug, Clone)]
struct Part {
    name: &'static str,
    head: &'static str,
    reservoir: &'static str,
    ul: i64,
    ml_per_min: f64,
    times: Times,
}

fn part(name: &'static str, ul: i64, times: Times) -> Part {
    Part {
        name,
        head: name,
        reservoir: name,
        ul,
        ml_per_min: 60.0,
        times,
    }
}

fn spread(doses: u32, from_h: f64, to_h: f64) -> Times {
    let second = |h: f64| u32::try_from(i64_from_f64(h * 3600.0).unwrap()).unwrap();
    Times::Spread {
        doses,
        window_start_s: second(from_h),
        window_end_s: second(to_h),
    }
}

fn at(times: &[(i8, i8)]) -> Times {
    let time = |(h, m): &(i8, i8)| Time::new(*h, *m, 0, 0).unwrap();
    Times::At(times.iter().map(time).collect())
}

fn cron(text: &str) -> Times {
    Times::Cron(CronTimes::new(text).unwrap())
}

/// A test controller and its plan.
#[derive(Debug, Clone)]
struct Reef {
    controller: Arc<Controller>,
    plan: Arc<Plan>,
}

fn head(p: &Part) -> Head {
    Head {
        name: name(p.head),
        nominal_rate: FlowRate::from_ml_per_min(p.ml_per_min),
        run_max: Millis::from_secs(600),
        dose_min: Volume::from_ul(100),
        output: HeadOutput::Switched(Output {
            gpio: 17,
            active: ActiveLevel::High,
        }),
        run_sense: None,
        simulated: SimulatedHead {
            rate: FlowRate::from_ml_per_min(p.ml_per_min),
            offset: Volume::ZERO,
            scatter: 0.0,
        },
        calibration_age_max: Millis::from_secs(1),
        calibration_run_max: Millis::from_secs(1),
        tolerance_percent: 5.0,
        calibration_old: OldCalibration::Warn,
    }
}

fn time_limits() -> TimeLimits {
    TimeLimits {
        slot_lateness_max: Millis::from_mins(5),
        slot_wait_max: Millis::from_mins(5),
        clock_step_max: Millis::from_mins(5),
        clock_wait_alarm: Millis::from_mins(5),
        hold_reminder: Millis::DAY,
        permit_valid: Millis::from_secs(5),
    }
}

/// `apart`: pairs of line names and the minutes between them.
fn reef(zone: &str, parts: &[Part], apart: &[(&str, &str, i64)], heads_at_once: u32) -> Reef {
    let reservoir = |p: &Part| Reservoir {
        name: name(p.reservoir),
        solutions: vec![name(p.name)],
        capacity: Volume::from_ul(1_000_000),
        reserve: Volume::ZERO,
        low_warning: Millis::DAY,
        coldest: crate::chemistry::Celsius::from_degrees(15.0),
    };
    let solution = |p: &Part| Solution {
        name: name(p.name),
        effect: SolutionEffect::default(),
        salts: Vec::new(),
        unstated: false,
        caustic: false,
    };
    let line = |p: &Part| Line {
        name: name(p.name),
        head: name(p.head),
        reservoir: name(p.reservoir),
        daily_cap: Volume::from_ul(i64::MAX),
        dose_cap: Volume::from_ul(i64::MAX),
        hourly_cap: None,
    };
    let rule = |(a, b, minutes): &(&str, &str, i64)| ApartRule {
        first: name(a),
        second: name(b),
        gap: Millis::from_mins(*minutes),
    };
    let controller = Controller {
        name: name("test"),
        mode: Mode::DryRun,
        board: None,
        time_zone_name: zone.to_owned(),
        time_zone: TimeZone::get(zone).unwrap(),
        tank: TankVolume::from_litres(300.0),
        heads: parts.iter().map(|p| (name(p.head), head(p))).collect(),
        reservoirs: parts
            .iter()
            .map(|p| (name(p.reservoir), reservoir(p)))
            .collect(),
        contents: Contents::default(),
        solutions: parts.iter().map(|p| (name(p.name), solution(p))).collect(),
        lines: parts.iter().map(line).collect(),
        apart: apart.iter().map(rule).collect(),
        inputs: BTreeMap::new(),
        heads_at_once,
        water: BTreeMap::new(),
        times: time_limits(),
        peers: Vec::new(),
    };
    let plan = Plan {
        jobs: Vec::new(),
        starts: BTreeMap::new(),
        uptakes: Uptakes::new(),
        lines: parts
            .iter()
            .map(|p| PlannedLine {
                keeps_on: false,
                line: name(p.name),
                gives: Gives::Daily(Volume::from_ul(p.ul)),
                daily_volume: Volume::from_ul(p.ul),
                times: p.times.clone(),
            })
            .collect(),
    };
    Reef {
        controller: Arc::new(controller),
        plan: Arc::new(plan),
    }
}

/// Five lines: two that keep 15 min apart and dose at the same times, one in a window, fixed times, and a cron expression.
fn demo(zone: &str) -> Reef {
    reef(
        zone,
        &[
            part("alkalinity", 36_007, spread(24, 0.0, 24.0)),
            part("calcium", 28_806, spread(24, 0.0, 24.0)),
            part("magnesium", 12_345, spread(6, 9.0, 21.5)),
            part("trace", 3_001, at(&[(0, 30), (2, 30), (14, 0)])),
            part("iodine", 500, cron("15 1,23 * * *")),
        ],
        &[
            ("alkalinity", "calcium", 15),
            ("alkalinity", "magnesium", 10),
        ],
        1,
    )
}

impl Reef {
    fn schedule(&self) -> Schedule {
        Schedule::new(Arc::clone(&self.controller), &self.plan)
    }

    fn report(&self, from: Date) -> PlacementReport {
        placement_report(&self.controller, &self.plan, from)
    }

    fn errors(&self, from: Date) -> Vec<PlacementError> {
        check_placement(&self.controller, &self.plan, from)
    }

    /// Standing slots of one day.
    fn slots(&self, on: Date) -> Vec<Slot> {
        self.schedule()
            .day(on, &plan_daily_volumes(&self.plan))
            .unwrap()
    }

    /// Local wall times of a line's slots on a date, as `hh:mm:ss` with the offset in hours.
    fn clock(&self, line: &str, on: Date) -> Vec<String> {
        let local = |s: &Slot| {
            let at = s.at.to_zoned_datetime(self.controller.time_zone.clone());
            at.strftime("%H:%M:%S %:z").to_string()
        };
        let slots = self.slots(on);
        slots
            .iter()
            .filter(|s| s.key.line == name(line))
            .map(local)
            .collect()
    }

    /// Seconds a dose of a line keeps its head: 1.5 times its run at the nominal rate, plus 2 s, in whole seconds.
    fn reserved_ms(&self, line: &Line, doses: u32) -> i64 {
        let daily = plan_daily_volumes(&self.plan)[&line.name].as_ul();
        let largest = (daily + i64::from(doses) - 1) / i64::from(doses);
        let rate = self.controller.heads[&line.head]
            .nominal_rate
            .as_ml_per_min();
        let run_s = f64_from_i64(largest) / 1000.0 / rate * 60.0;
        i64_from_f64((1.5 * run_s + 2.0 - 1e-6).ceil()).unwrap() * 1000
    }

    fn doses(&self, line: &Name) -> u32 {
        let planned = self.plan.lines.iter().find(|l| l.line == *line).unwrap();
        match &planned.times {
            Times::Spread { doses, .. } => *doses,
            Times::At(times) => u32::try_from(times.len()).unwrap(),
            Times::Cron(cron) => u32::try_from(cron.times().len()).unwrap(),
        }
    }

    /// Asserts every rule on slots of any number of days: gaps, heads, bottles, heads at once, keys.
    fn assert_rules(&self, slots: &[Slot]) {
        let keys: BTreeSet<&SlotKey> = slots.iter().map(|s| &s.key).collect();
        assert_eq!(keys.len(), slots.len(), "a key came twice");
        let lines = &self.controller.lines;
        let doses: Vec<u32> = lines.iter().map(|l| self.doses(&l.name)).collect();
        let mut runs: Vec<(i64, i64, &Line)> = slots
            .iter()
            .map(|s| {
                let index = lines.iter().position(|l| l.name == s.key.line).unwrap();
                let start = s.at.as_millisecond();
                let length = self.reserved_ms(&lines[index], doses[index]);
                (start, start + length, &lines[index])
            })
            .collect();
        runs.sort_by_key(|r| r.0);
        let gap = |a: &Line, b: &Line| {
            let hits = self.controller.apart.iter().filter(|r| {
                // A test's solution has the name of its line.
                (&r.first, &r.second) == (&a.name, &b.name)
                    || (&r.second, &r.first) == (&a.name, &b.name)
            });
            hits.map(|r| r.gap.as_ms() + 1000).max().unwrap_or(0)
        };
        let reach = self
            .controller
            .apart
            .iter()
            .map(|r| r.gap.as_ms() + 1000)
            .max()
            .unwrap_or(0);
        let longest = runs.iter().map(|r| r.1 - r.0).max().unwrap_or(0);
        for (i, (start, end, line)) in runs.iter().enumerate() {
            let mut together = 1;
            let near = runs[..i].iter().rev();
            for (_, before_end, before) in near.take_while(|r| r.0 > start - reach - longest) {
                let apart = start - before_end;
                assert!(
                    apart >= gap(line, before) || gap(line, before) == 0,
                    "{:?} starts {apart} ms after {:?} ended",
                    line.name,
                    before.name
                );
                if apart < 0 {
                    together += 1;
                    assert_ne!(line.head, before.head, "one head runs two doses");
                    assert_ne!(
                        line.reservoir, before.reservoir,
                        "one bottle feeds two doses"
                    );
                }
            }
            // Whoever overlaps this start runs together with it: the count is largest at some start.
            assert!(
                together <= self.controller.heads_at_once,
                "{together} heads at {start}..{end}"
            );
        }
    }
}
