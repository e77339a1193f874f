//! The doses that the estimate of the water goes by: read back from the newest, no further than it looks.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use rusqlite::{Connection, Row, params};

use super::columns::{self, millis, volume, word, word_if_any};
use super::kinds::{body, json, read, unexpected};
use crate::quantity::{Millis, Volume};
use crate::record::{
    Brought, CHANGES_MAX, Carried, Change, Destination, DoseEnd, DoseId, ESTIMATE_DOSES_MAX,
    ESTIMATE_SPAN, ESTIMATED, Entry, Observation, REHEARSED_BOOT, Refill, WrongTime, likely_part,
};

/// Read beyond the span, because the newest reading may be taken back. Ours.
const MARGIN: Millis = Millis::from_mins(60 * 24 * 60);

/// Newest entries among which another plan is looked for: there is an event for every alarm.
const EVENTS_SEEN: i64 = 3_000;
/// Rows looked through for changes.
const ROWS_MAX: i64 = 3_000;

/// Oldest first. Nothing without a reading, for the estimate begins with one.
pub(super) fn brought(
    conn: &Connection,
    dose_last: i64,
    told: &[Observation],
) -> rusqlite::Result<Vec<Brought>> {
    let Some(since) = first_reading(told) else {
        return Ok(Vec::new());
    };
    let wrong = wrong_times(conn)?;
    let mut seen: BTreeMap<String, Arc<Carried>> = BTreeMap::new();
    let mut newest = conn.prepare(
        "SELECT id, session, at_ms, elapsed_ms, trusted, destination, outcome, volume_ul, delivered_ul, carries,
         live OR session IN (SELECT id FROM session WHERE boot GLOB ?2) AS reaches_water
         FROM dose WHERE id > ?1 ORDER BY id DESC",
    )?;
    let oldest = dose_last.saturating_sub(ESTIMATE_DOSES_MAX);
    let mut rows = newest.query(params![oldest, format!("{REHEARSED_BOOT}*")])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let at = columns::stamp(row)?;
        let written = (row.get("session")?, at.elapsed);
        let is_wrong = |(then, wrong): &(_, WrongTime)| written <= *then && wrong.spans(at.wall);
        let timed = at.trusted && !wrong.iter().any(is_wrong);
        if timed && at.wall < since {
            break;
        }
        found.extend(dose(row, (at.wall, timed), &mut seen)?);
    }
    found.reverse();
    Ok(found)
}

/// When the oldest reading was taken that may bear on the estimate of anything.
fn first_reading(told: &[Observation]) -> Option<Timestamp> {
    let mut of_each: BTreeMap<&str, Vec<Timestamp>> = BTreeMap::new();
    for row in told {
        if let Some(reading) = row.reading().filter(|r| ESTIMATED.contains(&r.of.as_str())) {
            let known = of_each.entry(reading.of.as_str()).or_default();
            known.push(row.happened);
        }
    }
    let oldest = of_each.into_values().filter_map(|taken| {
        let newest = taken.iter().max()?.as_millisecond();
        let from = newest - ESTIMATE_SPAN.plus(MARGIN).as_ms();
        taken
            .into_iter()
            .filter(|at| at.as_millisecond() >= from)
            .min()
    });
    oldest.min()
}

/// `None` for what did not go into the water, or is still open: the engine closes that.
fn dose(
    row: &Row<'_>,
    (at, timed): (Timestamp, bool),
    seen: &mut BTreeMap<String, Arc<Carried>>,
) -> rusqlite::Result<Option<Brought>> {
    let into: Destination = word(row, "destination")?;
    let end: Option<DoseEnd> = word_if_any(row, "outcome")?;
    let (true, Destination::Tank, Some(end)) = (row.get("reaches_water")?, into, end) else {
        return Ok(None);
    };
    let (part, part_sd) = likely_part(end, volume(row, "volume_ul")?, volume(row, "delivered_ul")?);
    // The doses of a plan say the same again and again.
    let text = row.get_ref("carries")?.as_str()?;
    let carries = if let Some(known) = seen.get(text) {
        Arc::clone(known)
    } else {
        let new: Arc<Carried> = Arc::new(json(row, "carries")?);
        seen.insert(text.to_owned(), Arc::clone(&new));
        new
    };
    Ok((part > 0.0).then_some(Brought {
        id: DoseId(row.get("id")?),
        at,
        timed,
        carries,
        part,
        part_sd,
    }))
}

/// The newest changes, oldest first.
pub(super) fn journal(conn: &Connection) -> rusqlite::Result<Vec<Change>> {
    let mut newest = conn.prepare(
        "SELECT kind, body FROM entry WHERE kind IN ('course', 'calibration') OR kind = 'bench' AND body ->> 'what' = 'new-tube'
         OR kind = 'event' AND id > (SELECT max(id) FROM entry) - ?2 AND body ->> 'code' = 'plan-reloaded' ORDER BY id DESC LIMIT ?1",
    )?;
    let mut rows = newest.query([ROWS_MAX, EVENTS_SEEN])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let (kind, body): (String, String) = (row.get("kind")?, row.get("body")?);
        let entry = read(&kind, &body).map_err(|error| unexpected(row, "body", error))?;
        found.extend(Change::of(&entry));
    }
    let mut refills = conn.prepare("SELECT * FROM refill ORDER BY id DESC LIMIT ?1")?;
    let mut rows = refills.query([ROWS_MAX])?;
    while let Some(row) = rows.next()? {
        found.extend(Change::of(&Entry::Refill(refill(row)?)));
    }
    found.sort_by_key(|change| change.at);
    found.drain(..found.len().saturating_sub(CHANGES_MAX));
    Ok(found)
}

/// A refill without what its tubes held.
pub(super) fn refill(row: &Row<'_>) -> rusqlite::Result<Refill> {
    let before: Option<i64> = row.get("before_ul")?;
    Ok(Refill {
        reservoir: word(row, "reservoir")?,
        level: volume(row, "level_ul")?,
        before: before.map(Volume::from_ul),
        solution: word(row, "solution")?,
        tube: None,
        who: word(row, "who")?,
        note: row.get("note")?,
        at: columns::stamp(row)?,
    })
}

/// Each with session and elapsed time at which it was written: it is about what was written before.
fn wrong_times(conn: &Connection) -> rusqlite::Result<Vec<((i64, Millis), WrongTime)>> {
    conn.prepare("SELECT session, elapsed_ms, body FROM entry WHERE kind = 'wrong-time'")?
        .query_map([], |row| {
            Ok((
                (row.get("session")?, millis(row, "elapsed_ms")?),
                body(row)?,
            ))
        })?
        .collect()
}
