//! Rows of the fault catalogue: caps, schedules, pumps, power, and what infusion pumps taught.

use std::sync::Arc;

use super::rig::{
    DAY, HOUR, MINUTE, PLAN, SECOND, World, calcium_at, demo, keeper, name, plan_of, same, ul,
    unlimited_hours,
};
use crate::config::HeadOutput;
use crate::engine::{
    Answer, Command, Event, Figures, NewCalibration, Proposal, RefillLevel, RunEnd, RunReport, Wish,
};
use crate::quantity::{Millis, Volume, Words};
use crate::record::{
    CalibrationRun, DoseEnd, DoseKind, Entry, HoldScope, Outcome, OutputPlace, OutputSeen, Stamp,
    StoredCalibration,
};

/// Calcium alone, 3 mL at each of these times of Berlin, from 06:00 local on a summer's day, trusted.
pub(super) fn calcium_world(times: &str, count: i64) -> World {
    let (mut controller, _) = demo();
    unlimited_hours(&mut controller);
    let plan = calcium_at(times, count, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(6 * MINUTE);
    world
}

fn cap_of_calcium(world: &mut World, volume: i64) {
    let mut controller = (*world.controller).clone();
    for line in &mut controller.lines {
        if line.name == name("calcium") {
            line.daily_cap = ul(volume);
        }
    }
    world.controller = controller.into();
    world.restart_after(SECOND);
    world.sync();
    world.run(6 * MINUTE);
}

#[test]
fn ft_cap_01_the_cap_of_the_evening_still_counts_after_midnight() {
    let mut world = calcium_world("\"05:00\"", 1);
    cap_of_calcium(&mut world, 6_000);
    let to_evening = 17 * HOUR + 44 * MINUTE - 6 * MINUTE - SECOND + 6 * MINUTE - 6 * MINUTE;
    world.run(to_evening);
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(15 * MINUTE);
    let denial = world.by_hand("calcium", 500, DoseKind::Hand).unwrap_err();
    assert_eq!(denial.code, "daily-cap");
    let ended = world.flows_of("calcium")[0].ended;
    world.run(ended + DAY - world.t - 1);
    // One millisecond before the dose is 24 h past, give or take the delay of its report, it still counts.
    assert_eq!(
        world
            .by_hand("calcium", 500, DoseKind::Hand)
            .unwrap_err()
            .code,
        "daily-cap"
    );
    world.run(SECOND);
    world.by_hand("calcium", 500, DoseKind::Hand).unwrap();
    world.check_caps();
}

#[test]
fn ft_cap_02_after_a_day_at_the_cap_the_plan_runs_again_by_itself() {
    let mut world = calcium_world("\"08:00\", \"14:00\"", 2);
    cap_of_calcium(&mut world, 6_000);
    for day in 0..4 {
        let before = world.flows.len();
        world.run(17 * HOUR);
        // Off at midnight on the second day.
        if day == 1 {
            world.restart_after(3 * HOUR);
            world.sync();
        } else {
            world.run(3 * HOUR);
        }
        world.run(4 * HOUR);
        assert_eq!(world.flows.len() - before, 2, "day {day}");
    }
    world.check_caps();
}

#[test]
fn ft_cron_05_a_jump_forward_replays_nothing_and_lists_what_it_passed() {
    for jump in [HOUR, DAY, 56 * 365 * DAY] {
        let every_hour: Vec<String> = (7..24).map(|h| format!("\"{h:02}:30\"")).collect();
        let mut world = calcium_world(&every_hour.join(", "), 17);
        world.run(2 * HOUR);
        let before = world.flows.len();
        world.step(jump);
        world.run(MINUTE);
        assert_eq!(world.flows.len(), before);
        world.feed(Event::ClockKnown(crate::engine::TrustSource::Kernel));
        world.resume(None);
        world.run(MINUTE);
        assert_eq!(
            world.flows.len(),
            before,
            "nothing is made up for after {jump}"
        );
        let lost = |e: &&Entry| matches!(e, Entry::OutageMissed(_));
        let listed = world.books.entries.iter().filter(lost).count() + world.not_given().len();
        assert!(listed >= 1, "what was passed is listed");
        assert_eq!(world.notes("clock-stepped").len(), 1);
    }
}

#[test]
fn ft_cron_06_a_jump_of_decades_is_a_handful_of_rows() {
    let (controller, _) = demo();
    // A dose of calcium every few minutes.
    let text = "[uptake.alkalinity]\nstart-dkh-per-day = 0.0\n[line.calcium]\ndaily-ml = 90\ndoses = 180\n";
    let plan = plan_of(text, &controller);
    for jump in [10 * 365 * DAY, 80 * 365 * DAY] {
        let mut world = World::new(controller.clone(), (*plan).clone(), "2026-06-10T04:00:00Z");
        world.start();
        world.sync();
        world.run(HOUR);
        let before = world.trace.len();
        world.step(jump);
        world.feed(Event::ClockKnown(crate::engine::TrustSource::Kernel));
        assert!(
            world.trace.len() - before < 40,
            "{}",
            world.trace.len() - before
        );
        let now = world.now();
        let next = world.engine.as_mut().unwrap().next_deadline(now);
        assert!(next >= now.elapsed);
    }
}

#[test]
fn ft_cron_07_a_step_back_is_told_repeats_nothing_and_goes_on_with_the_next_slot() {
    let mut world = calcium_world("\"08:00\", \"14:00\", \"22:00\"", 3);
    world.run(10 * HOUR);
    assert_eq!(world.flows.len(), 2);
    world.step(-12 * HOUR);
    assert_eq!(world.notes("clock-stepped").len(), 0, "not on disk yet");
    world.run(MINUTE);
    assert_eq!(
        world.notes("clock-stepped"),
        ["clock stepped backwards by 12 h 00 min"]
    );
    assert!(!world.trusted());
    assert!(!world.holds.is_empty());
    // The clock is put right again; slots that were done stay done.
    world.sync();
    world.resume(None);
    world.run(MINUTE);
    assert!(world.trusted());
    assert_eq!(world.flows.len(), 2);
    world.run(8 * HOUR);
    assert_eq!(world.flows.len(), 3);
}

#[test]
fn ft_cron_08_a_timer_that_fires_early_gives_one_dose() {
    let mut world = calcium_world("\"00:00\", \"12:00\"", 2);
    for slot_in in [6 * HOUR, 12 * HOUR] {
        let slot = world.t - world.t % HOUR + slot_in;
        for early in [1_500, 700, 20, 1] {
            world.run(slot - early - world.t);
            world.feed(Event::Tick);
        }
        world.run(MINUTE);
    }
    assert_eq!(world.flows.len(), 2);
}

#[test]
fn ft_cron_12_a_slot_that_comes_while_its_head_runs_waits_and_never_overlaps() {
    let mut world = calcium_world("\"08:00\"", 1);
    let slot = 2 * HOUR;
    world.run(slot - 5 * SECOND - world.t);
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(10 * MINUTE);
    let flows = world.flows_of("calcium");
    assert_eq!(flows.len(), 2);
    assert!(flows[0].ended <= flows[1].began);
    assert!(flows[0].slot.is_none() && flows[1].slot.is_some());
}

#[test]
fn ft_cron_13_after_an_outage_nothing_is_overdue() {
    let mut world = World::demo("2026-06-10T04:00:00Z");
    world.run(HOUR);
    let before = world.flows.len();
    world.restart_after(6 * HOUR);
    world.sync();
    world.run(10 * SECOND);
    world.restart_after(10 * SECOND);
    world.sync();
    world.run(40 * SECOND);
    assert!(
        world.flows.len() <= before + 1,
        "at most the slot that is due just now"
    );
    let lost = |e: &&Entry| matches!(e, Entry::OutageMissed(_));
    assert!(world.books.entries.iter().filter(lost).count() >= 2);
    assert_eq!(
        world.notes("slots-missed").len(),
        1,
        "the second start missed nothing more"
    );
}

#[test]
fn ft_rust_02_a_start_is_no_slot() {
    let mut world = calcium_world("\"23:00\"", 1);
    for _ in 0..10 {
        world.restart_after(3 * SECOND);
        world.sync();
        world.run(3 * SECOND);
    }
    assert!(world.flows.is_empty());
}

#[test]
fn ft_pump_01_a_lost_stop_is_not_done_until_the_head_is_seen_off() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(SECOND);
    world.heads_obey = false;
    world.hold(None, "stop");
    world.feed(Event::PumpFault {
        head: name("calcium"),
        why: "the output cannot be switched off".to_owned(),
    });
    world.run(2 * SECOND);
    assert!(
        world.books.outcomes.is_empty(),
        "not done while it may still run"
    );
    assert!(world.engine.as_ref().unwrap().is_dosing());
    let held = |h: &&crate::record::Hold| h.scope == HoldScope::Line(name("calcium"));
    assert_eq!(world.holds.iter().filter(held).count(), 1);
    world.run(MINUTE);
    let outcome = world.books.outcomes.values().next().unwrap();
    assert_eq!(
        (outcome.end, outcome.delivered),
        (DoseEnd::Delivered, ul(6_000))
    );
}

#[test]
fn ft_pump_01_a_head_whose_end_is_never_told_ends_the_daemon() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.run(SECOND);
    let head = name("calcium");
    let deadline = world.t + 60 * SECOND;
    // Only the clock goes on: no report of the run ever comes.
    while world.exits.is_empty() && world.t < deadline {
        world.t += 500;
        world.feed(Event::Tick);
    }
    assert!(
        world.t < deadline && world.exits[0].contains(head.as_str()),
        "{:?}",
        world.exits
    );
    let on_head = |h: &crate::record::Hold| h.scope == HoldScope::Line(head.clone());
    assert!(world.holds.iter().any(on_head));
}

#[test]
fn ft_pump_02_a_dose_that_nobody_saw_end_is_booked_in_full_after_the_restart() {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - world.t + 2 * SECOND);
    assert_eq!(world.running(), 1);
    let before = world.books.refills[&name("calcium")];
    world.restart_after(SECOND);
    world.sync();
    world.run(HOUR);
    let outcome = world.books.outcomes.values().next().unwrap();
    assert_eq!(
        (outcome.end, outcome.delivered),
        (DoseEnd::Uncertain, ul(3_000))
    );
    assert_eq!(
        world.books.refills[&name("calcium")],
        before.saturating_sub(ul(3_000))
    );
    assert_eq!(world.line("calcium").delivered_24h.unwrap(), ul(3_000));
    assert_eq!(world.flows.len(), 1, "and is not repeated");
    let alarms = world.status().alarms;
    assert!(alarms.iter().any(|a| a.code.as_str() == "dose-uncertain"));
}

/// A dose of 3 mL whose process is stopped in the middle of it, and killed 22 s later.
fn stopped_and_killed() -> World {
    let mut world = calcium_world("\"08:00\"", 1);
    world.run(2 * HOUR - world.t + 2 * SECOND);
    assert_eq!(world.running(), 1);
    world.t += 22 * SECOND;
    world
}

#[test]
fn an_output_found_on_after_a_stopped_process_counts_until_it_was_seen_and_its_line_is_held() {
    let mut world = stopped_and_killed();
    let (id, intent) = world
        .books
        .intents
        .iter()
        .next()
        .map(|(id, (i, _))| (*id, i.clone()))
        .unwrap();
    let before = world.books.refills[&name("calcium")];
    world.restart_after(MINUTE);
    world.sync();
    world.run(HOUR);
    let outcome = world.books.outcomes[&id].clone();
    let on_time = outcome.on_time.unwrap();
    assert_eq!(outcome.end, DoseEnd::Uncertain);
    assert!(
        on_time >= Millis::new(22 * SECOND) && on_time < Millis::new(30 * SECOND),
        "{on_time}: not until the restart, but until it was seen"
    );
    let rate = intent.volume.as_ul() * on_time.as_ms() / intent.run_time.as_ms();
    let off = (outcome.delivered.as_ul() - rate).abs();
    assert!(off * 20 < rate, "{} against {rate}", outcome.delivered);
    assert_eq!(
        world.line("calcium").delivered_24h.unwrap(),
        outcome.delivered
    );
    let left = before.saturating_sub(outcome.delivered);
    assert_eq!(world.books.refills[&name("calcium")], left);
    let hold = world
        .holds
        .iter()
        .find(|h| h.scope == HoldScope::Line(name("calcium")));
    let reason = &hold.unwrap().reason;
    assert!(reason.contains("test the water"), "{reason}");
    let alarms = world.status().alarms;
    assert!(alarms.iter().any(|a| a.code.as_str() == "dose-uncertain"));
    assert_eq!(world.notes("output-found-on").len(), 1);
    world.restart_after(MINUTE);
    world.sync();
    assert_eq!(
        world.line("calcium").delivered_24h.unwrap(),
        outcome.delivered
    );
    assert_eq!(world.notes("output-found-on").len(), 1, "told once");
}

#[test]
fn an_output_that_nobody_looked_at_counts_until_the_restart_and_one_found_off_as_meant() {
    let mut world = stopped_and_killed();
    world.kill();
    world.seen.clear();
    world.t += MINUTE;
    world.start();
    world.sync();
    world.run(MINUTE);
    let outcome = world.books.outcomes.values().next().unwrap().clone();
    assert!(
        outcome.on_time.unwrap() >= Millis::new(82 * SECOND),
        "{outcome:?}"
    );
    assert_eq!(world.holds.len(), 1);

    let mut world = stopped_and_killed();
    world.kill();
    world
        .seen
        .iter_mut()
        .for_each(|seen| (seen.was_on, seen.was_off) = (false, true));
    world.t += MINUTE;
    world.start();
    world.sync();
    world.run(MINUTE);
    let outcome = world.books.outcomes.values().next().unwrap().clone();
    assert_eq!((outcome.on_time, outcome.delivered), (None, ul(3_000)));
    assert!(world.holds.is_empty());
}

/// What the stop hook saw of an output: on, and off now.
fn found_on(world: &World, place: OutputPlace) -> OutputSeen {
    let now = world.now();
    OutputSeen {
        what: "head calcium".to_owned(),
        place,
        was_on: true,
        was_off: false,
        is_off: true,
        boot: "boot-1".to_owned(),
        at: Stamp {
            wall: now.wall,
            elapsed: now.elapsed,
            trusted: false,
        },
    }
}

#[test]
fn an_output_of_any_kind_that_only_the_stop_hook_found_on_is_the_alarm_of_a_head_that_does_not_obey()
 {
    let stepper = HeadOutput::Stepper(crate::config::Stepper {
        step: 20,
        direction: None,
        enable: None,
        speed: crate::config::StepSpeed {
            steps_per_s: 1_000,
            steps_per_s2: 4_000,
        },
    });
    let pwm = HeadOutput::Pwm(crate::config::Pwm {
        chip: "fe20c000.pwm".to_owned(),
        channel: 1,
        pin: 19,
        frequency_hz: 20_000,
        duty_percent: 60,
    });
    let switched = demo().0.heads[&name("calcium")].output.clone();
    let HeadOutput::Switched(pin) = &switched else {
        panic!("the demo's heads are switched");
    };
    let channel = OutputPlace::Pwm("/sys/devices/platform/soc/fe20c000.pwm".to_owned(), 1);
    for (output, place) in [
        (switched.clone(), OutputPlace::Gpio(pin.gpio)),
        (stepper, OutputPlace::Gpio(20)),
        (pwm, channel),
    ] {
        let mut world = calcium_world("\"23:00\"", 1);
        world.kill();
        let heads = &mut Arc::make_mut(&mut world.controller).heads;
        heads.get_mut(&name("calcium")).unwrap().output = output;
        world.t += SECOND;
        let seen = found_on(&world, place);
        world.seen.push(seen);
        world.t += MINUTE;
        world.start();
        world.sync();
        let alarms = world.status().alarms;
        let held: Vec<_> = alarms
            .iter()
            .filter(|a| a.code.as_str() == "held")
            .collect();
        assert_eq!(held.len(), 1, "{alarms:?}");
        assert_eq!(held[0].subject.as_deref(), Some("calcium"));
        assert!(
            held[0].text.contains("after the daemon had ended"),
            "{held:?}"
        );
        assert!(held[0].text.contains("switch its supply off"), "{held:?}");
        // It is told once: who has looked resumes, and the next start knows.
        world.resume(Some("calcium"));
        world.restart_after(MINUTE);
        world.sync();
        assert!(world.holds.is_empty(), "{:?}", world.holds);
    }
}

#[test]
fn a_dose_that_a_power_cut_ended_counts_in_full_and_the_next_slot_is_dosed() {
    let mut world = calcium_world("\"08:00\", \"10:00\"", 2);
    world.run(2 * HOUR - world.t + 2 * SECOND);
    assert_eq!(world.running(), 1);
    world.t += 22 * SECOND;
    world.power_cut(MINUTE, 0);
    world.sync();
    world.run(3 * HOUR);
    let outcome = world.books.outcomes.values().next().unwrap();
    assert_eq!((outcome.on_time, outcome.delivered), (None, ul(3_000)));
    assert!(world.holds.is_empty());
    assert_eq!(world.flows.len(), 2, "the next slot is dosed");
}

#[test]
fn ft_pump_04_wide_clocks_do_not_wrap() {
    for elapsed in [
        (1_i64 << 32) - 10_000,
        (1 << 31) - 5_000,
        (1 << 32) / 1_000 - 5_000,
    ] {
        let mut world = calcium_world("\"23:00\"", 1);
        world.power_cut(0, 0);
        world.set_elapsed(elapsed);
        world.sync();
        world.run(6 * MINUTE);
        world.set_elapsed(elapsed);
        world.restart_after(0);
        world.sync();
        world
            .by_hand("calcium", 3_000, DoseKind::Prime)
            .map_or_else(
                // The inputs of a fresh start block a while; then the check is that nothing spins or panics.
                |denial| assert_eq!(denial.code, "input-blocks"),
                |_| world.run(30 * SECOND),
            );
        world.run(7 * MINUTE);
        world.by_hand("calcium", 3_500, DoseKind::Hand).unwrap();
        world.run(30 * SECOND);
        let last = world.flows.last().unwrap();
        assert_eq!(last.volume, 3_500);
        assert!((6_000..8_000).contains(&(last.ended - last.began)));
    }
}

#[test]
fn ft_pump_05_what_was_blocked_for_days_is_not_summed_up() {
    let mut world = calcium_world("\"08:00\", \"14:00\"", 2);
    world.input("return-pump", Some(false));
    world.run(3 * DAY);
    assert!(world.flows.is_empty());
    assert_eq!(world.not_given().len(), 6);
    assert!(world.not_given().iter().all(|s| s.code == "input-blocks"));
    world.input("return-pump", Some(true));
    world.run(DAY);
    let volumes: Vec<i64> = world.flows.iter().map(|f| f.volume).collect();
    assert_eq!(volumes, [3_000, 3_000]);
}

#[test]
fn ft_pump_06_a_kill_at_any_point_of_a_dose_never_gives_it_twice() {
    for part in [0, 1, 50, 99, 100, 101] {
        for down in [SECOND, MINUTE, HOUR] {
            let mut world = calcium_world("\"08:00\"", 1);
            // 3 mL at 30.8 mL/min and the offset: 5864 ms, after 20 ms of writing.
            world.run(2 * HOUR - world.t + 20 + 5_864 * part / 100);
            world.restart_after(down);
            world.sync();
            world.run(3 * HOUR);
            let flowed: i64 = world.flows.iter().map(|f| f.volume).sum();
            assert!(flowed <= 3_000, "{flowed} at {part} %, {down} ms");
            assert_eq!(world.books.intents.len(), 1);
            world.check_books();
        }
    }
}

#[test]
fn ft_gpio_09_a_head_whose_start_kills_the_board_is_held_after_two_times() {
    let every: Vec<String> = (7..17).map(|h| format!("\"{h:02}:00\"")).collect();
    let mut world = calcium_world(&every.join(", "), 10);
    for hour in 0..10 {
        let slot = (hour + 1) * HOUR;
        world.run(slot - world.t + 220);
        world.power_cut(20 * SECOND, 0);
        world.sync();
        world.run(6 * MINUTE);
    }
    assert_eq!(world.flows.len(), 2);
    let hold = &world.holds[0];
    assert_eq!(hold.scope, HoldScope::Line(name("calcium")));
    assert!(hold.reason.contains("power supply"), "{}", hold.reason);
}

#[test]
fn ft_infus_01_the_same_dose_twice_within_seconds_is_one() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.by_hand("calcium", 500, DoseKind::Hand).unwrap();
    world.run(2 * SECOND);
    let denial = world.by_hand("calcium", 500, DoseKind::Hand).unwrap_err();
    assert_eq!(denial.code, "repeated");
    world.run(9 * SECOND);
    world.by_hand("calcium", 500, DoseKind::Hand).unwrap();
    world.run(MINUTE);
    assert_eq!(world.flows.len(), 2);
}

#[test]
fn ft_infus_01_far_more_than_usual_must_be_said_twice() {
    let (controller, _) = demo();
    let text = PLAN.replace("daily-ml = 6\ndoses = 3", "daily-ml = 3\ndoses = 3");
    let plan = plan_of(&text, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(6 * MINUTE);
    let prepare = |world: &mut World, volume| {
        world
            .proposed(Wish::Dose {
                line: name("magnesium"),
                volume: ul(volume),
                kind: DoseKind::Hand,
            })
            .unwrap()
    };
    assert!(
        prepare(&mut world, 3_000).ask_twice.is_none(),
        "three usual doses are not unusual"
    );
    for repeated in [None, Some(ul(300)), Some(ul(30_010))] {
        let proposal = prepare(&mut world, 3_001);
        assert!(proposal.ask_twice.is_some());
        let ticket = world.ask(Command::Confirm(proposal.confirm(repeated)));
        assert_eq!(
            world.answer(ticket).as_ref().unwrap_err().code,
            "volume-not-repeated"
        );
    }
    let proposal = prepare(&mut world, 3_001);
    let ticket = world.ask(Command::Confirm(proposal.confirm(Some(ul(3_001)))));
    world.run(MINUTE);
    assert!(matches!(
        world.answer(ticket),
        Ok(Answer::DoseStarted { .. })
    ));
}

#[test]
fn ft_infus_03_every_order_of_start_stop_prime_calibrate_reload_and_resume_books_what_flowed() {
    fn act(world: &mut World, which: usize) {
        match which {
            0 => drop(world.by_hand("calcium", 4_000, DoseKind::Hand)),
            1 => world.hold(Some("calcium"), "stop"),
            2 => drop(world.by_hand("calcium", 2_500, DoseKind::Prime)),
            3 => drop(world.by_hand("calcium", 3_300, DoseKind::Calibration)),
            4 => drop(world.reload(world.plan.clone())),
            5 => world.resume(Some("calcium")),
            other => unreachable!("{other}"),
        }
    }
    for sequence in 0..6_usize.pow(4) {
        let mut world = calcium_world_untold();
        let mut left = sequence;
        let mut asked = Vec::new();
        for _ in 0..4 {
            asked.push(left % 6);
            act(&mut world, left % 6);
            world.run(1_500);
            left /= 6;
        }
        world.run(40 * SECOND);
        for flow in &world.flows {
            let booked = world.books.outcomes[&flow.id].delivered.as_ul();
            assert_eq!(booked, flow.volume, "{asked:?}");
        }
        let doses = asked.iter().filter(|a| matches!(a, 0 | 2 | 3)).count();
        assert!(
            world.flows.len() <= doses,
            "nothing is resumed by itself: {asked:?}"
        );
        assert_eq!(world.books.outcomes.len(), world.books.intents.len());
    }
}

/// Like [`calcium_world`], without contacts, so that nothing has to be waited for.
fn calcium_world_untold() -> World {
    let (mut controller, _) = demo();
    controller.inputs.clear();
    let plan = calcium_at("\"23:00\"", 1, &controller);
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world
}

#[test]
fn ft_infus_04_no_head_runs_with_a_fault_latched() {
    let faults: [fn(&mut World); 4] = [
        |w| w.feed(Event::UnderVoltage(true)),
        |w| w.hold(None, "stop"),
        |w| {
            w.feed(Event::PumpFault {
                head: name("calcium"),
                why: "does not obey".to_owned(),
            });
        },
        |w| {
            w.input("return-pump", Some(false));
            w.run(3 * SECOND);
        },
    ];
    for fault in faults {
        let mut world = calcium_world("\"23:00\"", 1);
        world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
        world.run(SECOND);
        assert_eq!(world.running(), 1);
        fault(&mut world);
        assert_eq!(world.running(), 0, "off in the same turn");
        world.run(SECOND);
        let outcome = world.books.outcomes.values().next().unwrap();
        assert_eq!(outcome.end, DoseEnd::Interrupted);
        assert_eq!(outcome.delivered.as_ul(), world.flows[0].volume);
    }
}

/// The runs that a calibration would come from.
fn bench_runs(stored: &StoredCalibration) -> NewCalibration {
    let runs = [2_000, 2_000, 30_000, 30_000].map(|ms| CalibrationRun {
        on_time: Millis::new(ms),
        volume: stored.calibration.volume(Millis::new(ms)),
        typed: String::new(),
        dose: None,
        used: true,
    });
    NewCalibration {
        head: stored.head.clone(),
        runs: runs.to_vec(),
        resolution: Volume::ZERO,
        weighing: Words::default(),
        method: Words::default(),
        sure_of: None,
    }
}

#[test]
fn ft_infus_05_no_command_clears_what_counts_in_24_hours() {
    let mut world = World::demo("2026-06-10T04:00:00Z");
    world.run(5 * HOUR + 10 * SECOND);
    world.run(10 * MINUTE);
    let given = world.line("alkalinity").delivered_24h.unwrap();
    assert!(given > ul(10_000));
    let stored = world.books.entries.iter().find_map(|e| match e {
        Entry::Calibration(c) if c.head == name("alkalinity") => Some(c.clone()),
        Entry::Calibration(_)
        | Entry::Verification(_)
        | Entry::Bench(_)
        | Entry::SlotNotGiven(_)
        | Entry::OutageMissed(_)
        | Entry::Hold(_)
        | Entry::Refill(_)
        | Entry::Observation(_)
        | Entry::Uptake(_)
        | Entry::Course(_)
        | Entry::Corridor(_)
        | Entry::LabColumns(_)
        | Entry::TakenBack(_)
        | Entry::Arming(_)
        | Entry::Forgotten(_)
        | Entry::WrongTime(_)
        | Entry::Note(_) => None,
    });
    let stored = stored.unwrap();
    let commands = [
        Command::Hold {
            scope: HoldScope::All,
            reason: "wait".into(),
            length: None,
        },
        Command::Resume {
            scope: HoldScope::All,
        },
        Command::Refill(same("alkalinity", RefillLevel::Full)),
        Command::Calibrate(bench_runs(&stored)),
        Command::TrustClock {},
        Command::Acknowledge { code: None },
    ];
    for command in commands {
        world.ask(command.clone());
        assert_eq!(
            world.line("alkalinity").delivered_24h.unwrap(),
            given,
            "{command:?}"
        );
    }
    world.read_alkalinity(8.1);
    world.reload(world.plan.clone());
    assert_eq!(world.line("alkalinity").delivered_24h.unwrap(), given);
    let mut controller = (*world.controller).clone();
    controller.time_zone = jiff::tz::TimeZone::get("Pacific/Auckland").unwrap();
    world.controller = controller.into();
    world.run(SECOND);
    world.restart_after(SECOND);
    assert_eq!(
        world.line("alkalinity").delivered_24h.unwrap(),
        given,
        "nor a restart in another zone"
    );
    world.run(SECOND);
    world.power_cut(SECOND, -DAY);
    assert_eq!(
        world.line("alkalinity").delivered_24h.unwrap(),
        given,
        "nor a power cut"
    );
}

#[test]
fn ft_infus_06_an_alarm_is_told_every_day_until_it_is_seen() {
    let mut world = calcium_world("\"23:00\"", 1);
    world.feed(Event::UnderVoltage(true));
    world.run(2 * DAY + HOUR);
    let reminders = |w: &World| {
        let all = w.notes("alarm-reminder");
        all.into_iter()
            .filter(|t| t.starts_with("under-voltage"))
            .count()
    };
    assert_eq!(reminders(&world), 2);
    // Its cause goes; it stays listed until somebody has seen it.
    world.feed(Event::UnderVoltage(false));
    let listed = |w: &mut World| {
        w.status()
            .alarms
            .iter()
            .any(|a| a.code.as_str() == "under-voltage")
    };
    assert!(listed(&mut world));
    world.run(DAY);
    assert_eq!(reminders(&world), 3);
    world.ask(Command::Acknowledge {
        code: Some("under-voltage".into()),
    });
    assert!(!listed(&mut world));
    world.run(2 * DAY);
    assert_eq!(reminders(&world), 3);
}

#[test]
fn ft_infus_07_a_confirmation_is_good_once_for_a_minute_and_for_what_was_shown() {
    let mut world = calcium_world("\"23:00\"", 1);
    let prepare = |world: &mut World| {
        let proposal = world
            .proposed(Wish::Dose {
                line: name("calcium"),
                volume: ul(2_000),
                kind: DoseKind::Hand,
            })
            .unwrap();
        assert!(matches!(&proposal.figures, Figures::Dose(d) if d.volume == ul(2_000)));
        proposal
    };
    let confirm = |world: &mut World, proposal: &Proposal| {
        let ticket = world.ask(Command::Confirm(proposal.confirm(None)));
        world.run(20 * SECOND);
        world.answer(ticket).clone().map_err(|d| d.code)
    };
    let token = prepare(&mut world);
    world.run(MINUTE + 1);
    assert_eq!(confirm(&mut world, &token), Err("token-expired".to_owned()));
    let token = prepare(&mut world);
    world.refill("calcium", RefillLevel::Full);
    assert_eq!(confirm(&mut world, &token), Err("token-stale".to_owned()));
    let (first, second) = (prepare(&mut world), prepare(&mut world));
    assert_eq!(confirm(&mut world, &first), Err("token-unknown".to_owned()));
    // A wrong token has used the right one up as well: ask again.
    assert_eq!(
        confirm(&mut world, &second),
        Err("token-unknown".to_owned())
    );
    let token = prepare(&mut world);
    world.run(MINUTE);
    assert!(confirm(&mut world, &token).is_ok());
    assert_eq!(confirm(&mut world, &token), Err("token-unknown".to_owned()));
    assert_eq!(world.flows.len(), 1);
}

#[test]
fn ft_infus_10_the_smallest_refused_dose_is_one_microlitre_over_the_cap_shown() {
    for given in [500, 1_234, 3_000, 5_999] {
        let mut world = calcium_world("\"23:00\"", 1);
        cap_of_calcium(&mut world, 8_000);
        world.by_hand("calcium", given, DoseKind::Hand).unwrap();
        world.run(MINUTE);
        let shown = world.line("calcium");
        assert_eq!(shown.cap_left.unwrap(), ul(8_000 - given));
        let fits = shown.cap_left.unwrap().min(shown.dose_cap).as_ul();
        let refused = world
            .by_hand("calcium", fits + 1, DoseKind::Hand)
            .unwrap_err();
        let code = if shown.cap_left.unwrap() < shown.dose_cap {
            "daily-cap"
        } else {
            "dose-cap"
        };
        assert_eq!(refused.code, code);
        world.by_hand("calcium", fits, DoseKind::Hand).unwrap();
    }
}

#[test]
fn ft_infus_10_the_alkalinity_allowance_shown_is_the_one_enforced() {
    let mut world = World::demo("2026-06-10T04:00:00Z");
    world.run(5 * HOUR + 10 * MINUTE);
    let shown = world.allowed();
    assert!(
        (shown.as_dkh() - 1.3).abs() < 1e-9,
        "0.8 of uptake and 0.5 of rise"
    );
    let used: f64 = world.flows.iter().map(|f| f.alkalinity).sum();
    let left = shown.as_meq_per_l() - used;
    // 60 g/L of Na2CO3 (105.988 g/mol) carry 1132.2 meq/L.
    let per_ul = 60.0 / 105.988 * 2_000.0 / 1e6 / 300.0;
    assert!(left > 60_000.0 * per_ul, "far more than one dose is left");
    let before = world.line("alkalinity").cap_left.unwrap();
    assert_eq!(
        before,
        ul(100_000).saturating_sub(world.line("alkalinity").delivered_24h.unwrap())
    );
}

#[test]
fn a_report_of_an_unknown_dose_changes_nothing() {
    let mut world = calcium_world("\"23:00\"", 1);
    let before = world.trace.len();
    world.feed(Event::RunEnded {
        id: crate::record::DoseId(99),
        report: RunReport {
            on_time: Millis::from_secs(5),
            end: RunEnd::Completed,
        },
    });
    world.feed(Event::IntentStored(crate::record::DoseId(99)));
    assert_eq!(world.trace.len(), before);
    assert_eq!(keeper().to_string(), "local user 1000");
}

/// A dose of 3 mL of which the driver tells this end, and its run time.
fn ended_as(world: &mut World, end: &RunEnd, on_time: impl Fn(Millis) -> Millis) -> Outcome {
    world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap();
    world.run(SECOND);
    let (id, (intent, _)) = world.books.intents.last_key_value().unwrap();
    let (id, run_time) = (*id, intent.run_time);
    world.end_run(id);
    let report = RunReport {
        on_time: on_time(run_time),
        end: end.clone(),
    };
    world.feed(Event::RunEnded { id, report });
    world.run(SECOND);
    world.books.outcomes[&id].clone()
}

#[test]
fn a_failed_run_holds_its_line_and_counts_at_least_in_full() {
    let failed = RunEnd::Failed {
        why: "the output does not read back".to_owned(),
    };
    let mut world = calcium_world("\"23:00\"", 1);
    let short = ended_as(&mut world, &failed, |_| Millis::from_secs(1));
    assert_eq!((short.end, short.delivered), (DoseEnd::Failed, ul(3_000)));
    assert_eq!(world.holds[0].scope, HoldScope::Line(name("calcium")));
    assert!(world.holds[0].reason.contains("does not read back"));
    let denial = world.by_hand("calcium", 2_000, DoseKind::Hand).unwrap_err();
    assert_eq!(denial.code, "held");
    assert_eq!(world.line("calcium").delivered_24h, Some(ul(3_000)));
    let mut world = calcium_world("\"23:00\"", 1);
    let long = ended_as(&mut world, &failed, |meant| meant.plus(meant));
    assert!(long.delivered > ul(5_900), "{long:?}");
}

#[test]
fn a_run_that_lasted_more_than_two_seconds_too_long_holds_its_line() {
    let late = |ms| move |meant: Millis| meant.plus(Millis::new(ms));
    let mut world = calcium_world("\"23:00\"", 1);
    ended_as(&mut world, &RunEnd::Completed, late(2_000));
    assert!(world.holds.is_empty(), "{:?}", world.holds);
    world.run(MINUTE);
    let outcome = ended_as(&mut world, &RunEnd::Completed, late(2_001));
    assert!(outcome.delivered > ul(3_900), "{outcome:?}");
    assert_eq!(world.holds[0].scope, HoldScope::Line(name("calcium")));
    assert!(world.holds[0].reason.contains("instead of"));
}

#[test]
fn a_hold_that_only_the_ledger_knows_is_in_force_after_the_start() {
    for (line, scope) in [
        (None, HoldScope::All),
        (Some("calcium"), HoldScope::Line(name("calcium"))),
    ] {
        let mut world = calcium_world("\"08:00\"", 1);
        world.hold(line, "looks wrong");
        world.run(SECOND);
        // The hold file was lost.
        world.holds.clear();
        world.restart_after(SECOND);
        world.sync();
        assert_eq!(world.holds[0].scope, scope, "and the file has it again");
        let denial = world.by_hand("calcium", 3_000, DoseKind::Hand).unwrap_err();
        assert_eq!(denial.code, "held");
        world.run(3 * HOUR);
        assert!(world.flows.is_empty());
    }
}
