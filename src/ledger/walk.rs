//! The way back through doses and sessions: what may still count in a window, and how old it is at least.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};
use rusqlite::{Connection, OptionalExtension, Row};

use super::books::{carried, run_counted};
use super::columns::{self, millis, word, word_if_any};
use super::kinds::body;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseEnd, DoseId, Forgotten, PastDose, PastSession, Stamp};

/// Doses older than this matter to no window: 24 h and a margin.
const WINDOW: Millis = Millis::new(26 * 3_600_000);
/// Rows walked at most. Reached only when no clock tells the age of months of doses.
const ROWS_MAX: u32 = 50_000;
/// Newest rows of each table that are looked at for the newest time.
const NEWEST_ROWS: i64 = 1_000;

/// Tables with a stamp, beside `session` and `dose`.
const STAMPED: [&str; 2] = ["refill", "entry"];

/// One copy of each name, however many doses bear it.
#[derive(Default)]
pub(super) struct Names(BTreeMap<String, Name>);

impl Names {
    pub(super) fn get(&mut self, text: &str) -> rusqlite::Result<Name> {
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
pub(super) struct Walked {
    doses: Vec<(i64, PastDose)>,
    /// Largest elapsed time seen in each session.
    elapsed: BTreeMap<i64, Millis>,
    /// Oldest session of a dose that counts.
    oldest: i64,
}

/// Doses and sessions, and the index of each session by its number.
pub(super) type Finished = (Vec<PastDose>, Vec<PastSession>, BTreeMap<i64, usize>);

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

pub(super) fn walk(
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
pub(super) fn forgotten(
    conn: &Connection,
    session: i64,
    now: Stamp,
    walked: &mut Walked,
) -> rusqlite::Result<Option<(Forgotten, Option<i64>, i64)>> {
    let newest =
        "SELECT id, session, body FROM entry WHERE kind = 'forgotten' ORDER BY id DESC LIMIT 1";
    let read = |row: &Row<'_>| Ok((row.get("id")?, row.get("session")?, body(row)?));
    let Some((id, written_in, record)) = conn.query_row(newest, [], read).optional()? else {
        return Ok(None);
    };
    let record: Forgotten = record;
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

/// The first session of the present mode, while it is young and there was another mode before.
pub(super) fn mode_began(
    conn: &Connection,
    session: i64,
    now: Stamp,
    walked: &mut Walked,
) -> rusqlite::Result<Option<(i64, Stamp)>> {
    let first = "SELECT * FROM session WHERE id > (SELECT max(id) FROM session WHERE live !=
         (SELECT live FROM session WHERE id = ?1)) ORDER BY id LIMIT 1";
    let read = |row: &Row<'_>| Ok((row.get("id")?, columns::stamp(row)?));
    let Some((id, at)) = conn.query_row(first, [session], read).optional()? else {
        return Ok(None);
    };
    let mut ages = Ages::new(conn, session, now)?;
    let boot = ages.boot.clone();
    if ages.is_over(id, at, &boot)? {
        return Ok(None);
    }
    walked.oldest = walked.oldest.min(id);
    Ok(Some((id, at)))
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
    pub(super) fn finish(mut self, conn: &Connection, current: i64) -> rusqlite::Result<Finished> {
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

/// Highest number of anything told before an entry.
pub(super) fn told_last(conn: &Connection, before: i64) -> rusqlite::Result<i64> {
    conn.query_row(
        "SELECT coalesce(max(body ->> 'observation'), 0) FROM entry WHERE kind = 'observation' AND id < ?1",
        [before],
        |row| row.get(0),
    )
}
