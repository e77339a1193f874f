//! Times as people read them.

use jiff::Timestamp;
use jiff::tz::TimeZone;

/// Date and time to the second, as clocks of the zone show it; in an hour that comes twice, with its distance from UTC.
pub fn local(at: Timestamp, zone: &TimeZone) -> String {
    let there = zone.to_datetime(at);
    let shown = there.strftime("%Y-%m-%d %H:%M:%S");
    if zone.to_ambiguous_timestamp(there).is_ambiguous() {
        format!("{shown} ({} from UTC)", zone.to_offset(at))
    } else {
        shown.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_that_of_the_clocks_there_and_an_hour_that_comes_twice_is_told_apart() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        for (at, shown) in [
            ("2026-03-29T00:59:59Z", "2026-03-29 01:59:59"),
            ("2026-03-29T01:00:00.7Z", "2026-03-29 03:00:00"),
            ("2026-10-24T23:59:59Z", "2026-10-25 01:59:59"),
            ("2026-10-25T00:30:00Z", "2026-10-25 02:30:00 (+02 from UTC)"),
            ("2026-10-25T01:30:00Z", "2026-10-25 02:30:00 (+01 from UTC)"),
            ("2026-10-25T02:00:00Z", "2026-10-25 03:00:00"),
        ] {
            assert_eq!(local(at.parse().unwrap(), &zone), shown);
        }
    }
}
