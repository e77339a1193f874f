//! Places in pictures: what is drawn lies where its time and its amount are.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::axis::{TimeAxis, ValueAxis, WIDTH};
use super::words::{fig, joined, thousands};

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn berlin() -> TimeZone {
    TimeZone::get("Europe/Berlin").unwrap()
}

#[test]
fn ticks_lie_on_local_midnights_mondays_and_first_days_of_months() {
    let (from, now) = (at("2026-10-20T22:00:00Z"), at("2026-11-10T08:00:00Z"));
    let time = TimeAxis::new(from, now, at("2026-11-13T08:00:00Z"), &berlin());
    let ticks = time.ticks();
    // 21 October to 13 November, a midnight each; the night of the 25th is an hour longer.
    assert_eq!(ticks.len(), 24);
    let day = |number: usize| ticks[number].x - ticks[number - 1].x;
    assert!(
        (day(5) / day(4) - 25.0 / 24.0).abs() < 1e-9,
        "{} {}",
        day(5),
        day(4)
    );
    let named: Vec<&str> = ticks
        .iter()
        .map(|t| t.label.as_str())
        .filter(|l| !l.is_empty())
        .collect();
    assert_eq!(named, ["26 Oct", "1 Nov", "2 Nov", "9 Nov"]);
    let year = TimeAxis::new(at("2025-12-01T23:00:00Z"), now, now, &berlin());
    let named: Vec<String> = year.ticks().into_iter().map(|t| t.label).collect();
    assert_eq!(
        named,
        [
            "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov"
        ]
    );
    assert!((year.x(now) - WIDTH).abs() < 1e-9 && year.x(at("2025-12-01T23:00:00Z")).abs() < 1e-9);
}

#[test]
fn amounts_rise_from_the_bottom_to_the_top_and_their_lines_are_round() {
    let axis = ValueAxis::of([7.6, 8.9].into_iter(), (10.0, 110.0));
    assert!(axis.y(7.6) > axis.y(8.9));
    assert!((10.0..=110.0).contains(&axis.y(7.6)) && (10.0..=110.0).contains(&axis.y(8.9)));
    let named: Vec<String> = axis
        .ticks(5.0)
        .into_iter()
        .map(|(_, label)| label)
        .collect();
    assert_eq!(named, ["8.0", "8.5"]);
    let bars = ValueAxis::from_zero([75.6].into_iter(), (10.0, 110.0));
    assert!((bars.y(0.0) - 110.0).abs() < 1e-9);
    // Nothing to show is no reason to fall over.
    let none = ValueAxis::of([f64::NAN].into_iter(), (10.0, 110.0));
    assert!(none.y(0.5).is_finite() && !none.ticks(3.0).is_empty());
}

#[test]
fn numbers_have_the_decimals_that_a_person_reads() {
    for (value, text) in [
        (412.4, "412"),
        (12.34, "12.3"),
        (8.0, "8.00"),
        (0.034, "0.034"),
        (0.0005, "0.00050"),
        (-0.0, "0.00"),
    ] {
        assert_eq!(fig(value), text);
    }
    assert_eq!(thousands(1_234_567), "1\u{202f}234\u{202f}567");
    assert_eq!(
        joined(&["a".to_owned(), "b".to_owned(), "c".to_owned()]),
        "a, b and c"
    );
}
