//! Whatever happens, in whatever order: caps, ramp, gaps, books, holds, and the same again from the same events.
//!
//! The world checks records, gaps, caps of single doses, heads at once, holds, keys and the ramp at each start of a head
//! (`rig.rs`); what is counted over windows is checked at the end.

use std::sync::Arc;

use proptest::prelude::*;

use super::rig::{CONTROLLER, DAY, HOUR, MINUTE, PLAN, SECOND, World, demo, name, plan_of, ul};
use crate::chemistry::Quantity;
use crate::config::Plan;
use crate::engine::{Command, Event, LineState, RefillLevel};
use crate::record::DoseKind;

const YEAR: i64 = 365 * DAY;
const LINES: [&str; 5] = ["alkalinity", "calcium", "magnesium", "trace", "iodine"];

#[derive(Debug, Clone)]
pub(super) enum Act {
    Run(i64),
    Hold(Option<usize>),
    Resume(Option<usize>),
    Dose(usize, i64, DoseKind),
    Reading(i64),
    Refill(usize, i64),
    Kill(i64),
    PowerCut(i64, i64, Then),
    Sync,
    Trust,
    Step(i64, Then),
    Ledger(bool),
    Delay(i64),
    /// Until about a day, or a gap, after an earlier dose.
    Edge(usize, bool, i64),
    Reload(usize),
    Input(usize, Option<bool>),
    UnderVoltage(bool),
    Acknowledge,
}

/// What the owner and the network do about a clock that is wrong.
#[derive(Debug, Clone, Copy)]
pub(super) enum Then {
    Nothing,
    Resume,
    Sync,
    SyncAndResume,
}

fn then() -> impl Strategy<Value = Then> {
    prop_oneof![
        1 => Just(Then::Nothing),
        2 => Just(Then::Resume),
        1 => Just(Then::Sync),
        4 => Just(Then::SyncAndResume)
    ]
}

fn act() -> impl Strategy<Value = Act> {
    let line = prop_oneof![Just(None), (0..5_usize).prop_map(Some)];
    let kind = prop_oneof![
        4 => Just(DoseKind::Hand),
        2 => Just(DoseKind::Prime),
        1 => Just(DoseKind::Calibration)
    ];
    let step = prop_oneof![
        2 => -60 * SECOND..60 * SECOND,
        2 => -26 * HOUR..26 * HOUR,
        1 => -2 * YEAR..2 * YEAR
    ];
    prop_oneof![
        12 => (1..20 * HOUR).prop_map(Act::Run),
        6 => (1..20 * MINUTE).prop_map(Act::Run),
        2 => line.clone().prop_map(Act::Hold),
        6 => line.prop_map(Act::Resume),
        10 => (0..5_usize, 500..7_000_i64, kind).prop_map(|(l, v, k)| Act::Dose(l, v, k)),
        3 => (60..110_i64).prop_map(Act::Reading),
        2 => (0..5_usize, 20..400_i64).prop_map(|(r, ml)| Act::Refill(r, ml * 1000)),
        3 => (0..10 * MINUTE).prop_map(Act::Kill),
        2 => (0..40 * HOUR, -2 * YEAR..2 * YEAR, then()).prop_map(|(off, e, t)| Act::PowerCut(off, e, t)),
        1 => (0..40 * HOUR, then()).prop_map(|(off, t)| Act::PowerCut(off, -off, t)),
        6 => Just(Act::Sync),
        1 => Just(Act::Trust),
        3 => (step, then()).prop_map(|(ms, t)| Act::Step(ms, t)),
        1 => any::<bool>().prop_map(Act::Ledger),
        2 => Just(Act::Ledger(true)),
        1 => prop_oneof![3 => 1..4_900_i64, 1 => 1..8 * SECOND].prop_map(Act::Delay),
        1 => Just(Act::Delay(20)),
        4 => (0..1_000_usize, any::<bool>(), -8 * SECOND..8 * SECOND)
            .prop_map(|(i, day, d)| Act::Edge(i, day, d)),
        2 => (0..4_usize).prop_map(Act::Reload),
        1 => (0..3_usize, prop_oneof![Just(None), Just(Some(true)), Just(Some(false))])
            .prop_map(|(i, s)| Act::Input(i, s)),
        2 => (0..3_usize).prop_map(|i| Act::Input(i, Some(true))),
        1 => any::<bool>().prop_map(Act::UnderVoltage),
        2 => Just(Act::UnderVoltage(false)),
        1 => Just(Act::Acknowledge),
    ]
}

/// Plans that the owner may load, some near the limits.
fn plans() -> Vec<Arc<Plan>> {
    let (controller, plan) = demo();
    let more = PLAN.replace("start-dkh-per-day = 0.80", "start-dkh-per-day = 0.84");
    let fewer = PLAN.replace("doses = 24", "doses = 30");
    let times = PLAN.replace("\"08:15\", \"20:15\"", "\"07:30\", \"13:00\", \"19:00\"");
    vec![
        Arc::new(plan),
        plan_of(&more, &controller),
        plan_of(&fewer, &controller),
        plan_of(&times, &controller),
    ]
}

/// Tight caps, two heads at once, little in the bottles.
pub(super) fn tight_world() -> World {
    let (mut controller, plan) = demo();
    controller.heads_at_once = 2;
    for line in &mut controller.lines {
        if line.name == name("alkalinity") || line.name == name("calcium") {
            line.daily_cap = ul(85_000);
        }
    }
    for reservoir in controller.reservoirs.values_mut() {
        reservoir.capacity = ul(400_000);
    }
    World::new(controller, plan, "2026-03-27T05:00:00Z")
}

pub(super) fn apply(world: &mut World, plans: &[Arc<Plan>], act: &Act) {
    let max = world.controller.times.clock_step_max.as_ms();
    let inputs: Vec<String> = world.sampled.keys().map(ToString::to_string).collect();
    match act {
        Act::Run(ms) => world.run(*ms),
        Act::Hold(line) => world.hold(line.map(|l| LINES[l]), "wait"),
        Act::Resume(line) => world.resume(line.map(|l| LINES[l])),
        Act::Dose(line, volume, kind) => {
            let line = LINES[*line];
            let shown = world.line(line);
            let result = world.by_hand(line, *volume, *kind);
            if let Err(denial) = &result {
                let within = ul(*volume) <= shown.cap_left.unwrap();
                assert!(denial.code != "daily-cap" || !within, "{denial:?}");
            } else {
                assert!(
                    ul(*volume) <= shown.cap_left.unwrap(),
                    "over the cap that was shown"
                );
            }
        }
        Act::Reading(tenths) => {
            let dkh = crate::quantity::f64_from_i64(*tenths) / 10.0;
            world.read_alkalinity(dkh);
        }
        Act::Refill(reservoir, to) => {
            world.refill(LINES[*reservoir], RefillLevel::To(ul(*to)));
        }
        Act::Kill(off) => world.restart_after(*off),
        Act::PowerCut(off, error, then) => {
            world.power_cut(*off, *error);
            mend(world, *then);
        }
        Act::Sync => world.sync(),
        // The owner looks at a watch before vouching.
        Act::Trust if world.wall_error == 0 => {
            world.ask(Command::TrustClock {});
        }
        Act::Trust => {}
        // Small errors do not add up without end: somebody keeps the clock.
        Act::Step(ms, _) if ms.abs() <= max && (world.wall_error + ms).abs() > max => {}
        Act::Step(ms, then) => {
            world.step(*ms);
            mend(world, *then);
        }
        Act::Ledger(ok) => world.set_ledger(*ok),
        Act::Delay(ms) => world.store_delay = *ms,
        Act::Edge(index, day, off) => {
            let after = if *day { DAY } else { 15 * MINUTE };
            let flow = world.flows.get(index % world.flows.len().max(1));
            let wait = flow.map_or(0, |f| f.ended + after + off - world.t);
            if wait > 0 {
                world.run(wait);
            }
        }
        Act::Reload(index) => {
            world.reload(Arc::clone(&plans[*index]));
        }
        Act::Input(input, safe) => world.input(&inputs[*input], *safe),
        Act::UnderVoltage(low) => world.feed(Event::UnderVoltage(*low)),
        Act::Acknowledge => {
            world.ask(Command::Acknowledge { code: None });
        }
    }
}

fn mend(world: &mut World, then: Then) {
    match then {
        Then::Nothing => {}
        Then::Resume => world.resume(None),
        Then::Sync => world.sync(),
        Then::SyncAndResume => {
            world.sync();
            world.resume(None);
        }
    }
}

fn live_through(acts: &[Act]) -> World {
    let plans = plans();
    let mut world = tight_world();
    world.start();
    world.sync();
    world.run(6 * MINUTE);
    world.read_alkalinity(8.0);
    for act in acts {
        apply(&mut world, &plans, act);
        // A latched fault and a running head never go together.
        let status = world.status();
        for line in status.lines {
            assert!(
                line.state != LineState::Held || line.running.is_none() || world.running() == 0
            );
        }
    }
    world
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 24,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(20_261_125),
        ..ProptestConfig::default()
    })]

    #[test]
    fn caps_ramp_gaps_and_books_hold_whatever_happens(acts in prop::collection::vec(act(), 10..70)) {
        let world = live_through(&acts);
        world.check_caps();
        world.check_books();
        eprintln!("STAT {} acts {} flows {} h; plan {}", acts.len(), world.flows.len(), world.t / HOUR, world.flows.iter().filter(|f| f.kind == DoseKind::Plan).count());
    }

    #[test]
    fn caps_and_gaps_hold_at_their_edges(acts in prop::collection::vec(edge(), 10..120)) {
        let world = live_at_the_edges(&acts);
        world.check_caps();
        world.check_books();
    }

    #[test]
    fn the_same_events_give_the_same_effects(acts in prop::collection::vec(act(), 5..25)) {
        prop_assert_eq!(live_through(&acts).trace, live_through(&acts).trace);
    }
}

/// Doses by hand at the edges of a small cap and of the gaps, with deaths and delays in between.
fn edge() -> impl Strategy<Value = Act> {
    let kind = prop_oneof![Just(DoseKind::Hand), Just(DoseKind::Prime)];
    prop_oneof![
        8 => (0..2_usize, 500..3_500_i64, kind).prop_map(|(l, v, k)| Act::Dose(l, v, k)),
        8 => (0..1_000_usize, any::<bool>(), -8 * SECOND..8 * SECOND)
            .prop_map(|(i, day, d)| Act::Edge(i, day, d)),
        4 => (1..7 * SECOND).prop_map(Act::Run),
        2 => (1..3 * HOUR).prop_map(Act::Run),
        2 => (0..4_900_i64).prop_map(Act::Delay),
        4 => (0..MINUTE).prop_map(Act::Kill),
        2 => (0..20 * HOUR, -60 * SECOND..60 * SECOND, Just(Then::SyncAndResume))
            .prop_map(|(off, e, t)| Act::PowerCut(off, e, t)),
        1 => (-60 * SECOND..60 * SECOND).prop_map(|ms| Act::Step(ms, Then::Nothing)),
        1 => (-30 * DAY..30 * DAY).prop_map(|ms| Act::Step(ms, Then::Resume)),
        2 => Just(Act::Sync),
        2 => Just(Act::Resume(None)),
        1 => Just(Act::Resume(Some(0))),
        1 => Just(Act::Resume(Some(1))),
        1 => (-2 * HOUR..2 * HOUR).prop_map(|ms| Act::Step(ms, Then::Resume)),
    ]
}

fn live_at_the_edges(acts: &[Act]) -> World {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    for line in &mut controller.lines {
        line.daily_cap = ul(7_000);
    }
    let plan = plan_of(
        "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n[line.iodine]\ndaily-ml = 2\nat = [\"08:15\", \"20:15\"]\n",
        &controller,
    );
    let mut world = World::new(controller, (*plan).clone(), "2026-03-27T05:00:00Z");
    world.check_ramp = false;
    let water = &mut Arc::make_mut(&mut world.controller).water;
    if let Some(limits) = water.get_mut(&Quantity::Alkalinity) {
        limits.max_rise = 2.0;
    }
    world.start();
    world.sync();
    world.read_alkalinity(8.0);
    for act in acts {
        apply(&mut world, &[], act);
    }
    world
}

#[test]
fn the_samples_are_the_ones_that_are_checked() {
    assert!(CONTROLLER.contains("daily-cap-ml = 100") && PLAN.contains("start-dkh-per-day = 0.80"));
}
