//! Rules that cannot be kept, and what the check says of them.

use super::*;

const FROM: Date = date(2026, 1, 1);

#[test]
fn two_fixed_times_that_are_too_close_are_named_with_gap_and_times() {
    let parts = [
        part("alkalinity", 2_000, at(&[(8, 0), (20, 0)])),
        part("calcium", 2_000, at(&[(8, 10), (20, 5)])),
    ];
    let close = reef("Europe/Berlin", &parts, &[("calcium", "alkalinity", 15)], 2);
    let errors = close.errors(FROM);
    assert_eq!(errors.len(), 1, "one pair, one report: {errors:?}");
    // 1 mL at 60 mL/min keeps its head for 1.5 s + 2 s, so 4 s; 15 min and a second later is 08:15:05.
    assert_eq!(
        errors[0].to_string(),
        "on 2026-01-01 line \"alkalinity\" is due at 08:00:00 and line \"calcium\" at 08:10:00, but solutions \"calcium\" and \
         \"alkalinity\" must be kept 15 min 00 s apart; move \"calcium\" to 08:15:05 or later, or let one of them be spread over a window"
    );
    let daily = plan_daily_volumes(&close.plan);
    assert!(close.schedule().day(date(2026, 6, 1), &daily).is_err());
    // At the named time it is accepted.
    let mut parts = parts;
    let late = |h| Time::new(h, 15, 5, 0).unwrap();
    parts[1].times = Times::At(vec![late(8), late(20)]);
    let clear = reef("Europe/Berlin", &parts, &[("calcium", "alkalinity", 15)], 2);
    assert_eq!(clear.errors(FROM), []);
    parts[1].times = Times::At(vec![Time::new(8, 15, 4, 0).unwrap(), late(20)]);
    let short = reef("Europe/Berlin", &parts, &[("calcium", "alkalinity", 15)], 2);
    assert_eq!(short.errors(FROM).len(), 1);
}

#[test]
fn a_line_that_makes_way_starts_at_the_first_free_instant() {
    let parts = [
        part("alkalinity", 24_000, spread(24, 0.0, 24.0)),
        part("calcium", 12_000, spread(24, 0.0, 24.0)),
    ];
    let reef = reef("UTC", &parts, &[("alkalinity", "calcium", 15)], 2);
    assert_eq!(reef.errors(FROM), []);
    // 1 mL: 4 s; then 15 min and 1 s. Nominal numbers stay on the hour.
    let clock = reef.clock("calcium", FROM);
    assert_eq!(clock[..2], ["00:15:05 +00:00", "01:15:05 +00:00"]);
    let numbers: Vec<u32> = reef
        .slots(FROM)
        .iter()
        .filter(|s| s.key.line == name("calcium"))
        .map(|s| s.key.number)
        .collect();
    assert_eq!(numbers[..3], [0, 3_600, 7_200]);
}

#[test]
fn movable_slots_make_way_for_fixed_ones_of_yesterday_and_today_and_for_tomorrow() {
    let parts = [
        part("alkalinity", 2_000, spread(2, 0.0, 24.0)),
        part("calcium", 2_000, at(&[(12, 5), (23, 55)])),
    ];
    let reef = reef("UTC", &parts, &[("alkalinity", "calcium", 15)], 2);
    assert_eq!(reef.errors(FROM), []);
    assert_eq!(
        reef.clock("alkalinity", FROM),
        ["00:10:05 +00:00", "12:20:05 +00:00"]
    );
}

#[test]
fn fixed_times_on_both_sides_of_midnight_are_compared() {
    let parts = [
        part("alkalinity", 1_000, at(&[(23, 55)])),
        part("calcium", 1_000, at(&[(0, 5)])),
    ];
    let close = reef("UTC", &parts, &[("alkalinity", "calcium", 15)], 2);
    assert!(matches!(
        &close.errors(FROM)[..],
        [PlacementError::FixedTimesClash { first, second, .. }]
            if *first == name("alkalinity") && *second == name("calcium")
    ));
}

#[test]
fn a_line_without_room_between_its_doses_is_told_what_is_in_the_way() {
    let parts = [
        part("alkalinity", 48_000, spread(48, 0.0, 24.0)),
        part("calcium", 48_000, spread(48, 0.0, 24.0)),
    ];
    let tight = reef("UTC", &parts, &[("alkalinity", "calcium", 15)], 2);
    let errors = tight.errors(FROM);
    let text = errors[0].to_string();
    assert!(text.contains("line \"calcium\" finds no time for its dose of 00:00:00 before its next one at 00:30:00"), "{text}");
    assert!(text.contains("line \"alkalinity\" is in the way"), "{text}");
    assert!(text.contains("15 min 00 s apart"), "{text}");
    let fewer = |gap| reef("UTC", &parts, &[("alkalinity", "calcium", gap)], 2);
    assert_eq!(fewer(14).errors(FROM), []);
}

#[test]
fn a_last_dose_with_its_gap_must_end_before_the_day_does() {
    let parts = [
        part("alkalinity", 2_000, spread(2, 23.0, 24.0)),
        part("calcium", 1_000, at(&[(12, 0)])),
    ];
    let late = |gap| reef("UTC", &parts, &[("alkalinity", "calcium", gap)], 2).errors(FROM);
    // The second is due at 23:30 and takes 4 s.
    assert_eq!(late(29), []);
    let errors = late(30);
    assert_eq!(errors.len(), 1);
    let text = errors[0].to_string();
    assert!(
        text.contains("\"alkalinity\" has a dose at 23:30:00 that must start by 23:29:55"),
        "{text}"
    );
}

#[test]
fn no_more_heads_run_at_once_than_the_supply_allows() {
    let names = ["a", "b", "c", "d"];
    let parts = names.map(|n| part(n, 60_000, spread(1, 6.0, 7.0)));
    // 60 mL at 60 mL/min: 92 s each.
    let starts = |heads| {
        let reef = reef("UTC", &parts, &[], heads);
        assert_eq!(reef.errors(FROM), []);
        reef.assert_rules(&reef.slots(FROM));
        names.map(|n| reef.clock(n, FROM)[0][3..8].to_owned())
    };
    assert_eq!(starts(4), ["00:00", "00:00", "00:00", "00:00"]);
    assert_eq!(starts(2), ["00:00", "00:00", "01:32", "01:32"]);
    assert_eq!(starts(1), ["00:00", "01:32", "03:04", "04:36"]);
}

#[test]
fn two_lines_on_one_head_or_one_bottle_never_overlap() {
    let mut parts = [
        part("a", 60_000, spread(1, 6.0, 7.0)),
        part("b", 60_000, spread(1, 6.0, 7.0)),
        part("c", 60_000, spread(1, 6.0, 7.0)),
    ];
    parts[1].head = "a";
    parts[2].reservoir = "a";
    let reef = reef("UTC", &parts, &[], 3);
    let start = |n| reef.clock(n, FROM)[0].clone();
    assert_eq!(start("a"), "06:00:00 +00:00");
    assert_eq!(start("b"), "06:01:32 +00:00");
    assert_eq!(start("c"), "06:01:32 +00:00");
}

/// Rows FT-CRON-11 and FT-CRON-12: slots closer than a dose takes.
#[test]
fn doses_that_come_faster_than_they_can_be_given_are_refused() {
    // 60 mL a dose at 60 mL/min are reserved 92 s; one a minute.
    let parts = [part("alkalinity", 3_600_000, cron("* 4 * * *"))];
    let errors = reef("UTC", &parts, &[], 1).errors(FROM);
    assert!(matches!(
        &errors[..],
        [PlacementError::FixedTimesClash { need: Need::OneLine { duration }, .. }] if duration.as_ms() == 92_000
    ));
    let parts = [part("alkalinity", 60_000, cron("* 4 * * *"))];
    assert_eq!(reef("UTC", &parts, &[], 1).errors(FROM), []);
}

#[test]
fn dates_that_meet_only_sometimes_are_placed_too() {
    // The first of a month on a Monday comes a few times a year; in 2026 first in June.
    let parts = [
        part("alkalinity", 1_000, cron("0 8 1 * *")),
        part("calcium", 1_000, cron("5 8 * * Mon")),
    ];
    let errors = reef("UTC", &parts, &[("alkalinity", "calcium", 15)], 2).errors(FROM);
    assert!(
        matches!(
            &errors[..],
            [PlacementError::FixedTimesClash { date: on, .. }] if *on == date(2026, 6, 1)
        ),
        "{errors:?}"
    );
}

#[test]
fn the_preview_has_doses_a_day_and_the_smallest_gap() {
    let parts = [
        part("alkalinity", 48_000, cron("*/40 * * * *")),
        part("calcium", 1_000, spread(24, 0.0, 24.0)),
        part("iodine", 1_000, at(&[(9, 0)])),
        part("trace", 0, spread(24, 0.0, 24.0)),
    ];
    let report = reef("Europe/Berlin", &parts, &[], 4).report(FROM);
    let facts = |n| &report.lines[&name(n)];
    assert_eq!(
        (
            facts("alkalinity").doses_per_day,
            facts("alkalinity").smallest_gap
        ),
        (48, Some(Millis::from_mins(20)))
    );
    assert_eq!(
        (
            facts("calcium").doses_per_day,
            facts("calcium").smallest_gap
        ),
        (24, Some(Millis::from_mins(60)))
    );
    assert_eq!(
        (facts("iodine").doses_per_day, facts("iodine").smallest_gap),
        (1, Some(Millis::DAY))
    );
    assert!(
        !report.lines.contains_key(&name("trace")),
        "a line with nothing to dose has no slots"
    );
}

#[test]
fn a_line_that_the_controller_does_not_have_is_named_and_nothing_is_dosed() {
    let whole = reef("UTC", &[part("alkalinity", 1_000, at(&[(9, 0)]))], &[], 1);
    let mut controller = Controller::clone(&whole.controller);
    controller.heads.clear();
    let broken = Reef {
        controller: Arc::new(controller),
        plan: whole.plan,
    };
    assert_eq!(
        broken.errors(FROM),
        [PlacementError::UnknownLine {
            line: name("alkalinity")
        }]
    );
    let daily = plan_daily_volumes(&broken.plan);
    assert!(broken.schedule().day(FROM, &daily).is_err());
}
