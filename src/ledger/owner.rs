//! What the owner's arithmetic reads: readings, doses, facts, changes. Typed, oldest first, beside a running daemon.
//!
//! Nothing here is counted or judged; a reading that was corrected comes with the others and says so.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff::civil::Date;
use rusqlite::{Connection, OptionalExtension, Row, params};

use super::codec;
use super::error::LedgerError;
use super::history;
use super::open::Place;
use super::reader::LedgerReader;
use crate::quantity::{Alkalinity, Name, Volume};
use crate::record::{Course, CourseKind, CourseState, Fact, FactKind, Reading, Uptake};

/// A reading with its number.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredReading {
    /// Its number in the ledger.
    pub number: i64,
    pub reading: Reading,
    /// Whether a later entry replaced it.
    pub corrected: bool,
}

/// A fact with its number.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredFact {
    /// Its number in the ledger.
    pub number: i64,
    pub fact: Fact,
}

/// What one dose brought.
#[derive(Debug, Clone, PartialEq)]
pub struct GivenDose {
    pub at: Timestamp,
    /// The local date of its slot; `None` for a dose that is not of the plan.
    pub slot_date: Option<Date>,
    pub line: Name,
    pub solution: Name,
    /// Volume that counts: all of it when nobody saw the end.
    pub volume: Volume,
    /// Alkalinity that this volume added to the tank.
    pub alkalinity: Alkalinity,
}

/// One start of the daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredSession {
    pub at: Timestamp,
    pub controller_fingerprint: String,
    pub plan_fingerprint: String,
}

impl LedgerReader {
    /// Whether this ledger counts virtual days.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn is_virtual(&self) -> Result<bool, LedgerError> {
        let timeline = self.conn.query_row("SELECT timeline FROM meta", [], |row| {
            codec::text(row, "timeline")
        });
        let place = Place::new(&self.path, "read its timeline");
        Ok(timeline.map_err(|e| place.sql(e))? == "virtual")
    }

    /// All readings of alkalinity and elements, by the time they were taken.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn readings(&self) -> Result<Vec<StoredReading>, LedgerError> {
        let corrected: BTreeSet<String> = self
            .facts(FactKind::Correction)?
            .into_iter()
            .map(|stored| stored.fact.name)
            .collect();
        self.rows(
            "read its readings",
            "SELECT * FROM reading ORDER BY taken_ms, id",
            |row| {
                let number = codec::int(row, "id")?;
                Ok(StoredReading {
                    number,
                    reading: history::reading(row)?,
                    corrected: corrected.contains(&number.to_string()),
                })
            },
        )
    }

    /// All facts of one kind, by the time they happened.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn facts(&self, kind: FactKind) -> Result<Vec<StoredFact>, LedgerError> {
        let place = Place::new(&self.path, "read what the owner told");
        let read = || -> rusqlite::Result<Vec<StoredFact>> {
            self.conn
                .prepare("SELECT * FROM fact WHERE kind = ?1 ORDER BY happened_ms, id")?
                .query_map(params![kind.as_str()], |row| fact(row, kind))?
                .collect()
        };
        read().map_err(|e| place.sql(e))
    }

    /// All doses that brought anything since an instant, open ones in full.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn doses_since(&self, since: Timestamp) -> Result<Vec<GivenDose>, LedgerError> {
        let place = Place::new(&self.path, "read its doses");
        let read = || -> rusqlite::Result<Vec<GivenDose>> {
            self.conn
                .prepare(
                    "SELECT at_ms, slot_date, line, solution, volume_ul, delivered_ul, alkalinity_meq_per_l FROM dose
                     WHERE at_ms >= ?1 AND coalesce(delivered_ul, volume_ul) > 0 ORDER BY at_ms, id",
                )?
                .query_map(params![since.as_millisecond()], given)?
                .collect()
        };
        read().map_err(|e| place.sql(e))
    }

    /// Every change of the established uptake.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn uptakes(&self) -> Result<Vec<Uptake>, LedgerError> {
        self.rows(
            "read its uptakes",
            "SELECT * FROM uptake ORDER BY id",
            history::uptake_row,
        )
    }

    /// Every start of the daemon.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn sessions(&self) -> Result<Vec<StoredSession>, LedgerError> {
        self.rows(
            "read its sessions",
            "SELECT * FROM session ORDER BY id",
            |row| {
                Ok(StoredSession {
                    at: codec::instant(row, "at_ms")?,
                    controller_fingerprint: codec::text(row, "controller_fingerprint")?,
                    plan_fingerprint: codec::text(row, "plan_fingerprint")?,
                })
            },
        )
    }

    /// Every word on every course, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn courses(&self) -> Result<Vec<Course>, LedgerError> {
        self.rows(
            "read its courses",
            "SELECT * FROM course ORDER BY id",
            course,
        )
    }

    /// Texts of all events with one code, with their times.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn events(&self, code: &str) -> Result<Vec<(Timestamp, String)>, LedgerError> {
        let place = Place::new(&self.path, "read its events");
        let read = || -> rusqlite::Result<Vec<(Timestamp, String)>> {
            self.conn
                .prepare("SELECT at_ms, text FROM event WHERE code = ?1 ORDER BY id")?
                .query_map(params![code], |row| {
                    Ok((codec::instant(row, "at_ms")?, codec::text(row, "text")?))
                })?
                .collect()
        };
        read().map_err(|e| place.sql(e))
    }

    /// All rows that a query gives.
    pub(super) fn rows<T>(
        &self,
        doing: &'static str,
        sql: &str,
        read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, LedgerError> {
        let place = Place::new(&self.path, doing);
        let all = || -> rusqlite::Result<Vec<T>> {
            self.conn.prepare(sql)?.query_map([], read)?.collect()
        };
        all().map_err(|e| place.sql(e))
    }
}

fn fact(row: &Row<'_>, kind: FactKind) -> rusqlite::Result<StoredFact> {
    Ok(StoredFact {
        number: codec::int(row, "id")?,
        fact: Fact {
            kind,
            name: codec::text(row, "name")?,
            value: row.get("value")?,
            uncertainty: row.get("uncertainty")?,
            text: codec::text(row, "text")?,
            happened: codec::instant(row, "happened_ms")?,
            who: codec::who(row)?,
            at: codec::stamp(row)?,
        },
    })
}

/// The newest word on each course.
pub(super) fn courses_newest(conn: &Connection) -> rusqlite::Result<Vec<Course>> {
    conn.prepare("SELECT * FROM course WHERE id IN (SELECT max(id) FROM course GROUP BY course) ORDER BY course")?
        .query_map([], course)?
        .collect()
}

/// When the water was last changed.
pub(super) fn water_changed(conn: &Connection) -> rusqlite::Result<Option<Timestamp>> {
    conn.query_row(
        "SELECT happened_ms FROM fact WHERE kind = 'water-change' ORDER BY happened_ms DESC LIMIT 1",
        [],
        |row| codec::instant(row, "happened_ms"),
    )
    .optional()
}

fn course(row: &Row<'_>) -> rusqlite::Result<Course> {
    let (word, date) = (codec::text(row, "state")?, codec::text(row, "first_date")?);
    let state = CourseState::ALL
        .into_iter()
        .find(|state| state.as_str() == word);
    let first = date.parse();
    let kind_word = codec::text(row, "kind")?;
    let kind = CourseKind::ALL
        .into_iter()
        .find(|kind| kind.as_str() == kind_word);
    Ok(Course {
        number: codec::int(row, "course")?,
        kind: kind
            .ok_or_else(|| codec::unexpected(row, "kind", &kind_word, "the kind of a course"))?,
        line: codec::name(row, "line")?,
        raises: codec::measured(row)?,
        rise_per_day: row.get("rise_per_day")?,
        extra: codec::volume(row, "extra_ul")?,
        standing: codec::volume(row, "standing_ul")?,
        first: first.map_err(|_| codec::unexpected(row, "first_date", &date, "a date"))?,
        days: row.get("days")?,
        state: state
            .ok_or_else(|| codec::unexpected(row, "state", &word, "the state of a course"))?,
        note: codec::text(row, "note")?,
        who: codec::who(row)?,
        at: codec::stamp(row)?,
    })
}

fn given(row: &Row<'_>) -> rusqlite::Result<GivenDose> {
    let (volume, delivered): (i64, Option<i64>) = (row.get("volume_ul")?, row.get("delivered_ul")?);
    let meq = super::books::alkalinity_counted(row.get("alkalinity_meq_per_l")?, volume, delivered);
    let date: Option<String> = row.get("slot_date")?;
    Ok(GivenDose {
        at: codec::instant(row, "at_ms")?,
        slot_date: date.and_then(|d| d.parse().ok()),
        line: codec::name(row, "line")?,
        solution: codec::name(row, "solution")?,
        volume: Volume::from_ul(delivered.unwrap_or(volume)),
        alkalinity: Alkalinity::from_meq_per_l(meq),
    })
}
