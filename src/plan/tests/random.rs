//! Random controllers and plans: what the check accepts keeps every rule on every day looked at.

use proptest::prelude::*;

use super::*;

const NAMES: [&str; 6] = [
    "alkalinity",
    "calcium",
    "iodine",
    "magnesium",
    "strontium",
    "trace",
];
const ZONES: [&str; 6] = [
    "Europe/Berlin",
    "America/New_York",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Asia/Beirut",
    "America/Havana",
];

/// Every day, some hours, and some dates only.
const EXPRESSIONS: [&str; 5] = [
    "30 2 * * *",
    "0 */6 * * *",
    "15 0 * * Mon",
    "45 23 1 * *",
    "20 12 * * Mon-Fri",
];

fn times() -> impl Strategy<Value = Times> {
    let window =
        (1_u32..=24, 0_u32..86_000, 600_u32..=86_400).prop_map(|(doses, start, length)| {
            Times::Spread {
                doses,
                window_start_s: start,
                window_end_s: (start + length).min(86_400),
            }
        });
    let fixed = prop::collection::btree_set((0_i8..24, 0_i8..60), 1..4)
        .prop_map(|set| at(&set.into_iter().collect::<Vec<_>>()));
    prop_oneof![
        4 => window,
        1 => fixed,
        1 => prop::sample::select(&EXPRESSIONS[..]).prop_map(cron),
    ]
}

fn reefs() -> impl Strategy<Value = Reef> {
    let line = (
        times(),
        1_i64..200_000,
        1_u32..120,
        prop::bool::weighted(0.2),
    );
    let gaps = prop::collection::vec((0_usize..6, 0_usize..6, 1_i64..45), 0..4);
    let lines = prop::collection::vec(line, 2..=6);
    (
        lines,
        gaps,
        1_u32..=4,
        prop::sample::select(&ZONES[..]),
        any::<bool>(),
    )
        .prop_map(|(lines, gaps, heads, zone, shared)| {
            let mut parts: Vec<Part> = Vec::new();
            for (k, (times, ul, rate, alike)) in lines.into_iter().enumerate() {
                // Often at the very times of the first line.
                let times = if alike && k > 0 {
                    parts[0].times.clone()
                } else {
                    times
                };
                let mut one = part(NAMES[k], ul, times);
                one.ml_per_min = f64::from(rate);
                if shared && k == 2 {
                    one.head = NAMES[1];
                }
                parts.push(one);
            }
            let apart: Vec<(&str, &str, i64)> = gaps
                .into_iter()
                .filter(|(a, b, _)| a < b)
                .map(|(a, b, minutes)| (NAMES[a], NAMES[b], minutes))
                .collect();
            reef(zone, &parts, &apart, heads)
        })
}

/// Days of a run around a date: everything there is to assert of accepted plans.
fn assert_run(reef: &Reef, report: &PlacementReport, from: Date) {
    let daily = plan_daily_volumes(&reef.plan);
    let mut schedule = reef.schedule();
    let mut all = Vec::new();
    for on in from.series(jiff::Span::new().days(1)).take(4) {
        let slots = schedule.day(on, &daily).unwrap();
        assert_eq!(slots, reef.slots(on), "another schedule gives another day");
        for (line, volume) in &daily {
            let own = slots.iter().filter(|s| s.key.line == *line);
            let sum = own.clone().map(|s| s.volume).sum::<Volume>();
            assert!(sum == *volume || own.count() == 0, "{line} {on}: {sum}");
        }
        for slot in &slots {
            assert_eq!(reef.controller.time_zone.to_datetime(slot.at).date(), on);
        }
        all.extend(slots);
    }
    reef.assert_rules(&all);
    for line in daily.keys() {
        let own: Vec<&Slot> = all.iter().filter(|s| s.key.line == *line).collect();
        for last in &own {
            let since = |s: &Slot| last.at.duration_since(s.at).as_millis();
            let within = own.iter().filter(|s| (0..86_400_000).contains(&since(s)));
            let volume = within.map(|s| s.volume).sum::<Volume>();
            assert!(
                volume <= report.max_rolling_24h(line),
                "{line} {}: {volume}",
                last.at
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, max_global_rejects: 4_000, ..ProptestConfig::default() })]

    #[test]
    fn what_the_check_accepts_keeps_every_rule_on_every_day(reef in reefs(), day in 3_i32..395) {
        let report = reef.report(date(2026, 1, 1));
        prop_assume!(report.errors.is_empty());
        let from = date(2026, 1, 1).checked_add(jiff::Span::new().days(day)).unwrap();
        assert_run(&reef, &report, from);
        // And around every change of clocks of 2026 in these zones.
        for near in [(3, 6), (3, 27), (4, 3), (9, 4), (10, 2), (10, 23), (10, 30)] {
            assert_run(&reef, &report, date(2026, near.0, near.1));
        }
    }
}
