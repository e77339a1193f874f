//! What the ledger knows at start. Walks back from the newest row and stops where rows can no longer matter.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, Row, params};

use super::books::{
    CALIBRATED, IN_TANK, OPEN_SPAN_MAX, READ, billionths, carried, from_billionths, run_counted,
    total,
};
use super::brought::brought;
use super::columns::{self, millis, word, word_if_any};
use super::contents::contents;
use super::error::LedgerError;
use super::files::Place;
use super::kinds::{COUNTS, entries, json};
use super::open::Ledger;
use crate::chemistry::Quantity;
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{
    Bench, Carried, Course, Destination, DoseEnd, DoseId, Forgotten, History, Hold, HoldChange,
    Intent, Observation, PastDose, PastForgotten, PastSession, SlotNotGiven, Stamp,
    StoredCalibration, StoredVerification, TOLD_MAX, Uptake, WrongTime,
};

/// Doses older than this matter to no window: 24 h and a margin.
const WINDOW: Millis = Millis::new(26 * 3_600_000);
/// Rows walked at most. Reached only when no clock tells the age of months of doses.
const ROWS_MAX: u32 = 50_000;
/// Newest rows of each table that are looked at for the newest time.
const NEWEST_ROWS: i64 = 1_000;
/// Local days whose settled slots come back.
const SETTLED_DAYS: i64 = 3;
/// Settled slots that come back at most: three days of the busiest plan.
const SETTLED_MAX: i64 = 20_000;

/// Tables with a stamp, beside `session` and `dose`.
const STAMPED: [&str; 2] = ["refill", "entry"];

impl Ledger {
    /// Everything the engine needs of the past, as seen at `now`.
    ///
    /// # Errors
    /// Any [`LedgerError`]; a history that cannot be read in full is no history.
    pub fn history(&self, now: Stamp) -> Result<History, LedgerError> {
        let place = Place::new(&self.path, "read its history");
        self.read_history(now).map_err(|e| place.sql(e))
    }

    /// Newest wall time of any entry, written with a trusted clock; where virtual time goes on from.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn newest_wall(&self) -> Result<Option<Timestamp>, LedgerError> {
        let place = Place::new(&self.path, "read its newest entry");
        newest_wall(&self.conn).map_err(|e| place.sql(e))
    }

    fn read_history(&self, now: Stamp) -> rusqlite::Result<History> {
        let conn = &self.conn;
        let newest = newest_wall(conn)?;
        let mut names = Names::default();
        let mut walked = walk(conn, self.session, now, &mut names)?;
        let forgotten = forgotten(conn, self.session, now, &mut walked)?;
        let (doses, sessions, index) = walked.finish(conn, self.session)?;
        let forgotten = forgotten.map(|(record, session, told_last)| PastForgotten {
            record,
            session: session.and_then(|session| index.get(&session).copied()),
            told_last,
        });
        let open = open_intents(conn, self.books.dose_last)?;
        let today = match newest {
            Some(newest) if !now.trusted || newest > now.wall => newest,
            Some(_) | None => now.wall,
        };
        let told = told(conn)?;
        Ok(History {
            brought: brought(conn, self.books.dose_last, &told)?,
            dose_last: self.books.dose_last,
            newest_wall: newest,
            doses,
            sessions,
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
            courses: courses(conn)?,
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
        entries::<StoredCalibration>(&self.conn, latest, [])?
            .into_iter()
            .map(|(_, stored)| {
                let head = stored.head.as_str();
                let run = self.books.head_run.get(head).copied().unwrap_or(0);
                let before = total(&self.conn, CALIBRATED, head)?;
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
                let since = amount.saturating_sub(total(&self.conn, READ, of.as_str())?);
                Ok((of, from_billionths(since)))
            })
            .collect()
    }
}

impl Ledger {
    /// What sessions at the bench that fell silent count as added, since the last reading of each quantity.
    fn silent_since_readings(&self) -> rusqlite::Result<Carried> {
        let mut taken: BTreeMap<Quantity, i64> = BTreeMap::new();
        for told in told(&self.conn)? {
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

/// One copy of each name, however many doses bear it.
#[derive(Default)]
struct Names(BTreeMap<String, Name>);

impl Names {
    fn get(&mut self, text: &str) -> rusqlite::Result<Name> {
        if let Some(name) = self.0.get(text) {
            return Ok(name.clone());
        }
        let name = Name::new(text).map_err(|error| {
            rusqlite::Error::FromSqlConversionFailure(
                0,
                rusqlite::types::Type::Text,
                Box::new(error),
            )
        })?;
        self.0.insert(text.to_owned(), name.clone());
        Ok(name)
    }

    fn column(&mut self, row: &Row<'_>, column: &str) -> rusqlite::Result<Name> {
        let text = row
            .get_ref(column)?
            .as_str()
            .map_err(rusqlite::Error::from)?;
        self.get(text)
    }
}

/// What one session's row says.
struct SessionRow {
    boot: String,
    started: Stamp,
    last_elapsed: Millis,
}

fn session_row(row: &Row<'_>) -> rusqlite::Result<SessionRow> {
    Ok(SessionRow {
        boot: row.get("boot")?,
        started: columns::stamp(row)?,
        last_elapsed: millis(row, "last_elapsed_ms")?,
    })
}

/// Doses met on the way back, newest first, and what they tell of sessions.
struct Walked {
    doses: Vec<(i64, PastDose)>,
    /// Largest elapsed time seen in each session.
    elapsed: BTreeMap<i64, Millis>,
    /// Oldest session of a dose that counts.
    oldest: i64,
}

/// Doses and sessions, and the index of each session by its number.
type Finished = (Vec<PastDose>, Vec<PastSession>, BTreeMap<i64, usize>);

/// Lower bounds of how long ago things were, by elapsed clocks alone: what later boots ran adds up, the time between
/// boots counts as nothing.
struct Ages<'a> {
    conn: &'a Connection,
    now: Stamp,
    /// Boot being walked, with the age of its elapsed clock's zero.
    boot: String,
    zero_age: Millis,
    /// First elapsed time known of that boot.
    first: Millis,
    session: i64,
}

impl<'a> Ages<'a> {
    fn new(conn: &'a Connection, session: i64, now: Stamp) -> rusqlite::Result<Self> {
        let row = conn.query_row(
            "SELECT * FROM session WHERE id = ?1",
            [session],
            session_row,
        )?;
        let first = row.started.elapsed;
        Ok(Self {
            conn,
            now,
            boot: row.boot,
            zero_age: now.elapsed,
            first,
            session,
        })
    }

    /// Goes back to `session`, which is not later than the last one asked for.
    fn go_back_to(&mut self, session: i64) -> rusqlite::Result<()> {
        let mut older = self
            .conn
            .prepare("SELECT * FROM session WHERE id < ?1 AND id >= ?2 ORDER BY id DESC")?;
        let mut rows = older.query([self.session, session])?;
        while let Some(row) = rows.next()? {
            let row = session_row(row)?;
            if row.boot == self.boot {
                self.first = self.first.min(row.started.elapsed);
            } else {
                // The other boot was over before this one's first known moment.
                let over_since = self.zero_age.minus(self.first);
                self.zero_age = over_since.plus(row.last_elapsed);
                self.first = row.started.elapsed;
                self.boot = row.boot;
            }
        }
        self.session = self.session.min(session);
        Ok(())
    }

    /// Whether a dose of `session` is certainly out of every window.
    fn is_over(&mut self, session: i64, at: Stamp, current_boot: &str) -> rusqlite::Result<bool> {
        self.go_back_to(session)?;
        let by_elapsed = self.zero_age.minus(at.elapsed);
        if by_elapsed > WINDOW {
            return Ok(true);
        }
        if self.boot == current_boot || !self.now.trusted || !at.trusted {
            return Ok(false);
        }
        let window = SignedDuration::from_millis(WINDOW.as_ms());
        Ok(self.now.wall.duration_since(at.wall) > window)
    }
}

fn walk(
    conn: &Connection,
    session: i64,
    now: Stamp,
    names: &mut Names,
) -> rusqlite::Result<Walked> {
    let mut walked = Walked {
        doses: Vec::new(),
        elapsed: BTreeMap::new(),
        oldest: session,
    };
    let mut ages = Ages::new(conn, session, now)?;
    let current_boot = ages.boot.clone();
    let mut newest = conn.prepare("SELECT * FROM dose ORDER BY id DESC LIMIT ?1")?;
    let mut rows = newest.query([ROWS_MAX])?;
    while let Some(row) = rows.next()? {
        let (began, at) = (row.get("session")?, columns::stamp(row)?);
        if ages.is_over(began, at, &current_boot)? {
            break;
        }
        walked.see(began, at.elapsed);
        if let Some(ended) = row.get::<_, Option<i64>>("ended_session")? {
            walked.see(ended, millis(row, "ended_elapsed_ms")?);
        }
        walked.oldest = walked.oldest.min(began);
        walked.doses.push((began, past_dose(row, at, names)?));
    }
    Ok(walked)
}

/// The newest word that something may be forgotten, with its session while it may still count, and the highest number told before it.
fn forgotten(
    conn: &Connection,
    session: i64,
    now: Stamp,
    walked: &mut Walked,
) -> rusqlite::Result<Option<(Forgotten, Option<i64>, i64)>> {
    let newest = "id = (SELECT max(id) FROM entry WHERE kind = 'forgotten')";
    let Some((id, record)) = entries::<Forgotten>(conn, newest, [])?.pop() else {
        return Ok(None);
    };
    let session_of = "SELECT session FROM entry WHERE id = ?1";
    let written_in = conn.query_row(session_of, [id], |row| row.get::<_, i64>(0))?;
    let told_last = told_last(conn, id)?;
    let mut ages = Ages::new(conn, session, now)?;
    let boot = ages.boot.clone();
    let counts = !ages.is_over(written_in, record.at, &boot)?;
    if counts {
        walked.oldest = walked.oldest.min(written_in);
        walked.see(written_in, record.at.elapsed);
    }
    Ok(Some((record, counts.then_some(written_in), told_last)))
}

fn past_dose(row: &Row<'_>, at: Stamp, names: &mut Names) -> rusqlite::Result<PastDose> {
    let line = names.column(row, "line")?;
    let (volume, delivered): (i64, Option<i64>) = (row.get("volume_ul")?, row.get("delivered_ul")?);
    let outcome: Option<String> = row.get("outcome")?;
    let run = run_counted(
        row.get("run_time_ms")?,
        row.get("on_time_ms")?,
        outcome.as_deref(),
    );
    Ok(PastDose {
        id: DoseId(row.get("id")?),
        slot: columns::slot(row, &line)?,
        line,
        head: names.column(row, "head")?,
        reservoir: names.column(row, "reservoir")?,
        solution: names.column(row, "solution")?,
        kind: word(row, "kind")?,
        end: word_if_any(row, "outcome")?.unwrap_or(DoseEnd::Uncertain),
        counted: Volume::from_ul(delivered.unwrap_or(volume)),
        run_time: Millis::new(run),
        carries: carried(row)?,
        into: word(row, "destination")?,
        at,
        session: 0,
    })
}

impl Walked {
    fn see(&mut self, session: i64, elapsed: Millis) {
        let last = self.elapsed.entry(session).or_insert(elapsed);
        *last = (*last).max(elapsed);
    }

    /// Doses oldest first with the index of their session, and the sessions.
    fn finish(mut self, conn: &Connection, current: i64) -> rusqlite::Result<Finished> {
        for table in STAMPED {
            self.see_newest(conn, table)?;
        }
        let vouched = vouched(conn, self.oldest)?;
        let mut later =
            conn.prepare("SELECT * FROM session WHERE id BETWEEN ?1 AND ?2 ORDER BY id")?;
        let mut rows = later.query([self.oldest, current])?;
        let mut index = BTreeMap::new();
        let mut sessions = Vec::new();
        while let Some(row) = rows.next()? {
            let id = row.get("id")?;
            let known = session_row(row)?;
            let seen = self.elapsed.get(&id).copied().unwrap_or(known.last_elapsed);
            index.insert(id, sessions.len());
            sessions.push(PastSession {
                vouched: vouched.contains(&id),
                boot: known.boot,
                elapsed_last: seen.max(known.last_elapsed),
            });
        }
        let doses = self
            .doses
            .into_iter()
            .rev()
            .map(|(session, dose)| {
                let session = index
                    .get(&session)
                    .copied()
                    .ok_or(rusqlite::Error::QueryReturnedNoRows)?;
                Ok(PastDose { session, ..dose })
            })
            .collect::<rusqlite::Result<_>>()?;
        Ok((doses, sessions, index))
    }

    fn see_newest(&mut self, conn: &Connection, table: &str) -> rusqlite::Result<()> {
        let mut newest = conn.prepare(&format!(
            "SELECT session, elapsed_ms FROM {table} ORDER BY id DESC LIMIT {NEWEST_ROWS}"
        ))?;
        let mut rows = newest.query([])?;
        while let Some(row) = rows.next()? {
            let session = row.get(0)?;
            if session < self.oldest {
                break;
            }
            self.see(session, Millis::new(row.get(1)?));
        }
        Ok(())
    }
}

/// Sessions whose clock the owner vouched for.
fn vouched(conn: &Connection, oldest: i64) -> rusqlite::Result<BTreeSet<i64>> {
    let mut notes = conn.prepare(
        "SELECT session FROM entry WHERE kind = 'event' AND body ->> 'code' = 'clock-vouched' AND session >= ?1",
    )?;
    notes.query_map([oldest], |row| row.get(0))?.collect()
}

fn wrong_times(conn: &Connection) -> rusqlite::Result<Vec<WrongTime>> {
    let all = entries(conn, "kind = 'wrong-time' ORDER BY id", [])?;
    Ok(all.into_iter().map(|(_, wrong)| wrong).collect())
}

/// Largest trusted wall time among the newest rows of every table; what was called wrong afterwards is none.
pub(super) fn newest_wall(conn: &Connection) -> rusqlite::Result<Option<Timestamp>> {
    let mut newest: Option<i64> = None;
    let mut look = |table: &str, [session, prefix]: [&str; 2]| -> rusqlite::Result<()> {
        let found: Option<i64> = conn.query_row(
            &format!(
                "SELECT max(at) FROM (SELECT {prefix}at_ms AS at, {prefix}elapsed_ms AS elapsed, {prefix}trusted AS trusted,
                 {session} AS session FROM {table} ORDER BY id DESC LIMIT {NEWEST_ROWS}) AS found
                 WHERE trusted = 1 AND NOT EXISTS (SELECT 1 FROM entry WHERE kind = 'wrong-time'
                 AND at BETWEEN 1000 * unixepoch(body ->> 'from', 'subsec') AND 1000 * unixepoch(body ->> 'to', 'subsec')
                 AND (found.session, found.elapsed) <= (entry.session, entry.elapsed_ms))"
            ),
            [],
            |row| row.get(0),
        )?;
        newest = newest.max(found);
        Ok(())
    };
    for table in STAMPED {
        look(table, ["session", ""])?;
    }
    look("session", ["id", ""])?;
    look("session", ["id", "last_"])?;
    look("dose", ["session", ""])?;
    look("dose", ["ended_session", "ended_"])?;
    Ok(newest.and_then(|ms| Timestamp::from_millisecond(ms).ok()))
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
    let newest = entries(conn, newest, [])?;
    Ok(newest.into_iter().map(|(_, bench)| bench).collect())
}

fn measured(conn: &Connection) -> rusqlite::Result<Vec<Bench>> {
    let newest = "id IN (SELECT max(id) FROM entry WHERE kind = 'bench' GROUP BY body ->> 'head') ORDER BY id";
    let newest = entries(conn, newest, [])?;
    Ok(newest.into_iter().map(|(_, bench)| bench).collect())
}

/// Sessions that count as given to the tank.
fn silent(conn: &Connection) -> rusqlite::Result<Vec<Bench>> {
    let all = entries(
        conn,
        "kind = 'bench' AND body ->> 'what' = 'silent' ORDER BY id",
        [],
    )?;
    Ok(all.into_iter().map(|(_, bench)| bench).collect())
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
    let since = entries(conn, since, [])?;
    Ok(since.into_iter().map(|(_, check)| check).collect())
}

/// The newest word on each scope, where it is "set".
fn holds(conn: &Connection) -> rusqlite::Result<Vec<Hold>> {
    let newest = "id IN (SELECT max(id) FROM entry WHERE kind = 'hold' GROUP BY body ->> 'line') ORDER BY id";
    let newest = entries::<HoldChange>(conn, newest, [])?;
    Ok(newest.into_iter().filter_map(|(_, c)| c.hold()).collect())
}

/// The newest word on each course.
fn courses(conn: &Connection) -> rusqlite::Result<Vec<Course>> {
    let newest =
        "id IN (SELECT max(id) FROM entry WHERE kind = 'course' GROUP BY body ->> 'course')
         ORDER BY body ->> 'course'";
    let newest = entries(conn, newest, [])?;
    Ok(newest.into_iter().map(|(_, course)| course).collect())
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
    let mut keys: Vec<SlotKey> = recent.into_iter().map(|(_, slot)| slot.key).collect();
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
    let newest = entries(conn, &newest, [])?;
    Ok(newest.into_iter().map(|(_, told)| told).collect())
}

/// Highest number of anything told before an entry.
fn told_last(conn: &Connection, before: i64) -> rusqlite::Result<i64> {
    conn.query_row(
        "SELECT coalesce(max(body ->> 'observation'), 0) FROM entry WHERE kind = 'observation' AND id < ?1",
        [before],
        |row| row.get(0),
    )
}

fn uptakes(conn: &Connection) -> rusqlite::Result<Vec<Uptake>> {
    let all = entries(conn, "kind = 'uptake' ORDER BY id", [])?;
    Ok(all.into_iter().map(|(_, uptake)| uptake).collect())
}
