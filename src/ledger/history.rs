//! What the ledger knows at start. Walks back from the newest row and stops where rows can no longer matter.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, Row, params};

use super::books::{
    Books, CALIBRATED, IN_TANK, OPEN_SPAN_MAX, READ, billionths, carried, from_billionths, total,
};
use super::brought::{brought, journal};
use super::columns::{self, millis, word};
use super::contents::contents;
use super::error::LedgerError;
use super::files::Place;
use super::kinds::{COUNTS, entries, json};
use super::look::refilled_since_arming;
use super::open::Ledger;
use super::reader::LedgerReader;
use super::walk::{Names, forgotten, mode_began, newest_wall, told_last, walk};
use crate::chemistry::Quantity;
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{
    Bench, Carried, Corridor, Course, CourseState, Destination, DoseId, History, Hold, HoldChange,
    Intent, Observation, PastForgotten, SlotNotGiven, Stamp, StoredCalibration, StoredVerification,
    TOLD_MAX, Uptake, Who, WrongTime,
};

/// Local days whose settled slots come back.
const SETTLED_DAYS: i64 = 3;
/// Settled slots that come back at most: three days of the busiest plan.
const SETTLED_MAX: i64 = 20_000;

impl Ledger {
    /// Everything the engine needs of the past, as seen at `now`.
    ///
    /// # Errors
    /// Any [`LedgerError`]; a history that cannot be read in full is no history.
    pub fn history(&self, now: Stamp) -> Result<History, LedgerError> {
        let place = Place::new(&self.path, "read its history");
        let past = Past {
            conn: &self.conn,
            books: &self.books,
            session: self.session,
        };
        past.read(now).map_err(|e| place.sql(e))
    }
}

/// What a start would know now, beside whatever writes.
#[derive(Debug)]
pub struct Present {
    pub history: History,
    /// The boot that wrote last, and its elapsed clock as far as the wall clock tells.
    pub boot: String,
    pub at: Stamp,
    /// Whether outputs were driven by who wrote last.
    pub live: bool,
    /// Bottles of which a person said since the latest arming what they hold.
    pub told_since_arming: BTreeSet<Name>,
}

impl LedgerReader {
    /// Everything the engine would be started with at `wall`.
    ///
    /// # Errors
    /// Any [`LedgerError`]; also where there never was a start.
    pub fn present(&self, wall: Timestamp) -> Result<Present, LedgerError> {
        let place = Place::new(&self.path, "read its history");
        let read = || {
            let tx = self.conn.unchecked_transaction()?;
            let conn: &Connection = &tx;
            let newest = "SELECT * FROM session ORDER BY id DESC LIMIT 1";
            let (session, boot, live, last_wall, last_elapsed) =
                conn.query_row(newest, [], |row| {
                    let last: i64 = row.get("last_at_ms")?;
                    let elapsed = millis(row, "last_elapsed_ms")?;
                    Ok((
                        row.get("id")?,
                        row.get("boot")?,
                        row.get("live")?,
                        last,
                        elapsed,
                    ))
                })?;
            let passed = Millis::new(wall.as_millisecond().saturating_sub(last_wall));
            let at = Stamp {
                wall,
                elapsed: last_elapsed.plus(passed.max(Millis::ZERO)),
                trusted: true,
            };
            let books = Books::load(conn)?;
            let past = Past {
                conn,
                books: &books,
                session,
            };
            Ok(Present {
                history: past.read(at)?,
                boot,
                at,
                live,
                told_since_arming: refilled_since_arming(conn)?,
            })
        };
        read().map_err(|e| place.sql(e))
    }
}

/// The rows behind a history, and the totals of them.
struct Past<'a> {
    conn: &'a Connection,
    books: &'a Books,
    session: i64,
}

impl Past<'_> {
    fn read(&self, now: Stamp) -> rusqlite::Result<History> {
        let conn = self.conn;
        let newest = newest_wall(conn)?;
        let mut names = Names::default();
        let mut walked = walk(conn, self.session, now, &mut names)?;
        let forgotten = forgotten(conn, self.session, now, &mut walked)?;
        let began = mode_began(conn, self.session, now, &mut walked)?;
        let (doses, sessions, index) = walked.finish(conn, self.session)?;
        let forgotten = forgotten.map(|(record, session, told_last)| PastForgotten {
            record,
            session: session.and_then(|session| index.get(&session).copied()),
            told_last,
        });
        let mode_began = began.and_then(|(id, at)| Some((index.get(&id).copied()?, at)));
        let open = open_intents(conn, self.books.dose_last)?;
        let courses = courses(conn)?;
        let today = match newest {
            Some(newest) if !now.trusted || newest > now.wall => newest,
            Some(_) | None => now.wall,
        };
        let told = told(conn)?;
        Ok(History {
            brought: brought(conn, self.books.dose_last, &told)?,
            journal: journal(conn)?,
            dose_last: self.books.dose_last,
            newest_wall: newest,
            doses,
            sessions,
            mode_began,
            reservoirs: self.reservoirs(&mut names)?,
            contents: contents(conn)?,
            calibrations: self.calibrations()?,
            verifications: verifications(conn)?,
            benches: benches(conn)?,
            measured: measured(conn)?,
            silent: silent(conn)?,
            bench_last: bench_last(conn)?,
            holds: holds(conn)?,
            settled: settled(conn, today)?,
            told,
            told_last: told_last(conn, i64::MAX)?,
            added_since_reading: self.added_since_reading(&open)?,
            uptakes: uptakes(conn)?,
            courses_ended: courses_ended(conn, &courses)?,
            courses,
            corridors: corridors(conn)?,
            forgotten,
            wrong_times: wrong_times(conn)?,
            open,
        })
    }

    fn reservoirs(&self, names: &mut Names) -> rusqlite::Result<Vec<(Name, Volume)>> {
        self.books
            .reservoirs
            .iter()
            .map(|(name, (_, ul))| Ok((names.get(name)?, Volume::from_ul(*ul))))
            .collect()
    }

    fn calibrations(&self) -> rusqlite::Result<Vec<(StoredCalibration, Millis)>> {
        let latest =
            "id IN (SELECT max(id) FROM entry WHERE kind = 'calibration' GROUP BY body ->> 'head')
             AND NOT EXISTS (SELECT 1 FROM entry AS tube WHERE tube.kind = 'bench' AND tube.body ->> 'what' = 'new-tube'
             AND tube.body ->> 'head' = entry.body ->> 'head' AND tube.id > entry.id)
             ORDER BY body ->> 'head'";
        entries::<StoredCalibration>(self.conn, latest, [])?
            .into_iter()
            .map(|stored| {
                let head = stored.head.as_str();
                let run = self.books.head_run.get(head).copied().unwrap_or(0);
                let before = total(self.conn, CALIBRATED, head)?;
                Ok((stored, Millis::new(run).minus(Millis::new(before))))
            })
            .collect()
    }

    /// Without any reading of a quantity, all that was ever added of it.
    fn added_since_reading(&self, open: &[Intent]) -> rusqlite::Result<Carried> {
        let mut added = self.books.added.clone();
        let silent = self.silent_since_readings()?;
        let open = open
            .iter()
            .filter(|intent| intent.into == Destination::Tank);
        let open = open.flat_map(|intent| &intent.carries);
        for (of, amount) in open.chain(&silent) {
            let sum = added.entry(of.clone()).or_default();
            *sum = sum.saturating_add(billionths(*amount));
        }
        added
            .into_iter()
            .map(|(of, amount)| {
                let since = amount.saturating_sub(total(self.conn, READ, of.as_str())?);
                Ok((of, from_billionths(since)))
            })
            .collect()
    }

    /// What sessions at the bench that fell silent count as added, since the last reading of each quantity.
    fn silent_since_readings(&self) -> rusqlite::Result<Carried> {
        let mut taken: BTreeMap<Quantity, i64> = BTreeMap::new();
        for told in told(self.conn)? {
            if let Some(of) = told.reading().and_then(|reading| reading.of.quantity()) {
                let at_ms = told.happened.as_millisecond();
                let newest = taken.entry(of.clone()).or_insert(at_ms);
                *newest = at_ms.max(*newest);
            }
        }
        let mut doses = self.conn.prepare(&format!(
            "SELECT at_ms, carries, volume_ul, delivered_ul FROM dose WHERE destination = 'bench' AND {IN_TANK}"
        ))?;
        let mut rows = doses.query([])?;
        let mut added = Carried::new();
        while let Some(row) = rows.next()? {
            let at_ms: i64 = row.get("at_ms")?;
            for (of, amount) in carried(row)? {
                if taken.get(&of).is_none_or(|taken| at_ms >= *taken) {
                    *added.entry(of).or_default() += amount;
                }
            }
        }
        Ok(added)
    }
}

fn wrong_times(conn: &Connection) -> rusqlite::Result<Vec<WrongTime>> {
    entries(conn, "kind = 'wrong-time' ORDER BY id", [])
}

fn open_intents(conn: &Connection, dose_last: i64) -> rusqlite::Result<Vec<Intent>> {
    let mut open =
        conn.prepare("SELECT * FROM dose WHERE id >= ?1 AND outcome IS NULL ORDER BY id")?;
    open.query_map([dose_last - OPEN_SPAN_MAX], intent)?
        .collect()
}

/// The intent in a row of `dose`.
fn intent(row: &Row<'_>) -> rusqlite::Result<Intent> {
    let line = word(row, "line")?;
    Ok(Intent {
        id: DoseId(row.get("id")?),
        head: word(row, "head")?,
        reservoir: word(row, "reservoir")?,
        solution: word(row, "solution")?,
        kind: word(row, "kind")?,
        slot: columns::slot(row, &line)?,
        line,
        volume: columns::volume(row, "volume_ul")?,
        run_time: millis(row, "run_time_ms")?,
        carries: json(row, "carries")?,
        into: word(row, "destination")?,
        who: word(row, "who")?,
        live: row.get("live")?,
        at: columns::stamp(row)?,
    })
}

/// The newest word on each session that is not over.
fn benches(conn: &Connection) -> rusqlite::Result<Vec<Bench>> {
    let newest = "id IN (SELECT max(id) FROM entry WHERE kind = 'bench' AND body ->> 'what' != 'new-tube' GROUP BY body ->> 'head')
         AND body ->> 'what' != 'outlet-back' ORDER BY id";
    entries(conn, newest, [])
}

fn measured(conn: &Connection) -> rusqlite::Result<Vec<Bench>> {
    let newest = "id IN (SELECT max(id) FROM entry WHERE kind = 'bench' GROUP BY body ->> 'head') ORDER BY id";
    entries(conn, newest, [])
}

/// Sessions that count as given to the tank.
fn silent(conn: &Connection) -> rusqlite::Result<Vec<Bench>> {
    entries(
        conn,
        "kind = 'bench' AND body ->> 'what' = 'silent' ORDER BY id",
        [],
    )
}

fn bench_last(conn: &Connection) -> rusqlite::Result<i64> {
    conn.query_row(
        "SELECT coalesce(max(body ->> 'bench'), 0) FROM entry WHERE kind = 'bench'",
        [],
        |row| row.get(0),
    )
}

/// Checks of each head that are newer than its newest calibration.
fn verifications(conn: &Connection) -> rusqlite::Result<Vec<StoredVerification>> {
    let since = "kind = 'verification' AND id > (SELECT max(id) FROM entry AS other WHERE other.kind = 'calibration'
         AND other.body ->> 'head' = entry.body ->> 'head') ORDER BY id";
    entries(conn, since, [])
}

/// The newest word on each scope, where it is "set".
fn holds(conn: &Connection) -> rusqlite::Result<Vec<Hold>> {
    let newest = "id IN (SELECT max(id) FROM entry WHERE kind = 'hold' GROUP BY body ->> 'line') ORDER BY id";
    let newest = entries::<HoldChange>(conn, newest, [])?;
    Ok(newest.into_iter().filter_map(HoldChange::hold).collect())
}

/// The newest word on each course.
fn courses(conn: &Connection) -> rusqlite::Result<Vec<Course>> {
    let newest =
        "id IN (SELECT max(id) FROM entry WHERE kind = 'course' GROUP BY body ->> 'course')
         ORDER BY body ->> 'course'";
    entries(conn, newest, [])
}

/// Those that dosewright ended, as they ran before.
fn courses_ended(conn: &Connection, newest: &[Course]) -> rusqlite::Result<Vec<(Course, Stamp)>> {
    let ran = "id IN (SELECT max(id) FROM entry WHERE kind = 'course' AND body ->> 'state' = 'running' GROUP BY body ->> 'course')
         ORDER BY body ->> 'course'";
    let ran = entries::<Course>(conn, ran, [])?;
    let ended = ran.into_iter().filter_map(|was| {
        let is_end = |c: &&Course| {
            c.number == was.number && c.state == CourseState::Ended && c.who == Who::Daemon
        };
        let ended = newest.iter().find(is_end)?;
        Some((was, ended.at))
    });
    Ok(ended.collect())
}

/// Slots settled whose local date is not older than three days before `today` in UTC, and one for the zone.
fn settled(conn: &Connection, today: Timestamp) -> rusqlite::Result<Vec<SlotKey>> {
    let days = SignedDuration::from_hours(24 * (SETTLED_DAYS + 1));
    let since: Date = today
        .checked_sub(days)
        .map_or(Date::MIN, |at| jiff::tz::Offset::UTC.to_datetime(at).date());
    let recent = entries::<SlotNotGiven>(
        conn,
        "kind = 'not-given' AND body ->> 'slot_date' >= ?1
         ORDER BY body ->> 'slot_date' DESC, body ->> 'slot_second' DESC, body ->> 'line' DESC LIMIT ?2",
        params![since.to_string(), SETTLED_MAX],
    )?;
    let mut keys: Vec<SlotKey> = recent.into_iter().map(|slot| slot.key).collect();
    // A clock that was ahead has given slots of days that are still to come.
    let mut given =
        conn.prepare("SELECT * FROM dose WHERE slot_date >= ?1 ORDER BY slot_date DESC LIMIT ?2")?;
    let mut rows = given.query(params![since.to_string(), SETTLED_MAX])?;
    while let Some(row) = rows.next()? {
        keys.extend(columns::slot(row, &word(row, "line")?)?);
    }
    Ok(keys)
}

/// What was told and counts.
fn told(conn: &Connection) -> rusqlite::Result<Vec<Observation>> {
    let newest = format!(
        "id IN (SELECT id FROM (
             SELECT id, row_number() OVER (PARTITION BY body ->> 'what', body ->> 'of'
                 ORDER BY unixepoch(body ->> 'happened', 'subsec') DESC, id DESC) AS place
             FROM entry WHERE kind = 'observation' AND {COUNTS})
         WHERE place <= {TOLD_MAX}) ORDER BY id"
    );
    entries(conn, &newest, [])
}

/// The newest word on the corridor of each quantity.
fn corridors(conn: &Connection) -> rusqlite::Result<Vec<Corridor>> {
    let newest = "kind = 'corridor' AND id IN
         (SELECT max(id) FROM entry WHERE kind = 'corridor' GROUP BY body ->> 'of') ORDER BY id";
    entries(conn, newest, [])
}

fn uptakes(conn: &Connection) -> rusqlite::Result<Vec<Uptake>> {
    entries(conn, "kind = 'uptake' ORDER BY id", [])
}
