//! Sessions at the bench.

use super::rig::{DAY, HOUR, MINUTE, SECOND, World, calcium_at, demo, name, ul, unlimited_hours};
use crate::engine::{
    Answer, BenchAsk, Command, Denial, Event, LineState, NewBench, NewMeasured, Ticket, Wish,
};
use crate::quantity::{Millis, Volume, Words};
use crate::record::{
    Bench, BenchStep, CalibrationRun, Destination, DoseEnd, DoseId, DoseKind, Entry, Who,
};

/// Calcium late in the evening: 3 mL.
fn world() -> World {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    unlimited_hours(&mut controller);
    let plan = calcium_at("\"23:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world
}

fn open_with(
    world: &mut World,
    head: &str,
    cap: Option<i64>,
    days: Option<u32>,
) -> Result<Answer, Denial> {
    world.told(Command::Bench(BenchAsk::Open(NewBench {
        head: name(head),
        cap: cap.map(ul),
        bucket_days: days,
        note: Words::default(),
    })))
}

fn open(world: &mut World) {
    open_with(world, "calcium", None, None).unwrap();
}

fn back(world: &mut World) -> Result<Answer, Denial> {
    world.told(Command::Bench(BenchAsk::Back {
        head: name("calcium"),
    }))
}

fn run(world: &mut World, ms: i64) -> Result<DoseId, Denial> {
    let wish = Wish::Run {
        head: name("calcium"),
        run_time: Millis::new(ms),
        kind: DoseKind::Prime,
    };
    let Answer::DoseStarted { id, .. } = world.wished(wish)? else {
        panic!("not started");
    };
    world.run(ms + 2 * SECOND);
    Ok(id)
}

fn words(world: &World) -> Vec<BenchStep> {
    let step = |e: &Entry| {
        let Entry::Bench(Bench { what, .. }) = e else {
            return None;
        };
        Some(*what)
    };
    world.books.entries.iter().filter_map(step).collect()
}

fn hand(world: &mut World) -> String {
    match world.by_hand("calcium", 3_000, DoseKind::Hand) {
        Ok(_) => "given".to_owned(),
        Err(denial) => denial.code,
    }
}

#[test]
fn while_a_head_is_at_the_bench_its_line_gives_nothing_to_the_tank() {
    let mut world = world();
    open(&mut world);
    assert_eq!(hand(&mut world), "bench");
    let line = world.line("calcium");
    assert_eq!(line.state, LineState::Bench);
    let reason = line.reason.unwrap();
    assert!(
        reason.code == "bench" && reason.text.contains("bench calcium back"),
        "{reason:?}"
    );
    // To the slot at 23:00 local time, with a word now and then.
    for _ in 0..80 {
        run(&mut world, 1_000).unwrap();
        world.run(15 * MINUTE);
    }
    let missed = world.not_given();
    assert_eq!(missed.len(), 1);
    assert_eq!(missed[0].code, "bench");
    back(&mut world).unwrap();
    assert_ne!(world.line("calcium").state, LineState::Bench);
    assert_eq!(hand(&mut world), "given");
    assert_eq!(words(&world), [BenchStep::Opened, BenchStep::OutletBack]);
}

#[test]
fn a_run_at_the_bench_is_in_the_bottle_and_the_record_and_not_in_the_tank() {
    let mut world = world();
    let left = world.books.refills[&name("calcium")];
    open(&mut world);
    let id = run(&mut world, 6_000).unwrap();
    let (intent, _) = &world.books.intents[&id];
    assert_eq!(intent.into, Destination::Bench);
    let given = world.books.outcomes[&id].delivered;
    assert!(given > ul(2_000), "{given}");
    assert_eq!(
        world.books.refills[&name("calcium")],
        left.saturating_sub(given)
    );
    let line = world.line("calcium");
    assert_eq!(
        (line.delivered_24h.unwrap(), line.delivered_today.unwrap()),
        (Volume::ZERO, Volume::ZERO)
    );
    let heads = world.status().heads;
    let head = heads.iter().find(|h| h.name == name("calcium")).unwrap();
    assert_eq!(head.bench.as_ref().unwrap().given, given);
    assert_eq!(head.run_since_calibration_s, Some(6));
}

#[test]
fn runs_at_the_bench_pass_the_caps_of_the_tank_and_are_held_to_their_own() {
    let mut world = world();
    let line = world.line("calcium");
    let run_max = world.controller.heads[&name("calcium")].run_max.as_ms();
    open_with(
        &mut world,
        "calcium",
        Some(2 * line.daily_cap.as_ul()),
        None,
    )
    .unwrap();
    let mut given = Volume::ZERO;
    let refused = loop {
        match run(&mut world, run_max) {
            Ok(id) => given = given.saturating_add(world.books.outcomes[&id].delivered),
            Err(denial) => break denial.code,
        }
    };
    assert_eq!(refused, "bench-cap");
    assert!(
        given > line.daily_cap && given <= line.daily_cap.scaled(2.0).unwrap(),
        "{given}"
    );
    back(&mut world).unwrap();
    assert_eq!(
        hand(&mut world),
        "given",
        "nothing of it counts in the tank"
    );
}

#[test]
fn a_hold_stops_a_run_at_the_bench_and_its_longest_run_holds() {
    let mut world = world();
    open(&mut world);
    let run_max = world.controller.heads[&name("calcium")].run_max.as_ms();
    assert_eq!(
        run(&mut world, run_max + 1).unwrap_err().code,
        "run-too-long"
    );
    world.hold(Some("calcium"), "wait");
    assert_eq!(run(&mut world, 1_000).unwrap_err().code, "held");
    assert_eq!(world.line("calcium").state, LineState::Held);
}

#[test]
fn a_session_without_a_word_for_half_an_hour_counts_as_given_to_the_tank() {
    let mut world = world();
    open(&mut world);
    let id = run(&mut world, 6_000).unwrap();
    let given = world.books.outcomes[&id].delivered;
    world.run(29 * MINUTE);
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), Volume::ZERO);
    assert!(!world.has_alarm("bench-silent"));
    world.run(2 * MINUTE);
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), given);
    assert!(world.has_alarm("bench-silent"));
    assert_eq!(
        (hand(&mut world), run(&mut world, 1_000).unwrap_err().code),
        ("bench".to_owned(), "bench".to_owned())
    );
    // After a restart too, until the outlet is said to be back.
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), given);
    assert_eq!(hand(&mut world), "bench");
    back(&mut world).unwrap();
    assert!(!world.has_alarm("bench-silent"));
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), given);
    assert_eq!(hand(&mut world), "given");
    world.restart_after(SECOND);
    world.sync();
    assert!(world.line("calcium").delivered_24h.unwrap() >= given);
    assert_eq!(
        words(&world),
        [BenchStep::Opened, BenchStep::Silent, BenchStep::OutletBack]
    );
}

#[test]
fn a_restart_in_the_middle_of_a_session_counts_its_runs_as_given_to_the_tank() {
    let mut world = world();
    open(&mut world);
    let whole = run(&mut world, 6_000).unwrap();
    let cut = {
        let wish = Wish::Run {
            head: name("calcium"),
            run_time: Millis::new(6_000),
            kind: DoseKind::Prime,
        };
        let Answer::DoseStarted { id, .. } = world.wished(wish).unwrap() else {
            panic!("not started");
        };
        id
    };
    world.run(SECOND);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    assert_eq!(world.books.outcomes[&cut].end, DoseEnd::Uncertain);
    let given = |id| world.books.outcomes[&id].delivered;
    let both = given(whole).saturating_add(given(cut));
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), both);
    assert!(world.has_alarm("bench-silent"));
    assert_eq!(hand(&mut world), "bench");
}

#[test]
fn the_predicted_level_moves_when_a_session_falls_silent_and_not_before() {
    let mut world = World::demo("2026-06-10T01:00:00Z");
    open_with(&mut world, "alkalinity", None, None).unwrap();
    let before = world.prediction().unwrap().value;
    let wish = Wish::Run {
        head: name("alkalinity"),
        run_time: Millis::new(6_000),
        kind: DoseKind::Prime,
    };
    world.wished(wish).unwrap();
    assert_eq!(world.running(), 1);
    let running = world.prediction().unwrap().value;
    assert!(running <= before, "{running} {before}");
    world.run(10 * SECOND);
    let at_bench = world.prediction().unwrap().value;
    assert!(at_bench <= before, "{at_bench} {before}");
    world.run(31 * MINUTE);
    let silent = world.prediction().unwrap().value;
    assert!(silent > at_bench, "{silent} {at_bench}");
    world.restart_after(SECOND);
    world.sync();
    let after = world.prediction().unwrap().value;
    assert!((after - silent).abs() < 0.01, "{after} {silent}");
}

#[test]
fn the_bucket_week_runs_the_plan_beside_the_tank_over_restarts_until_its_days_are_over() {
    let mut world = world();
    open_with(&mut world, "calcium", None, Some(3)).unwrap();
    world.run(20 * HOUR);
    let (intent, _) = world
        .books
        .intents
        .values()
        .next()
        .expect("the slot at 23:00");
    assert_eq!(
        (intent.kind, intent.into),
        (DoseKind::Plan, Destination::Bench)
    );
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), Volume::ZERO);
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(words(&world), [BenchStep::Opened]);
    world.run(DAY);
    assert_eq!(world.books.intents.len(), 2);
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), Volume::ZERO);
    // The third evening, and then the days are over.
    world.run(DAY + 12 * HOUR);
    assert_eq!(world.books.intents.len(), 3);
    assert_eq!(words(&world), [BenchStep::Opened, BenchStep::Silent]);
    world.run(DAY);
    assert_eq!(world.not_given().last().unwrap().code, "bench");
}

#[test]
fn what_goes_into_a_bucket_is_held_to_the_dose_cap_and_the_daily_cap() {
    let mut world = world();
    open_with(&mut world, "calcium", None, Some(3)).unwrap();
    let line = world.line("calcium");
    let over = line.dose_cap.as_ul() + 1;
    assert_eq!(
        world
            .by_hand("calcium", over, DoseKind::Hand)
            .unwrap_err()
            .code,
        "dose-cap"
    );
    let mut given = 0;
    let refused = loop {
        match world.by_hand("calcium", 8_000.min(line.dose_cap.as_ul()), DoseKind::Hand) {
            Ok(_) => given += 1,
            Err(denial) => break denial.code,
        }
        world.run(MINUTE);
        assert!(given < 1_000, "no cap held");
    };
    assert_eq!(refused, "daily-cap", "after {given}");
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), Volume::ZERO);
}

#[test]
fn a_session_is_not_opened_twice_or_while_the_line_doses_or_with_nonsense() {
    let mut world = world();
    world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap();
    world.run(SECOND);
    assert_eq!(
        open_with(&mut world, "calcium", None, None)
            .unwrap_err()
            .code,
        "head-busy"
    );
    world.run(MINUTE);
    for (cap, days) in [
        (Some(0), None),
        (Some(9_000_000), None),
        (None, Some(0)),
        (None, Some(60)),
    ] {
        assert_eq!(
            open_with(&mut world, "calcium", cap, days)
                .unwrap_err()
                .code,
            "bad-value"
        );
    }
    assert_eq!(back(&mut world).unwrap_err().code, "bench-not-open");
    open(&mut world);
    assert_eq!(
        open_with(&mut world, "calcium", None, None)
            .unwrap_err()
            .code,
        "bench-open"
    );
    let wish = Wish::Run {
        head: name("calcium"),
        run_time: Millis::new(6_000),
        kind: DoseKind::Prime,
    };
    world.wished(wish).unwrap();
    assert_eq!(back(&mut world).unwrap_err().code, "head-busy");
    assert!(open_with(&mut world, "nonsense", None, None).is_err());
}

#[test]
fn a_new_tube_voids_the_calibration_after_a_restart_too() {
    let mut world = world();
    let tube = || {
        Command::Bench(BenchAsk::NewTube {
            head: name("calcium"),
            note: "3 x 5 mm".into(),
        })
    };
    assert_eq!(world.told(tube()).unwrap_err().code, "bench-not-open");
    open(&mut world);
    run(&mut world, 6_000).unwrap();
    world.told(tube()).unwrap();
    back(&mut world).unwrap();
    assert_eq!(hand(&mut world), "uncalibrated");
    let head = |world: &mut World| {
        let heads = world.status().heads;
        let head = heads
            .into_iter()
            .find(|h| h.name == name("calcium"))
            .unwrap();
        (head.rate.is_some(), head.run_since_calibration_s)
    };
    assert_eq!(head(&mut world), (false, None));
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(head(&mut world), (false, None));
    assert_eq!(hand(&mut world), "uncalibrated");
}

#[test]
fn a_line_that_was_put_on_hold_before_is_calibrated_at_the_bench_and_stays_on_hold_for_the_tank() {
    let mut world = world();
    world.hold(Some("calcium"), "bad test");
    let Answer::Done { text } = open_with(&mut world, "calcium", None, None).unwrap() else {
        panic!("no words");
    };
    assert!(text.contains("line calcium stays on hold"), "{text}");
    let id = run(&mut world, 6_000).unwrap();
    assert_eq!(world.books.intents[&id].0.into, Destination::Bench);
    assert_eq!(world.books.outcomes[&id].end, DoseEnd::Delivered);
    assert_eq!(hand(&mut world), "held");
    back(&mut world).unwrap();
    assert_eq!(hand(&mut world), "held");
    assert_eq!(run(&mut world, 6_000).unwrap_err().code, "held");
    world.run(18 * HOUR);
    assert_eq!(world.not_given()[0].code, "held");
}

#[test]
fn a_hold_that_comes_while_the_outlet_is_out_stops_the_bench_until_it_is_lifted() {
    // The same words as before, too: whoever says it again means it now.
    for (scope, reason) in [(Some("calcium"), "bad test"), (None, "hands at the head")] {
        let mut world = world();
        world.hold(Some("calcium"), "bad test");
        open(&mut world);
        let wish = Wish::Run {
            head: name("calcium"),
            run_time: Millis::new(6_000),
            kind: DoseKind::Prime,
        };
        world.wished(wish).unwrap();
        assert_eq!(world.running(), 1);
        world.hold(scope, reason);
        assert_eq!(world.running(), 0);
        world.run(SECOND);
        let refused = run(&mut world, 1_000).unwrap_err();
        assert_eq!(refused.code, "held");
        if scope.is_none() {
            assert!(refused.text.contains("dosewright hold LINE"), "{refused:?}");
            world.resume(None);
            let refused = run(&mut world, 1_000).unwrap_err();
            assert!(
                refused.text.contains("dosewright resume calcium"),
                "{refused:?}"
            );
        }
        world.resume(Some("calcium"));
        run(&mut world, 1_000).unwrap();
    }
}

fn measured(world: &mut World, id: DoseId, volume: i64, used: bool) -> Result<Answer, Denial> {
    world.told(Command::Bench(BenchAsk::Measured(NewMeasured {
        head: name("calcium"),
        run: CalibrationRun {
            on_time: Millis::new(3_000),
            volume: ul(volume),
            typed: format!("{volume} uL"),
            dose: Some(id),
            used,
        },
    })))
}

/// What is kept of measured runs: volume, and whether it is used.
fn kept(world: &World) -> Vec<(i64, bool)> {
    let newest = world.books.entries.iter().rev().find_map(|e| {
        let Entry::Bench(bench) = e else { return None };
        Some(bench.runs.clone())
    });
    let runs = newest.unwrap_or_default();
    runs.iter().map(|r| (r.volume.as_ul(), r.used)).collect()
}

fn calibration_run(world: &mut World) -> DoseId {
    let wish = Wish::Run {
        head: name("calcium"),
        run_time: Millis::new(3_000),
        kind: DoseKind::Calibration,
    };
    let Answer::DoseStarted { id, .. } = world.wished(wish).unwrap() else {
        panic!("not started");
    };
    world.run(5 * SECOND);
    id
}

#[test]
fn a_measured_run_is_kept_at_once_over_silence_restart_and_outlet_back_until_it_is_in_a_calibration()
 {
    let mut world = world();
    open(&mut world);
    let primed = run(&mut world, 1_000).unwrap();
    assert_eq!(
        measured(&mut world, primed, 500, true).unwrap_err().code,
        "not-measured"
    );
    let (first, second) = (calibration_run(&mut world), calibration_run(&mut world));
    assert_eq!(
        measured(&mut world, primed, 500, true).unwrap_err().code,
        "not-measured",
        "of that dose nothing was measured, although of others"
    );
    measured(&mut world, first, 9_000, true).unwrap();
    measured(&mut world, first, 1_500, true).unwrap();
    measured(&mut world, second, 1_600, true).unwrap();
    measured(&mut world, second, 1_600, false).unwrap();
    let both = [(9_000, false), (1_500, true), (1_600, false)];
    assert_eq!(kept(&world), both);
    world.restart_after(SECOND);
    world.sync();
    world.run(SECOND);
    let denial = measured(&mut world, second, 1_510, true).unwrap_err();
    assert!(
        denial.text.contains("bench calcium open"),
        "{}",
        denial.text
    );
    // Whoever opens a silent session again says that the outlet is in a vessel; what was given before counts on.
    let counted = world.line("calcium").delivered_24h;
    assert!(counted > Some(Volume::ZERO));
    open(&mut world);
    assert!(!world.has_alarm("bench-silent"));
    measured(&mut world, second, 1_510, true).unwrap();
    assert_eq!(world.line("calcium").delivered_24h, counted);
    back(&mut world).unwrap();
    open(&mut world);
    assert_eq!(kept(&world), [&both[..], &[(1_510, true)]].concat());
    world
        .told(Command::Bench(BenchAsk::NewTube {
            head: name("calcium"),
            note: Words::default(),
        }))
        .unwrap();
    assert_eq!(kept(&world), [], "of another tube");
}

#[test]
fn every_word_on_a_session_is_written_down_with_who_said_it_and_when() {
    let mut world = world();
    open(&mut world);
    let id = calibration_run(&mut world);
    let run = CalibrationRun {
        on_time: Millis::new(3_000),
        volume: ul(1_500),
        typed: "1.5 mL".to_owned(),
        dose: Some(id),
        used: true,
    };
    let head = || name("calcium");
    let asked = [
        BenchAsk::Measured(NewMeasured { head: head(), run }),
        BenchAsk::NewTube {
            head: head(),
            note: "a softer one".into(),
        },
        BenchAsk::Back { head: head() },
    ];
    let mut said = Vec::new();
    for (ticket, ask) in (1_000..).zip(asked) {
        world.run(MINUTE);
        let who = Who::Local {
            uid: u32::try_from(ticket).unwrap(),
        };
        said.push((who.clone(), world.now().elapsed));
        world.feed(Event::Command {
            ticket: Ticket(ticket),
            who,
            command: Command::Bench(ask),
            nonce: None,
        });
        world.run(SECOND);
    }
    let words: Vec<&Bench> = world
        .books
        .entries
        .iter()
        .filter_map(|e| {
            let Entry::Bench(bench) = e else { return None };
            Some(bench)
        })
        .collect();
    let steps = [
        BenchStep::Opened,
        BenchStep::Measured,
        BenchStep::NewTube,
        BenchStep::OutletBack,
    ];
    assert_eq!(words.iter().map(|w| w.what).collect::<Vec<_>>(), steps);
    for (word, (who, at)) in words[1..].iter().zip(said) {
        assert_eq!((&word.who, word.at.elapsed), (&who, at), "{:?}", word.what);
    }
    assert_eq!(words[2].note, "a softer one");
}

#[test]
fn what_the_plan_gives_into_a_bucket_is_no_run_of_the_session_over_restarts_too() {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    unlimited_hours(&mut controller);
    let plan = calcium_at("\"08:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    run_before(&mut world);
    open_with(&mut world, "calcium", None, Some(7)).unwrap();
    let id = run(&mut world, 3_000).unwrap();
    let of_run = world.books.outcomes[&id].delivered;
    world.run(4 * HOUR);
    let planned: Vec<_> = world
        .books
        .intents
        .values()
        .filter(|(i, _)| i.kind == DoseKind::Plan)
        .collect();
    assert_eq!(planned.len(), 1);
    assert_eq!(planned[0].0.into, Destination::Bench);
    let given = |world: &mut World| {
        let heads = world.status().heads;
        let head = heads
            .into_iter()
            .find(|h| h.name == name("calcium"))
            .unwrap();
        head.bench.unwrap().given
    };
    assert_eq!(given(&mut world), of_run);
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(given(&mut world), of_run);
}

/// A run of another head and one of before the session belong to no session of this head.
fn run_before(world: &mut World) {
    open(world);
    run(world, 2_000).unwrap();
    back(world).unwrap();
}
