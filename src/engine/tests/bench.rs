//! Runs by time, calibrations and checks of them.

use std::sync::Arc;

use super::rig::{HOUR, SECOND, World, calcium_at, demo, name, plan_of, ul, unlimited_hours};
use crate::engine::{
    Answer, Command, Denial, Figures, NewCalibration, NewVerification, Proposal, Wish,
};
use crate::quantity::{FlowRate, Millis, Volume, Words};
use crate::record::{
    CalibrationRun, DoseEnd, DoseId, DoseKind, Entry, HoldScope, StoredCalibration,
};

fn told(world: &mut World, command: Command) -> Result<Answer, Denial> {
    let ticket = world.ask(command);
    world.run(SECOND / 10);
    world.answer(ticket).clone()
}

/// The demo with calcium planned late in the evening only.
fn world() -> World {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    let plan = calcium_at("\"23:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world
}

/// The same, of which nobody has calibrated the calcium head.
fn uncalibrated() -> World {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    unlimited_hours(&mut controller);
    let plan = calcium_at("\"23:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world
        .books
        .entries
        .retain(|e| !matches!(e, Entry::Calibration(c) if c.head == name("calcium")));
    world.start();
    world.sync();
    world
}

fn prepare(world: &mut World, ms: i64, kind: DoseKind) -> Result<(Proposal, Volume), Denial> {
    let proposal = world.proposed(Wish::Run {
        head: name("calcium"),
        run_time: Millis::new(ms),
        kind,
    })?;
    world.run(SECOND / 10);
    let Figures::Dose(dose) = &proposal.figures else {
        panic!("{proposal:?}");
    };
    assert_eq!(dose.run_time, Millis::new(ms));
    let volume = dose.volume;
    Ok((proposal, volume))
}

fn start(world: &mut World, ms: i64, kind: DoseKind) -> Result<DoseId, Denial> {
    let (proposal, _) = prepare(world, ms, kind)?;
    let command = Command::Confirm(proposal.confirm(None));
    let Answer::DoseStarted { id, .. } = told(world, command)? else {
        panic!("not started");
    };
    Ok(id)
}

fn runs(pairs: &[(i64, i64)]) -> NewCalibration {
    let run = |(ms, volume): &(i64, i64)| CalibrationRun {
        on_time: Millis::new(*ms),
        volume: ul(*volume),
        typed: format!("{volume} uL"),
        dose: None,
        used: true,
    };
    NewCalibration {
        head: name("calcium"),
        runs: pairs.iter().map(run).collect(),
        resolution: Volume::ZERO,
        weighing: Words::default(),
        method: "new tube".into(),
        sure_of: None,
    }
}

/// 30 mL/min, from 2 s to 12 s.
const GOOD: [(i64, i64); 4] = [
    (2_000, 1_000),
    (2_000, 1_004),
    (12_000, 6_002),
    (12_000, 5_998),
];

#[test]
fn a_head_without_a_calibration_runs_by_time_and_its_most_is_counted() {
    let mut world = uncalibrated();
    let by_volume = Command::Prepare(Wish::Dose {
        line: name("calcium"),
        volume: ul(3_000),
        kind: DoseKind::Prime,
    });
    assert_eq!(
        told(&mut world, by_volume).unwrap_err().code,
        "uncalibrated"
    );
    let nominal = world.controller.heads[&name("calcium")].nominal_rate;
    let most = nominal.as_ml_per_min() * 1.5 * 6.0 / 60.0;
    let (_, volume) = prepare(&mut world, 6_000, DoseKind::Prime).unwrap();
    assert!((volume.as_ml() - most).abs() < 0.001, "{volume}");
    let id = start(&mut world, 6_000, DoseKind::Prime).unwrap();
    world.run(10 * SECOND);
    let outcome = &world.books.outcomes[&id];
    assert_eq!(
        (outcome.end, outcome.delivered),
        (DoseEnd::Delivered, volume)
    );
    assert_eq!(outcome.on_time, Some(Millis::new(6_000)));
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), volume);
}

#[test]
fn a_run_by_time_is_held_to_every_interlock_but_the_calibration() {
    let mut world = uncalibrated();
    let code = |world: &mut World, ms| prepare(world, ms, DoseKind::Calibration).unwrap_err().code;
    let run_max = world.controller.heads[&name("calcium")].run_max.as_ms();
    assert_eq!(code(&mut world, 100), "run-too-short");
    let cap = world.line("calcium").dose_cap;
    let long = code(&mut world, run_max + 1);
    assert!(long == "run-too-long" || long == "dose-cap", "{long} {cap}");
    world.hold(Some("calcium"), "wait");
    assert_eq!(code(&mut world, 3_000), "held");
    world.resume(Some("calcium"));
    // What is pumped counts under the cap wherever it goes.
    let mut given = 0;
    let refused = loop {
        match start(&mut world, 6_000, DoseKind::Calibration) {
            Ok(_) => given += 1,
            Err(denial) => break denial.code,
        }
        world.run(10 * SECOND);
        assert!(given < 1_000, "no cap held");
    };
    assert_eq!(refused, "daily-cap", "after {given} runs");
    world.check_caps();
}

#[test]
fn stopping_one_run_books_it_by_time_and_leaves_no_hold() {
    for calibrated in [true, false] {
        let mut world = if calibrated { world() } else { uncalibrated() };
        let id = start(&mut world, 8_000, DoseKind::Calibration).unwrap();
        world.run(2 * SECOND);
        told(&mut world, Command::StopRun { dose: id }).unwrap();
        assert_eq!(world.running(), 0, "off in the same turn");
        world.run(SECOND);
        let outcome = world.books.outcomes[&id].clone();
        assert_eq!(outcome.end, DoseEnd::Interrupted);
        assert!(outcome.cause.contains("stopped by"), "{}", outcome.cause);
        let whole = world.books.intents[&id].0.volume;
        assert!(
            outcome.delivered > Volume::ZERO && outcome.delivered < whole.scaled(0.5).unwrap(),
            "{} of {whole}",
            outcome.delivered
        );
        if calibrated {
            assert_eq!(
                outcome.delivered.as_ul(),
                world.flows.last().unwrap().volume
            );
        }
        assert!(world.status().holds.is_empty());
        let again = told(&mut world, Command::StopRun { dose: id });
        assert_eq!(again.unwrap_err().code, "not-running");
        // The next run may start at once.
        start(&mut world, 3_000, DoseKind::Calibration).unwrap();
    }
}

#[test]
fn a_hold_stops_a_run_by_time_like_any_other() {
    let mut world = uncalibrated();
    let id = start(&mut world, 8_000, DoseKind::Calibration).unwrap();
    world.run(SECOND);
    told(
        &mut world,
        Command::Hold {
            scope: HoldScope::All,
            reason: "bad test".into(),
            length: None,
        },
    )
    .unwrap();
    assert_eq!(world.running(), 0);
    world.run(SECOND);
    assert_eq!(world.books.outcomes[&id].end, DoseEnd::Interrupted);
}

#[test]
fn a_kill_in_a_run_by_time_counts_its_most() {
    let mut world = uncalibrated();
    let id = start(&mut world, 8_000, DoseKind::Calibration).unwrap();
    world.run(SECOND);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    let outcome = &world.books.outcomes[&id];
    assert_eq!(outcome.end, DoseEnd::Uncertain);
    assert_eq!(outcome.delivered, world.books.intents[&id].0.volume);
}

#[test]
fn runs_make_a_calibration_with_what_it_covers_and_doses_outside_are_refused() {
    let mut world = uncalibrated();
    let Answer::Done { text } = told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap() else {
        panic!("no words");
    };
    assert!(text.contains("meters doses of at least"), "{text}");
    let dose = |world: &mut World, volume| {
        let command = Command::Prepare(Wish::Dose {
            line: name("calcium"),
            volume: ul(volume),
            kind: DoseKind::Hand,
        });
        told(world, command).map(drop).map_err(|d| (d.code, d.text))
    };
    dose(&mut world, 3_000).unwrap();
    let (code, why) = dose(&mut world, 600).unwrap_err();
    assert_eq!(code, "not-metered", "{why}");
    assert!(why.contains("calibrate with shorter runs"), "{why}");
    let kept = world.books.entries.iter().rev().find_map(|e| {
        let Entry::Calibration(c) = e else {
            return None;
        };
        Some(c.clone())
    });
    let kept = kept.unwrap();
    assert_eq!((kept.runs.len(), kept.simulated), (4, false));
    assert_eq!(kept.limits.unwrap().run_max, Millis::new(24_000));
    // Priming and further runs are how that is widened.
    prepare(&mut world, 1_000, DoseKind::Calibration).unwrap();
}

/// Starts anew with another tolerance of the calcium head, and with what a keeper's file could do to its newest calibration.
fn restart_with(world: &mut World, percent: f64, record: impl Fn(&mut StoredCalibration)) {
    let controller = Arc::make_mut(&mut world.controller);
    let head = controller.heads.get_mut(&name("calcium")).unwrap();
    head.tolerance_percent = percent;
    let newest = world.books.entries.iter_mut().rev().find_map(|e| {
        let Entry::Calibration(c) = e else {
            return None;
        };
        (c.head == name("calcium")).then_some(c)
    });
    record(newest.unwrap());
    world.restart_after(SECOND);
    world.sync();
}

fn by_hand(world: &mut World, volume: i64) -> Result<(), String> {
    let command = Command::Prepare(Wish::Dose {
        line: name("calcium"),
        volume: ul(volume),
        kind: DoseKind::Hand,
    });
    told(world, command)
        .map(drop)
        .map_err(|d| format!("{}: {}", d.code, d.text))
}

#[test]
fn another_tolerance_holds_from_the_next_start_for_calibrations_on_record() {
    let mut world = world();
    told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap();
    by_hand(&mut world, 1_200).unwrap();
    restart_with(&mut world, 1.0, |_| {});
    let refused = by_hand(&mut world, 1_200).unwrap_err();
    assert!(
        refused.starts_with("not-metered") && refused.contains("within 1 %"),
        "{refused}"
    );
    by_hand(&mut world, 3_000).unwrap();
    assert_eq!(
        world.notes("tolerance-changed").len(),
        1,
        "the head that changed"
    );
    restart_with(&mut world, 5.0, |_| {});
    by_hand(&mut world, 1_200).unwrap();
}

#[test]
fn a_head_whose_runs_do_not_tell_for_another_tolerance_meters_nothing_and_says_what_to_do() {
    let nothing: [fn(&mut StoredCalibration); 3] = [
        |c| c.runs.clear(),
        |c| c.resolution = None,
        |c| c.resolution = Some(ul(100)),
    ];
    for spoil in nothing {
        let mut world = world();
        told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap();
        restart_with(&mut world, 5.0, spoil);
        by_hand(&mut world, 3_000).unwrap();
        restart_with(&mut world, 1.0, |_| {});
        let refused = by_hand(&mut world, 3_000).unwrap_err();
        assert!(
            refused.starts_with("not-metered")
                && refused.contains("made for 5 %, tolerance-percent is now 1 %")
                && refused.contains("calibrate the head again"),
            "{refused}"
        );
        assert!(world.notes("tolerance-changed")[0].contains("meters nothing"));
        // The slot at 23:00 as well, and the way out stays open.
        world.run(18 * HOUR);
        assert_eq!(world.not_given()[0].code, "not-metered");
        prepare(&mut world, 3_000, DoseKind::Calibration).unwrap();
        told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap();
        by_hand(&mut world, 3_000).unwrap();
    }
}

#[test]
fn a_calibration_of_which_nobody_knows_what_it_covers_meters_nothing() {
    let mut world = world();
    restart_with(&mut world, 5.0, |c| c.limits = None);
    let refused = by_hand(&mut world, 3_000).unwrap_err();
    assert!(
        refused.starts_with("not-metered") && refused.contains("calibrate"),
        "{refused}"
    );
}

#[test]
fn a_reading_that_was_replaced_is_kept_and_changes_nothing() {
    let mut world = world();
    let rate = |world: &mut World| {
        let heads = world.status().heads;
        heads
            .iter()
            .find(|h| h.name == name("calcium"))
            .map(|h| (h.rate, h.offset))
    };
    told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap();
    let without = rate(&mut world);
    let mut with = runs(&GOOD);
    with.runs.push(CalibrationRun {
        volume: ul(9_000),
        used: false,
        ..with.runs[0].clone()
    });
    told(&mut world, Command::Calibrate(with)).unwrap();
    assert_eq!(rate(&mut world), without);
    let kept = world.books.entries.iter().rev().find_map(|e| {
        let Entry::Calibration(c) = e else {
            return None;
        };
        Some(c.runs.clone())
    });
    assert_eq!(kept.unwrap().len(), 5);
    // Neither does it count when the runs are fitted again.
    restart_with(&mut world, 2.0, |_| {});
    by_hand(&mut world, 3_000).unwrap();
}

#[test]
fn a_plan_that_a_new_calibration_does_not_cover_is_told_and_its_doses_are_refused() {
    let mut world = world();
    // The plan's 3 mL take 6 s.
    let long: Vec<(i64, i64)> = GOOD.iter().map(|(ms, v)| (ms * 10, v * 10)).collect();
    let Answer::Done { text } = told(&mut world, Command::Calibrate(runs(&long))).unwrap() else {
        panic!("no words");
    };
    assert!(
        text.contains("BUT line calcium is planned with doses"),
        "{text}"
    );
    world.run(18 * HOUR);
    let refused = world.not_given();
    assert_eq!(refused.len(), 1, "{refused:?}");
    assert_eq!(refused[0].code, "not-metered");
    let status = world.line("calcium");
    assert_eq!(
        status.reason.map(|r| r.code).as_deref(),
        Some("not-metered")
    );
}

#[test]
fn a_plan_that_a_calibration_on_record_does_not_cover_is_told_at_the_start() {
    let mut world = world();
    told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap();
    world.restart_after(SECOND);
    world.run(SECOND);
    assert!(world.notes("plan-not-metered").is_empty());
    // 0.6 mL take 1.2 s; the shortest run took 2 s.
    let text = "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n[line.calcium]\ndaily-ml = 0.6\nat = [\"23:00\"]\n";
    world.plan = plan_of(text, &world.controller);
    world.restart_after(SECOND);
    world.run(SECOND);
    let told = world.notes("plan-not-metered");
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].contains("line calcium is planned with doses")
            && told[0].contains("calibrate with shorter runs"),
        "{told:?}"
    );
    world.sync();
    let status = world.line("calcium");
    assert_eq!(
        status.reason.map(|r| r.code).as_deref(),
        Some("not-metered")
    );
}

#[test]
fn runs_that_are_no_calibration_change_nothing() {
    let mut world = world();
    let before = world.status().heads.clone();
    let mut wild = runs(&GOOD);
    wild.runs[1].volume = ul(1_400);
    let denial = told(&mut world, Command::Calibrate(wild)).unwrap_err();
    assert_eq!(denial.code, "calibration-refused");
    assert!(
        denial.text.contains("the head stays as it was"),
        "{}",
        denial.text
    );
    let after = world.status().heads;
    let rate = |heads: &[crate::engine::HeadStatus]| {
        heads
            .iter()
            .find(|h| h.name == name("calcium"))
            .map(|h| (h.rate, h.offset))
    };
    assert_eq!(rate(&before), rate(&after));
}

/// 18 mL/min where 30 are nominal, and where the calibration before says 30.
const SLOW: [(i64, i64); 4] = [(2_000, 600), (2_000, 602), (12_000, 3_602), (12_000, 3_600)];

fn sure(pairs: &[(i64, i64)], ml_per_min: f64) -> Command {
    Command::Calibrate(NewCalibration {
        sure_of: Some(FlowRate::from_ml_per_min(ml_per_min)),
        ..runs(pairs)
    })
}

fn calibrations(world: &World) -> usize {
    let of = |e: &&Entry| matches!(e, Entry::Calibration(c) if c.head == name("calcium"));
    world.books.entries.iter().filter(of).count()
}

#[test]
fn a_calibration_with_a_slipped_decimal_is_refused_however_sure_its_owner_is() {
    let mut world = world();
    let before = calibrations(&world);
    for tenth in [10, -10] {
        let slipped = GOOD.map(|(ms, ul)| {
            if tenth > 0 {
                (ms, ul / 10)
            } else {
                (ms, ul * 10)
            }
        });
        let rate = if tenth > 0 { 3.0 } else { 300.0 };
        for command in [Command::Calibrate(runs(&slipped)), sure(&slipped, rate)] {
            let denial = told(&mut world, command).unwrap_err();
            assert_eq!(denial.code, "calibration-implausible");
            assert!(denial.text.contains("slipped decimal"), "{}", denial.text);
        }
    }
    assert_eq!(calibrations(&world), before);
}

#[test]
fn a_doubtful_calibration_is_taken_with_its_rate_said_again_and_doses_after_one_checked_run() {
    let mut world = world();
    for command in [Command::Calibrate(runs(&SLOW)), sure(&SLOW, 30.0)] {
        let denial = told(&mut world, command).unwrap_err();
        assert_eq!(denial.code, "calibration-questioned");
        assert!(denial.text.contains("--rate \"18.0"), "{}", denial.text);
    }
    told(&mut world, sure(&SLOW, 18.0)).unwrap();
    // Not by hand, not by the plan at 23:00, and not after a restart.
    let refused = by_hand(&mut world, 3_000).unwrap_err();
    assert!(
        refused.starts_with("unverified") && refused.contains("nominal"),
        "{refused}"
    );
    world.restart_after(SECOND);
    world.sync();
    world.run(18 * HOUR);
    assert_eq!(world.not_given()[0].code, "unverified");
    let check = |dose, expected, measured| {
        Command::Verify(NewVerification {
            head: name("calcium"),
            dose,
            expected: ul(expected),
            measured: ul(measured),
            typed: Words::default(),
        })
    };
    world
        .by_hand("calcium", 3_000, DoseKind::Calibration)
        .unwrap();
    world.run(30 * SECOND);
    let dose = *world.books.outcomes.keys().last().unwrap();
    // Another amount than the books say, a failed check: neither lets it dose.
    let denial = told(&mut world, check(dose, 5_000, 5_000)).unwrap_err();
    assert_eq!(denial.code, "verification-refused");
    told(&mut world, check(dose, 3_000, 5_000)).unwrap();
    assert!(by_hand(&mut world, 3_000).is_err());
    told(&mut world, check(dose, 3_000, 3_010)).unwrap();
    by_hand(&mut world, 3_000).unwrap();
    world.restart_after(SECOND);
    world.sync();
    by_hand(&mut world, 3_000).unwrap();
}

#[test]
fn a_run_from_before_a_doubtful_calibration_is_no_check_of_it() {
    let mut world = world();
    world
        .by_hand("calcium", 3_000, DoseKind::Calibration)
        .unwrap();
    world.run(30 * SECOND);
    let dose = *world.books.outcomes.keys().last().unwrap();
    told(&mut world, sure(&SLOW, 18.0)).unwrap();
    let check = Command::Verify(NewVerification {
        head: name("calcium"),
        dose,
        expected: ul(3_000),
        measured: ul(3_000),
        typed: Words::default(),
    });
    let denial = told(&mut world, check).unwrap_err();
    assert_eq!(denial.code, "verification-refused");
}

#[test]
fn a_calibration_of_simulated_runs_meters_nothing_live() {
    let mut world = world();
    world.live = false;
    world.restart_after(SECOND);
    world.sync();
    let id = start(&mut world, 3_000, DoseKind::Calibration).unwrap();
    world.run(5 * SECOND);
    let mut guided = runs(&GOOD);
    guided.runs[0].dose = Some(id);
    told(&mut world, Command::Calibrate(guided)).unwrap();
    assert!(prepare(&mut world, 3_000, DoseKind::Hand).is_ok());
    world.live = true;
    world.restart_after(SECOND);
    world.sync();
    let by_volume = Command::Prepare(Wish::Dose {
        line: name("calcium"),
        volume: ul(3_000),
        kind: DoseKind::Hand,
    });
    assert_eq!(
        told(&mut world, by_volume).unwrap_err().code,
        "uncalibrated"
    );
}

#[test]
fn a_check_passes_within_the_tolerance_and_fails_beyond_and_is_kept() {
    let mut world = world();
    told(&mut world, Command::Calibrate(runs(&GOOD))).unwrap();
    let id = world.by_hand("calcium", 3_000, DoseKind::Calibration);
    id.unwrap();
    world.run(30 * SECOND);
    let (dose, outcome) = world
        .books
        .outcomes
        .iter()
        .last()
        .map(|(id, o)| (*id, o.clone()))
        .unwrap();
    let check = |measured: i64, dose| {
        Command::Verify(NewVerification {
            head: name("calcium"),
            dose,
            expected: outcome.delivered,
            measured: ul(measured),
            typed: Words::default(),
        })
    };
    for (measured, word) in [(3_000, "passed"), (2_860, "passed"), (2_840, "FAILED")] {
        let Answer::Done { text } = told(&mut world, check(measured, dose)).unwrap() else {
            panic!("no words");
        };
        assert!(text.contains(word), "{text}");
    }
    let kept: Vec<_> = world
        .books
        .entries
        .iter()
        .filter_map(|e| {
            let Entry::Verification(v) = e else {
                return None;
            };
            Some(v.clone())
        })
        .collect();
    assert_eq!(kept.len(), 3);
    assert_eq!(kept[0].run_since, outcome.on_time.unwrap());
    let future = DoseId(dose.0 + 1);
    let denial = told(&mut world, check(3_000, future)).unwrap_err();
    assert_eq!(denial.code, "verification-refused");
}

#[test]
fn a_run_is_booked_by_the_calibration_that_it_was_begun_with() {
    for was_calibrated in [true, false] {
        let mut world = if was_calibrated {
            world()
        } else {
            uncalibrated()
        };
        let id = start(&mut world, 8_000, DoseKind::Calibration).unwrap();
        let most = world.books.intents[&id].0.volume;
        world.run(SECOND);
        told(&mut world, sure(&SLOW, 18.0)).unwrap();
        world.run(3 * SECOND);
        told(&mut world, Command::StopRun { dose: id }).unwrap();
        world.run(SECOND);
        let booked = world.books.outcomes[&id].delivered;
        let flowed = world.flows.last().unwrap().volume;
        if was_calibrated {
            assert_eq!(booked.as_ul(), flowed);
        } else {
            // The most that a head of unknown rate gives, for half of the time.
            let half = most.scaled(0.5).unwrap();
            assert!(booked > half && booked < most, "{booked} of {most}");
        }
    }
}
