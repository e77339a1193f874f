//! Dates, times and numbers as the page says them.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::quantity::{Millis, Volume, i64_from_f64};

pub(super) fn day(date: Date) -> String {
    date.strftime("%a %-d %b").to_string()
}

pub(super) fn minute(at: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(at).strftime("%-d %b %H:%M").to_string()
}

/// Whole mL from ten on, tenths below.
pub(super) fn ml(volume: Volume) -> String {
    let ml = volume.as_ml();
    if ml >= 10_000.0 {
        format!("{:.2} L", ml / 1000.0)
    } else if ml >= 100.0 {
        format!("{ml:.0} mL")
    } else {
        format!("{ml:.1} mL")
    }
}

/// As many decimals as a person reads: none from a hundred on, two around one.
pub(super) fn fig(value: f64) -> String {
    let size = value.abs();
    let decimals = if size >= 100.0 {
        0
    } else if size >= 10.0 {
        1
    } else if !(1e-9..0.1).contains(&size) {
        2
    } else {
        let zeros = i64_from_f64((-size.log10()).floor()).unwrap_or(0);
        usize::try_from(zeros).unwrap_or(0).min(8) + 2
    };
    // A zero never shows a sign.
    format!("{:.decimals$}", value + 0.0)
}

/// `1 slot`, `2 slots`.
pub(super) fn counted(count: impl Into<u64>, what: &str) -> String {
    match count.into() {
        1 => format!("1 {what}"),
        many => format!("{} {what}s", thousands(many)),
    }
}

/// With a narrow space between thousands.
pub(super) fn thousands(count: u64) -> String {
    let digits = count.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

/// How long something lasted.
pub(super) fn lasted(from: Timestamp, until: Timestamp) -> String {
    let ms = until.as_millisecond().saturating_sub(from.as_millisecond());
    let minutes = Millis::new(ms).as_ms() / 60_000;
    match minutes {
        0..=119 => format!("{minutes} min"),
        120..=2_879 => format!("{} h {} min", minutes / 60, minutes % 60),
        _ => format!("{} days", minutes / 1_440),
    }
}

/// `1, 2 and 3`.
pub(super) fn joined(all: &[String]) -> String {
    match all.split_last() {
        None => String::new(),
        Some((last, [])) => last.clone(),
        Some((last, before)) => format!("{} and {last}", before.join(", ")),
    }
}
