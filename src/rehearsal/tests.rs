//! The rehearsal rehearsed: its models do what a scenario says, and what goes wrong is found.

use std::collections::BTreeMap;
use std::ops::ControlFlow;

use jiff::civil::date;

use super::chance::Chance;
use super::found::{Found, LineFound};
use super::owner::Keeper;
use super::plant::Trouble;
use super::run::Rehearsal;
use super::stage::Stage;
use super::watch::{Flow, Rule, Sight, Watch};
use super::water::{Tester, Uptake};
use super::{SCENARIOS, scenario, summary};
use crate::chemistry::Quantity;
use crate::config::{
    Controller, Fault, FaultKind, FaultWhen, Loaded, Scenario, check_texts, system_zone,
};
use crate::engine::Command;
use crate::ledger::{Ledger, Timeline};
use crate::plan::check_plan;
use crate::quantity::{Millis, Volume, f64_from_i64, name};
use crate::record::{Carried, HoldScope};

const ALKALINITY: Quantity = Quantity::Alkalinity;

fn demo() -> Loaded {
    let heads = include_str!("../../config/controller.toml");
    let plan = include_str!("../../config/plan.toml");
    let texts = [("controller.toml", heads), ("plan.toml", plan)];
    check_texts(texts, &system_zone, &check_plan).unwrap()
}

fn said(text: &str) -> Scenario {
    Scenario::read(("scenario", text)).unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

/// The demo reef as the scenario has it, with what the test changes before it begins, and looks at when it is over.
fn rehearsed<T>(
    (loaded, scenario): (&Loaded, &Scenario),
    (days, seed): (u32, u64),
    before: impl FnOnce(&mut Stage),
    after: impl FnOnce(Stage, Found) -> T,
) -> T {
    let folder = tempfile::tempdir().unwrap();
    let begin = date(2026, 12, 1);
    let zone = &loaded.controller.time_zone;
    let at = zone.to_ambiguous_timestamp(begin.at(0, 0, 0, 0));
    let rehearsal = Rehearsal {
        loaded,
        scenario: ("test", scenario),
        days,
        seed,
        begins: (begin, at.compatible().unwrap()),
        ledger: &folder.path().join("ledger.db"),
        timeline: Timeline::Virtual,
    };
    let mut stage = rehearsal.begin().unwrap();
    before(&mut stage);
    let found = rehearsal.play(&mut stage, &mut |_| ControlFlow::Continue(()));
    after(stage, found.unwrap())
}

fn found(scenario: &str, days: u32, seed: u64) -> Found {
    rehearsed(
        (&demo(), &said(scenario)),
        (days, seed),
        |_| {},
        |_, found| found,
    )
}

fn rules(found: &Found) -> Vec<Rule> {
    found.broken.iter().map(|broken| broken.rule).collect()
}

fn close(a: f64, b: f64, within: f64) {
    assert!((a - b).abs() <= within, "{a} is not {b} within {within}");
}

#[test]
fn the_demo_reef_as_planned_is_dosed_in_full_and_breaks_no_rule() {
    let found = found("", 6, 1);
    assert_eq!(found.broken, []);
    assert_eq!((found.violations, found.ended.clone()), (0, None));
    assert_eq!(found.refusals, BTreeMap::new());
    // 24 and 24 a day, 3 and 2, one on Wednesday and one on Friday; what is due when it begins is none of it.
    assert_eq!(found.doses, 6 * 53 + 2 - 1);
    assert!(found.lines.values().all(|line| line.not_given == 0));
    let water = &found.water[&ALKALINITY];
    close(water.share_within_half_dkh.unwrap(), 1.0, 0.0);
    assert!(water.largest_distance < 0.15 && water.largest_move_24h < 0.1);
}

#[test]
fn the_tank_holds_what_it_began_with_and_got_less_what_was_taken_up() {
    let loaded = demo();
    let scenario = said("[water.alkalinity]\nstart-dkh = 8.5\nuptake-percent-of-plan = 110\n");
    rehearsed(
        (&loaded, &scenario),
        (5, 3),
        |_| {},
        |stage, found| {
            let level = &stage.world.water.levels[&ALKALINITY];
            close(level.now(), 8.5 + level.added - level.taken, 1e-12);
            close(level.taken, 5.0 * 0.8 * 1.1, 1e-9);
            let effect = loaded.controller.effect_of(&name("alkalinity")).unwrap();
            let delivered = found.lines[&name("alkalinity")].delivered;
            let added = effect.rise(&ALKALINITY, delivered, loaded.controller.tank);
            close(level.added, added, 1e-9);
            // What left the bottle is what went in.
            let bottle = &stage.world.bottles[&name("alkalinity")];
            assert_eq!(bottle.began.saturating_sub(bottle.holds), delivered);
        },
    );
}

#[test]
fn no_more_is_taken_up_than_is_there() {
    let scenario = said("[water.alkalinity]\nstart-dkh = 4\nuptake-percent-of-plan = 1000\n");
    rehearsed(
        (&demo(), &scenario),
        (1, 1),
        |_| {},
        |stage, _| {
            let level = &stage.world.water.levels[&ALKALINITY];
            assert!(
                level.hours.iter().all(|hour| *hour >= 0.0),
                "{:?}",
                level.hours
            );
            assert!(level.now() < 0.1, "{}", level.now());
        },
    );
}

#[test]
fn the_same_seed_is_the_same_run_and_another_is_not() {
    let one = found("", 3, 7);
    assert_eq!(one, found("", 3, 7));
    assert_ne!(one.digest, found("", 3, 8).digest);
}

#[test]
fn the_record_of_a_rehearsal_passes_the_check_of_the_ledger() {
    rehearsed(
        (&demo(), &said("")),
        (3, 1),
        |_| {},
        |stage, found| {
            let path = stage.world.ledger.as_ref().unwrap().path().to_path_buf();
            drop(stage);
            let report = Ledger::open_to_read(&path).unwrap().check().unwrap();
            assert!(report.is_clean(), "{report:?}");
            assert_eq!(report.doses, found.doses);
        },
    );
}

#[test]
fn a_head_that_gives_twice_is_found() {
    let head = name("alkalinity");
    let twice = |stage: &mut Stage| stage.world.heads.get_mut(&head).unwrap().gives_times = 2.0;
    rehearsed((&demo(), &said("")), (1, 1), twice, |_, found| {
        assert!(found.violations > 0);
        assert!(
            rules(&found).contains(&Rule::NoRecord),
            "{:?}",
            found.broken
        );
        assert!(rules(&found).contains(&Rule::DoseCap), "{:?}", found.broken);
        assert!(
            rules(&found).contains(&Rule::ExactBooks),
            "{:?}",
            found.broken
        );
        assert!(
            summary(&[&found]).contains("BROKEN at 2026-"),
            "{}",
            summary(&[&found])
        );
    });
}

#[test]
fn a_head_that_stays_on_is_found_and_ends_the_engine() {
    let stuck = |stage: &mut Stage| stage.world.trouble = Trouble::NeverEnds;
    rehearsed((&demo(), &said("")), (1, 1), stuck, |_, found| {
        assert!(found.ended.is_some());
        assert!(
            rules(&found).contains(&Rule::NoRecord),
            "{:?}",
            found.broken
        );
    });
}

#[test]
fn a_dose_without_a_stored_intent_is_found() {
    let lies = |stage: &mut Stage| stage.world.trouble = Trouble::Lies;
    rehearsed((&demo(), &said("")), (1, 1), lies, |_, found| {
        assert_eq!(
            rules(&found).first(),
            Some(&Rule::NoRecord),
            "{:?}",
            found.broken
        );
    });
}

fn until_a_head_runs(stage: &mut Stage) {
    let mut until = Millis::ZERO;
    while stage.world.heads.values().all(|head| head.run.is_none()) {
        until = until.plus(Millis::from_secs(1));
        stage.until(until).unwrap();
    }
}

/// Everything is held while a head runs.
fn held(trouble: Trouble) -> Vec<Rule> {
    let held = |stage: &mut Stage| {
        stage.world.trouble = trouble;
        until_a_head_runs(stage);
        let mut keeper = Keeper::new(&said(""), &BTreeMap::new(), 1);
        let hold = Command::Hold {
            scope: HoldScope::All,
            reason: "hands in the sump".into(),
            length: None,
        };
        keeper.ask(stage, hold).unwrap().unwrap();
    };
    let mut found = Vec::new();
    rehearsed((&demo(), &said("")), (1, 1), held, |_, all| {
        found = rules(&all);
    });
    found
}

#[test]
fn a_hold_that_does_not_stop_a_head_is_found() {
    assert_eq!(held(Trouble::None), []);
    assert!(held(Trouble::IgnoresStops).contains(&Rule::HoldStops));
}

/// A watch that sees flows on the alkalinity line, each of so many minutes, microlitres and dKH.
fn watched(controller: &Controller, flows: &[(i64, i64, f64)]) -> Vec<Rule> {
    let mut found = Vec::new();
    let scenario = said("");
    rehearsed(
        (&demo(), &scenario),
        (0, 1),
        |_| {},
        |mut stage, _| {
            until_a_head_runs(&mut stage);
            let mut run = stage
                .world
                .heads
                .values_mut()
                .find_map(|head| head.run.take())
                .unwrap();
            run.intent.line = name("alkalinity");
            let mut watch = Watch::default();
            for (minute, ul, dkh) in flows {
                let ended = Millis::from_mins(*minute);
                let sight = Sight {
                    wall: stage.world.wall(),
                    now: ended,
                    controller,
                };
                let flow = Flow {
                    line: name("alkalinity"),
                    solution: name("soda-ash"),
                    began: ended.minus(Millis::from_secs(10)),
                    ended,
                    meant: f64_from_i64(*ul),
                    adds: Carried::from([(ALKALINITY, *dkh)]),
                };
                let hourly = Some(Volume::from_ul(8_000));
                watch.ended(&sight, (&run, 0.0, flow), hourly, &stage.world.uptakes);
            }
            found = watch.broken.iter().map(|b| b.rule).collect();
        },
    );
    found
}

#[test]
fn a_day_an_hour_and_a_rise_over_their_limits_are_found_to_the_microlitre() {
    let controller = demo().controller;
    let hourly = |ul, dkh| -> Vec<_> { (0..24).map(|h| (h * 60, ul, dkh)).collect() };
    // 24 x 4.166 mL are 99.984 mL of a cap of 100 mL; 24 x 0.0541 dKH are 1.2984 of 0.8 + 0.5.
    assert_eq!(watched(&controller, &hourly(4_166, 0.0541)), []);
    assert_eq!(
        watched(&controller, &hourly(4_168, 0.0541)),
        [Rule::DailyCap]
    );
    assert_eq!(watched(&controller, &hourly(4_166, 0.0543)), [Rule::Ramp]);
    assert_eq!(
        watched(
            &controller,
            &[(0, 4_000, 0.0), (60, 4_000, 0.0), (61, 4_000, 0.0)]
        ),
        []
    );
    assert_eq!(
        watched(
            &controller,
            &[(0, 4_000, 0.0), (30, 4_000, 0.0), (59, 100, 0.0)]
        ),
        [Rule::HourlyCap]
    );
}

#[test]
fn a_bottle_that_runs_dry_stops_its_line_and_no_other() {
    let mut loaded = demo();
    let calcium = name("calcium");
    let bottle = loaded.controller.reservoirs.get_mut(&calcium).unwrap();
    bottle.capacity = Volume::from_ul(300_000);
    let scenario = said("[owner]\nrefills-after-days = 300\n");
    rehearsed(
        (&loaded, &scenario),
        (5, 1),
        |_| {},
        |_, found| {
            assert_eq!(found.broken, []);
            let line = &found.lines[&calcium];
            assert!(line.delivered < Volume::from_ul(205_000), "{line:?}");
            assert_eq!(
                found.refusals,
                BTreeMap::from([("reservoir-used-up".to_owned(), line.not_given)])
            );
            assert!(line.not_given > 40, "{line:?}");
            assert_eq!(found.reservoirs[&calcium].empty_days, 3);
            assert_eq!(found.lines[&name("alkalinity")].not_given, 0);
            assert!(
                found.tasks.contains_key("reservoir-low calcium"),
                "{:?}",
                found.tasks
            );
        },
    );
}

#[test]
fn low_bottles_are_filled_and_nobody_does_anything_while_away() {
    let mut loaded = demo();
    let bottle = loaded
        .controller
        .reservoirs
        .get_mut(&name("calcium"))
        .unwrap();
    bottle.capacity = Volume::from_ul(700_000);
    let run = |text: &str| rehearsed((&loaded, &said(text)), (9, 1), |_| {}, |_, found| found);
    let there = run("[water.alkalinity]\ntest-every-days = 1\n");
    let filled = &there.reservoirs[&name("calcium")].refilled_on;
    assert_eq!(filled.first(), Some(&2), "{there:?}");
    assert_eq!(there.water[&ALKALINITY].readings.len(), 9);
    let away =
        run("[water.alkalinity]\ntest-every-days = 1\n[owner]\naway-from-day = 1\naway-days = 7\n");
    let tested = away.water[&ALKALINITY].readings.iter().map(|r| r.0);
    assert_eq!(tested.collect::<Vec<_>>(), [0, 8]);
    assert_eq!(away.reservoirs[&name("calcium")].refilled_on, [8]);
}

#[test]
fn whoever_chases_every_test_moves_the_water_more_than_who_leaves_it_alone() {
    let kit = "[water.alkalinity]\ntest-every-days = 2\ntest-error-dkh = 0.4\n";
    let left = found(
        &format!("{kit}[owner]\nkind = \"changes-nothing\"\n"),
        10,
        1,
    );
    let chased = found(&format!("{kit}[owner]\nkind = \"chases-tests\"\n"), 10, 1);
    assert_eq!((left.changes, left.violations), (0, 0));
    assert!(chased.changes >= 3, "{chased:?}");
    assert_eq!(chased.broken, []);
    let moved = |found: &Found| found.water[&ALKALINITY].largest_move_24h;
    assert!(
        moved(&chased) > moved(&left) + 0.1,
        "{} {}",
        moved(&chased),
        moved(&left)
    );
}

#[test]
fn an_owner_who_follows_is_asked_and_the_water_comes_back_after_a_step() {
    let mut loaded = demo();
    for line in &mut loaded.controller.lines {
        line.daily_cap = line.daily_cap.saturating_add(line.daily_cap);
    }
    // A head that scatters too much to be calibrated, or to meter what it is to give, from day 2 on is no reason to leave alkalinity alone.
    let iodine = name("iodine");
    let head = loaded.controller.heads.get_mut(&iodine).unwrap();
    head.calibration_age_max = Millis::from_mins(2 * 24 * 60);
    head.tolerance_percent = 4.0;
    let run = |kind: &str| {
        let text = format!(
            "[water.alkalinity]\ntest-every-days = 3\ntest-error-dkh = 0.05\n\
             [[water.alkalinity.uptake-step]]\nday = 4\npercent = 20\n[owner]\nkind = \"{kind}\"\n"
        );
        rehearsed((&loaded, &said(&text)), (32, 1), |_| {}, |_, found| found)
    };
    let off = |found: &Found| {
        let water = &found.water[&ALKALINITY];
        (water.by_day.last().unwrap() - water.target).abs()
    };
    let left = run("changes-nothing");
    assert_eq!((left.asked, left.changes, left.violations), (0, 0, 0));
    assert!(off(&left) > 2.0, "{}", off(&left));
    for kind in ["follows-advice", "grants-corridor"] {
        let followed = run(kind);
        assert_eq!(followed.broken, []);
        assert!(off(&followed) < 0.4, "{}", summary(&[&followed]));
        let refused = |why: &str| followed.refusals.get(why).copied().unwrap_or_default();
        let (not_metered, old) = (refused("not-metered"), refused("calibration-expired"));
        assert!(
            not_metered > 10 && not_metered + old > 40,
            "{:?}",
            followed.refusals
        );
        let water = &followed.water[&ALKALINITY];
        assert!((1..=4).contains(&water.asked), "{water:?}");
        assert_eq!(water.asked, followed.asked);
        let first = &water.changes_asked[0];
        assert!(
            first.day > 4 && first.told.starts_with("uptake from 0.8"),
            "{first:?}"
        );
        let shown = format!("  day {}: alkalinity: uptake from 0.8", first.day);
        assert!(
            summary(&[&followed]).contains(&shown),
            "{}",
            summary(&[&followed])
        );
    }
}

#[test]
fn a_small_head_that_scatters_is_calibrated_anew_and_goes_on() {
    let mut loaded = demo();
    let iodine = name("iodine");
    let head = loaded.controller.heads.get_mut(&iodine).unwrap();
    head.calibration_age_max = Millis::from_mins(2 * 24 * 60);
    let found = rehearsed((&loaded, &said("")), (8, 1), |_| {}, |_, found| found);
    // Until the owner comes, an old calibration gives nothing; a new one meters all.
    let why: Vec<_> = found.refusals.keys().map(String::as_str).collect();
    assert_eq!(why, ["calibration-expired"]);
    assert!(found.denied.is_empty(), "{:?}", found.denied);
}

#[test]
fn heads_that_drift_give_more_than_they_are_metered_for_until_they_are_calibrated() {
    let mut loaded = demo();
    for head in loaded.controller.heads.values_mut() {
        head.calibration_age_max = Millis::from_mins(5 * 24 * 60);
    }
    let text = "[heads]\ndrift-percent-per-30-days = 15\nscatter-percent = 0\n";
    let run = |calibrates: bool| {
        let scenario = said(&format!("{text}[owner]\ncalibrates = {calibrates}\n"));
        rehearsed((&loaded, &scenario), (8, 1), |_| {}, |_, found| found)
    };
    let part = |found: &Found| {
        let line = &found.lines[&name("alkalinity")];
        f64_from_i64(line.delivered.as_ul()) / f64_from_i64(line.planned.as_ul())
    };
    let (left, calibrated) = (run(false), run(true));
    assert_eq!(
        (left.violations, calibrated.violations),
        (0, 0),
        "{:?}",
        left.broken
    );
    // Half of 0.5 % a day times 8 days.
    close(part(&left), 1.02, 0.001);
    assert!(
        part(&calibrated) < part(&left) - 0.003,
        "{}",
        part(&calibrated)
    );
    assert!(calibrated.denied.is_empty(), "{:?}", calibrated.denied);
}

fn uptake(text: &str) -> Vec<f64> {
    let truth = said(&format!("[water.alkalinity]\n{text}"))
        .of(&ALKALINITY)
        .uptake;
    let mut uptake = Uptake::new(truth, 0.8, Chance::of(1, "uptake"));
    (0..200).map(|day| uptake.on_day(day)).collect()
}

#[test]
fn the_uptake_of_each_day_is_as_the_scenario_says() {
    assert!(uptake("").iter().all(|day| (day - 0.8).abs() < 1e-12));
    close(uptake("uptake-percent-of-plan = 108")[5], 0.864, 1e-12);
    close(
        uptake("uptake-growth-percent-per-day = 0.5")[60],
        0.8 * 1.3,
        1e-12,
    );
    let step = uptake("[[water.alkalinity.uptake-step]]\nday = 60\npercent = 15");
    close(step[59], 0.8, 1e-12);
    close(step[60], 0.92, 1e-12);
    let wave = uptake("uptake-wave-percent = 10\nuptake-wave-days = 28");
    close(wave[7], 0.88, 1e-12);
    close(wave[21], 0.72, 1e-12);
    let wander = uptake("uptake-wander-percent-per-day = 20");
    assert!(
        wander
            .iter()
            .all(|day| (0.3 - 1e-12..=1.6 + 1e-12).contains(day))
    );
    let steps = wander
        .windows(2)
        .filter(|pair| (pair[1] - pair[0]).abs() > 1e-9);
    assert!(steps.count() > 100);
}

#[test]
fn an_element_that_the_plan_ties_to_alkalinity_is_taken_up_along_with_it() {
    let scenario = said("[water.alkalinity]\nuptake-percent-of-plan = 150\n");
    rehearsed(
        (&demo(), &scenario),
        (1, 1),
        |_| {},
        |stage, _| {
            let calcium = Quantity::from_word("calcium").unwrap();
            let taken = stage.world.water.levels[&calcium].taken;
            // 0.8 dKH are 0.28532 meq, of 20.04 mg each.
            close(taken, 1.5 * 0.8 * 0.356_652 * 20.04, 1e-3);
        },
    );
}

fn tester(text: &str) -> Tester {
    let kit = said(&format!("[water.alkalinity]\n{text}"))
        .of(&ALKALINITY)
        .kit;
    Tester::new(kit, Chance::of(1, "kit"))
}

#[test]
fn a_kit_reads_to_its_step_with_its_error_its_bias_and_its_slips() {
    let exact = "test-error-dkh = 0\n";
    close(tester(exact).reads(8.14, 0), 8.1, 1e-9);
    close(
        tester(&format!("{exact}test-step-dkh = 0.5")).reads(8.2, 0),
        8.0,
        1e-9,
    );
    close(
        tester(&format!("{exact}test-bias-dkh = -0.3")).reads(8.0, 0),
        7.7,
        1e-9,
    );
    close(
        tester("test-error-dkh = 0.4\ntest-step-dkh = 0.6").uncertainty(),
        0.4_f64.hypot(0.6 / 12.0_f64.sqrt()),
        1e-12,
    );
    let mut noisy = tester("test-error-dkh = 0.2\ntest-step-dkh = 0");
    let errors: Vec<f64> = (0..2_000).map(|_| noisy.reads(8.0, 0) - 8.0).collect();
    close(
        (errors.iter().map(|e| e * e).sum::<f64>() / 2_000.0).sqrt(),
        0.2,
        0.01,
    );
    let mut slips = tester(&format!("{exact}test-slip-percent = 25\ntest-slip-dkh = 3"));
    let off = (0..400)
        .filter(|_| (slips.reads(8.0, 0) - 8.0).abs() > 2.9)
        .count();
    assert!((70..130).contains(&off), "{off}");
    let mut wanders = tester(&format!(
        "{exact}test-step-dkh = 0\ntest-bias-wander-dkh = 0.3"
    ));
    close(wanders.reads(8.0, 0), 8.0, 1e-12);
    assert!((wanders.reads(8.0, 30) - 8.0).abs() > 0.01);
}

#[test]
fn tests_come_when_they_are_due_and_some_are_missed() {
    let due = |text: &str| -> Vec<i64> {
        let mut tester = tester(text);
        (0..30).filter(|day| tester.is_due(*day)).collect()
    };
    assert_eq!(due("test-every-days = 7"), [0, 7, 14, 21, 28]);
    assert_eq!(due("test-every-days = 0"), [0_i64; 0]);
    let missed = due("test-every-days = 1\ntest-missed-percent = 50").len();
    assert!((8..22).contains(&missed), "{missed}");
}

#[test]
fn a_slip_that_is_asked_about_is_tested_again() {
    let text =
        "[water.alkalinity]\ntest-every-days = 1\ntest-slip-percent = 30\ntest-slip-dkh = 6\n";
    let found = found(text, 12, 2);
    assert!(found.denied["reading-questioned"] > 0, "{:?}", found.denied);
    assert_eq!(found.water[&ALKALINITY].readings.len(), 12);
}

#[test]
fn what_stands_ready_can_be_read_and_the_sample_says_what_holds_without_it() {
    for (known, _) in SCENARIOS {
        scenario(known)
            .unwrap()
            .unwrap_or_else(|mistakes| panic!("{known}: {mistakes}"));
    }
    assert!(scenario("as-plannd").is_none());
    let sample = scenario("as-planned").unwrap().unwrap();
    assert_eq!(sample.of(&ALKALINITY), said("").of(&ALKALINITY));
    assert_eq!(
        (sample.heads, sample.owner),
        (said("").heads, said("").owner)
    );
    // Every key that is commented out can be given.
    let given: String = SCENARIOS[0]
        .1
        .lines()
        .map(|line| match line.strip_prefix("# ") {
            Some(key)
                if key.starts_with("[[")
                    || key.split_once(" = ").is_some_and(|(k, _)| !k.contains(' ')) =>
            {
                key
            }
            _ => line,
        })
        .collect::<Vec<_>>()
        .join("\n");
    let given = said(&given);
    assert_eq!(given.of(&ALKALINITY).start, Some(8.25));
    assert_eq!(given.of(&ALKALINITY).uptake.steps, [(60.0, 0.15)]);
    assert_eq!(
        (given.heads.scatter, given.owner.away),
        (Some(0.01), Some((20, 41)))
    );
    let worn = Fault {
        what: FaultKind::HeadWorn(Some(name("alkalinity")), -0.12),
        when: FaultWhen::OnDay(40.0),
        lasts: Millis::ZERO,
    };
    assert_eq!(given.faults, [worn]);
}

#[test]
fn all_mistakes_of_a_fault_are_named_with_their_places() {
    let text = "[[fault]]\nwhat = \"power-cut\"\nday = 1\n[[fault]]\nwhat = \"head-worn\"\npercent = -5\n\
                [[fault]]\nwhat = \"daemon-stopped\"\nday = 1\ntimes-per-100-days = 2\nhours = 3\n\
                [[fault]]\nwhat = \"refill-late\"\nday = 2\nhours = 3\nhead = \"alk\"\npercent = 4\n\
                [[fault]]\nwhat = \"head-blocked\"\nday = 2\nhours = 3\nhead = \"Alk Line\"\n\
                [[fault]]\nwhat = \"powercut\"\n";
    let mistakes = Scenario::read(("mine.toml", text)).unwrap_err().to_string();
    for said in [
        "mine.toml:1:1: fault 1: hours is missing; \"power-cut\" needs it",
        "mine.toml:4:1: fault 2: give either day or times-per-100-days",
        "mine.toml:7:1: fault 3: give either day or times-per-100-days",
        "mine.toml:16:8: fault 4: head says nothing of \"refill-late\"; leave it out",
        "mine.toml:17:11: fault 4: percent says nothing of \"refill-late\"; leave it out",
        "mine.toml:22:8: fault 5: head = \"Alk Line\"",
        "mine.toml:24:8:",
        "\"daemon-stopped\"",
    ] {
        assert!(mistakes.contains(said), "{said} is not in {mistakes}");
    }
}

#[test]
fn all_mistakes_of_a_scenario_are_named_with_their_places() {
    let text = "[water.alkalinity]\ntest-eror-dkh = 1\nuptake-wave-percent = 300\n[owner]\nkind = \"lazy\"\n";
    let mistakes = Scenario::read(("mine.toml", text)).unwrap_err().to_string();
    for said in [
        "mine.toml:2:1: water.alkalinity.test-eror-dkh is an unknown key; did you mean test-error-dkh?",
        "mine.toml:3:23:",
        "0 to 100 %",
        "mine.toml:5:8:",
        "\"changes-nothing\" or \"chases-tests\"",
    ] {
        assert!(mistakes.contains(said), "{said} is not in {mistakes}");
    }
}

#[test]
fn the_json_has_the_keys_that_programs_go_by() {
    let found = found("[water.alkalinity]\ntest-every-days = 1\n", 2, 1);
    let json = serde_json::to_value(&found).unwrap();
    assert_eq!(
        (&json["violations"], &json["asked"]),
        (&0.into(), &0.into())
    );
    assert_eq!(
        (&json["days"], &json["doses"]),
        (&2.0.into(), &found.doses.into())
    );
    let water = &json["water"];
    let dkh = &water["alkalinity"];
    for key in [
        "share_within_half_dkh",
        "largest_distance",
        "largest_move_24h",
    ] {
        assert!(dkh[key].is_f64(), "{key} in {dkh}");
    }
    assert_eq!(dkh["asked"], 0);
    assert_eq!(dkh["readings"].as_array().unwrap().len(), 2);
    assert_eq!(dkh["by_day"].as_array().unwrap().len(), 2);
    assert!(water["calcium"]["share_within_5_percent"].is_f64());
    assert!(water["calcium"].get("share_within_half_dkh").is_none());
    assert!(json["lines"]["iodine"]["delivered_ul"].as_i64().unwrap() > 3_000);
    assert!(json["reservoirs"]["iodine"]["lasts_days"].is_f64());
}

#[test]
fn a_rehearsal_that_is_interrupted_tells_what_is_known_so_far() {
    let loaded = demo();
    let folder = tempfile::tempdir().unwrap();
    let begin = date(2026, 12, 1);
    let at = loaded
        .controller
        .time_zone
        .to_ambiguous_timestamp(begin.at(0, 0, 0, 0));
    let rehearsal = Rehearsal {
        loaded: &loaded,
        scenario: ("test", &said("")),
        days: 900,
        seed: 1,
        begins: (begin, at.compatible().unwrap()),
        ledger: &folder.path().join("ledger.db"),
        timeline: Timeline::Virtual,
    };
    let found = rehearsal.run(&mut |day| {
        if day < 2 {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        }
    });
    let found = found.unwrap();
    close(found.days, 2.0, 1e-9);
    assert!(found.doses > 100 && found.ended.is_some());
    assert!(summary(&[&found]).contains("ENDED EARLY: it was interrupted"));
}

#[test]
fn two_plans_stand_beside_each_other_and_what_is_the_same_is_said_once() {
    let one = found("", 2, 1);
    let mut two = one.clone();
    two.lines.get_mut(&name("iodine")).unwrap().not_given = 7;
    let text = summary(&[&one, &two]);
    let rows = |word: &str| text.lines().filter(|l| l.starts_with(word)).count();
    assert_eq!((rows("line iodine"), rows("line calcium")), (1, 1));
    assert!(
        text.contains("  + ") && text.contains("7 not given"),
        "{text}"
    );
    // The plot: 14 rows and the days under them.
    assert_eq!(
        text.lines().filter(|l| l.contains(" |")).count(),
        14,
        "{text}"
    );
}

fn of_demo(scenario: &str, days: u32) -> Found {
    let found = found(scenario, days, 1);
    assert_eq!((&found.broken, &found.ended), (&Vec::new(), &None));
    found
}

#[test]
fn a_power_cut_and_a_stop_miss_what_fell_due_and_an_ordinary_day_follows() {
    for what in ["power-cut", "daemon-stopped"] {
        let fault = format!("[[fault]]\nwhat = \"{what}\"\nday = 1.26\nhours = 30\n");
        let found = of_demo(&fault, 5);
        let missed = found.refusals["missed, outage"];
        // 24 and 24 doses a day, in 30 h 30 of each; 3 and 2 and one on some days.
        assert!((60..=70).contains(&missed), "{what}: {:?}", found.refusals);
        let line = &found.lines[&name("alkalinity")];
        let due = line.doses + line.not_given;
        // What is due when it begins is none of it.
        assert!((5 * 24 - 1..=5 * 24).contains(&due), "{line:?}");
        assert!((29..=31).contains(&line.not_given), "{line:?}");
        let text = summary(&[&found]);
        assert!(text.contains("what went wrong"), "{text}");
        assert!(
            text.contains("  day 1, 2026-12-02 06:14:24: the "),
            "{text}"
        );
        assert!(text.contains("for 30 h 00 min"), "{text}");
        assert!(text.contains(&format!("missed, outage {missed}")), "{text}");
    }
}

#[test]
fn a_cut_in_the_middle_of_a_dose_counts_it_in_full_and_never_gives_it_again() {
    let mut begins = Millis::ZERO;
    let look = |stage: &mut Stage| {
        until_a_head_runs(stage);
        begins = stage.world.now;
    };
    rehearsed((&demo(), &said("")), (0, 1), look, |_, _| ());
    let day = begins.as_secs() / 86_400.0;
    let fault = format!("[[fault]]\nwhat = \"power-cut\"\nday = {day}\nhours = 0.1\n");
    let (plain, cut) = (of_demo("", 2), of_demo(&fault, 2));
    let text = &cut.faults[0].text;
    assert!(text.contains("in the middle of a dose of head "), "{text}");
    let sum = |found: &Found, of: &dyn Fn(&LineFound) -> u64| -> u64 {
        found.lines.values().map(of).sum()
    };
    let slots = |found: &Found| sum(found, &|line| line.doses + line.not_given);
    assert_eq!(slots(&cut), slots(&plain));
    assert_eq!(sum(&cut, &|line| line.not_given), 0, "{:?}", cut.refusals);
    let short = |found: &Found| {
        let line = |line: &LineFound| line.planned.as_ul() - line.delivered.as_ul();
        found.lines.values().map(line).sum::<i64>()
    };
    // What the cut kept back of one dose stays away.
    assert!(
        short(&cut) > short(&plain) + 200,
        "{} {}",
        short(&cut),
        short(&plain)
    );
}

#[test]
fn without_the_time_nothing_of_the_plan_is_given_until_it_is_told() {
    let found = of_demo(
        "[[fault]]\nwhat = \"clock-unknown\"\nday = 1.25\nhours = 12\n",
        3,
    );
    let line = &found.lines[&name("alkalinity")];
    assert!((11..=13).contains(&line.not_given), "{line:?}");
    let due = line.doses + line.not_given;
    assert!((3 * 24 - 1..=3 * 24).contains(&due), "{line:?}");
    assert!(
        found.tasks.contains_key("clock-unsure"),
        "{:?}",
        found.tasks
    );
}

#[test]
fn a_bottle_that_is_filled_late_runs_dry_and_the_others_do_not() {
    let mut loaded = demo();
    for bottle in ["calcium", "alkalinity"] {
        let bottle = loaded.controller.reservoirs.get_mut(&name(bottle)).unwrap();
        bottle.capacity = Volume::from_ul(400_000);
    }
    let text = "[[fault]]\nwhat = \"refill-late\"\nday = 0\nhours = 150\nbottle = \"calcium\"\n";
    let run = |text: &str| rehearsed((&loaded, &said(text)), (8, 1), |_| {}, |_, found| found);
    let (late, filled) = (run(text), run(""));
    let empty = |found: &Found, of: &str| found.reservoirs[&name(of)].empty_days;
    assert_eq!(
        (empty(&filled, "calcium"), empty(&filled, "alkalinity")),
        (0, 0)
    );
    assert!(empty(&late, "calcium") >= 2, "{late:?}");
    assert_eq!(empty(&late, "alkalinity"), 0);
    assert_eq!(
        late.reservoirs[&name("calcium")].refilled_on.first(),
        Some(&6)
    );
}

#[test]
fn a_blocked_head_gives_nothing_for_its_time_and_a_worn_one_less_from_then_on() {
    let part = |fault: &str| {
        let found = of_demo(
            &format!("[heads]\nscatter-percent = 0\n[[fault]]\nhead = \"alkalinity\"\n{fault}"),
            4,
        );
        let line = &found.lines[&name("alkalinity")];
        f64_from_i64(line.delivered.as_ul()) / f64_from_i64(line.planned.as_ul())
    };
    let blocked = part("what = \"head-blocked\"\nday = 1\nhours = 24\n");
    close(blocked, 0.75, 0.015);
    let worn = part("what = \"head-worn\"\nday = 2\npercent = -20\n");
    close(worn, 0.9, 0.01);
}

#[test]
fn the_same_faults_come_at_the_same_moments_for_the_same_seed_and_a_wrong_name_is_told() {
    let text = "[[fault]]\nwhat = \"head-blocked\"\ntimes-per-100-days = 60\nhours = 2\n";
    let (one, two) = (found(text, 6, 3), found(text, 6, 3));
    assert_eq!(one, two);
    assert!((1..=6).contains(&one.faults.len()), "{:?}", one.faults);
    assert_ne!(one.faults, found(text, 6, 4).faults);
    let folder = tempfile::tempdir().unwrap();
    let text = "[[fault]]\nwhat = \"head-worn\"\nday = 1\npercent = -5\nhead = \"alk\"\n";
    let (loaded, scenario) = (demo(), said(text));
    let rehearsal = Rehearsal {
        loaded: &loaded,
        scenario: ("mine.toml", &scenario),
        days: 2,
        seed: 1,
        begins: (date(2026, 12, 1), "2026-11-30T23:00:00Z".parse().unwrap()),
        ledger: &folder.path().join("ledger.db"),
        timeline: Timeline::Virtual,
    };
    let why = rehearsal
        .run(&mut |_| ControlFlow::Continue(()))
        .unwrap_err();
    let why = why.to_string();
    assert!(
        why.starts_with("mine.toml: fault 1 names head \"alk\", which controller.toml does not have; it has alkalinity, calcium"),
        "{why}"
    );
}

/// No float hangs in it, and the head gives more than it is metered for, so the books have some left when it is empty.
#[test]
fn what_is_pumped_from_an_empty_bottle_is_named_as_air_and_does_not_reach_the_tank() {
    let mut loaded = demo();
    let bottle = name("calcium");
    loaded.controller.inputs.clear();
    let of_bottle = loaded.controller.reservoirs.get_mut(&bottle).unwrap();
    (of_bottle.capacity, of_bottle.reserve) = (Volume::from_ul(300_000), Volume::ZERO);
    let text = "[heads]\nscatter-percent = 0\n[owner]\nrefills-after-days = 300\n\
                [[fault]]\nwhat = \"head-worn\"\nday = 0\npercent = 25\nhead = \"calcium\"\n";
    rehearsed(
        (&loaded, &said(text)),
        (5, 1),
        |_| {},
        |stage, found| {
            let line = &found.lines[&bottle];
            assert_eq!(line.delivered, Volume::from_ul(300_000));
            // A fifth of what was metered was more than there was.
            close(line.air.as_ml(), 75.0, 2.0);
            let level = &stage.world.water.levels[&Quantity::from_word("calcium").unwrap()];
            let effect = loaded.controller.effect_of(&bottle).unwrap();
            let added = effect.rise(
                &Quantity::from_word("calcium").unwrap(),
                line.delivered,
                loaded.controller.tank,
            );
            close(level.added, added, 1e-6);
            let text = summary(&[&found]);
            assert!(text.contains("mL of AIR from an EMPTY BOTTLE"), "{text}");
        },
    );
}

/// With one test at the begin all that is known of the level afterwards comes of the doses on record.
#[test]
fn after_a_power_cut_the_estimate_still_counts_what_was_given_before_it() {
    let cut = "[[fault]]\nwhat = \"power-cut\"\nday = 2.9\nhours = 1\n";
    rehearsed(
        (&demo(), &said(cut)),
        (3, 1),
        |_| {},
        |mut stage, _| {
            let truth = stage.world.water.levels[&ALKALINITY].now();
            let known = super::owner::status(&mut stage).water.estimates;
            let level = known["alkalinity"].level.unwrap();
            close(level, truth, 0.6);
        },
    );
}
