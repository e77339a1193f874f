//! The full check: every page, every reference, every bottle's chain of outcomes to the microlitre.

use std::collections::BTreeMap;

use rusqlite::{Connection, Row};
use serde::Serialize;

use super::books::{Books, CLOSED_COLUMNS, Closed, OPEN_SPAN_MAX};
use super::error::LedgerError;
use super::files::Place;
use super::mark::{MarkFile, recorded};
use super::reader::LedgerReader;
use super::{kinds, schema, wal};
use crate::quantity::Volume;
use crate::shell::doubt;

/// Mistakes that are named one by one; more are only counted.
const NAMED_MAX: usize = 1_000;
/// Outcomes held while an earlier one is looked for: far more than heads can have had running at once.
const PENDING_MAX: usize = 4_096;

/// One thing that is not as it must be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Mistake {
    /// The dose concerned, if it is one.
    pub dose: Option<i64>,
    /// What is wrong, with the numbers.
    pub what: String,
}

/// What a check found.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct CheckReport {
    /// Doses, open ones included.
    pub doses: u64,
    /// Intents without an outcome: none or those running, or what a power cut left for the next start.
    pub open: u64,
    /// Outcomes that nobody saw, counted in full.
    pub uncertain: u64,
    pub refills: u64,
    /// Sum of all that was delivered, microlitres.
    pub delivered_ul: i64,
    /// Contents of each bottle by the books, microlitres.
    pub reservoirs_ul: BTreeMap<String, i64>,
    /// How many mistakes were found.
    pub mistakes_total: u64,
    /// The first thousand of them.
    pub mistakes: Vec<Mistake>,
}

impl CheckReport {
    /// Whether nothing is wrong.
    pub fn is_clean(&self) -> bool {
        self.mistakes_total == 0
    }

    fn mistake(&mut self, dose: Option<i64>, what: impl Into<String>) {
        self.mistakes_total += 1;
        if self.mistakes.len() < NAMED_MAX {
            self.mistakes.push(Mistake {
                dose,
                what: what.into(),
            });
        }
    }
}

impl LedgerReader {
    /// The same, and whether it holds all that the mark beside it says.
    ///
    /// # Errors
    /// As [`LedgerReader::check`].
    pub fn check_in_place(&self) -> Result<CheckReport, LedgerError> {
        let mut report = self.check()?;
        if let Some(why) = self.doubt()? {
            report.mistake(None, why);
        }
        Ok(report)
    }

    /// Checks pages, references, schema and books. Reads everything: about a minute for a million doses on a small board (our guess).
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read to the end; damage that still lets it be read is a mistake in the report.
    pub fn check(&self) -> Result<CheckReport, LedgerError> {
        let place = Place::new(&self.path, "check it");
        let mut report = CheckReport::default();
        // A log that is being written may look torn for a moment, but not three times.
        if let Err(error) = wal::check(&self.path)
            && wal::check(&self.path).is_err()
            && wal::check(&self.path).is_err()
        {
            report.mistake(None, error.to_string());
        }
        let work = |report: &mut CheckReport| -> rusqlite::Result<()> {
            // One transaction, so that the daemon's writes meanwhile are not seen by halves.
            let tx = self.conn.unchecked_transaction()?;
            check_pages(&tx, report)?;
            check_schema(&tx, report)?;
            check_entries(&tx, report)?;
            check_slots(&tx, report)?;
            check_books(&tx, report)?;
            tx.commit()
        };
        work(&mut report).map_err(|e| place.sql(e))?;
        Ok(report)
    }
}

impl LedgerReader {
    /// Why the ledger may have forgotten something, by the mark beside it; beside a running daemon, too.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn doubt(&self) -> Result<Option<String>, LedgerError> {
        let place = Place::new(
            &self.path,
            "hold it against the mark beside it (ledger.mark)",
        );
        // The mark first: what is written meanwhile puts the ledger ahead of it.
        let (_, found) = MarkFile::find(&self.path).map_err(|e| place.io(e))?;
        let recorded = recorded(&self.conn).map_err(|e| place.sql(e))?;
        Ok(doubt(&found, &recorded))
    }
}

fn check_pages(conn: &Connection, report: &mut CheckReport) -> rusqlite::Result<()> {
    let mut pages = conn.prepare("PRAGMA integrity_check(100)")?;
    let mut rows = pages.query([])?;
    while let Some(row) = rows.next()? {
        let found: String = row.get(0)?;
        if found != "ok" {
            report.mistake(None, found);
        }
    }
    let mut references = conn.prepare("PRAGMA foreign_key_check")?;
    let mut rows = references.query([])?;
    while let Some(row) = rows.next()? {
        let (table, id): (String, Option<i64>) = (row.get(0)?, row.get(1)?);
        let dose = id.filter(|_| table == "dose");
        let id = id.map_or_else(String::new, |id| format!(" {id}"));
        report.mistake(
            dose,
            format!("row{id} of {table} refers to a session that is not there"),
        );
    }
    Ok(())
}

/// Tables, indexes and triggers must be those of this version: a rule that was dropped guards nothing.
fn check_schema(conn: &Connection, report: &mut CheckReport) -> rusqlite::Result<()> {
    let mut fresh = Connection::open_in_memory()?;
    let tx = fresh.transaction()?;
    schema::create(&tx)?;
    let (meant, found) = (definitions(&tx)?, definitions(conn)?);
    for (name, sql) in &meant {
        match found.get(name) {
            None => report.mistake(None, format!("{name} of the schema is not there")),
            Some(other) if other != sql => {
                report.mistake(
                    None,
                    format!("{name} of the schema is not as this version makes it"),
                );
            }
            Some(_) => {}
        }
    }
    Ok(())
}

fn definitions(conn: &Connection) -> rusqlite::Result<BTreeMap<String, String>> {
    let mut all =
        conn.prepare("SELECT type || ' ' || name, sql FROM sqlite_schema WHERE sql IS NOT NULL")?;
    all.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

/// Every entry must be read as what its kind says it is.
fn check_entries(conn: &Connection, report: &mut CheckReport) -> rusqlite::Result<()> {
    let mut all = conn.prepare("SELECT id, kind, body FROM entry ORDER BY id")?;
    let mut rows = all.query([])?;
    while let Some(row) = rows.next()? {
        let (id, kind, body): (i64, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        if let Err(why) = kinds::read(&kind, &body) {
            report.mistake(None, format!("entry {id} is no {kind}: {why}"));
        }
    }
    Ok(())
}

/// No slot twice, none both given and written down as not given.
fn check_slots(conn: &Connection, report: &mut CheckReport) -> rusqlite::Result<()> {
    let mut both = conn.prepare(
        "SELECT dose.id FROM entry JOIN dose ON dose.slot_date = body ->> 'slot_date'
         AND dose.line = body ->> 'line' AND dose.slot_second = body ->> 'slot_second'
         WHERE entry.kind = 'not-given' AND dose.slot_date IS NOT NULL AND coalesce(dose.delivered_ul, 1) > 0",
    )?;
    let mut rows = both.query([])?;
    while let Some(row) = rows.next()? {
        report.mistake(
            Some(row.get(0)?),
            "its slot is also written down as not given",
        );
    }
    let mut twice = conn.prepare(
        "SELECT id, slot_date, line, slot_second FROM dose WHERE slot_date IS NOT NULL
         ORDER BY slot_date, slot_second, line, id",
    )?;
    let mut rows = twice.query([])?;
    let mut before: Option<(String, String, i64)> = None;
    while let Some(row) = rows.next()? {
        let slot = (row.get(1)?, row.get(2)?, row.get(3)?);
        if before.as_ref() == Some(&slot) {
            report.mistake(
                Some(row.get(0)?),
                format!(
                    "slot {} {} s of line {} was given before",
                    slot.0, slot.2, slot.1
                ),
            );
        }
        before = Some(slot);
    }
    Ok(())
}

/// A step of the books, by its order number.
enum Step {
    Dose {
        id: i64,
        delivered_ul: i64,
        closed: Closed,
    },
    Refill {
        reservoir: String,
        level_ul: i64,
    },
}

/// Replays all outcomes and refills in their order.
fn check_books(conn: &Connection, report: &mut CheckReport) -> rusqlite::Result<()> {
    let mut replay = Replay {
        next: 1,
        pending: BTreeMap::new(),
        books: Books::default(),
    };
    let mut refills = conn.prepare("SELECT outcome_order, reservoir, level_ul FROM refill")?;
    let mut rows = refills.query([])?;
    while let Some(row) = rows.next()? {
        report.refills += 1;
        let step = Step::Refill {
            reservoir: row.get(1)?,
            level_ul: row.get(2)?,
        };
        replay.offer(row.get(0)?, step, report);
    }
    let refills_waiting = replay.pending.len();
    let mut doses = conn.prepare(&format!(
        "SELECT {CLOSED_COLUMNS}, id, session, ended_session, elapsed_ms, ended_elapsed_ms FROM dose ORDER BY id"
    ))?;
    let mut rows = doses.query([])?;
    while let Some(row) = rows.next()? {
        report.doses += 1;
        let id: i64 = row.get("id")?;
        replay.books.dose_last = id;
        if row.get::<_, Option<String>>("outcome")?.is_none() {
            report.open += 1;
            replay.books.open.insert(id);
            continue;
        }
        let step = dose_step(row, id, report)?;
        let order = match &step {
            Step::Dose { closed, .. } => closed.order,
            Step::Refill { .. } => 0,
        };
        replay.offer(order, step, report);
        if replay.pending.len() > PENDING_MAX.saturating_add(refills_waiting) {
            replay.skip(report);
        }
    }
    while !replay.pending.is_empty() {
        replay.skip(report);
    }
    for id in &replay.books.open {
        if replay.books.dose_last - id > OPEN_SPAN_MAX {
            report.mistake(
                Some(*id),
                format!(
                    "it has had no outcome for {OPEN_SPAN_MAX} doses, and no start would see it"
                ),
            );
        }
    }
    let stored = Books::load(conn)?;
    if !stored.agrees_with(&replay.books) {
        report.mistake(
            None,
            "the stored totals (bottles, run times, what was added) are not what the rows add up to",
        );
    }
    let left = &replay.books.reservoirs;
    report.reservoirs_ul = left
        .iter()
        .map(|(name, (_, ul))| (name.clone(), *ul))
        .collect();
    Ok(())
}

fn dose_step(row: &Row<'_>, id: i64, report: &mut CheckReport) -> rusqlite::Result<Step> {
    let closed = Closed::from_row(row)?;
    let (volume, delivered): (i64, i64) = (row.get("volume_ul")?, row.get("delivered_ul")?);
    let outcome: String = row.get("outcome")?;
    let shown = Volume::from_ul(delivered);
    report.delivered_ul = report.delivered_ul.saturating_add(delivered);
    if delivered < 0 {
        report.mistake(Some(id), format!("it delivered {shown}, less than nothing"));
    }
    if outcome == "uncertain" {
        report.uncertain += 1;
        if delivered < volume {
            let meant = Volume::from_ul(volume);
            report.mistake(
                Some(id),
                format!("it is uncertain but counts {shown}, not all of its {meant}"),
            );
        }
    }
    if outcome == "not-started" && delivered != 0 {
        report.mistake(Some(id), format!("it never started but counts {shown}"));
    }
    let (began, ended): (i64, i64) = (row.get("elapsed_ms")?, row.get("ended_elapsed_ms")?);
    if row.get::<_, i64>("session")? == row.get::<_, i64>("ended_session")? && ended < began {
        report.mistake(
            Some(id),
            format!("it ended {} ms before it began", began - ended),
        );
    }
    Ok(Step::Dose {
        id,
        delivered_ul: delivered,
        closed,
    })
}

/// Steps met so far that wait for one with a lower order number.
struct Replay {
    next: i64,
    pending: BTreeMap<i64, Step>,
    books: Books,
}

impl Replay {
    fn offer(&mut self, order: i64, step: Step, report: &mut CheckReport) {
        let dose = match &step {
            Step::Dose { id, .. } => Some(*id),
            Step::Refill { .. } => None,
        };
        if order < self.next || self.pending.insert(order, step).is_some() {
            report.mistake(
                dose,
                format!("order number {order} of the books is there twice"),
            );
        }
        while let Some(step) = self.pending.remove(&self.next) {
            self.apply(step, self.next, report);
            self.next += 1;
        }
    }

    /// Gives up the steps that are not there and goes on with the first that is.
    fn skip(&mut self, report: &mut CheckReport) {
        let Some((&first, _)) = self.pending.first_key_value() else {
            return;
        };
        let last = first - 1;
        let missing = if last == self.next {
            format!("outcome or refill number {last} is missing")
        } else {
            format!(
                "outcomes or refills number {} to {last} are missing",
                self.next
            )
        };
        report.mistake(None, missing);
        self.next = first;
        while let Some(step) = self.pending.remove(&self.next) {
            self.apply(step, self.next, report);
            self.next += 1;
        }
    }

    fn apply(&mut self, step: Step, order: i64, report: &mut CheckReport) {
        match step {
            Step::Refill {
                reservoir,
                level_ul,
            } => self.books.fill(&reservoir, level_ul, order),
            Step::Dose {
                id,
                delivered_ul,
                closed,
            } => {
                if let Some((_, before)) = self.books.reservoirs.get(&closed.reservoir) {
                    let expected = before.saturating_sub(delivered_ul);
                    if expected != closed.left_ul {
                        report.mistake(
                            Some(id),
                            format!(
                                "{} held {} before and {} went out, so {} are left, but {} is written",
                                closed.reservoir,
                                Volume::from_ul(*before),
                                Volume::from_ul(delivered_ul),
                                Volume::from_ul(expected),
                                Volume::from_ul(closed.left_ul),
                            ),
                        );
                    }
                }
                self.books.close(&closed);
            }
        }
    }
}
