//! Days on which clocks change, against instants written by hand.

use super::*;

fn one(zone: &str, times: Times) -> Reef {
    reef(zone, &[part("alkalinity", 24_000, times)], &[], 1)
}

#[test]
fn a_slot_in_the_gap_runs_once_at_the_first_instant_after_it() {
    for times in [at(&[(2, 30)]), cron("30 2 * * *")] {
        let berlin = one("Europe/Berlin", times.clone());
        for (on, clock) in [
            (date(2026, 3, 28), "02:30:00 +01:00"),
            (date(2026, 3, 29), "03:00:00 +02:00"),
            (date(2026, 3, 30), "02:30:00 +02:00"),
        ] {
            assert_eq!(berlin.clock("alkalinity", on), [clock]);
        }
        let new_york = one("America/New_York", times);
        for (on, clock) in [
            (date(2026, 3, 8), "03:00:00 -04:00"),
            (date(2026, 3, 9), "02:30:00 -04:00"),
        ] {
            assert_eq!(new_york.clock("alkalinity", on), [clock]);
        }
    }
}

#[test]
fn a_slot_that_comes_twice_runs_at_the_first_of_the_two() {
    let on = date(2026, 10, 25);
    let berlin = one("Europe/Berlin", at(&[(2, 15), (2, 30), (2, 45), (3, 0)]));
    assert_eq!(
        berlin.clock("alkalinity", on),
        [
            "02:15:00 +02:00",
            "02:30:00 +02:00",
            "02:45:00 +02:00",
            "03:00:00 +01:00"
        ]
    );
    let hourly = one("Europe/Berlin", cron("0 * * * *"));
    let clock = hourly.clock("alkalinity", on);
    assert_eq!(clock.len(), 24);
    assert_eq!(
        clock[1..4],
        ["01:00:00 +02:00", "02:00:00 +02:00", "03:00:00 +01:00"]
    );
}

#[test]
fn doses_spread_over_the_day_stay_even_on_days_of_23_and_25_hours() {
    let berlin = one("Europe/Berlin", spread(24, 0.0, 24.0));
    for (on, step_ms, last) in [
        (date(2026, 3, 28), 3_600_000, "23:00:00 +01:00"),
        (date(2026, 3, 29), 3_450_000, "23:02:30 +02:00"),
        (date(2026, 10, 25), 3_750_000, "22:57:30 +01:00"),
    ] {
        let slots = berlin.slots(on);
        assert_eq!(slots.len(), 24);
        for (k, pair) in slots.windows(2).enumerate() {
            let step = pair[1].at.as_millisecond() - pair[0].at.as_millisecond();
            assert_eq!(step, step_ms, "{on} {k}");
        }
        assert_eq!(berlin.clock("alkalinity", on)[23], last);
        assert_eq!(
            slots.iter().map(|s| s.volume).sum::<Volume>().as_ul(),
            24_000
        );
    }
    let howe = one("Australia/Lord_Howe", spread(48, 0.0, 24.0));
    // Half an hour less on 2026-10-04, half an hour more on 2026-04-05.
    for (on, step_ms) in [
        (date(2026, 10, 4), 1_762_500),
        (date(2026, 4, 5), 1_837_500),
    ] {
        let slots = howe.slots(on);
        let span = slots[47].at.as_millisecond() - slots[0].at.as_millisecond();
        assert_eq!(span, 47 * step_ms, "{on}");
    }
}

/// Row FT-TIME-07. Santiago 2026-09-06 begins at 01:00, 2026-04-04 has its last hour twice; Beirut 2026-03-29 begins at
/// 01:00; Havana 2026-11-01 has its first hour twice.
#[test]
fn a_midnight_that_is_missing_or_comes_twice_begins_one_day() {
    for (zone, on, clock) in [
        (
            "America/Santiago",
            date(2026, 9, 6),
            ["01:00:00 -03:00", "04:50:00 -03:00"],
        ),
        (
            "America/Santiago",
            date(2026, 4, 4),
            ["00:00:00 -03:00", "04:10:00 -03:00"],
        ),
        (
            "America/Santiago",
            date(2026, 4, 5),
            ["00:00:00 -04:00", "04:00:00 -04:00"],
        ),
        (
            "Asia/Beirut",
            date(2026, 3, 29),
            ["01:00:00 +03:00", "04:50:00 +03:00"],
        ),
        (
            "America/Havana",
            date(2026, 11, 1),
            ["00:00:00 -04:00", "03:10:00 -05:00"],
        ),
    ] {
        let reef = one(zone, spread(6, 0.0, 24.0));
        let found = reef.clock("alkalinity", on);
        assert_eq!(found.len(), 6, "{zone} {on}");
        assert_eq!(found[..2], clock, "{zone} {on}");
        assert_eq!(reef.slots(on)[0].key.number, 0);
    }
}

#[test]
fn two_fixed_times_in_one_gap_are_both_kept_one_after_the_other() {
    // 12 mL a dose at 60 mL/min: 1.5 x 12 s + 2 s = 20 s.
    let reef = one("Europe/Berlin", at(&[(2, 10), (2, 50)]));
    let on = date(2026, 3, 29);
    assert_eq!(
        reef.clock("alkalinity", on),
        ["03:00:00 +02:00", "03:00:20 +02:00"]
    );
    let slots = reef.slots(on);
    assert_eq!(
        slots.iter().map(|s| s.key.number).collect::<Vec<_>>(),
        [7_200, 7_201]
    );
    assert_eq!(slots.iter().map(|s| s.volume.as_ul()).sum::<i64>(), 24_000);
    assert_eq!(reef.errors(date(2026, 1, 1)), []);
}

#[test]
fn fixed_times_that_the_gap_pushes_together_keep_their_gap() {
    let parts = [
        part("alkalinity", 1_000, at(&[(1, 50), (2, 20)])),
        part("calcium", 1_000, at(&[(3, 10)])),
    ];
    let reef = reef("Europe/Berlin", &parts, &[("alkalinity", "calcium", 15)], 2);
    assert_eq!(reef.errors(date(2026, 1, 1)), []);
    let on = date(2026, 3, 29);
    // 500 uL: 1.5 x 0.5 s + 2 s, so 3 s, then 15 min and a second.
    assert_eq!(
        reef.clock("alkalinity", on),
        ["01:50:00 +01:00", "03:00:00 +02:00"]
    );
    assert_eq!(reef.clock("calcium", on), ["03:15:04 +02:00"]);
    assert_eq!(
        reef.clock("calcium", date(2026, 3, 30)),
        ["03:10:00 +02:00"]
    );
}

#[test]
fn a_window_inside_the_gap_keeps_its_length_after_it() {
    let inside = one("Europe/Berlin", spread(4, 2.0, 3.0));
    assert_eq!(
        inside.clock("alkalinity", date(2026, 3, 29)),
        [
            "03:00:00 +02:00",
            "03:15:00 +02:00",
            "03:30:00 +02:00",
            "03:45:00 +02:00"
        ]
    );
    let half = one("Europe/Berlin", spread(4, 1.5, 2.5));
    assert_eq!(
        half.clock("alkalinity", date(2026, 3, 29)),
        [
            "01:30:00 +01:00",
            "01:45:00 +01:00",
            "03:00:00 +02:00",
            "03:15:00 +02:00"
        ]
    );
    assert_eq!(inside.errors(date(2026, 1, 1)), []);
}

/// America/Nuuk leaves out 23:00 to 24:00 of 2026-03-28: the first instant after the gap is the next date's first.
#[test]
fn a_gap_that_ends_at_midnight_puts_its_slot_on_the_first_instant_of_the_next_day_once() {
    let parts = [
        part("alkalinity", 24_000, at(&[(23, 30)])),
        part("calcium", 24_000, spread(24, 0.0, 24.0)),
    ];
    let reef = reef("America/Nuuk", &parts, &[("alkalinity", "calcium", 5)], 1);
    assert_eq!(reef.errors(date(2026, 1, 1)), []);
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let from: Timestamp = "2026-03-27T12:00:00Z".parse().unwrap();
    let until: Timestamp = "2026-03-31T12:00:00Z".parse().unwrap();
    let slots = schedule.between(from, until, &daily).unwrap();
    reef.assert_rules(&slots);
    let own = slots.iter().filter(|s| s.key.line == name("alkalinity"));
    let found: Vec<String> = own.map(|s| format!("{} {}", s.key.date, s.at)).collect();
    assert_eq!(
        found,
        [
            "2026-03-27 2026-03-28T01:30:00Z",
            "2026-03-28 2026-03-29T01:00:00Z",
            "2026-03-29 2026-03-30T00:30:00Z",
            "2026-03-30 2026-03-31T00:30:00Z",
        ]
    );
    // The counterpart makes way: 24 mL at 60 mL/min keep the head 38 s, then 5 min and a second.
    assert_eq!(
        reef.clock("calcium", date(2026, 3, 29))[0],
        "00:05:39 -01:00"
    );
}

#[test]
fn two_slots_in_a_gap_that_ends_at_midnight_run_one_after_the_other_on_the_next_date() {
    // 60 mL a dose at 60 mL/min: 92 s.
    let parts = [
        part("alkalinity", 120_000, at(&[(23, 10), (23, 50)])),
        part("calcium", 1_000, spread(1, 0.0, 1.0)),
    ];
    let reef = reef("America/Nuuk", &parts, &[], 1);
    assert_eq!(reef.errors(date(2026, 1, 1)), []);
    assert_eq!(
        reef.clock("alkalinity", date(2026, 3, 28)),
        ["00:00:00 -01:00", "00:01:32 -01:00"]
    );
    assert_eq!(
        reef.clock("calcium", date(2026, 3, 29)),
        ["00:03:04 -01:00"]
    );
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let (from, until) = around_an_hour_left_out_before_midnight();
    let found = schedule.between(from, until, &daily).unwrap();
    assert_eq!(found.len(), 2);
    assert_eq!(found[0].key.date, date(2026, 3, 28));
    assert_eq!(schedule.next_after(from, &daily), Some(found[0].clone()));
}

/// At 01:00 UTC of this day the clock of Nuuk goes from 23:00 to 00:00 of the next date: the hour that is left out ends at midnight.
fn around_an_hour_left_out_before_midnight() -> (Timestamp, Timestamp) {
    let instant = |t: &str| t.parse::<Timestamp>().unwrap();
    (
        instant("2026-03-29T01:00:30Z"),
        instant("2026-03-29T02:00:00Z"),
    )
}

#[test]
fn the_next_slot_is_the_earliest_where_one_of_the_date_before_comes_behind_it() {
    let parts = [
        part("alkalinity", 120_000, at(&[(23, 10), (23, 50)])),
        part("calcium", 1_000, at(&[(0, 1)])),
    ];
    let reef = reef("America/Nuuk", &parts, &[], 2);
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let (from, until) = around_an_hour_left_out_before_midnight();
    let between = schedule.between(from, until, &daily).unwrap();
    let found: Vec<String> = between
        .iter()
        .map(|s| format!("{} {} {}", s.key.line, s.key.date, s.at))
        .collect();
    assert_eq!(
        found,
        [
            "calcium 2026-03-29 2026-03-29T01:01:00Z",
            "alkalinity 2026-03-28 2026-03-29T01:01:32Z",
        ]
    );
    assert_eq!(schedule.next_after(from, &daily).as_ref(), between.first());
}

#[test]
fn a_clash_before_the_clocks_change_is_refused_on_that_day_as_on_any_other() {
    let parts = [
        part("alkalinity", 1_000, at(&[(1, 0)])),
        part("calcium", 1_000, at(&[(1, 10)])),
    ];
    let reef = reef("Europe/Berlin", &parts, &[("alkalinity", "calcium", 15)], 2);
    let daily = plan_daily_volumes(&reef.plan);
    for on in [date(2026, 3, 28), date(2026, 3, 29), date(2026, 10, 25)] {
        assert!(matches!(
            reef.schedule().day(on, &daily),
            Err(PlacementError::FixedTimesClash { .. })
        ));
    }
}

/// Row FT-TIME-06: another zone is another schedule; its days begin elsewhere at once.
#[test]
fn a_changed_zone_moves_the_day_at_once_and_no_key_comes_twice_in_one_zone() {
    let on = date(2026, 6, 1);
    let first = |zone: &str| one(zone, spread(24, 0.0, 24.0)).slots(on)[0].at.to_string();
    assert_eq!(first("Europe/Berlin"), "2026-05-31T22:00:00Z");
    assert_eq!(first("Asia/Kolkata"), "2026-05-31T18:30:00Z");
    assert_eq!(first("UTC"), "2026-06-01T00:00:00Z");
}

#[test]
fn the_largest_24_hours_contain_more_slots_when_a_day_has_23() {
    let daily = |zone| one(zone, spread(24, 0.0, 24.0)).report(date(2026, 1, 1));
    let alkalinity = name("alkalinity");
    assert_eq!(daily("UTC").max_rolling_24h(&alkalinity).as_ul(), 24_000);
    // 24 h / 57.5 min is 25.04: up to 26 slots of 1 mL begin in 24 h, of which the day's neighbours give some.
    assert_eq!(
        daily("Europe/Berlin").max_rolling_24h(&alkalinity).as_ul(),
        25_000
    );
    let twice = one("Europe/Berlin", at(&[(2, 30), (12, 0)])).report(date(2026, 1, 1));
    // 02:30 on the 28th to 02:30 of the 30th: never three in less than 24 h on ordinary days, nor on this one.
    assert_eq!(twice.max_rolling_24h(&alkalinity).as_ul(), 36_000);
}
