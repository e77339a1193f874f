//! Times as people type them: by the owner's clock, or with an offset.

use jiff::civil::{DateTime, Time};
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};
use jiff::{Span, Timestamp};

use crate::cli::words::{configuration, present, usage};
use crate::cli::{Place, Result};
use crate::daemon::{ledger_path, machine_now};
use crate::ledger::Ledger;

const HOW: &str = "write the day and the time by your own clock, such as \"2026-11-29 18:00\", \"today 7:30\" or \"yesterday 18:00\", or with an offset, such as \"2026-11-29T17:00:00Z\"";

/// A time that has been typed. Which instant it is, the owner's time zone says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Moment {
    Instant(Timestamp),
    Local(DateTime),
    /// At a time of a day this many days ago.
    DaysAgo(i64, Time),
}

/// Reads one.
pub(crate) fn moment(text: &str) -> Result<Moment, String> {
    let typed = text.trim();
    if let Ok(instant) = typed.parse() {
        return Ok(Moment::Instant(instant));
    }
    let wrong = || format!("\"{typed:.40}\" is no time; {HOW}");
    let (day, time) = typed.split_once([' ', 'T']).ok_or_else(wrong)?;
    // A day alone would be its midnight, which nobody means.
    let time = time_of_day(time.trim()).ok_or_else(wrong)?;
    Ok(match day {
        "today" => Moment::DaysAgo(0, time),
        "yesterday" => Moment::DaysAgo(1, time),
        date => {
            let date: jiff::civil::Date = date.parse().map_err(|_| wrong())?;
            Moment::Local(date.to_datetime(time))
        }
    })
}

/// `7:30`, `18:00` or `18:00:30`.
fn time_of_day(text: &str) -> Option<Time> {
    let parts: Option<Vec<i8>> = text
        .split(':')
        .map(|part| part.parse().ok().filter(|_| part.len() <= 2))
        .collect();
    match parts?.as_slice() {
        [hour, minute] => Time::new(*hour, *minute, 0, 0).ok(),
        [hour, minute, second] => Time::new(*hour, *minute, *second, 0).ok(),
        _ => None,
    }
}

impl Moment {
    /// The instant.
    ///
    /// # Errors
    /// Where the clock shows that time twice or never, with both answers; where the owner's time zone cannot be read.
    pub(crate) fn at(self, place: &Place) -> Result<Timestamp> {
        if let Self::Instant(instant) = self {
            return Ok(instant);
        }
        let why = format!("without its files nobody knows your time zone; {HOW}");
        let loaded = configuration(place).map_err(|_| usage(why))?;
        let of_ledger = Ledger::open_to_read(&ledger_path(&place.state)).ok();
        let now = of_ledger.and_then(|reader| present(&reader).ok());
        let now = now.unwrap_or_else(|| machine_now().wall);
        self.in_zone(&loaded.controller.time_zone, now)
            .map_err(usage)
    }

    /// The instant by the clocks of a zone.
    ///
    /// # Errors
    /// As [`Self::at`].
    pub(crate) fn in_zone(self, zone: &TimeZone, now: Timestamp) -> Result<Timestamp, String> {
        match self {
            Self::Instant(instant) => Ok(instant),
            Self::Local(local) => instant_of(local, zone),
            Self::DaysAgo(days, time) => {
                let day = zone.to_datetime(now).date();
                let day = day.checked_sub(Span::new().days(days));
                instant_of(
                    day.map_err(|error| error.to_string())?.to_datetime(time),
                    zone,
                )
            }
        }
    }
}

fn instant_of(local: DateTime, zone: &TimeZone) -> Result<Timestamp, String> {
    let instant = |offset: Offset| {
        offset
            .to_timestamp(local)
            .map_err(|error| error.to_string())
    };
    let (what, before, after) = match zone.to_ambiguous_timestamp(local).offset() {
        AmbiguousOffset::Unambiguous { offset } => return instant(offset),
        AmbiguousOffset::Fold { before, after } => ("comes twice", before, after),
        AmbiguousOffset::Gap { before, after } => ("never comes", after, before),
    };
    let shown = |at: Timestamp| at.display_with_offset(zone.to_offset(at)).to_string();
    Err(format!(
        "{} {what}, for the clocks were changed then; write {} or {}",
        local.strftime("%Y-%m-%d %H:%M"),
        shown(instant(before)?),
        shown(instant(after)?)
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn berlin(text: &str) -> Result<String, String> {
        let Ok(Moment::Local(local)) = moment(text) else {
            return Err(format!("{text} is not local"));
        };
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        instant_of(local, &zone).map(|at| at.to_string())
    }

    #[test]
    fn a_time_is_typed_by_the_owners_clock_or_with_an_offset() {
        for same in [
            "2026-11-29T17:00:00Z",
            "2026-11-29T18:00:00+01:00",
            "2026-11-29 18:00+01:00",
        ] {
            let at = "2026-11-29T17:00:00Z".parse().unwrap();
            assert_eq!(moment(same), Ok(Moment::Instant(at)), "{same}");
        }
        for same in [
            "2026-11-29 18:00",
            "2026-11-29T18:00",
            " 2026-11-29 18:00:00 ",
        ] {
            assert_eq!(
                berlin(same).as_deref(),
                Ok("2026-11-29T17:00:00Z"),
                "{same}"
            );
        }
        let early = Time::constant(7, 30, 0, 0);
        assert_eq!(moment("yesterday 7:30"), Ok(Moment::DaysAgo(1, early)));
        assert_eq!(moment("today 07:30"), Ok(Moment::DaysAgo(0, early)));
        for wrong in [
            "2026-11-29",
            "18:00",
            "29.11.2026 18:00",
            "today",
            "2026-11-29 25:00",
            "2026-02-30 8:00",
            "",
        ] {
            assert!(
                moment(wrong).unwrap_err().contains("yesterday 18:00"),
                "{wrong}"
            );
        }
    }

    #[test]
    fn a_time_that_comes_twice_or_never_is_refused_with_both_answers() {
        // Berlin: back on 2026-10-25 from 03:00 to 02:00, forward on 2026-03-29 from 02:00 to 03:00.
        let twice = berlin("2026-10-25 02:30").unwrap_err();
        for answer in [
            "comes twice",
            "2026-10-25T02:30:00+02:00",
            "2026-10-25T02:30:00+01:00",
        ] {
            assert!(twice.contains(answer), "{twice}");
        }
        let never = berlin("2026-03-29 02:30").unwrap_err();
        for answer in [
            "never comes",
            "2026-03-29T01:30:00+01:00",
            "2026-03-29T03:30:00+02:00",
        ] {
            assert!(never.contains(answer), "{never}");
        }
    }
}
