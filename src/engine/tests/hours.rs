//! The limits on an hour: a day's dose is not given at once, and the plan goes on.

use super::rig::{DAY, HOUR, MINUTE, SECOND, World, demo, name, plan_of, ul};
use crate::chemistry::Quantity;
use crate::config::Controller;
use crate::record::DoseKind;

fn world(change: impl Fn(&mut Controller)) -> World {
    let (mut controller, plan) = demo();
    controller.inputs.clear();
    change(&mut controller);
    let mut world = World::new(controller, plan, "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    world.run(6 * MINUTE);
    world.read_alkalinity(8.0);
    world
}

#[test]
fn sixteen_doses_by_hand_in_eight_minutes_are_refused_with_numbers_and_a_time_over_restarts_too() {
    let mut world = world(|_| {});
    world.hold(Some("magnesium"), "out of the way");
    world.run(25 * MINUTE);
    assert!(!world.flows_of("calcium").is_empty());
    let mut refused = 0;
    for count in 0..16 {
        if count == 8 {
            world.restart_after(SECOND);
            world.sync();
        }
        match world.by_hand("calcium", 6_000, DoseKind::Hand) {
            Ok(_) => {}
            Err(denial) => {
                assert_eq!(denial.code, "hourly-cap", "{denial:?}");
                assert!(
                    denial.text.contains("over the hourly cap of 6.302 mL"),
                    "{denial:?}"
                );
                assert!(
                    denial
                        .text
                        .contains("mL; there is room again at 2026-06-10 07:"),
                    "{denial:?}"
                );
                refused += 1;
            }
        }
        world.run(30 * SECOND);
    }
    assert_eq!(refused, 16, "the plan gave 3 mL in this hour");
    world.hold(Some("calcium"), "the plan is out of the way");
    world.run(HOUR);
    world.resume(Some("calcium"));
    assert_eq!(world.line("calcium").hour_left.unwrap(), ul(6_302));
    world.by_hand("calcium", 6_000, DoseKind::Hand).unwrap();
    world.check_caps();
}

#[test]
fn no_hour_raises_a_quantity_by_more_than_is_set_for_it() {
    let per_hour = |dkh: f64| {
        move |controller: &mut Controller| {
            let limits = controller.water.get_mut(&Quantity::Alkalinity).unwrap();
            limits.max_rise_per_hour = Some(dkh);
        }
    };
    // 3.15 mL an hour by the plan are 0.033 dKH, and 2.5 mL by hand 0.026 dKH.
    let mut tight = world(per_hour(0.05));
    tight.run(HOUR);
    let denial = tight
        .by_hand("alkalinity", 2_500, DoseKind::Hand)
        .unwrap_err();
    assert_eq!(denial.code, "hourly-rise");
    assert!(
        denial
            .text
            .contains("over the 0.05 dKH that is allowed in an hour"),
        "{denial:?}"
    );
    let mut wide = world(per_hour(0.07));
    wide.run(HOUR);
    wide.by_hand("alkalinity", 2_500, DoseKind::Hand).unwrap();
}

#[test]
fn a_plan_at_exactly_its_hourly_limits_is_given_whole_every_day() {
    let (mut controller, _) = demo();
    let text = "[uptake.alkalinity]\nstart-dkh-per-day = 0.8\n[line.alkalinity]\nshare-of-uptake = 1.0\nof = \"alkalinity\"\ndoses = 24\n";
    let plan = plan_of(text, &controller);
    let volume = ul(3_151);
    for line in &mut controller.lines {
        if line.name == name("alkalinity") {
            (line.dose_cap, line.hourly_cap) = (volume, Some(volume));
        }
    }
    let mut world = World::new(controller, (*plan).clone(), "2026-06-10T04:00:00Z");
    world.start();
    world.sync();
    let before = world.flows_of("alkalinity").len();
    world.run(3 * DAY + MINUTE);
    assert_eq!(world.flows_of("alkalinity").len() - before, 72);
    let refused = world.not_given();
    assert!(
        refused.iter().all(|s| s.key.line != name("alkalinity")),
        "{refused:?}"
    );
}
