//! Tests of cron expressions against tables written by hand.

use super::*;
use jiff::civil::date;

fn days(text: &str, from: Date) -> String {
    let times = CronTimes::new(text).unwrap();
    from.series(jiff::Span::new().days(1))
        .take(14)
        .map(|d| if times.on(d).is_empty() { '.' } else { '#' })
        .collect()
}

/// Row FT-CRON-01. 2026-06-01 is a Monday. Each row begins one weekday later and shows 14 days, written by hand.
#[test]
fn weekday_names_mean_the_days_they_name_whatever_day_the_preview_begins() {
    let table = [
        (1, "#####..#####..", "......#......#", "#.#.#..#.#.#.."),
        (2, "####..#####..#", ".....#......#.", ".#.#..#.#.#..#"),
        (3, "###..#####..##", "....#......#..", "#.#..#.#.#..#."),
        (4, "##..#####..###", "...#......#...", ".#..#.#.#..#.#"),
        (5, "#..#####..####", "..#......#....", "#..#.#.#..#.#."),
        (6, "..#####..#####", ".#......#.....", "..#.#.#..#.#.#"),
        (7, ".#####..#####.", "#......#......", ".#.#.#..#.#.#."),
    ];
    for (day, workdays, sundays, alternate) in table {
        let from = date(2026, 6, day);
        assert_eq!(days("0 9 * * Mon-Fri", from), workdays, "from {from}");
        assert_eq!(days("0 9 * * Sun", from), sundays, "from {from}");
        assert_eq!(days("0 9 * * Mon,Wed,Fri", from), alternate, "from {from}");
    }
}

#[test]
fn weekday_numbers_are_refused_with_the_names_to_use() {
    for text in [
        "0 9 * * 1-5",
        "0 9 * * 0",
        "0 9 * * 7",
        "0 0 9 * * 1",
        "0 9 * * */2",
    ] {
        let refused = CronTimes::new(text).unwrap_err();
        assert_eq!(refused, CronError::WeekdayNumber, "{text}");
        assert!(refused.to_string().contains("Mon, Tue, Wed"));
    }
}

/// Row FT-CRON-04. No search over years is made, so there is nothing that could take long.
#[test]
fn a_date_that_never_comes_is_refused_and_a_leap_day_is_not() {
    for text in [
        "0 12 30 Feb *",
        "0 12 31 Apr *",
        "0 12 31 Nov *",
        "0 12 30,31 2 *",
        "0 12 31 4,6,9,11 *",
    ] {
        assert_eq!(
            CronTimes::new(text).unwrap_err(),
            CronError::Never,
            "{text}"
        );
    }
    let leap = CronTimes::new("0 12 29 Feb *").unwrap();
    assert_eq!(leap.on(date(2028, 2, 29)), [Time::constant(12, 0, 0, 0)]);
    assert_eq!(leap.on(date(2027, 3, 1)), []);
    assert_eq!(leap.on(date(2026, 2, 28)), []);
    assert!(!leap.is_daily() && CronTimes::new("0 12 * * *").unwrap().is_daily());
    // A year in the past cannot be written at all.
    assert!(matches!(
        CronTimes::new("0 0 12 1 1 * 2019"),
        Err(CronError::Fields { found: 7, .. })
    ));
}

/// Row FT-CRON-06: the crate's own search ends with the year 2100.
#[test]
fn a_clock_far_in_the_future_has_times_too() {
    let daily = CronTimes::new("30 6 * * *").unwrap();
    for year in [2036, 2106, 9000] {
        assert_eq!(daily.on(date(year, 2, 7)).len(), 1, "{year}");
    }
}

#[test]
fn day_of_month_and_weekday_together_are_refused() {
    for text in ["0 9 1 * Mon", "0 9 */2 * Mon", "0 9 1-31 * Mon-Sun"] {
        assert_eq!(
            CronTimes::new(text).unwrap_err(),
            CronError::BothDays,
            "{text}"
        );
    }
    assert_eq!(days("0 9 ? * Mon", date(2026, 6, 1)), "#......#......");
    assert_eq!(days("0 9 1 * ?", date(2026, 6, 1)), "#.............");
}

#[test]
fn five_and_six_fields_are_told_apart_and_other_numbers_refused() {
    let five = CronTimes::new("0 */4 * * *").unwrap();
    let six = CronTimes::new("0 0 */4 * * *").unwrap();
    assert_eq!(five.times(), six.times());
    assert_eq!(five.times().len(), 6);
    let half_minute = CronTimes::new("30 0 4 * * *").unwrap();
    assert_eq!(half_minute.times(), [Time::constant(4, 0, 30, 0)]);
    for (text, found, hint) in [
        ("", 0, ""),
        ("@daily", 1, ""),
        ("*/4 * * *", 4, "minute missing"),
        ("0 0 12 1 1 * 2030", 7, "a year cannot be given"),
    ] {
        let refused = CronTimes::new(text).unwrap_err();
        assert!(
            matches!(refused, CronError::Fields { found: n, .. } if n == found),
            "{text}"
        );
        assert!(refused.to_string().contains(hint), "{refused}");
    }
    // Every minute of every fourth hour is 360 a day: taken, and left to the caps and the placement to refuse.
    let every_minute = CronTimes::new("* */4 * * *").unwrap();
    assert_eq!(every_minute.times().len(), 360);
    assert_eq!(
        CronTimes::new("* * * * *").unwrap_err(),
        CronError::TooOften {
            found: 1_440,
            max: 480
        }
    );
    assert_eq!(
        CronTimes::new("* * */4 * * *").unwrap_err(),
        CronError::TooOften {
            found: 21_600,
            max: 480
        }
    );
}

#[test]
fn nonsense_is_refused_with_the_parsers_words() {
    for text in [
        "60 2 * * *",
        "0 24 * * *",
        "a b * * *",
        "0 2 0 * *",
        "*/0 * * * *",
        "0 2 * * Fri-Mon",
    ] {
        let refused = CronTimes::new(text);
        assert!(
            matches!(&refused, Err(CronError::Syntax { why }) if !why.contains('\n')),
            "{text}: {refused:?}"
        );
    }
}
