//! The local days of a report.

use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;

/// The days of a window with their begins, oldest first; the last one is today.
#[derive(Debug, Clone)]
pub(super) struct Days {
    zone: TimeZone,
    pub(super) each: Vec<(Date, Timestamp)>,
}

impl Days {
    pub(super) fn new(zone: &TimeZone, now: Timestamp, count: u32) -> Self {
        let today = zone.to_datetime(now).date();
        let mut each = Vec::new();
        let mut date = today;
        for _ in 0..count.max(1) {
            each.extend(begin(zone, date).map(|begin| (date, begin)));
            let Ok(before) = date.yesterday() else { break };
            date = before;
        }
        each.reverse();
        Self {
            zone: zone.clone(),
            each,
        }
    }

    pub(super) fn since(&self) -> Timestamp {
        self.each
            .first()
            .map_or(Timestamp::MIN, |(_, begin)| *begin)
    }

    pub(super) fn date(&self, at: Timestamp) -> Date {
        self.zone.to_datetime(at).date()
    }

    /// The place of a date among the days; what lies before or after them counts to the first or the last.
    pub(super) fn place(&self, date: Date) -> usize {
        let place = self.each.partition_point(|(day, _)| *day <= date);
        place.saturating_sub(1)
    }

    pub(super) fn begins(&self) -> impl Iterator<Item = Timestamp> + '_ {
        self.each.iter().map(|(_, begin)| *begin)
    }
}

pub(super) fn begin(zone: &TimeZone, date: Date) -> Option<Timestamp> {
    let midnight = date.to_datetime(Time::midnight());
    zone.to_ambiguous_timestamp(midnight).compatible().ok()
}
