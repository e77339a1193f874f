//! All days of 2026 to 2028 in zones with every kind of change of clocks.

use super::*;

const ZONES: [&str; 8] = [
    "Europe/Berlin",
    "America/New_York",
    // Half an hour of summer time.
    "Australia/Lord_Howe",
    // Clocks change at midnight.
    "America/Santiago",
    "Asia/Beirut",
    "America/Havana",
    // Half an hour off, and no change.
    "Asia/Kolkata",
    "UTC",
];

fn days(from: Date, until: Date) -> impl Iterator<Item = Date> {
    from.series(jiff::Span::new().days(1))
        .take_while(move |d| *d < until)
}

/// Rows FT-TIME-07 and FT-CRON-02, -03.
fn every_day_is_whole(zone: &str) {
    let reef = demo(zone);
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let mut yesterday: Vec<Slot> = Vec::new();
    for on in days(date(2026, 1, 1), date(2029, 1, 1)) {
        let slots = schedule
            .day(on, &daily)
            .unwrap_or_else(|e| panic!("{zone}: {e}"));
        for (line, volume) in &daily {
            let own = slots.iter().filter(|s| s.key.line == *line);
            assert_eq!(
                own.map(|s| s.volume).sum::<Volume>(),
                *volume,
                "{line} {on} {zone}"
            );
        }
        for slot in &slots {
            let local = reef.controller.time_zone.to_datetime(slot.at);
            assert_eq!((local.date(), &slot.key.date), (on, &on), "{zone}");
            assert!(slot.key.number < 90_000);
        }
        assert!(slots.is_sorted_by_key(|s| s.at));
        let both: Vec<Slot> = yesterday.into_iter().chain(slots.clone()).collect();
        reef.assert_rules(&both);
        yesterday = slots;
    }
}

#[test]
fn every_day_of_three_years_is_whole_in_berlin() {
    every_day_is_whole(ZONES[0]);
}

#[test]
fn every_day_of_three_years_is_whole_in_new_york() {
    every_day_is_whole(ZONES[1]);
}

#[test]
fn every_day_of_three_years_is_whole_on_lord_howe() {
    every_day_is_whole(ZONES[2]);
}

#[test]
fn every_day_of_three_years_is_whole_where_midnight_is_left_out() {
    for zone in &ZONES[3..6] {
        every_day_is_whole(zone);
    }
}

#[test]
fn every_day_of_three_years_is_whole_without_summer_time() {
    for zone in &ZONES[6..] {
        every_day_is_whole(zone);
    }
}

#[test]
fn the_check_finds_nothing_wrong_with_the_demo_plan_in_any_zone() {
    for zone in ZONES {
        assert_eq!(demo(zone).errors(date(2026, 1, 1)), [], "{zone}");
    }
}

#[test]
fn ordinary_days_have_the_same_civil_times() {
    let reef = demo("Europe/Berlin");
    let times = |on: Date| -> Vec<(Name, Time, u32)> {
        let zone = &reef.controller.time_zone;
        let slots = reef.slots(on);
        let one = |s: &Slot| {
            (
                s.key.line.clone(),
                zone.to_datetime(s.at).time(),
                s.key.number,
            )
        };
        slots.iter().map(one).collect()
    };
    let first = times(date(2026, 1, 15));
    assert_eq!(first.len(), 24 + 24 + 6 + 3 + 2);
    for on in [
        date(2026, 1, 16),
        date(2026, 7, 1),
        date(2026, 12, 31),
        date(2028, 2, 29),
    ] {
        assert_eq!(times(on), first, "{on}");
    }
}

#[test]
fn stretches_of_time_join_without_a_slot_lost_or_repeated() {
    let reef = demo("America/Santiago");
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    // Around 2026-09-06, which begins at 01:00.
    let at = |s: i64| {
        Timestamp::from_second(
            "2026-09-04T00:00:00Z"
                .parse::<Timestamp>()
                .unwrap()
                .as_second()
                + s,
        )
        .unwrap()
    };
    let whole = schedule.between(at(0), at(4 * 86_400), &daily).unwrap();
    let mut joined = Vec::new();
    let mut one_by_one = Vec::new();
    for k in 0..=(4 * 86_400 / 1_237) {
        let until = at(((k + 1) * 1_237).min(4 * 86_400));
        joined.extend(schedule.between(at(k * 1_237), until, &daily).unwrap());
    }
    assert_eq!(joined, whole);
    let mut t = at(0);
    while let Some(slot) = schedule
        .next_after(t, &daily)
        .filter(|s| s.at <= at(4 * 86_400))
    {
        t = slot.at;
        one_by_one.push(slot);
    }
    // With one head at once no two slots share an instant, so stepping finds them all.
    assert_eq!(one_by_one, whole);
    assert!(whole.len() > 4 * 55);
}

#[test]
fn clamped_volumes_move_no_time() {
    let reef = demo("Europe/Berlin");
    let mut schedule = reef.schedule();
    let standing = plan_daily_volumes(&reef.plan);
    let on = date(2026, 3, 29);
    let full = schedule.day(on, &standing).unwrap();
    let mut clamped = standing.clone();
    clamped.insert(name("alkalinity"), Volume::from_ul(20_001));
    clamped.insert(name("magnesium"), Volume::ZERO);
    clamped.insert(name("iodine"), Volume::from_ul(1));
    let less = schedule.day(on, &clamped).unwrap();
    let of = |slots: &[Slot], line: &str| -> Vec<(SlotKey, Timestamp)> {
        let own = slots.iter().filter(|s| s.key.line == name(line));
        own.map(|s| (s.key.clone(), s.at)).collect()
    };
    for line in ["alkalinity", "calcium", "trace"] {
        assert_eq!(of(&less, line), of(&full, line));
    }
    assert_eq!(of(&less, "magnesium"), []);
    // One microlitre in two doses is one dose.
    assert_eq!(of(&less, "iodine").len(), 1);
    let alkalinity = less.iter().filter(|s| s.key.line == name("alkalinity"));
    assert_eq!(alkalinity.map(|s| s.volume).sum::<Volume>().as_ul(), 20_001);
}

#[test]
fn a_jump_of_a_century_is_neither_counted_nor_listed() {
    let reef = demo("Europe/Berlin");
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let line = name("alkalinity");
    let then: Timestamp = "2026-01-01T00:00:00Z".parse().unwrap();
    for later in ["2036-01-01T00:00:00Z", "2106-02-07T06:28:15Z"] {
        let later: Timestamp = later.parse().unwrap();
        let kept = schedule.kept_days();
        assert_eq!(schedule.count_between(&line, then, later, &daily), None);
        assert!(matches!(
            schedule.between(then, later, &daily),
            Err(PlacementError::SpanTooLong { max: 31, .. })
        ));
        assert_eq!(schedule.kept_days(), kept, "days were placed for nothing");
        let next = schedule.next_after(later, &daily).unwrap();
        assert!(next.at.duration_since(later).as_secs() < 3_600);
    }
    let week: Timestamp = "2026-01-08T00:00:00Z".parse().unwrap();
    assert_eq!(
        schedule.count_between(&line, then, week, &daily),
        Some((7 * 24, Volume::from_ul(7 * 36_007)))
    );
}

#[test]
fn a_rare_slot_is_found_and_an_absent_one_ends() {
    let reef = reef(
        "UTC",
        &[
            part("trace", 1_000, cron("0 12 29 Feb *")),
            part("iodine", 1_000, cron("30 6 1 Jan *")),
        ],
        &[],
        2,
    );
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let next = |schedule: &mut Schedule, line: &str, t: &str| {
        let found = schedule.next_of_line(&name(line), t.parse().unwrap(), &daily);
        found.map(|s| s.at.to_string())
    };
    assert_eq!(
        next(&mut schedule, "trace", "2027-03-01T00:00:00Z").as_deref(),
        Some("2028-02-29T12:00:00Z")
    );
    // More than 400 days away.
    assert_eq!(next(&mut schedule, "trace", "2026-03-01T00:00:00Z"), None);
    assert_eq!(
        next(&mut schedule, "iodine", "2026-01-01T06:30:00Z").as_deref(),
        Some("2027-01-01T06:30:00Z")
    );
    assert_eq!(next(&mut schedule, "unknown", "2026-01-01T00:00:00Z"), None);
}

/// Eight hours from 22:00 in four doses: 22:00, 00:00, 02:00, 04:00, all of one date.
#[test]
fn a_window_may_pass_midnight() {
    let reef = reef(
        "Europe/Berlin",
        &[part("trace", 4_000, spread(4, 22.0, 6.0))],
        &[],
        1,
    );
    assert_eq!(reef.errors(date(2026, 1, 1)), []);
    let ordinary = reef.clock("trace", date(2026, 6, 1));
    assert_eq!(
        ordinary,
        [
            "00:00:00 +02:00",
            "02:00:00 +02:00",
            "04:00:00 +02:00",
            "22:00:00 +02:00"
        ]
    );
    // The night in which the hour from 02:00 to 03:00 is skipped has five hours to 06:00 instead of six.
    let spring = reef.clock("trace", date(2026, 3, 29));
    assert_eq!(
        spring,
        [
            "00:00:00 +01:00",
            "01:40:00 +01:00",
            "04:20:00 +02:00",
            "22:00:00 +02:00"
        ]
    );
}

#[test]
fn the_next_slot_is_the_earliest_of_two_dates_when_a_window_passes_midnight() {
    let parts = [
        part("night", 4_000, spread(4, 22.0, 6.0)),
        part("morning", 1_000, at(&[(0, 30)])),
    ];
    let reef = reef("UTC", &parts, &[], 2);
    let mut schedule = reef.schedule();
    let daily = plan_daily_volumes(&reef.plan);
    let begin: Timestamp = "2026-06-10T12:00:00Z".parse().unwrap();
    for hour in 0..48 {
        let t = begin + jiff::SignedDuration::from_hours(hour);
        let until = t + jiff::SignedDuration::from_hours(30);
        let between = schedule.between(t, until, &daily).unwrap();
        assert_eq!(
            schedule.next_after(t, &daily).as_ref(),
            between.first(),
            "{t}"
        );
    }
}
