//! Contacts, bottles, calibrations, holds that were forgotten, and deliveries that do not match their plan.

use super::faults::calcium_world;
use super::rig::{DAY, HOUR, MINUTE, SECOND, World, calcium_at, demo, name, ul};
use crate::config::OldCalibration;
use crate::engine::{Event, RefillLevel};
use crate::record::{DoseEnd, DoseKind, HoldScope};

fn is_safe(world: &mut World, input: &str) -> bool {
    let inputs = world.status().inputs;
    inputs.iter().any(|i| i.name == name(input) && i.safe)
}

#[test]
fn ft_sens_01_a_pulse_shorter_than_its_time_changes_nothing_in_either_direction() {
    let mut world = calcium_world("\"23:00\"", 1);
    let input = "return-pump";
    assert!(is_safe(&mut world, input));
    world.input(input, Some(false));
    world.run(1);
    world.input(input, Some(true));
    world.run(10 * SECOND);
    assert!(is_safe(&mut world, input));
    // Trips after 3 s, and not before.
    world.input(input, Some(false));
    world.run(3 * SECOND - 1);
    assert!(is_safe(&mut world, input));
    world.run(1);
    assert!(!is_safe(&mut world, input));
    world.input(input, Some(true));
    world.run(1);
    world.input(input, Some(false));
    world.run(10 * SECOND);
    assert!(!is_safe(&mut world, input));
    // Clears after 10 s, and not before.
    world.input(input, Some(true));
    world.run(10 * SECOND - 1);
    assert!(!is_safe(&mut world, input));
    world.run(1);
    assert!(is_safe(&mut world, input));
}

#[test]
fn a_return_pump_that_runs_again_is_given_time_to_mix() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.input("return-pump", Some(false));
    world.run(MINUTE);
    world.input("return-pump", Some(true));
    world.run(10 * SECOND);
    let denial = world.by_hand("calcium", 2_000, DoseKind::Hand).unwrap_err();
    assert_eq!(denial.code, "input-blocks");
    assert!(denial.text.contains("waits 5 min"), "{}", denial.text);
    world.run(5 * MINUTE - 1);
    assert!(world.by_hand("calcium", 2_000, DoseKind::Hand).is_err());
    world.run(1);
    world.by_hand("calcium", 2_000, DoseKind::Hand).unwrap();
}

#[test]
fn a_running_dose_is_stopped_by_its_input_and_booked_by_time() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(2 * SECOND);
    world.input("return-pump", Some(false));
    world.run(3 * SECOND + 100);
    assert_eq!(world.running(), 0);
    let outcome = world.books.outcomes.values().next().unwrap();
    assert_eq!(outcome.end, DoseEnd::Interrupted);
    assert!(outcome.cause.contains("return pump"), "{}", outcome.cause);
    assert_eq!(outcome.delivered.as_ul(), world.flows[0].volume);
}

#[test]
fn a_contact_that_chatters_is_unsafe_at_once_and_until_a_quiet_minute_has_passed() {
    let mut world = calcium_world("\"23:00\"", 1);
    for change in 0..11 {
        world.input("return-pump", Some(change % 2 == 1));
        world.run(100);
    }
    assert!(!is_safe(&mut world, "return-pump"));
    assert!(world.has_alarm("input-chattering"));
    world.input("return-pump", Some(true));
    world.run(MINUTE - SECOND);
    assert!(!is_safe(&mut world, "return-pump"));
    world.run(15 * SECOND);
    assert!(is_safe(&mut world, "return-pump"));
    assert!(!world.has_alarm("input-chattering"));
    for change in 0..10 {
        world.input("return-pump", Some(change % 2 == 1));
        world.run(100);
    }
    assert!(
        is_safe(&mut world, "return-pump"),
        "ten changes are not chatter yet"
    );
}

#[test]
fn a_contact_that_cannot_be_read_is_unsafe() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.input("return-pump", None);
    world.run(3 * SECOND);
    assert!(!is_safe(&mut world, "return-pump"));
    assert!(world.has_alarm("input-unsafe"));
}

#[test]
fn the_stop_button_is_a_hold_that_outlasts_its_release_and_a_restart() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.input("stop-button", Some(false));
    world.run(SECOND);
    world.input("stop-button", Some(true));
    world.run(MINUTE);
    assert!(world.holds.iter().any(|h| h.scope == HoldScope::All));
    world.power_cut(MINUTE, 0);
    world.sync();
    world.run(3 * HOUR);
    assert!(world.flows.is_empty());
    assert!(
        world
            .line("calcium")
            .reason
            .unwrap()
            .text
            .contains("stop-button")
    );
}

#[test]
fn what_is_unsafe_from_the_start_is_told_and_a_pressed_button_holds() {
    let (controller, _) = demo();
    let plan = calcium_at("\"08:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.sampled.insert(name("return-pump"), Some(false));
    world.sampled.insert(name("alkalinity-float"), None);
    world.start();
    world.sync();
    assert!(
        world.holds.is_empty(),
        "a button that is not read yet is not pressed"
    );
    world.run(2 * MINUTE);
    let alarms = world.status().alarms;
    let unsafe_inputs: Vec<&str> = alarms
        .iter()
        .filter(|a| a.code.as_str() == "input-unsafe")
        .filter_map(|a| a.subject.as_deref())
        .collect();
    assert_eq!(unsafe_inputs, ["alkalinity-float", "return-pump"]);
    world.sampled.insert(name("stop-button"), Some(false));
    world.restart_after(MINUTE);
    world.run(SECOND);
    assert!(world.holds.iter().any(|h| h.scope == HoldScope::All));
}

#[test]
fn ft_sens_02_a_float_and_books_that_contradict_each_other_are_an_alarm_that_names_both() {
    let mut world = World::demo("2026-06-10T04:00:00Z");
    // The books say nearly full, the float says empty.
    world.input("alkalinity-float", Some(false));
    world.run(6 * SECOND);
    assert!(world.has_alarm("reservoir-disagrees"));
    let text = |w: &mut World| {
        let alarms = w.status().alarms;
        let found = alarms
            .into_iter()
            .find(|a| a.code.as_str() == "reservoir-disagrees");
        found.unwrap().text
    };
    let told = text(&mut world);
    assert!(
        told.contains("alkalinity-float") && told.contains("the books say"),
        "{told}"
    );
    world.input("alkalinity-float", Some(true));
    world.run(31 * SECOND);
    assert!(!world.has_alarm("reservoir-disagrees"));
    // The books say used up, the float says there is liquid: it may stick, and nothing is pumped.
    world.refill("alkalinity", RefillLevel::To(ul(150_000)));
    world.run(SECOND);
    assert!(world.has_alarm("reservoir-disagrees"));
    let denial = world
        .by_hand("alkalinity", 1_000, DoseKind::Prime)
        .unwrap_err();
    assert_eq!(denial.code, "reservoir-used-up");
    world.run(2 * HOUR);
    assert!(
        world
            .not_given()
            .iter()
            .any(|s| s.code == "reservoir-used-up")
    );
}

#[test]
fn a_refill_is_checked_against_the_capacity_and_moves_the_books() {
    let mut world = calcium_world("\"23:00\"", 1);
    let over = world.refill("calcium", RefillLevel::To(ul(2_000_001)));
    assert_eq!(
        world.answer(over).as_ref().unwrap_err().code,
        "over-capacity"
    );
    let over = world.refill("calcium", RefillLevel::Add(ul(1)));
    assert_eq!(
        world.answer(over).as_ref().unwrap_err().code,
        "over-capacity"
    );
    world.refill("calcium", RefillLevel::To(ul(500_000)));
    world.refill("calcium", RefillLevel::Add(ul(1_500_000)));
    world.run(SECOND);
    assert_eq!(world.books.refills[&name("calcium")], ul(2_000_000));
}

#[test]
fn a_bottle_that_lasts_less_than_its_days_is_low() {
    let mut world = World::demo("2026-06-10T04:00:00Z");
    // 75.6 mL a day and 150 mL of reserve: 7 days are 529.2 mL more.
    world.refill("alkalinity", RefillLevel::To(ul(679_300)));
    assert!(!world.has_alarm("reservoir-low"));
    world.refill("alkalinity", RefillLevel::To(ul(679_100)));
    assert!(world.has_alarm("reservoir-low"));
    let reservoirs = world.status().reservoirs;
    let left = reservoirs
        .iter()
        .find(|r| r.name == name("alkalinity"))
        .unwrap();
    let days = left.days_left.unwrap();
    assert!((6.99..7.0).contains(&days), "{days}");
    world.refill("alkalinity", RefillLevel::Full);
    assert!(!world.has_alarm("reservoir-low"));
}

#[test]
fn under_voltage_stops_everything_until_it_is_over() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.feed(Event::UnderVoltage(true));
    assert!(world.has_alarm("under-voltage"));
    world.run(3 * HOUR);
    assert!(world.flows.is_empty());
    assert_eq!(world.not_given()[0].code, "input-blocks");
    world.feed(Event::UnderVoltage(false));
    world.by_hand("calcium", 2_000, DoseKind::Hand).unwrap();
}

#[test]
fn an_old_calibration_warns_or_blocks_as_the_owner_set_it_and_priming_stays_possible() {
    for (old, doses) in [(OldCalibration::Warn, 1), (OldCalibration::Block, 0)] {
        let (mut controller, _) = demo();
        let plan = calcium_at("\"08:00\"", 1, &controller);
        controller
            .heads
            .get_mut(&name("calcium"))
            .unwrap()
            .calibration_old = old;
        // The slow heads of the demo age sooner.
        controller.heads.retain(|head, _| *head == name("calcium"));
        controller.lines.retain(|line| line.name == name("calcium"));
        let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
        world.start();
        world.sync();
        world.run(89 * DAY);
        assert!(!world.has_alarm("calibration-old"));
        let before = world.flows.len();
        world.run(2 * DAY);
        assert!(world.has_alarm("calibration-old"));
        let before_all = world.flows.len();
        assert!(before_all > before);
        world.run(DAY);
        assert_eq!(world.flows.len() - before_all, doses, "{old:?}");
        world.by_hand("calcium", 2_000, DoseKind::Prime).unwrap();
    }
}

#[test]
fn a_forgotten_hold_reminds() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.hold(Some("calcium"), "water test looks wrong");
    world.run(12 * HOUR - 10 * MINUTE);
    assert!(!world.has_alarm("hold-forgotten"));
    world.run(20 * MINUTE);
    assert!(world.has_alarm("hold-forgotten"));
    world.run(2 * DAY);
    let reminders = world.notes("alarm-reminder");
    assert!(
        reminders
            .iter()
            .any(|t| t.contains("water test looks wrong"))
    );
    world.resume(Some("calcium"));
    assert!(!world.has_alarm("hold-forgotten"));
}

#[test]
fn a_line_that_gave_too_little_or_too_much_in_a_day_is_an_alarm() {
    let times = "\"08:00\", \"10:00\", \"12:00\", \"14:00\"";
    let mut world = calcium_world(times, 4);
    world.run(2 * DAY);
    assert!(!world.has_alarm("under-delivered") && !world.has_alarm("over-delivered"));
    world.input("return-pump", Some(false));
    world.run(DAY);
    assert!(world.has_alarm("under-delivered"));
    world.input("return-pump", Some(true));
    world.run(DAY + HOUR);
    assert!(!world.has_alarm("under-delivered"));
    world.by_hand("calcium", 5_000, DoseKind::Hand).unwrap();
    world.run(MINUTE);
    assert!(world.has_alarm("over-delivered"));
}

#[test]
fn a_line_that_rests_on_some_days_is_not_told_as_short_on_them() {
    let (controller, _) = demo();
    let text = "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n[line.trace]\ndaily-ml = 1.5\ncron = \"40 9,14,22 * * Mon\"\n";
    let plan = super::rig::plan_of(text, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-14T22:00:00Z");
    world.start();
    world.sync();
    for _ in 0..28 {
        world.run(6 * HOUR);
        assert!(!world.has_alarm("under-delivered") && !world.has_alarm("over-delivered"));
    }
    assert_eq!(world.flows.len(), 3);
}

#[test]
fn a_bottle_whose_line_doses_on_mondays_lasts_as_many_mondays_as_it_holds_doses() {
    let (controller, _) = demo();
    let text = "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n[line.trace]\ndaily-ml = 1.5\ncron = \"40 9,14,22 * * Mon\"\n";
    let plan = super::rig::plan_of(text, &controller);
    // A Monday, before the first of its doses.
    let mut world = World::new(controller, (*plan).clone(), "2026-06-15T04:00:00Z");
    world.start();
    world.sync();
    let bottle = world
        .controller
        .line(&name("trace"))
        .unwrap()
        .reservoir
        .clone();
    let reserve = world.controller.reservoirs[&bottle].reserve;
    world.refill(
        bottle.as_str(),
        RefillLevel::To(reserve.saturating_add(ul(4_500))),
    );
    let lasts = |world: &mut World| {
        let all = world.status().reservoirs;
        all.iter()
            .find(|r| r.name == bottle)
            .unwrap()
            .days_left
            .unwrap()
    };
    // Today's, that of the 22nd and that of the 29th; on 6 July nothing is left to give.
    let before = lasts(&mut world);
    assert!((21.0..22.0).contains(&before), "{before}");
    world.run(DAY);
    let after = lasts(&mut world);
    assert!((20.0..21.0).contains(&after), "{after}");
}

#[test]
fn a_line_on_hold_has_no_next_dose() {
    let mut world = calcium_world("\"08:00\", \"10:00\"", 2);
    let next = |world: &mut World| {
        let status = world.status();
        (
            status
                .lines
                .iter()
                .find(|l| l.name == name("calcium"))
                .unwrap()
                .next_slot
                .is_some(),
            status.next_dose.is_some(),
        )
    };
    assert_eq!(next(&mut world), (true, true));
    world.hold(None, "test");
    assert_eq!(next(&mut world), (false, false));
}

#[test]
fn a_contact_that_nobody_has_read_since_the_start_is_unsafe() {
    let mut world = calcium_world("\"23:00\"", 1);
    let controller = std::sync::Arc::make_mut(&mut world.controller);
    let contact = controller.inputs.get_mut(&name("return-pump")).unwrap();
    // The wait after it was seen safe would block as well.
    contact.resume_after = crate::quantity::Millis::ZERO;
    world.sampled.remove(&name("return-pump"));
    world.restart_after(SECOND);
    world.sync();
    for wait in [0, MINUTE, HOUR] {
        world.run(wait);
        let denial = world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap_err();
        assert_eq!(denial.code, "input-blocks", "after {wait} ms");
    }
}
