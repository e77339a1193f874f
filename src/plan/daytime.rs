//! One local date as a stretch of elapsed time, and civil times of that date as instants.
//!
//! A day runs from the first instant of its date to the first instant of the next date, so it has 23, 24 or 25 hours (or
//! what else the zone's law makes of it), and its midnight need not exist. A civil time that does not exist is the
//! first instant after the gap; one that comes twice is the first of the two. Instants are milliseconds since 1970, UTC.

use jiff::Timestamp;
use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone};

/// Seconds of an ordinary day, and the name of its end as a civil time.
pub(super) const DAY_S: u32 = 86_400;

/// Where a gap ends at midnight, its slots run on the next date: how far into it, at most.
pub(super) const PAST_MIDNIGHT_MS: i64 = 3_600_000;

#[derive(Debug, Clone)]
pub(super) struct LocalDay {
    pub(super) date: Date,
    /// First instant of the date.
    pub(super) start: i64,
    /// First instant of the next date.
    pub(super) end: i64,
    /// Every civil time exists once, and midnight is the start.
    pub(super) regular: bool,
    /// The instant at which clocks are put forward on this day, its first instant and its end included.
    pub(super) forward_at: Option<i64>,
    zone: TimeZone,
}

impl LocalDay {
    /// `None` beyond the calendar.
    pub(super) fn new(zone: &TimeZone, date: Date) -> Option<Self> {
        let midnight = date.at(0, 0, 0, 0);
        let start = first_instant(zone, midnight)?;
        let end = first_instant(zone, date.tomorrow().ok()?.at(0, 0, 0, 0))?;
        let mut regular = matches!(
            zone.to_ambiguous_timestamp(midnight).offset(),
            AmbiguousOffset::Unambiguous { .. }
        );
        // A day that lost its last hour has an ordinary midnight.
        regular &= end - start == i64::from(DAY_S) * 1000;
        let mut forward_at = None;
        for at in transitions(zone, start.checked_sub(1)?, end) {
            regular &= at.ms == start || at.ms == end;
            if at.shift_s > 0 {
                forward_at = Some(at.ms);
            }
        }
        Some(Self {
            date,
            start,
            end,
            regular,
            forward_at,
            zone: zone.clone(),
        })
    }

    /// Length in milliseconds; zero for a date that a zone left out.
    pub(super) fn length(&self) -> i64 {
        self.end - self.start
    }

    /// The instant of a second of the day by the clock on the wall; 86,400 and more is the day's end.
    pub(super) fn instant(&self, second: u32) -> Option<i64> {
        if second >= DAY_S {
            return Some(self.end);
        }
        if self.regular {
            return Some(self.start + i64::from(second) * 1000);
        }
        let part = |v: u32| i8::try_from(v).ok();
        let time = Time::new(
            part(second / 3600)?,
            part(second / 60 % 60)?,
            part(second % 60)?,
            0,
        );
        first_instant(&self.zone, self.date.to_datetime(time.ok()?))
    }

    /// The clock on the wall at an instant, cut to the second.
    pub(super) fn civil(&self, ms: i64) -> Time {
        let at = Timestamp::from_second(ms.div_euclid(1000)).unwrap_or(Timestamp::MIN);
        self.zone.to_datetime(at).time()
    }
}

/// First instant of a civil time: after the gap when it lies in one, the first of the two when it comes twice.
fn first_instant(zone: &TimeZone, civil: DateTime) -> Option<i64> {
    let at = match zone.to_ambiguous_timestamp(civil).offset() {
        AmbiguousOffset::Unambiguous { offset } | AmbiguousOffset::Fold { before: offset, .. } => {
            offset.to_timestamp(civil).ok()?
        }
        AmbiguousOffset::Gap { after, .. } => {
            // Read with the offset that holds after the gap, a time in the gap lies before the change.
            let inside = after.to_timestamp(civil).ok()?;
            zone.following(inside).next()?.timestamp()
        }
    };
    Some(at.as_millisecond())
}

/// A change of the zone's offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Transition {
    pub(super) ms: i64,
    /// Seconds by which clocks are put forward; negative when put back.
    pub(super) shift_s: i32,
}

/// Changes of offset later than `after` and not later than `until`.
pub(super) fn transitions(zone: &TimeZone, after: i64, until: i64) -> Vec<Transition> {
    let Ok(from) = Timestamp::from_millisecond(after) else {
        return Vec::new();
    };
    let mut offset = zone.to_offset(from);
    let mut found = Vec::new();
    for change in zone.following(from) {
        let ms = change.timestamp().as_millisecond();
        if ms > until {
            break;
        }
        let shift_s = change.offset().seconds() - offset.seconds();
        offset = change.offset();
        if shift_s != 0 {
            found.push(Transition { ms, shift_s });
        }
    }
    found
}
