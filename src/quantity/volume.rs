//! Exact volumes and durations.

use std::fmt;

use super::convert::{f64_from_i64, i64_from_f64};

/// A volume in whole microlitres. May be negative only as a difference; configured and dosed volumes are checked to be positive.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Volume(i64);

impl Volume {
    pub const ZERO: Self = Self(0);

    /// A volume from whole microlitres.
    pub const fn from_ul(ul: i64) -> Self {
        Self(ul)
    }

    /// A volume from millilitres, rounded to the nearest microlitre; `None` when not finite or beyond 9,007 m3.
    pub fn from_ml(ml: f64) -> Option<Self> {
        i64_from_f64(ml * 1000.0).map(Self)
    }

    pub const fn as_ul(self) -> i64 {
        self.0
    }

    pub fn as_ml(self) -> f64 {
        f64_from_i64(self.0) / 1000.0
    }

    /// Sum, or `None` when it does not fit (292 million litres).
    #[must_use]
    pub const fn checked_add(self, other: Self) -> Option<Self> {
        match self.0.checked_add(other.0) {
            Some(sum) => Some(Self(sum)),
            None => None,
        }
    }

    /// Sum, held at the largest volume when it does not fit: for totals that are compared with a cap, where too much is the safe side.
    #[must_use]
    pub const fn saturating_add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// Difference, held at the extremes when it does not fit. Can be negative.
    #[must_use]
    pub const fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// This volume, or zero when it is negative.
    #[must_use]
    pub fn or_zero(self) -> Self {
        self.max(Self::ZERO)
    }

    /// Whether it is one that can be asked for or told: 0.001 mL to 1000 L.
    pub const fn is_told(self) -> bool {
        self.0 > 0 && self.0 <= 1_000_000_000
    }

    /// Splits into `parts` volumes that differ by at most one microlitre and sum to exactly this volume.
    ///
    /// The larger parts are spread over the whole, not put at one end. The same input always gives the same parts.
    /// Returns nothing for zero parts.
    pub fn split(self, parts: u32) -> Vec<Self> {
        let (total, count) = (i128::from(self.0), i128::from(parts));
        // Part k ends at floor(total * (k + 1) / count), so that the sums of parts telescope to the total.
        let edge = |k: i128| (total * k).div_euclid(count);
        (0..count)
            .map(|k| i64::try_from(edge(k + 1) - edge(k)).map_or(Self::ZERO, Self))
            .collect()
    }

    /// This volume times a factor, rounded down to the microlitre; `None` when the result is not a volume.
    pub fn scaled(self, factor: f64) -> Option<Self> {
        i64_from_f64((f64_from_i64(self.0) * factor + 1e-6).floor()).map(Self)
    }
}

impl std::iter::Sum for Volume {
    fn sum<I: Iterator<Item = Self>>(iter: I) -> Self {
        iter.fold(Self::ZERO, Self::saturating_add)
    }
}

/// Prints millilitres with as many decimals as the volume has, at least one: `2.5 mL`, `0.125 mL`.
impl fmt::Display for Volume {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let (whole, part) = (self.0.unsigned_abs() / 1000, self.0.unsigned_abs() % 1000);
        let decimals = format!("{part:03}");
        let decimals = decimals.trim_end_matches('0');
        let decimals = if decimals.is_empty() { "0" } else { decimals };
        f.pad(&format!("{sign}{whole}.{decimals} mL"))
    }
}

impl fmt::Debug for Volume {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} uL", self.0)
    }
}

/// A duration, or a point on the elapsed clock, in whole milliseconds. Points may be negative: before the start of the count.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Millis(i64);

impl Millis {
    pub const ZERO: Self = Self(0);
    /// 24 hours: the window of every cap.
    pub const HOUR: Self = Self(3_600_000);
    pub const DAY: Self = Self(86_400_000);
    /// The far future of the elapsed clock.
    pub const MAX: Self = Self(i64::MAX);

    pub const fn new(ms: i64) -> Self {
        Self(ms)
    }

    /// From whole seconds, held at the extremes.
    pub const fn from_secs(seconds: i64) -> Self {
        Self(seconds.saturating_mul(1000))
    }

    /// From whole minutes, held at the extremes.
    pub const fn from_mins(minutes: i64) -> Self {
        Self(minutes.saturating_mul(60_000))
    }

    /// From seconds, rounded to the millisecond; `None` when not finite or too large.
    pub fn from_secs_f64(seconds: f64) -> Option<Self> {
        i64_from_f64(seconds * 1000.0).map(Self)
    }

    pub const fn as_ms(self) -> i64 {
        self.0
    }

    pub fn as_secs(self) -> f64 {
        f64_from_i64(self.0) / 1000.0
    }

    /// Days of 24 hours.
    pub fn as_days(self) -> f64 {
        f64_from_i64(self.0) / f64_from_i64(Self::DAY.0)
    }

    /// Sum, held at the extremes: a deadline too far away to name is a deadline in the far future.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// Difference, held at the extremes. Never panics, also soon after boot when a window begins before zero.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// As a standard duration; a negative one is zero.
    pub fn to_duration(self) -> std::time::Duration {
        std::time::Duration::from_millis(u64::try_from(self.0).unwrap_or(0))
    }
}

/// Prints the two largest units: `12.5 s`, `3 min 20 s`, `2 h 05 min`, `4 d 06 h`.
impl fmt::Display for Millis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let ms = self.0.unsigned_abs();
        let (secs, mins, hours) = (ms / 1000, ms / 60_000, ms / 3_600_000);
        let text = if ms < 60_000 && !ms.is_multiple_of(1000) {
            format!(
                "{secs}.{} s",
                format!("{:03}", ms % 1000).trim_end_matches('0')
            )
        } else if ms < 60_000 {
            format!("{secs} s")
        } else if hours == 0 {
            format!("{mins} min {:02} s", secs % 60)
        } else if hours < 48 {
            format!("{hours} h {:02} min", mins % 60)
        } else {
            format!("{} d {:02} h", hours / 24, hours % 24)
        };
        f.pad(&format!("{sign}{text}"))
    }
}

impl fmt::Debug for Millis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ms", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn volumes_print_every_microlitre_and_no_more() {
        for (ul, text) in [
            (2_500, "2.5 mL"),
            (125, "0.125 mL"),
            (0, "0.0 mL"),
            (-1_001, "-1.001 mL"),
            (99_999_999, "99999.999 mL"),
            (700, "0.7 mL"),
        ] {
            assert_eq!(Volume::from_ul(ul).to_string(), text);
        }
    }

    #[test]
    fn durations_print_their_two_largest_units() {
        for (ms, text) in [
            (12_500, "12.5 s"),
            (200_000, "3 min 20 s"),
            (7_500_000, "2 h 05 min"),
            (367_200_000, "4 d 06 h"),
            (-1_000, "-1 s"),
            (40, "0.04 s"),
        ] {
            assert_eq!(Millis::new(ms).to_string(), text);
        }
    }

    /// A single-precision total stops growing above 8,192 of its own step (openshwprojects/OpenBK7231T_App #1009); ours counts every one.
    #[test]
    fn ten_million_small_additions_on_a_large_total_are_all_counted() {
        let mut total = Volume::from_ul(10_000_000);
        for _ in 0..10_000_000 {
            total = total.saturating_add(Volume::from_ul(1));
        }
        assert_eq!(total.as_ul(), 20_000_000);
    }

    #[test]
    fn a_window_that_begins_before_the_clock_did_is_no_panic() {
        for ms in [1_000, 59_000, 86_340_000] {
            assert!(Millis::new(ms).minus(Millis::DAY) < Millis::ZERO);
        }
        assert_eq!(
            Millis::new(i64::MIN).minus(Millis::DAY),
            Millis::new(i64::MIN)
        );
        assert_eq!(Millis::MAX.plus(Millis::DAY), Millis::MAX);
    }

    proptest! {
        #[test]
        fn a_split_day_sums_to_the_day_and_differs_by_at_most_one_microlitre(total in 0_i64..10_000_000_000, parts in 1_u32..2_000) {
            let split = Volume::from_ul(total).split(parts);
            prop_assert_eq!(split.iter().map(|v| v.as_ul()).sum::<i64>(), total);
            let (low, high) = (split.iter().min().unwrap().as_ul(), split.iter().max().unwrap().as_ul());
            prop_assert!(high - low <= 1);
        }
    }
}
