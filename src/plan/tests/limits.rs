//! What a line, a bottle, an hour, a day and 24 h across a midnight may give, on the demo reef of 300 L.

use super::super::limits::{line_within, within};
use super::*;
use crate::chemistry::Quantity;
use crate::config::tests::{CONTROLLER, PLAN, check_with};
use crate::quantity::Alkalinity;

const TODAY: Date = date(2026, 6, 10);

fn demo() -> (Controller, Plan) {
    let loaded = check_with(CONTROLLER, PLAN, &check_plan).unwrap();
    (loaded.controller, loaded.plan)
}

fn ul(value: i64) -> Volume {
    Volume::from_ul(value)
}

/// 1 mL raises 100 L by 0.5 ug/L, as its label says.
fn iodine_mg_per_l(ml: f64) -> f64 {
    ml * 0.000_5 * 100.0 / 300.0
}

fn iodine() -> Quantity {
    Quantity::from_word("iodine").unwrap()
}

#[test]
fn a_dose_of_exactly_its_cap_and_a_run_of_exactly_its_longest_are_within() {
    let (mut controller, _) = demo();
    let line = name("iodine");
    let said = |controller: &Controller, ul: i64| {
        let within = line_within(controller, &line, Volume::from_ul(ul), 1);
        within.map_or_else(|over| over.to_string(), |()| "within".to_owned())
    };
    assert_eq!(said(&controller, 1_500), "within");
    let over = said(&controller, 1_501);
    assert!(over.contains("1.501 mL in one dose"), "{over}");
    // 1.2 mL take 12 s at 6 mL/min.
    let head = controller.heads.get_mut(&line).unwrap();
    head.run_max = Millis::from_secs(12);
    assert_eq!(said(&controller, 1_200), "within");
    assert!(
        said(&controller, 1_201).contains("12"),
        "{}",
        said(&controller, 1_201)
    );
    assert_ne!(said(&controller, 1_201), "within");
    let twice = line_within(&controller, &line, ul(2_000), 1).unwrap_err();
    assert!(
        twice.to_string().contains("4.0 mL in a day and the first")
            || twice.to_string().contains("in one dose")
    );
    let head = controller.heads.get_mut(&line).unwrap();
    head.run_max = Millis::from_secs(40);
    let cap = line_within(&controller, &line, ul(4_000), 4).unwrap_err();
    assert!(
        cap.to_string()
            .contains("5.0 mL in a day and the first dose of the next"),
        "{cap}"
    );
}

#[test]
fn what_a_bottle_would_give_in_doses_that_its_head_cannot_meter_is_said_with_how_many_would_do() {
    let (controller, plan) = demo();
    let bottle = name("iodine");
    let said = |volume: i64, smallest: i64| {
        let daily = DailyVolumes::from([(name("iodine"), ul(volume))]);
        let within = bottle_within((&controller, &plan), (&bottle, &daily), None, &|_| {
            Volume::from_ul(smallest)
        });
        within.err().unwrap_or_default()
    };
    assert_eq!(said(2_000, 1_000), "", "in two doses");
    assert_eq!(said(0, 1_000), "", "nothing is no dose");
    for (volume, smallest, words) in [
        (2_000, 1_001, "each would be 2.0 mL"),
        (
            2_400,
            1_201,
            "in 1 doses a day, the most that it could meter, each would be 2.4 mL",
        ),
        (1_500, 1_000, "plan at most 1 doses a day"),
        (1_200, 1_300, "no number of doses a day would do"),
        (4_100, 100, "4.1 mL a day, over its limit of 4.0 mL"),
    ] {
        let why = said(volume, smallest);
        assert!(why.contains(words), "{volume} {smallest}: {why}");
    }
    let daily = DailyVolumes::from([(name("iodine"), ul(2_000)), (name("calcium"), ul(900_000))]);
    let over = bottle_within((&controller, &plan), (&bottle, &daily), None, &|_| ul(100));
    assert!(over.unwrap_err().contains("calcium"), "all lines together");
}

#[test]
fn of_alkalinity_an_uptake_comes_on_top_of_the_rise_and_of_an_element_none() {
    let (controller, _) = demo();
    let rises = |alkalinity: f64, of_iodine: f64, uptake: Option<f64>| {
        let rise_of = |of: &Quantity| {
            if *of == Quantity::Alkalinity {
                alkalinity
            } else if *of == iodine() {
                of_iodine
            } else {
                0.0
            }
        };
        within(&controller, rise_of, uptake.map(Alkalinity::from_dkh)).is_ok()
    };
    assert!(rises(1.3, 0.01, Some(0.8)));
    assert!(!rises(1.301, 0.0, Some(0.8)));
    assert!(rises(9.0, 0.0, None), "not asked about");
    assert!(!rises(0.0, 0.010_1, None) && !rises(0.0, 0.010_1, Some(0.8)));
    let daily = DailyVolumes::from([(name("iodine"), ul(3_000))]);
    assert_ne!(
        rises_of_day(&controller, &daily),
        rises_of_day(&controller, &DailyVolumes::new())
    );
}

#[test]
fn the_busiest_hour_is_the_dose_cap_the_plans_own_or_what_the_owner_sets() {
    let (mut controller, mut plan) = demo();
    let line = name("iodine");
    let planned = plan.lines.iter_mut().find(|p| p.line == line).unwrap();
    // Three in an hour, and one that is exactly an hour after the first of them.
    planned.times = at(&[(8, 0), (8, 20), (8, 59), (9, 0)]);
    let daily = DailyVolumes::from([(line.clone(), ul(4_000))]);
    let around = |controller: &Controller| {
        let controller_of = Arc::new(controller.clone());
        let mut schedule = Schedule::new(controller_of, &plan);
        BusiestHour::around(controller, &mut schedule, TODAY, &daily)
    };
    let busiest = around(&controller);
    let of_line = |controller: &Controller, line: &str| {
        let line = controller
            .lines
            .iter()
            .find(|l| l.name == name(line))
            .unwrap();
        busiest.cap(line)
    };
    assert_eq!(of_line(&controller, "iodine"), ul(3_000));
    assert_eq!(of_line(&controller, "trace"), ul(2_000), "its dose cap");
    let rise = busiest.rise(&controller, &iodine());
    assert!((rise / iodine_mg_per_l(3.0) - 1.0).abs() < 1e-9, "{rise}");
    assert!(busiest.within(&controller).is_ok());
    let own = |controller: &mut Controller, cap: Option<Volume>| {
        let mut lines = controller.lines.iter_mut();
        lines.find(|l| l.name == line).unwrap().hourly_cap = cap;
    };
    own(&mut controller, Some(ul(3_000)));
    assert!(busiest.within(&controller).is_ok());
    own(&mut controller, Some(ul(2_999)));
    assert_eq!(of_line(&controller, "iodine"), ul(2_999));
    let over = busiest.within(&controller).unwrap_err().to_string();
    assert!(
        over.contains("3.0 mL in an hour, over its limit of 2.999 mL"),
        "{over}"
    );
    own(&mut controller, None);
    for (share, is_within) in [(1.0, true), (0.999, false)] {
        let limits = controller.water.get_mut(&iodine()).unwrap();
        limits.max_rise_per_hour = Some(share * iodine_mg_per_l(3.0));
        assert_eq!(busiest.within(&controller).is_ok(), is_within, "{share}");
    }
}

#[test]
fn twenty_four_hours_across_a_midnight_count_the_evening_of_one_day_and_the_morning_of_the_next() {
    let (controller, mut plan) = demo();
    let planned = plan
        .lines
        .iter_mut()
        .find(|p| p.line == name("iodine"))
        .unwrap();
    planned.times = at(&[(6, 0), (12, 0), (22, 0)]);
    let day = |ul: i64| DailyVolumes::from([(name("iodine"), Volume::from_ul(ul))]);
    let days = [day(3_000), day(1_500), day(0), day(3_000)];
    let crossings = across_midnights(&controller, &plan, (TODAY, &days));
    let found: Vec<(u32, f64)> = crossings
        .iter()
        .map(|c| (c.day, c.rise_of(&iodine())))
        .collect();
    // 12:00 and 22:00 of one day and 06:00 of the next; of two at 12:00 only one.
    let want = [(1, 3.0), (2, 1.5), (3, 3.0)];
    assert_eq!(found.len(), want.len());
    for ((day, rise), (want_day, ml)) in found.into_iter().zip(want) {
        assert_eq!(day, want_day);
        assert!(
            (rise / iodine_mg_per_l(ml) - 1.0).abs() < 1e-9,
            "{day}: {rise}"
        );
    }
    assert!((crossings[0].rise_of(&Quantity::from_word("lithium").unwrap())).abs() < 1e-12);
}

#[test]
fn what_departs_is_added_to_what_a_line_gives_and_to_nothing_else() {
    let (controller, plan) = demo();
    let standing = plan_daily_volumes(&plan);
    let more = [
        (name("iodine"), ul(500)),
        (name("trace"), ul(-9_000)),
        (name("gone"), ul(700)),
    ];
    let daily = departed(&standing, None, &more.into());
    assert_eq!(daily[&name("iodine")], ul(2_500));
    assert_eq!(
        daily[&name("trace")],
        Volume::ZERO,
        "never less than nothing"
    );
    assert_eq!(daily.get(&name("gone")), None);
    let none = DailyVolumes::from([(name("iodine"), Volume::ZERO)]);
    let daily = departed(&none, None, &[(name("iodine"), ul(500))].into());
    assert_eq!(
        daily[&name("iodine")],
        Volume::ZERO,
        "what gives nothing carries no course"
    );
    assert_eq!(
        extra_a_day(
            &controller,
            &name("iodine"),
            &iodine(),
            iodine_mg_per_l(0.75)
        ),
        Some(ul(750))
    );
    assert_eq!(
        extra_a_day(&controller, &name("trace"), &Quantity::Alkalinity, 0.1),
        None
    );
}
