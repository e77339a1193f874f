//! The ramp, the prediction, readings and uptake, of alkalinity and of elements.

use super::rig::{
    DAY, HOUR, MINUTE, PLAN, SECOND, World, demo, name, plan_of, reading, tell, ul, unlimited_hours,
};
use crate::chemistry::Quantity;
use crate::config::{AlarmAction, Controller, TrackedLimits};
use crate::engine::{Command, LineState};
use crate::guard::{AllowanceReason, allowance};
use crate::quantity::Alkalinity;
use crate::record::{DoseKind, Entry, Found, HoldScope, Observed, Reading};

const MORNING: &str = "2026-06-10T04:00:00Z";

fn world_of(change: impl Fn(&mut Controller)) -> World {
    let (controller, plan) = demo();
    begun(controller, plan, change)
}

/// The same with a volume of its own for calcium and no uptake of it.
fn world_without_calcium_uptake(change: impl Fn(&mut Controller)) -> World {
    let (controller, mut plan) = demo();
    plan.starts.remove(&calcium());
    plan.lines[1].gives = crate::config::Gives::Daily(ul(75_600));
    begun(controller, plan, change)
}

fn begun(
    mut controller: Controller,
    plan: crate::config::Plan,
    change: impl Fn(&mut Controller),
) -> World {
    unlimited_hours(&mut controller);
    change(&mut controller);
    let mut world = World::new(controller, plan, MORNING);
    world.start();
    world.sync();
    world.run(6 * MINUTE);
    world
}

fn tracked<'a>(controller: &'a mut Controller, of: &Quantity) -> &'a mut TrackedLimits {
    let limits = controller.water.get_mut(of).unwrap();
    limits.tracked.as_mut().unwrap()
}

fn calcium() -> Quantity {
    Quantity::from_word("calcium").unwrap()
}

fn reason(world: &mut World) -> AllowanceReason {
    let now = world.now();
    let engine = world.engine.as_ref().unwrap();
    let alkalinity = Quantity::Alkalinity;
    let found = allowance(&alkalinity, &engine.water_facts(now)[&alkalinity]).unwrap();
    let shown = world.status().water.allowed_because;
    assert_eq!(shown, Some(found.reason.words(&alkalinity)));
    found.reason
}

fn per_day_dkh(world: &mut World) -> f64 {
    world.allowed().as_dkh()
}

/// The demo's plan with a volume of its own for alkalinity, 0.80 dKH a day.
fn by_volume() -> String {
    PLAN.replacen(
        "share-of-uptake = 1.0\nof = \"alkalinity\"",
        "daily-ml = 75.6",
        1,
    )
}

#[test]
fn without_a_reading_nothing_rises_above_uptake_and_the_plan_is_clamped_to_it() {
    // The plan adds 0.8004 dKH, the uptake is 0.79: inside the tolerance of the check, over what is allowed now.
    let (controller, _) = demo();
    let text = by_volume().replace("start-dkh-per-day = 0.80", "start-dkh-per-day = 0.76");
    let plan = plan_of(&text, &controller);
    let mut world = World::new(controller, (*plan).clone(), MORNING);
    world.start();
    world.sync();
    world.run(6 * MINUTE);
    assert_eq!(reason(&mut world), AllowanceReason::NoReading);
    assert!((per_day_dkh(&mut world) - 0.76).abs() < 1e-9);
    assert!(world.has_alarm("reading-old"));
    let line = world.line("alkalinity");
    assert!(line.planned < line.plan_standing, "shown beside the plan");
    let note = &world.notes("plan-in-force")[0];
    assert!(
        note.contains("clamped") && note.contains("uptake only"),
        "{note}"
    );
    let share = world.share_in_force();
    assert!((share - 0.76 / world.planned_alkalinity().as_dkh()).abs() < 1e-6);
    // What is tied to alkalinity moves with it.
    let calcium = world.line("calcium");
    assert!(calcium.planned < calcium.plan_standing);
    world.read_alkalinity(8.0);
    assert_eq!(reason(&mut world), AllowanceReason::UptakePlusRise);
    let line = world.line("alkalinity");
    assert_eq!(line.planned, line.plan_standing);
    world.run(2 * DAY);
    world.check_caps();
}

#[test]
fn a_plan_below_uptake_is_not_let_fall_faster_than_allowed() {
    let mut world = world_of(|_| {});
    world.read_alkalinity(8.0);
    // Such a plan is refused by the check; a share above one is what the engine makes of it all the same.
    let mut plan = (*world.plan).clone();
    plan.lines[0].gives = crate::config::Gives::Daily(ul(20_000));
    world.reload(plan.into());
    let in_force = world.status().water.in_force.unwrap();
    assert!(
        (in_force.as_dkh() - 0.3).abs() < 1e-9,
        "0.8 of uptake less 0.5 of fall"
    );
    world.run(SECOND);
    assert!(
        world
            .notes("plan-in-force")
            .iter()
            .any(|n| n.contains("raised"))
    );
}

#[test]
fn a_stale_reading_allows_uptake_only_and_reminds() {
    let mut world = world_of(|_| {});
    world.read_alkalinity(7.0);
    assert!((per_day_dkh(&mut world) - 1.3).abs() < 1e-9);
    world.hold(None, "keeps the prediction low");
    world.run(14 * DAY);
    assert_eq!(reason(&mut world), AllowanceReason::UptakePlusRise);
    assert!(!world.has_alarm("reading-old"));
    world.run(10 * MINUTE);
    assert!(matches!(
        reason(&mut world),
        AllowanceReason::StaleReading { .. }
    ));
    assert!((per_day_dkh(&mut world) - 0.8).abs() < 1e-9);
    assert!(world.has_alarm("reading-old"));
    world.read_alkalinity(7.0);
    assert!(!world.has_alarm("reading-old"));
}

#[test]
fn a_prediction_whose_worst_case_is_above_the_band_allows_uptake_only() {
    let mut world = world_of(|_| {});
    // Two standard uncertainties of 0.1 dKH: 8.79 is inside a band up to 9.0, 8.81 is not.
    world.read_alkalinity(8.79);
    assert_eq!(reason(&mut world), AllowanceReason::UptakePlusRise);
    world.read_alkalinity(8.81);
    assert!(matches!(
        reason(&mut world),
        AllowanceReason::AboveBand { .. }
    ));
    assert!((per_day_dkh(&mut world) - 0.8).abs() < 1e-9);
}

#[test]
fn the_prediction_adds_what_was_given_and_takes_off_uptake() {
    let mut world = world_of(|_| {});
    world.read_alkalinity(8.0);
    world.run(3 * DAY);
    let added: f64 = world.flows.iter().map(|f| f.alkalinity).sum();
    let predicted = world.prediction().unwrap();
    let expected = 8.0 + Alkalinity::from_meq_per_l(added).as_dkh() - 0.8 * 3.0;
    assert!((predicted.value - expected).abs() < 0.01);
    // 0.1 of the reading and 0.1 a day, as squares.
    let uncertainty = (0.1_f64.powi(2) + 0.3_f64.powi(2)).sqrt();
    assert!((predicted.uncertainty - uncertainty).abs() < 1e-3);
    // The same after a restart, from the ledger.
    world.run(SECOND);
    world.restart_after(SECOND);
    assert!(
        world.prediction().is_none(),
        "its age is not known before the clock is"
    );
    world.sync();
    let again = world.prediction().unwrap();
    assert!((again.value - predicted.value).abs() < 1e-3);
}

#[test]
fn no_step_of_the_clock_makes_a_reading_older_or_younger() {
    let mut world = world_of(|_| {});
    world.read_alkalinity(8.0);
    let before = world.prediction().unwrap().value;
    for step in [5 * DAY, -9 * DAY, 400 * DAY] {
        world.step(step);
        let now = world.prediction().unwrap().value;
        assert!((now - before).abs() < 1e-6, "{step}");
    }
}

#[test]
fn a_reading_outside_the_alarm_band_does_what_the_owner_set() {
    let lines = ["alkalinity"];
    for (action, dkh) in [
        (AlarmAction::HoldLines, 10.6),
        (AlarmAction::HoldLines, 6.4),
        (AlarmAction::HoldAll, 10.6),
        (AlarmAction::Warn, 10.6),
        (AlarmAction::UptakeOnly, 6.4),
    ] {
        let mut world = world_of(|c| {
            let limits = tracked(c, &Quantity::Alkalinity);
            (limits.on_alarm_low, limits.on_alarm_high) = (action, action);
        });
        world.read_alkalinity(8.0);
        world.read_alkalinity(dkh);
        assert!(world.has_alarm("reading-alarm"));
        let expected: Vec<HoldScope> = match action {
            AlarmAction::HoldLines => lines.iter().map(|l| HoldScope::Line(name(l))).collect(),
            AlarmAction::HoldAll => vec![HoldScope::All],
            AlarmAction::UptakeOnly | AlarmAction::Warn => Vec::new(),
        };
        let scopes: Vec<HoldScope> = world.holds.iter().map(|h| h.scope.clone()).collect();
        assert_eq!(scopes, expected);
        let value = Alkalinity::from_dkh(dkh).to_string();
        assert!(world.holds.iter().all(|h| h.reason.contains(&value)));
        if !expected.is_empty() {
            assert_eq!(world.line("alkalinity").state, LineState::Held);
        }
        // A good reading ends the alarm, never the hold.
        world.read_alkalinity(8.0);
        assert!(!world.has_alarm("reading-alarm"));
        assert_eq!(world.holds.len(), expected.len());
    }
}

#[test]
fn an_alarming_reading_stops_the_line_whatever_the_clock_shows() {
    let mut world = world_of(|_| {});
    world.read_alkalinity(8.0);
    world.run(HOUR);
    world.power_cut(MINUTE, -14 * DAY);
    world.read_alkalinity(11.0);
    assert!(
        world
            .holds
            .iter()
            .any(|h| h.scope == HoldScope::Line(name("alkalinity")))
    );
}

#[test]
fn uptake_changes_by_little_and_not_twice_within_the_settling_time() {
    let mut world = world_of(|c| {
        for line in &mut c.lines {
            line.daily_cap = ul(120_000);
        }
    });
    world.read_alkalinity(8.0);
    let tell = |world: &mut World, dkh: f64| {
        world.wished(crate::engine::Wish::Uptake(crate::engine::NewUptake {
            of: Quantity::Alkalinity,
            per_day: dkh,
            how: crate::record::UptakeHow::Told,
            sure: false,
        }))
    };
    let uptake = |w: &mut World| w.uptake().unwrap().as_dkh();
    // The start of the plan is taken as it is; the first one told settles.
    tell(&mut world, 0.8).unwrap();
    assert_eq!(tell(&mut world, 0.9).unwrap_err().code, "uptake-refused");
    world.run(7 * DAY);
    let text = tell(&mut world, 1.11).unwrap_err().text;
    assert!(text.contains("at a time"), "{text}");
    assert!((uptake(&mut world) - 0.8).abs() < 1e-9);
    tell(&mut world, 0.9).unwrap();
    assert!((uptake(&mut world) - 0.9).abs() < 1e-9);
    world.run(6 * DAY);
    assert!(tell(&mut world, 0.8).is_err(), "nor back");
    world.run(DAY);
    tell(&mut world, 0.8).unwrap();
    let changes = |e: &&Entry| matches!(e, Entry::Uptake(_));
    world.run(SECOND);
    assert_eq!(world.books.entries.iter().filter(changes).count(), 4);
}

#[test]
fn an_uptake_waits_for_the_clock() {
    let mut world = world_of(|_| {});
    world.run(8 * DAY);
    // The board comes up in a far future that nobody vouches for, or in its past.
    for error in [100 * DAY, -3 * DAY] {
        world.power_cut(MINUTE, error);
        let told = world.wished(crate::engine::Wish::Uptake(crate::engine::NewUptake {
            of: Quantity::Alkalinity,
            per_day: 0.83,
            how: crate::record::UptakeHow::Told,
            sure: false,
        }));
        assert_eq!(told.unwrap_err().code, "uptake-refused");
        assert!((world.uptake().unwrap().as_dkh() - 0.8).abs() < 1e-9);
    }
}

#[test]
fn doses_by_hand_and_primes_count_against_the_ramp_and_the_room_told_is_right() {
    let mut world = world_of(|c| {
        c.water.get_mut(&Quantity::Alkalinity).unwrap().max_rise = 0.05;
        for line in &mut c.lines {
            line.daily_cap = ul(500_000);
        }
    });
    world.read_alkalinity(7.6);
    let mut given = 0;
    let denial = loop {
        match world.by_hand("alkalinity", 6_000, DoseKind::Prime) {
            Ok(_) => given += 1,
            Err(denial) if denial.code == "ramp-limit" => break denial,
            Err(_) => {}
        }
        world.run(2 * MINUTE);
        assert!(given < 20, "never refused");
    };
    assert!(denial.text.contains("uptake"), "{}", denial.text);
    // 0.85 dKH a day in 300 L are 80.3 mL of this solution, planned doses among them.
    let flowed: i64 = world.flows_of("alkalinity").iter().map(|f| f.volume).sum();
    assert!((74_000..80_400).contains(&flowed), "{flowed}");
}

#[test]
fn an_element_with_a_limit_of_its_own_is_held_to_it_over_all_lines() {
    let mut world = world_without_calcium_uptake(|c| {
        // 22.7 mg/mL in 300 L: 6 mL raise it by 0.4537 mg/L.
        c.water.get_mut(&calcium()).unwrap().max_rise = 1.0;
    });
    world.hold(Some("alkalinity"), "out of the way");
    world.run(DAY);
    let flowed: i64 = world.flows_of("calcium").iter().map(|f| f.volume).sum();
    assert!((9_400..=13_230).contains(&flowed), "{flowed}");
    assert!(world.not_given().iter().any(|s| s.code == "element-limit"));
}

#[test]
fn a_reading_far_from_the_last_one_is_asked_about() {
    let mut world = world_of(|_| {});
    world.read_alkalinity(8.0);
    let mut ask = |dkh: f64| {
        let read = reading(Quantity::Alkalinity, dkh, 0.1);
        let ticket = world.ask(Command::Tell(tell(read)));
        world
            .answer(ticket)
            .as_ref()
            .map(|_| ())
            .map_err(|d| d.code.clone())
    };
    assert_eq!(ask(11.1), Err("reading-questioned".to_owned()));
    assert_eq!(ask(2.9), Err("reading-questioned".to_owned()));
    assert_eq!(ask(8.4), Ok(()));
}

/// Calcium gets a band of 400 to 450 mg/L, alarms at 350 and 500, and a largest rise of 1 mg/L a day.
fn tracks_calcium(c: &mut Controller) {
    let band = *tracked(c, &Quantity::Alkalinity);
    let limits = c.water.get_mut(&calcium()).unwrap();
    limits.max_rise = 1.0;
    limits.tracked = Some(TrackedLimits {
        target: 425.0,
        band_low: 400.0,
        band_high: 450.0,
        alarm_low: 350.0,
        alarm_high: 500.0,
        on_alarm_low: AlarmAction::Warn,
        on_alarm_high: AlarmAction::HoldLines,
        max_fall: 10.0,
        drift_per_day: 0.5,
        uptake_change_max: 3.0,
        ..band
    });
}

/// Whether a dose of so much of the calcium solution by hand is refused for calcium's own limit.
fn calcium_is_refused(world: &mut World, volume: i64) -> bool {
    match world.by_hand("calcium", volume, DoseKind::Hand) {
        Ok(_) => false,
        Err(denial) if denial.code == "element-limit" => true,
        Err(denial) => panic!("{} {}", denial.code, denial.text),
    }
}

#[test]
fn calcium_with_a_band_is_not_raised_without_a_fresh_reading_or_above_its_band() {
    let mut world = world_without_calcium_uptake(tracks_calcium);
    world.hold(None, "the plan is out of the way");
    world.run(2 * DAY);
    assert!(world.has_alarm("reading-old"));
    world.resume(None);
    assert!(calcium_is_refused(&mut world, 3_000), "no reading");
    world.read(&calcium(), 448.1, 1.0);
    assert!(calcium_is_refused(&mut world, 3_000), "it may be above 450");
    world.read(&calcium(), 420.0, 1.0);
    // 22.7 mg/mL in 300 L: 3 mL raise it by 0.227 mg/L, so the fifth goes over 1 mg/L.
    for _ in 0..4 {
        assert!(!calcium_is_refused(&mut world, 3_000));
        world.run(MINUTE);
    }
    assert!(calcium_is_refused(&mut world, 3_000));
    world.hold(None, "the plan is out of the way");
    world.run(14 * DAY + MINUTE);
    world.resume(None);
    assert!(calcium_is_refused(&mut world, 3_000), "stale");
    world.read(&calcium(), 420.0, 1.0);
    assert!(!calcium_is_refused(&mut world, 3_000));
}

#[test]
fn a_reading_of_calcium_outside_its_alarm_band_does_what_is_set_for_that_side() {
    let mut world = world_without_calcium_uptake(tracks_calcium);
    world.read(&calcium(), 349.0, 1.0);
    assert!(world.has_alarm("reading-alarm"));
    assert!(world.holds.is_empty(), "a low one warns");
    world.read(&calcium(), 400.0, 1.0);
    assert!(!world.has_alarm("reading-alarm"));
    world.read(&calcium(), 501.0, 1.0);
    assert!(world.has_alarm("reading-alarm"));
    let scopes: Vec<HoldScope> = world.holds.iter().map(|h| h.scope.clone()).collect();
    assert_eq!(
        scopes,
        [HoldScope::Line(name("calcium"))],
        "a high one holds"
    );
    assert!(
        world.holds[0]
            .reason
            .contains("calcium reading of 501.0 mg/L")
    );
}

#[test]
fn a_restart_keeps_the_prediction_of_calcium() {
    // No uptake of it is established: 420 mg/L and what came after the sample, which is the reading's base again after a restart.
    let mut world = world_without_calcium_uptake(tracks_calcium);
    let before: i64 = world.flows_of("calcium").iter().map(|f| f.volume).sum();
    world.read(&calcium(), 420.0, 1.0);
    world.run(2 * DAY);
    let predicted = |world: &World| world.prediction_of(&calcium());
    let first = predicted(&world).unwrap();
    let given: i64 = world.flows_of("calcium").iter().map(|f| f.volume).sum();
    let effect = world.controller.effect_of(&name("calcium")).unwrap();
    let rise = effect.rise(&calcium(), ul(given - before), world.controller.tank);
    assert!(rise > 0.5, "{rise}");
    assert!(
        (first.value - 420.0 - rise).abs() < 1e-6,
        "{first:?} {rise}"
    );
    world.run(SECOND);
    world.restart_after(SECOND);
    assert!(
        predicted(&world).is_none(),
        "its age is not known before the clock is"
    );
    world.sync();
    let again = predicted(&world).unwrap();
    assert!((again.value - first.value).abs() < 1e-6, "{again:?}");
    assert!((again.uncertainty - first.uncertainty).abs() < 1e-3);
}

#[test]
fn below_a_detection_limit_is_never_known_to_be_high_and_may_be_known_to_be_low() {
    let below = |mg_per_l| {
        Observed::Reading(Reading {
            of: calcium().into(),
            found: Found::Below(mg_per_l),
            step: None,
            as_read: String::new(),
        })
    };
    let mut world = world_without_calcium_uptake(tracks_calcium);
    world.tell_surely(below(600.0));
    assert!(!world.has_alarm("reading-alarm"));
    assert!(calcium_is_refused(&mut world, 3_000), "it may be 600");
    world.tell_surely(below(340.0));
    assert!(world.has_alarm("reading-alarm"));
}

fn course_up(world: &mut World, dkh: f64, days: f64) {
    world
        .begin(crate::engine::CourseWish::Change {
            line: name("alkalinity"),
            of: Quantity::Alkalinity,
            by: dkh * days,
            at_most_per_day: dkh,
        })
        .unwrap();
}

#[test]
fn a_low_reading_keeps_the_plan_going_and_nothing_above_uptake_until_its_owner_answers() {
    let mut world = world_of(|c| {
        for line in &mut c.lines {
            line.daily_cap = ul(200_000);
            line.dose_cap = ul(12_000);
        }
    });
    world.read_alkalinity(7.6);
    course_up(&mut world, 0.2, 20.0);
    world.run(2 * DAY);
    let over = world.line("alkalinity").planned;
    assert!(over.as_ml() > 90.0, "1.0 dKH: {over}");
    // Below the alarm limit of 6.5 dKH. What was begun without knowing of it is cut to uptake; the plan goes on.
    world.read_alkalinity(6.4);
    world.run(SECOND);
    assert!(matches!(
        reason(&mut world),
        AllowanceReason::BelowAlarm { .. }
    ));
    assert!((per_day_dkh(&mut world) - 0.8).abs() < 1e-9);
    assert!(world.holds.is_empty() && world.has_alarm("reading-alarm"));
    let alarms = world.status().alarms;
    let alarm = alarms.iter().find(|a| a.code.as_str() == "reading-alarm");
    for words in [
        "below the alarm limit of 6.50 dKH; the plan goes on",
        "dosewright course raise",
    ] {
        assert!(alarm.unwrap().text.contains(words), "{alarm:?}");
    }
    let planned = world.line("alkalinity").planned;
    assert!((planned.as_ml() - 75.6).abs() < 0.1, "{planned}");
    // A restart forgets neither the cap nor the alarm.
    world.run(SECOND);
    world.restart_after(SECOND);
    world.sync();
    assert!(world.has_alarm("reading-alarm"));
    assert!(matches!(
        reason(&mut world),
        AllowanceReason::BelowAlarm { .. }
    ));
    let before = world.flows_of("alkalinity").len();
    world.run(2 * DAY);
    assert!(
        world.flows_of("alkalinity").len() > before + 40,
        "it was not stopped"
    );
    // The owner's answer is a course up that is begun after it.
    course_up(&mut world, 0.1, 3.0);
    assert_eq!(reason(&mut world), AllowanceReason::UptakePlusRise);
    world.run(SECOND);
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(reason(&mut world), AllowanceReason::UptakePlusRise);
    // The next low one is another.
    world.run(SECOND);
    world.read_alkalinity(6.3);
    assert!(matches!(
        reason(&mut world),
        AllowanceReason::BelowAlarm { .. }
    ));
    world.read_alkalinity(6.6);
    assert_eq!(reason(&mut world), AllowanceReason::UptakePlusRise);
    assert!(!world.has_alarm("reading-alarm"));
    world.check_caps();
}

#[test]
fn a_low_element_without_an_uptake_gets_what_is_planned_and_not_less() {
    let mut world = world_without_calcium_uptake(|c| {
        tracks_calcium(c);
        let limits = c.water.get_mut(&calcium()).unwrap();
        // The plan adds 5.72 mg/L a day.
        limits.max_rise = 10.0;
        tracked(c, &calcium()).on_alarm_low = AlarmAction::UptakeOnly;
    });
    world.read(&calcium(), 349.0, 1.0);
    world.run(2 * DAY);
    let flowed: i64 = world.flows_of("calcium").iter().map(|f| f.volume).sum();
    assert!(flowed > 140_000, "{flowed}");
    // 5 mL more are 0.38 mg/L, and a dose by hand is no answer to the reading.
    world.hold(Some("alkalinity"), "out of the way");
    world.run(16 * MINUTE);
    assert!(calcium_is_refused(&mut world, 5_000));
    world.read(&calcium(), 360.0, 1.0);
    assert!(!calcium_is_refused(&mut world, 5_000));
}

#[test]
fn a_low_element_without_an_uptake_gets_no_more_than_the_largest_rise_whatever_is_planned() {
    let mut world = world_without_calcium_uptake(|c| {
        tracks_calcium(c);
        // The plan adds 5.72 mg/L a day.
        c.water.get_mut(&calcium()).unwrap().max_rise = 3.0;
        tracked(c, &calcium()).on_alarm_low = AlarmAction::UptakeOnly;
    });
    world.read(&calcium(), 349.0, 1.0);
    world.run(2 * DAY);
    let flowed: i64 = world.flows_of("calcium").iter().map(|f| f.volume).sum();
    let effect = world.controller.effect_of(&name("calcium")).unwrap();
    let rise = effect.rise(&calcium(), ul(flowed), world.controller.tank);
    assert!((4.5..6.01).contains(&rise), "{rise}");
}
