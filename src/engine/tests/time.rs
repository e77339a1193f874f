//! The clock: trust, steps, boots, zones, suspend; and slots that wait while it changes.

use super::faults::calcium_world;
use super::rig::{DAY, HOUR, MINUTE, SECOND, World, calcium_at, demo, name, ul};
use crate::engine::{Command, Event, TrustSource};
use crate::quantity::Volume;
use crate::record::{DoseEnd, DoseKind, Entry, NotGiven};

#[test]
fn ft_time_01_a_slot_is_not_repeated_when_the_clock_goes_back_after_it() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - world.t + 30 * SECOND);
    assert_eq!(world.flows.len(), 1);
    world.step(-HOUR);
    world.resume(None);
    world.run(HOUR + 20 * SECOND);
    world.sync();
    world.run(3 * HOUR);
    assert_eq!(world.flows.len(), 1);
    assert_eq!(
        world.notes("clock-stepped")[0],
        "clock stepped backwards by 1 h 00 min"
    );
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), ul(3_000));
}

#[test]
fn ft_time_02_without_any_clock_everything_but_the_plan_works_and_it_is_told() {
    let (controller, _) = demo();
    let plan = calcium_at("\"08:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.run(6 * MINUTE);
    assert!(!world.trusted());
    assert!(!world.has_alarm("clock-unsure"));
    world.run(10 * MINUTE);
    assert!(world.has_alarm("clock-unsure"), "after 15 min");
    let why = world.status().clock.reason.unwrap();
    for remedy in ["timedatectl", "dosewright clock trust"] {
        assert!(why.contains(remedy), "{why}");
    }
    // Hold, resume, a reading and a prime by hand go on.
    world.hold(None, "stop");
    assert!(!world.holds.is_empty());
    world.resume(None);
    let reading = world.read_alkalinity(8.0);
    assert!(world.answer(reading).is_ok());
    world.by_hand("calcium", 2_000, DoseKind::Prime).unwrap();
    world.run(MINUTE);
    assert_eq!(world.flows.len(), 1);
    assert_eq!(
        world
            .by_hand("calcium", 2_000, DoseKind::Hand)
            .unwrap_err()
            .code,
        "clock-unsure"
    );
    world.run(10 * DAY);
    assert_eq!(world.flows.len(), 1, "no slot without a clock");
    // The owner's word is enough, and is recorded.
    let ticket = world.ask(Command::TrustClock {});
    assert!(world.answer(ticket).is_ok());
    world.run(DAY);
    assert_eq!(world.notes("clock-vouched").len(), 1);
    assert_eq!(world.flows.len(), 2);
    assert!(!world.has_alarm("clock-unsure"));
}

#[test]
fn ft_time_03_a_board_in_its_own_past_waits_for_the_newest_entry() {
    for back in [6 * HOUR, 14 * DAY] {
        let mut world = calcium_world("\"08:00\", \"14:00\", \"18:00\"", 3);
        world.run(12 * HOUR + MINUTE - world.t);
        assert_eq!(world.flows.len(), 3);
        world.power_cut(MINUTE, -back);
        world.feed(Event::ClockKnown(TrustSource::Kernel));
        let why = world.status().clock.reason.unwrap();
        assert!(why.contains("behind the newest entry"), "{why}");
        let ticket = world.ask(Command::TrustClock {});
        assert_eq!(
            world.answer(ticket).as_ref().unwrap_err().code,
            "clock-behind"
        );
        world.run(5 * HOUR);
        assert!(
            world.notes("clock-vouched").is_empty(),
            "what was refused is not on record as vouched for"
        );
        assert_eq!(world.flows.len(), 3);
        world.sync();
        assert!(world.trusted());
        world.run(DAY);
        assert_eq!(world.flows.len(), 6);
    }
}

#[test]
fn ft_time_04_a_young_boot_counts_the_doses_of_the_one_before() {
    for up in [SECOND, 59 * SECOND, 23 * HOUR + 59 * MINUTE] {
        let mut world = calcium_world("\"08:00\"", 1);
        world.run(3 * HOUR);
        world.power_cut(MINUTE, 0);
        world.set_elapsed(up);
        world.restart_after(0);
        // Nothing but the elapsed clock: what this boot has lasted is all that is proven.
        assert_eq!(world.line("calcium").delivered_24h.unwrap(), ul(3_000));
        world.run(MINUTE);
        world.status();
    }
}

#[test]
fn ft_time_05_a_step_back_at_any_point_of_a_dose_books_it_once() {
    for back in [1, 7 * SECOND, HOUR] {
        for point in [-5, 5, 25, 3_000, 5_880, 5_890] {
            let mut world = calcium_world("\"08:00\"", 1);
            world.run(2 * HOUR - world.t + point);
            world.step(-back);
            world.run(MINUTE);
            world.sync();
            world.resume(None);
            world.run(HOUR);
            assert!(world.flows.len() <= 1, "{back} {point}");
            assert_eq!(world.books.outcomes.len(), world.books.intents.len());
            for flow in &world.flows {
                let outcome = &world.books.outcomes[&flow.id];
                assert_eq!(outcome.delivered.as_ul(), flow.volume);
            }
        }
    }
}

fn in_zone(world: &mut World, zone: &str) {
    let mut controller = (*world.controller).clone();
    controller.time_zone = jiff::tz::TimeZone::get(zone).unwrap();
    controller.time_zone_name = zone.to_owned();
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
}

#[test]
fn ft_time_06_another_zone_neither_repeats_nor_doubles_a_day() {
    for zone in [
        "America/New_York",
        "Pacific/Auckland",
        "Asia/Kolkata",
        "UTC",
    ] {
        for hour in 0..24 {
            let mut world = calcium_world("\"08:00\", \"14:00\", \"20:00\"", 3);
            world.run(hour * HOUR);
            in_zone(&mut world, zone);
            world.run(30 * HOUR);
            let keys: std::collections::BTreeSet<_> =
                world.flows.iter().map(|f| f.slot.clone()).collect();
            assert_eq!(keys.len(), world.flows.len());
            for date in keys.iter().flatten().map(|k| k.date) {
                let of_date = keys.iter().flatten().filter(|k| k.date == date).count();
                assert!(of_date <= 3, "{zone} {hour}");
            }
            world.check_caps();
        }
    }
}

#[test]
fn ft_time_09_a_slot_that_waited_through_a_suspend_is_missed_not_late() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - 3 * SECOND - world.t);
    // A dose by hand makes the slot wait; then the board sleeps for ten hours.
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(4 * SECOND);
    let by_hand = world.flows.len();
    assert_eq!(by_hand, 0);
    world.sleep(10 * HOUR);
    world.run(HOUR);
    assert_eq!(world.flows.len(), 1, "only the dose by hand");
    let slot = &world.not_given()[0];
    assert_eq!((slot.kind, slot.volume), (NotGiven::Missed, ul(3_000)));
}

#[test]
fn ft_time_10_slots_move_at_once_when_a_slow_clock_is_put_right() {
    let (controller, _) = demo();
    let plan = calcium_at("\"08:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    // Three hours slow: it shows 03:00 when it is 06:00.
    world.wall_error = -3 * HOUR;
    world.start();
    world.run(90 * SECOND);
    world.sync();
    world.run(MINUTE);
    let next = world.line("calcium").next_slot.unwrap();
    assert_eq!(next.at.to_string(), "2026-06-10T06:00:00Z");
    assert!(world.not_given().is_empty());
    let lost = |e: &&Entry| matches!(e, Entry::OutageMissed(_));
    assert_eq!(
        world.books.entries.iter().filter(lost).count(),
        0,
        "a first start missed nothing"
    );
    world.run(3 * HOUR);
    assert_eq!(world.flows.len(), 1);
}

#[test]
fn a_fast_clock_that_is_put_right_before_it_is_trusted_costs_no_slot() {
    let (controller, _) = demo();
    let plan = calcium_at("\"08:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.wall_error = 8 * HOUR;
    world.start();
    world.run(90 * SECOND);
    world.sync();
    world.run(3 * HOUR);
    assert_eq!(world.flows.len(), 1);
}

#[test]
fn a_step_over_the_limit_holds_all_and_takes_the_trust_away_until_somebody_says_it_again() {
    for step in [61 * SECOND, -61 * SECOND, 2 * 365 * DAY] {
        let mut world = calcium_world("\"08:00\"", 1);
        world.step(step);
        assert!(world.holds[0].reason.contains("clock stepped"), "{step}");
        assert!(!world.trusted(), "{step}");
        world.run(MINUTE);
        let newest = world.books.entries.iter().map(Entry::at);
        let newest = newest.filter(|s| s.trusted).map(|s| s.wall).max().unwrap();
        assert!(newest.as_millisecond() - world.wall().as_millisecond() <= 0 - step + 10 * MINUTE);
        // Put right, trusted again: nothing was poisoned by the wrong time.
        world.sync();
        assert!(world.trusted(), "{step}");
        world.resume(None);
        world.run(3 * HOUR);
        assert_eq!(world.flows.len(), 1, "{step}");
    }
}

#[test]
fn a_step_within_the_limit_is_told_and_no_more() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.step(59 * SECOND);
    world.run(SECOND);
    assert!(world.holds.is_empty() && world.trusted());
    assert_eq!(world.notes("clock-stepped").len(), 1);
    world.step(SECOND);
    world.run(SECOND);
    assert_eq!(world.notes("clock-stepped").len(), 1, "a second is slewing");
}

#[test]
fn doses_of_an_earlier_boot_do_not_leave_the_window_by_a_wrong_clock() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(3 * HOUR);
    world.power_cut(HOUR, -5 * HOUR);
    world.sync();
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), ul(3_000));
    // Two years ahead, back, and ahead again: what was given this morning still counts.
    for step in [730 * DAY, -731 * DAY, 731 * DAY] {
        world.step(step);
        world.feed(Event::ClockKnown(TrustSource::Kernel));
        assert_eq!(
            world.line("calcium").delivered_24h.unwrap(),
            ul(3_000),
            "{step}"
        );
    }
}

#[test]
fn a_waiting_slot_is_not_lost_by_a_reload_and_not_by_a_stop() {
    for stop in [false, true] {
        let mut world = calcium_world("\"08:00\"", 1);
        world.run(2 * HOUR - 3 * SECOND - world.t);
        world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
        world.run(4 * SECOND);
        if stop {
            world.feed(Event::Stopping);
        } else {
            world.reload(world.plan.clone());
        }
        world.run(MINUTE);
        let told = world.not_given();
        assert_eq!(told.len(), 1, "stop {stop}");
        assert_eq!(told[0].key.line, name("calcium"));
    }
}

#[test]
fn nothing_spins_while_the_clock_is_unsure_and_a_slot_waits() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - 3 * SECOND - world.t);
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(4 * SECOND);
    world.step(-30 * MINUTE);
    // The world itself refuses to turn more than 500 times in a millisecond.
    world.run(2 * HOUR);
    assert_eq!(world.not_given().len(), 1);
    assert_eq!(world.flows.len(), 1);
}

#[test]
fn nothing_spins_while_the_ledger_takes_for_ever() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.store_delay = 5 * MINUTE;
    let ticket = world.by_hand("calcium", 2_000, DoseKind::Hand).unwrap();
    world.run(20 * MINUTE);
    assert_eq!(
        world.answer(ticket).as_ref().unwrap_err().code,
        "permit-expired"
    );
    let outcome = world.books.outcomes.values().next().unwrap();
    assert_eq!(outcome.end, DoseEnd::NotStarted);
    assert!(world.flows.is_empty());
}

#[test]
fn after_a_restart_a_dose_counts_from_when_it_can_have_ended_at_the_latest() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.store_delay = 4 * SECOND;
    world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap();
    world.run(MINUTE);
    let ended = world.flows[0].ended;
    world.store_delay = 20;
    world.restart_after(SECOND);
    world.sync();
    // The record is from 4 s before the head started.
    world.run(ended + DAY - 1 - world.t);
    assert!(world.line("calcium").delivered_24h.unwrap() >= ul(3_000));
    // Keep-apart as well: soda-ash at the very end of the gap.
    let mut world = calcium_world("\"23:00\"", 1);
    world.read_alkalinity(8.0);
    world.store_delay = 4 * SECOND;
    world.by_hand("calcium", 3_000, DoseKind::Prime).unwrap();
    world.run(MINUTE);
    let ended = world.flows[0].ended;
    world.store_delay = 20;
    world.restart_after(SECOND);
    world.sync();
    world.run(ended + 15 * MINUTE - 1 - world.t);
    let denial = world
        .by_hand("alkalinity", 1_000, DoseKind::Prime)
        .unwrap_err();
    assert_eq!(denial.code, "keep-apart");
}

#[test]
fn a_dose_that_was_held_while_it_was_being_stored_stays_away_after_a_resume() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.store_delay = 2 * SECOND;
    let ticket = world.by_hand("calcium", 2_000, DoseKind::Hand).unwrap();
    world.hold(None, "stop");
    world.resume(None);
    world.run(MINUTE);
    assert!(world.flows.is_empty());
    assert_eq!(world.answer(ticket).as_ref().unwrap_err().code, "stopped");
}

#[test]
fn a_ledger_that_was_unreadable_at_the_start_is_not_made_good_by_writing() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(3 * HOUR);
    world.kill();
    world.start_with(Some("the database is damaged".to_owned()));
    world.sync();
    world.run(6 * MINUTE);
    world.feed(Event::LedgerHealthy);
    let denial = world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap_err();
    assert_eq!(
        denial.code, "ledger-not-writable",
        "nothing is known of earlier doses"
    );
    // What is not known is no number, on whatever display.
    let line = world.line("calcium");
    assert_eq!((line.delivered_24h, line.delivered_today), (None, None));
    assert_eq!((line.cap_left, line.hour_left), (None, None));
    assert_eq!(line.delivered_of_plan_percent, None);
    for bottle in world.status().reservoirs {
        assert_eq!(
            (bottle.left, bottle.usable),
            (None, None),
            "{}",
            bottle.name
        );
        assert_eq!(
            (bottle.days_left, bottle.low),
            (None, None),
            "{}",
            bottle.name
        );
    }
}

#[test]
fn slots_that_a_suspend_passed_are_missed_and_none_of_them_is_given_on_waking() {
    let times = ["08:05", "08:35", "09:05", "09:35", "10:30"].map(|t| format!("\"{t}\""));
    let mut world = calcium_world(&times.join(", "), 5);
    // 08:00 by the owner's clock.
    world.run(2 * HOUR - world.t);
    world.sleep(2 * HOUR);
    world.run(20 * MINUTE);
    assert!(world.flows.is_empty(), "{:?}", world.flows);
    let missed = world.books.entries.iter().filter_map(|e| {
        let Entry::OutageMissed(lost) = e else {
            return None;
        };
        lost.slots
    });
    assert_eq!(missed.collect::<Vec<u32>>(), [4]);
    world.run(HOUR);
    assert_eq!(world.flows.len(), 1, "the one at 10:30, as on any day");
}

/// What counts in 24 h of a dose at 08:00, after a night without power that ends so long after it.
fn counted_after(ms: i64) -> Volume {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR + MINUTE - world.t);
    let ended = world.flows[0].ended;
    world.power_cut(ended + ms - world.t, 0);
    world.sync();
    world
        .line("calcium")
        .delivered_24h
        .expect("a ledger that can be read")
}

#[test]
fn a_wall_clock_may_be_off_by_as_much_as_is_no_step_where_it_tells_how_old_a_dose_is() {
    // clock-step-max-s is 60.
    assert_eq!(counted_after(DAY + 50 * SECOND), ul(3_000));
    assert_eq!(counted_after(DAY + 90 * SECOND), Volume::ZERO);
}

/// A dose that is given then still counts after a power cut that puts the clock right.
fn counts_after_a_start_with_the_clock_behind(behind: i64, begin: impl FnOnce(&mut World)) {
    let (controller, _) = demo();
    let plan = calcium_at("\"23:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.wall_error = -behind;
    world.start();
    begin(&mut world);
    world.run(6 * MINUTE);
    world.by_hand("calcium", 3_000, DoseKind::Prime).unwrap();
    world.run(MINUTE);
    world.power_cut(MINUTE, 0);
    world.sync();
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(3_000)));
}

#[test]
fn an_untrusted_wall_clock_never_makes_a_dose_older() {
    // Then: it was three days behind and nobody vouched for it.
    counts_after_a_start_with_the_clock_behind(3 * DAY, |_| {});
    // Now: it is three days ahead and nobody vouches for it.
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(3 * HOUR);
    world.power_cut(MINUTE, 3 * DAY);
    world.run(MINUTE);
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(3_000)));
}

#[test]
fn a_time_that_only_the_owner_vouched_for_never_makes_a_dose_older() {
    // Then: 26 h behind.
    counts_after_a_start_with_the_clock_behind(26 * HOUR, |world| {
        world.ask(Command::TrustClock {});
        assert!(world.trusted());
    });
    // Now: 26 h ahead.
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(3 * HOUR);
    world.power_cut(MINUTE, 26 * HOUR);
    world.ask(Command::TrustClock {});
    assert!(world.trusted());
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(3_000)));
}

#[test]
fn time_from_outside_proves_what_the_owners_word_did_not() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(3 * HOUR);
    world.power_cut(DAY, 0);
    world.ask(Command::TrustClock {});
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(3_000)));
    world.sync();
    assert_eq!(world.line("calcium").delivered_24h, Some(Volume::ZERO));
}

fn call_wrong(world: &mut World, from: &str, to: &str) -> Result<(), String> {
    let ticket = world.ask(Command::ClockWrong {
        from: from.parse().unwrap(),
        to: to.parse().unwrap(),
    });
    world.run(SECOND);
    match world.answer(ticket) {
        Ok(_) => Ok(()),
        Err(denial) => Err(denial.text.clone()),
    }
}

#[test]
fn a_trusted_clock_that_was_ahead_is_put_right_and_the_plan_goes_on_with_everything_kept() {
    let (hours, years) = (3 * HOUR, 70 * 365 * DAY);
    for (ahead, from, to) in [
        (hours, "2026-06-10T09:05:00Z", "2026-06-10T09:40:00Z"),
        (years, "2096-01-01T00:00:00Z", "2096-12-31T00:00:00Z"),
    ] {
        // 08:00, 14:00 and 20:00 in Berlin are 06:00, 12:00 and 18:00 UTC.
        let mut world = calcium_world("\"08:00\", \"14:00\", \"20:00\"", 3);
        world.run(2 * HOUR + MINUTE - world.t);
        assert_eq!(world.flows.len(), 1);
        world.power_cut(4 * MINUTE, ahead);
        world.feed(Event::ClockKnown(TrustSource::Kernel));
        assert!(world.trusted());
        world.run(6 * MINUTE);
        world.by_hand("calcium", 2_000, DoseKind::Prime).unwrap();
        world.read_alkalinity(8.0);
        world.run(10 * MINUTE);
        // Put right: it blocks, and nobody's word helps.
        world.sync();
        assert!(!world.trusted(), "{ahead}");
        let nothing = call_wrong(&mut world, "2030-01-01T00:00:00Z", "2030-01-02T00:00:00Z");
        assert!(nothing.unwrap_err().contains("nothing on record lies from"));
        let now_too = call_wrong(&mut world, "2026-06-10T06:00:00Z", "2099-01-01T00:00:00Z");
        assert!(now_too.unwrap_err().contains("lies between"));
        let turned = call_wrong(&mut world, to, from);
        assert!(turned.unwrap_err().contains("is after"));
        assert_eq!(call_wrong(&mut world, from, to), Ok(()), "{ahead}");
        world.restart_after(SECOND);
        world.sync();
        assert!(world.trusted(), "{ahead}");
        world.resume(None);
        // Both doses count, however old the wrong clock made the first.
        assert_eq!(world.line("calcium").delivered_24h, Some(ul(5_000)));
        assert!(world.prediction().is_none(), "of a reading of unknown time");
        // The rest of the day as planned, none twice and none in a bunch, over another start as well.
        world.run(6 * HOUR);
        world.restart_after(SECOND);
        world.sync();
        world.run(24 * HOUR - world.t);
        let given = world.flows.iter().filter(|f| f.slot.is_some()).count();
        assert_eq!(given, 3, "{ahead}");
        world.check_caps();
        world.check_books();
    }
}

#[test]
fn doses_of_a_wrong_time_count_until_elapsed_clocks_prove_their_age() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.by_hand("calcium", 2_000, DoseKind::Prime).unwrap();
    world.run(MINUTE);
    let given = world.now().wall;
    world.power_cut(2 * DAY, 0);
    world.sync();
    assert_eq!(world.line("calcium").delivered_24h, Some(Volume::ZERO));
    let around = |ms: i64| {
        jiff::Timestamp::from_millisecond(given.as_millisecond() + ms)
            .unwrap()
            .to_string()
    };
    let (from, to) = (around(-HOUR), around(HOUR));
    assert_eq!(call_wrong(&mut world, &from, &to), Ok(()));
    world.restart_after(SECOND);
    world.sync();
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(2_000)));
    world.run(DAY);
    // The dose of 08:00 is all that is left.
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(3_000)));
}

#[test]
fn a_slot_that_fell_due_since_the_last_look_is_wanted_at_once() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - world.t - SECOND);
    world.t += 2 * SECOND;
    let now = world.now();
    let wanted = world.engine.as_mut().unwrap().next_deadline(now);
    assert_eq!(wanted, now.elapsed);
}
