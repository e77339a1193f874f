//! How steady the water is kept by an owner who does what the program says: `cargo bench --bench stability`.
//!
//! Model tanks, 180 days in steps of a day, the dose given exactly, 1,000 runs of each with fixed seeds. Estimate and advice are the
//! product's own, with the same settings everywhere. The last line is one JSON object of the measures.
#![expect(clippy::print_stdout, reason = "a report for people")]
#![expect(
    clippy::as_conversions,
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::indexing_slicing,
    clippy::unwrap_used,
    reason = "a bench of model numbers, which must fail loudly"
)]

use std::fmt::Write as _;

use dosewright::estimate::filter::{Estimator, Event, Prior};
use dosewright::estimate::policy::{Addition, Aim, Corridor, advise, holds_and_returns};
use dosewright::quantity::Millis;

const DAYS: usize = 180;
/// Coverage is judged on one day of so many, which falls on all days of the week.
const JUDGED_EVERY: usize = 5;
const RUNS: u64 = 1_000;
const TANKS: [Tank; 5] = [
    Tank::Right,
    Tank::Off,
    Tank::Grows,
    Tank::Steps,
    Tank::Wanders,
];

/// A small generator with a fixed seed (SplitMix64, Steele, Lea & Flood 2014; constants from memory), and Box and Muller's normal numbers.
struct Chance {
    state: u64,
    spare: Option<f64>,
}

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        ((z >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let (a, b) = (self.uniform(), self.uniform());
        let (radius, turn) = ((-2.0 * a.ln()).sqrt(), std::f64::consts::TAU * b);
        self.spare = Some(radius * turn.sin());
        radius * turn.cos()
    }

    fn sign(&mut self) -> f64 {
        if self.uniform() < 0.5 { 1.0 } else { -1.0 }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Tank {
    Right,
    Off,
    Grows,
    Steps,
    Wanders,
    Swings,
}

impl Tank {
    fn name(self) -> &'static str {
        match self {
            Self::Right => "A",
            Self::Off => "B",
            Self::Grows => "C",
            Self::Steps => "D",
            Self::Wanders => "E",
            Self::Swings => "sine",
        }
    }

    /// What the plan gives, and the true uptake of each day.
    fn uptakes(self, usual: f64, chance: &mut Chance) -> (f64, Vec<f64>) {
        let mut all = vec![usual; DAYS];
        let mut plan = usual;
        match self {
            Self::Right => {}
            Self::Off => plan *= 1.0 + 0.08 * chance.sign(),
            Self::Grows => (0..DAYS).for_each(|d| all[d] *= 1.0 + 0.005 * d as f64),
            Self::Steps => all[60..].fill(usual * 1.15),
            Self::Wanders => {
                for d in 1..DAYS {
                    let step = 0.01 * usual * chance.normal();
                    all[d] = (all[d - 1] + step).clamp(0.375 * usual, 2.0 * usual);
                }
            }
            Self::Swings => {
                let phase = chance.uniform();
                for (d, one) in all.iter_mut().enumerate() {
                    let turn = std::f64::consts::TAU * (d as f64 / 60.0 + phase);
                    *one *= 1.0 + 0.15 * turn.sin();
                }
                plan = all[0];
            }
        }
        (plan, all)
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Owner {
    NeverChanges,
    /// Adds what a week must make up for each reading, on top of the plan.
    Chases,
    Follows,
    /// Follows, having granted so large a share for so many days, and grants it again when it has ended.
    Grants(f64, usize),
}

/// A kit, a tank's water and a life; in the quantity's unit.
#[derive(Clone, Copy)]
struct Life {
    owner: Owner,
    /// Days of the week on which a test is made.
    tests: &'static [usize],
    kit: f64,
    step: f64,
    target: f64,
    uptake: f64,
    well: f64,
    ramp: f64,
    start_off: f64,
    missed: f64,
    slips: f64,
    /// Step of the kit's bias from test to test, held within the kit's error.
    bias: f64,
}

const WEEKLY: &[usize] = &[0];
const TWICE: &[usize] = &[0, 3];
const DAILY: &[usize] = &[0, 1, 2, 3, 4, 5, 6];

const ALKALINITY: Life = Life {
    owner: Owner::Follows,
    tests: WEEKLY,
    kit: 0.15,
    step: 0.1,
    target: 8.3,
    uptake: 0.8,
    well: 0.5,
    ramp: 0.5,
    start_off: 0.0,
    missed: 0.0,
    slips: 0.0,
    bias: 0.0,
};
/// 0.8 dKH a day with 20.04 mg of calcium to each meq; a titration of 10 mg/L read to 5.
const CALCIUM: Life = Life {
    kit: 10.0,
    step: 5.0,
    target: 430.0,
    uptake: 5.7,
    well: 20.0,
    ramp: 10.0,
    ..ALKALINITY
};
/// A tenth of calcium's uptake by mass (order of magnitude; from memory); a titration of 30 mg/L read to 15.
const MAGNESIUM: Life = Life {
    kit: 30.0,
    step: 15.0,
    target: 1_350.0,
    uptake: 0.6,
    well: 50.0,
    ramp: 30.0,
    ..ALKALINITY
};

#[derive(Default)]
struct Measures {
    share: Vec<f64>,
    largest_distance: Vec<f64>,
    largest_move: Vec<f64>,
    asked: Vec<f64>,
    off_a_fortnight_after_advice: Vec<f64>,
    judged: f64,
    level_covered: f64,
    uptake_covered: f64,
}

impl Measures {
    fn add(&mut self, other: Self) {
        self.share.extend(other.share);
        self.largest_distance.extend(other.largest_distance);
        self.largest_move.extend(other.largest_move);
        self.asked.extend(other.asked);
        self.off_a_fortnight_after_advice
            .extend(other.off_a_fortnight_after_advice);
        self.judged += other.judged;
        self.level_covered += other.level_covered;
        self.uptake_covered += other.uptake_covered;
    }
}

fn at_day(day: usize) -> Millis {
    Millis::new(i64::try_from(day).unwrap() * Millis::DAY.as_ms())
}

/// Half of the runs in each of two threads.
fn measure(life: &Life, tank: Tank) -> Measures {
    let half = |first: u64| {
        let mut measures = Measures::default();
        for run in (first..RUNS).step_by(2) {
            let chance = Chance {
                state: run * 7_919 + 13,
                spare: None,
            };
            live(life, tank, chance, &mut measures);
        }
        measures
    };
    std::thread::scope(|scope| {
        let other = scope.spawn(|| half(1));
        let mut all = half(0);
        all.add(other.join().unwrap());
        all
    })
}

/// What the owner has in force.
struct InForce {
    addition: Addition,
    corridor: Option<Corridor>,
    asked: f64,
}

fn live(life: &Life, tank: Tank, mut chance: Chance, measures: &mut Measures) {
    let (plan, uptakes) = tank.uptakes(life.uptake, &mut chance);
    let mut level = life.target + life.start_off;
    let mut force = InForce {
        addition: Addition::standing(plan),
        corridor: None,
        asked: 0.0,
    };
    let mut estimator = Estimator::new(Prior::told(plan));
    let (mut inside, mut largest_distance, mut largest_move, mut bias) =
        (0.0, 0.0_f64, 0.0_f64, 0.0);
    for (day, uptake) in uptakes.iter().copied().enumerate() {
        step_within_corridor(life, &mut force, &estimator, day);
        let dose = force.addition.on_day(0.0);
        force.addition = force.addition.a_day_on();
        level += dose - uptake;
        let now = at_day(day + 1);
        estimator.take(&Event::Dosed {
            at: now,
            amount: dose,
            variance: 0.0,
        });
        largest_move = largest_move.max((dose - uptake).abs());
        largest_distance = largest_distance.max((level - life.target).abs());
        inside += f64::from((level - life.target).abs() <= life.well + 1e-9);
        if life.tests.contains(&(day % 7)) && chance.uniform() >= life.missed {
            bias = (bias + life.bias * chance.normal()).clamp(-life.kit, life.kit);
            let slip = if chance.uniform() < life.slips {
                4.0 * life.well * chance.sign()
            } else {
                0.0
            };
            let found = level + bias + life.kit * chance.normal() + slip;
            let value = (found / life.step).round() * life.step;
            estimator.take(&Event::Reading {
                at: now,
                value,
                sd: life.kit,
                step: life.step,
            });
            if day >= 7 {
                listen(life, plan, &mut force, &estimator, (day, value));
            }
        }
        if day == 21 {
            measures
                .off_a_fortnight_after_advice
                .push((level - life.target).abs());
        }
        let settling = tank == Tank::Steps && (60..81).contains(&day);
        if let Some(estimate) = (day >= 28 && day % JUDGED_EVERY == 0 && !settling)
            .then(|| estimator.at(now))
            .flatten()
        {
            let holds = |(low, high): (f64, f64), value| f64::from(low <= value && value <= high);
            measures.judged += 1.0;
            measures.level_covered += holds(estimate.level_interval(), level);
            measures.uptake_covered += holds(estimate.uptake_interval(), uptake);
        }
    }
    measures.share.push(100.0 * inside / DAYS as f64);
    measures.largest_distance.push(largest_distance);
    measures.largest_move.push(largest_move);
    measures.asked.push(force.asked);
}

fn aim(life: &Life) -> Aim {
    Aim {
        target: life.target,
        well: life.well,
        rise_max: life.ramp,
        fall_max: life.ramp,
        change_max: 0.15 * life.uptake,
        addition_max: 5.0 * life.uptake,
    }
}

fn step_within_corridor(life: &Life, force: &mut InForce, estimator: &Estimator, day: usize) {
    let Some((corridor, estimate)) = force.corridor.zip(estimator.at(at_day(day))) else {
        return;
    };
    // A course that the owner has agreed to runs to its end.
    if force.addition.course_days > 0.0 {
        return;
    }
    let per_day = force.addition.on_day(0.0);
    if let Some(next) = corridor.step(per_day, &estimate, &aim(life)) {
        force.addition = Addition::standing(next);
    }
}

/// After a reading, on the evening of `day`.
fn listen(
    life: &Life,
    plan: f64,
    force: &mut InForce,
    told: &Estimator,
    (day, value): (usize, f64),
) {
    let now = at_day(day + 1);
    let estimate = told.at(now).unwrap();
    let aim = aim(life);
    let kit = life.kit.powi(2) + life.step.powi(2) / 12.0;
    match life.owner {
        Owner::NeverChanges => {}
        Owner::Chases => {
            force.addition = Addition::standing(plan + (life.target - value) / 7.0);
            force.asked += 1.0;
        }
        Owner::Follows => {
            if let Some(change) = advise(&estimate, &force.addition, &aim, kit).change {
                force.addition = change.addition;
                force.asked += 1.0;
            }
        }
        Owner::Grants(share, days) => {
            let wanted = holds_and_returns(&estimate, &force.addition, &aim);
            let ended = force.corridor.is_none_or(|corridor| now >= corridor.until);
            let beyond = force.corridor.is_some_and(|corridor| {
                let reached = corridor.part_of(wanted);
                (corridor.held(wanted.on_day(0.0)) - wanted.on_day(0.0)).abs() > 0.0
                    && advise(&estimate, &reached, &aim, kit).change.is_some()
            });
            if ended || beyond {
                force.corridor = Some(Corridor {
                    middle: wanted.per_day,
                    share,
                    until: at_day(day + 1 + days),
                });
                force.asked += 1.0;
                if beyond {
                    force.addition = wanted;
                }
            }
        }
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn quantile(values: &[f64], part: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * part).round() as usize]
}

/// Prints a table and gives its JSON object.
fn table(title: &str, life: &Life, tanks: &[Tank]) -> String {
    println!(
        "\n{title}\n  tank  share  worst 5 %  largest distance  move in 24 h  asked (worst 5 %)  covered: level, uptake"
    );
    let mut json = String::new();
    for tank in tanks {
        let m = measure(life, *tank);
        let (share, worst) = (mean(&m.share), quantile(&m.share, 0.05));
        let (far, moved) = (
            quantile(&m.largest_distance, 0.95),
            quantile(&m.largest_move, 0.95),
        );
        let (asked, asked_worst) = (mean(&m.asked), quantile(&m.asked, 0.95));
        let (level, uptake) = (m.level_covered / m.judged, m.uptake_covered / m.judged);
        let name = tank.name();
        println!(
            "  {name:4} {share:6.1} {worst:10.1} {far:17.2} {moved:13.2} {asked:8.1} ({asked_worst:2.0}) {level:20.3} {uptake:7.3} "
        );
        if !json.is_empty() {
            json.push_str(", ");
        }
        // The one of the two that is further from 95 %.
        let coverage = if (level - 0.95).abs() > (uptake - 0.95).abs() {
            level
        } else {
            uptake
        };
        write!(json, "\"{name}\": {{\"share\": {share:.1}, \"share_worst_5_percent\": {worst:.1}, \"largest_distance\": {far:.2}, \"largest_move_24h\": {moved:.2}, \"asked\": {asked:.1}, \"asked_worst_5_percent\": {asked_worst:.0}, \"coverage\": {coverage:.3}, \"coverage_level\": {level:.3}, \"coverage_uptake\": {uptake:.3}}}").unwrap();
    }
    format!("{{{json}}}")
}

fn other_lives() {
    let weekly = ALKALINITY;
    for (title, life) in [
        (
            "every third weekly test missed",
            Life {
                missed: 1.0 / 3.0,
                ..weekly
            },
        ),
        (
            "weekly, the kit's bias wanders within its error",
            Life {
                bias: 0.05,
                ..weekly
            },
        ),
        (
            "weekly, one test of 30 is 2 dKH off",
            Life {
                slips: 1.0 / 30.0,
                ..weekly
            },
        ),
        (
            "weekly, uptake about 0.2 dKH/day",
            Life {
                uptake: 0.2,
                ..weekly
            },
        ),
        (
            "weekly, uptake about 2.5 dKH/day",
            Life {
                uptake: 2.5,
                ..weekly
            },
        ),
        (
            "twice weekly, uptake about 2.5 dKH/day",
            Life {
                uptake: 2.5,
                tests: TWICE,
                ..weekly
            },
        ),
        ("weekly, kit 0.10 read to 0.1", Life { kit: 0.1, ..weekly }),
    ] {
        table(title, &life, &TANKS);
    }
}

fn other_waters() {
    let weekly = ALKALINITY;
    table(
        "uptake swings by 15 % in 60 days, weekly",
        &weekly,
        &[Tank::Swings],
    );
    let daily = Life {
        tests: DAILY,
        ..weekly
    };
    table(
        "uptake swings by 15 % in 60 days, daily",
        &daily,
        &[Tank::Swings],
    );
    for tests in [WEEKLY, TWICE] {
        table(
            "calcium, 10 mg/L read to 5, well within 20",
            &Life { tests, ..CALCIUM },
            &TANKS,
        );
        table(
            "magnesium, 30 mg/L read to 15, well within 50",
            &Life { tests, ..MAGNESIUM },
            &TANKS,
        );
    }
    for off in [1.0, -1.0] {
        // Tests daily: two weeks are what the goal gives.
        let m = measure(
            &Life {
                start_off: off,
                tests: DAILY,
                ..weekly
            },
            Tank::Right,
        );
        let half = quantile(&m.off_a_fortnight_after_advice, 0.5);
        let most = quantile(&m.off_a_fortnight_after_advice, 0.95);
        let moved = quantile(&m.largest_move, 0.95);
        println!(
            "\n{off:+.0} dKH at the start, daily tests: 14 days after the first advice {half:.2} dKH from target in half of the tanks, {most:.2} in 95 %; moved {moved:.2} dKH/day at most"
        );
    }
}

fn main() {
    for (title, owner) in [
        (
            "an owner who never changes anything, weekly",
            Owner::NeverChanges,
        ),
        (
            "an owner who makes up for each weekly test within a week",
            Owner::Chases,
        ),
    ] {
        table(
            title,
            &Life {
                owner,
                ..ALKALINITY
            },
            &TANKS,
        );
    }
    let schedules = [
        ("weekly", WEEKLY),
        ("twice_weekly", TWICE),
        ("daily", DAILY),
    ];
    let mut all = Vec::new();
    for (name, tests) in schedules {
        let title = format!("{name}, kit 0.15 dKH read to 0.1");
        all.push((
            name.to_owned(),
            table(
                &title,
                &Life {
                    tests,
                    ..ALKALINITY
                },
                &TANKS,
            ),
        ));
    }
    let coarse = Life {
        kit: 0.25,
        step: 0.5,
        ..ALKALINITY
    };
    all.push((
        "weekly_coarse".to_owned(),
        table("weekly, kit 0.25 read to 0.5", &coarse, &TANKS),
    ));
    for (name, tests) in schedules {
        let owner = Owner::Grants(0.2, 90);
        let title = format!("{name}, a corridor of 20 % for 90 days granted and granted again");
        let life = Life {
            owner,
            tests,
            ..ALKALINITY
        };
        all.push((format!("{name}_corridor"), table(&title, &life, &TANKS)));
    }
    other_lives();
    other_waters();
    let all: Vec<String> = all
        .into_iter()
        .map(|(name, json)| format!("\"{name}\": {json}"))
        .collect();
    println!("\n{{{}}}", all.join(", "));
}
