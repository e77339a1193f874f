//! Writing: each intent, outcome and entry is one transaction, begun as a writer, committed and synced before it returns.

use rusqlite::{Transaction, TransactionBehavior, params};

use super::books::{
    ARMED, Books, CALIBRATED, CLOSED_COLUMNS, Closed, OPEN_SPAN_MAX, OUTCOMES_PER_SNAPSHOT, READ,
    put_total,
};
use super::columns::word_of;
use super::error::LedgerError;
use super::files::Place;
use super::kinds::{self, COUNTS, entries};
use super::open::Ledger;
use crate::chemistry::Quantity;
use crate::quantity::{Millis, Volume};
use crate::record::{Entry, Intent, Observation, Outcome, Refill};
use crate::shell::{Mark, Recorded};

/// Doses of the trusted wall clock this much older than a sample end the search for doses after it: a small step of the
/// clock must not hide one.
pub(super) const SAMPLE_MARGIN: Millis = Millis::new(26 * 3_600_000);

impl Ledger {
    /// Stores a dose about to be given. When this returns `Ok`, the row is on the disk.
    ///
    /// # Errors
    /// [`LedgerError::Conflict`] when the number is not new, the slot was done or settled before, or the row breaks a rule
    /// of the books; otherwise what kept it from the disk. After any error the dose must not be given.
    pub fn store_intent(&mut self, intent: &Intent) -> Result<(), LedgerError> {
        let doing = "write the dose intent";
        // A row in a file that nobody will find again, or that is damaged, is no record.
        self.look_again()?;
        let place = Place::new(&self.path, doing);
        if let Some(why) = &self.doubt {
            return Err(place.damaged(why));
        }
        let id = intent.id.0;
        if id <= self.books.dose_last {
            let last = self.books.dose_last;
            return Err(place.conflict(format!(
                "dose number {id} is not above the last one, {last}"
            )));
        }
        if let Some(oldest) = self.books.open.first()
            && id - oldest > OPEN_SPAN_MAX
        {
            return Err(place.conflict(format!(
                "dose {oldest} has been without an outcome for {OPEN_SPAN_MAX} doses"
            )));
        }
        if let Some(slot) = &intent.slot
            && slot.line != intent.line
        {
            return Err(place.conflict(format!(
                "its slot is one of line {}, not of {}",
                slot.line, intent.line
            )));
        }
        self.transact(doing, |tx, books, session| {
            let rows = insert_intent(tx, session, intent)?;
            books.dose_last = id;
            books.open.insert(id);
            Ok(rows)
        })
        .map_err(|error| name_the_slot(error, intent))?;
        self.mark_fault.clone().map_or(Ok(()), Err)
    }

    /// Stores the end of a dose, into the row of its intent. When this returns `Ok`, it is on the disk.
    ///
    /// On a full disk the reserve is given up for it.
    ///
    /// # Errors
    /// [`LedgerError::Conflict`] when there is no open intent of that number, or the outcome breaks a rule of the books
    /// (an uncertain dose counts at least in full, one not started delivered nothing); otherwise what kept it from the disk.
    pub fn store_outcome(&mut self, outcome: &Outcome) -> Result<(), LedgerError> {
        self.with_reserve(|ledger| ledger.outcome_once(outcome))
    }

    fn outcome_once(&mut self, outcome: &Outcome) -> Result<(), LedgerError> {
        let doing = "write the outcome of a dose";
        let id = outcome.id.0;
        if !self.books.open.contains(&id) {
            let place = Place::new(&self.path, doing);
            return Err(place.conflict(format!(
                "dose {id} is not open: never begun, or closed before"
            )));
        }
        self.transact(doing, |tx, books, session| {
            let order = books.order.saturating_add(1);
            let rows = update_outcome(tx, session, order, outcome)?;
            if rows == 1 {
                books.close(&closed_dose(tx, id)?);
            }
            books.open.remove(&id);
            if books.unsaved >= OUTCOMES_PER_SNAPSHOT {
                books.save(tx)?;
            }
            Ok(rows)
        })
    }

    /// Stores what belongs together and is no dose, all of it or nothing. When this returns `Ok`, it is on the disk.
    ///
    /// On a full disk the reserve is given up for it.
    ///
    /// # Errors
    /// [`LedgerError::Conflict`] when a slot is settled already; otherwise what kept it from the disk.
    pub fn store(&mut self, entries: &[Entry]) -> Result<(), LedgerError> {
        self.with_reserve(|ledger| {
            ledger.transact("write an entry", |tx, books, session| {
                for entry in entries {
                    insert_entry(tx, books, session, entry)?;
                }
                Ok(1)
            })
        })
    }

    /// Writes down that outputs are really driven in the session that has begun.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn mark_session_live(&mut self) -> Result<(), LedgerError> {
        let place = Place::new(&self.path, "mark its session as live");
        self.conn
            .execute("UPDATE session SET live = 1 WHERE id = ?1", [self.session])
            .map(drop)
            .map_err(|e| place.sql(e))
    }

    /// Once more after giving up the reserve, when the disk was full.
    fn with_reserve(
        &mut self,
        mut write: impl FnMut(&mut Self) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError> {
        let first = write(self);
        match &first {
            Err(LedgerError::DiskFull { .. }) if self.reserve.give_up() => write(self),
            Ok(()) | Err(_) => first,
        }
    }

    /// One transaction that changes exactly one row, and the books with it. On an error both are as before.
    fn transact(
        &mut self,
        doing: &'static str,
        write: impl FnOnce(&Transaction<'_>, &mut Books, i64) -> rusqlite::Result<usize>,
    ) -> Result<(), LedgerError> {
        let place = Place::new(&self.path, doing);
        let mut books = self.books.clone();
        let tx = self
            .conn
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|e| place.sql(e))?;
        let rows = write(&tx, &mut books, self.session).map_err(|e| place.sql(e))?;
        if rows != 1 {
            return Err(place.conflict(format!(
                "it would have changed {rows} rows where it must be one"
            )));
        }
        tx.commit().map_err(|e| place.sql(e))?;
        self.books = books;
        // What is committed is stored, whatever becomes of the mark; the next intent waits for it.
        self.mark_fault = self.write_mark().err();
        Ok(())
    }

    /// After each commit, never before: then a kill leaves the ledger ahead of its mark.
    pub(super) fn write_mark(&mut self) -> Result<(), LedgerError> {
        if self.doubt.is_some() || self.is_rehearsed {
            return Ok(());
        }
        let place = Place::new(&self.path, "write the mark beside it (ledger.mark)");
        let recorded = Recorded {
            installation: self.installation().to_owned(),
            dose: self.books.dose_last,
            order: self.books.order,
            entry: self
                .conn
                .prepare_cached("SELECT coalesce(max(id), 0) FROM entry")
                .and_then(|mut newest| newest.query_row([], |row| row.get(0)))
                .map_err(|e| place.sql(e))?,
        };
        self.mark
            .write(&Mark::Recorded(recorded))
            .map_err(|e| place.io(e))
    }

    /// Stores what is to be written down of a doubt, which is settled with it: from here on the mark follows this ledger.
    ///
    /// # Errors
    /// Any [`LedgerError`]; the doubt then stands.
    pub fn own_up(&mut self, entries: &[Entry]) -> Result<(), LedgerError> {
        self.store(entries)?;
        let doubt = self.doubt.take();
        self.write_mark().inspect_err(|_| self.doubt = doubt)
    }
}

/// Says which slot it was, where the database only knows that a rule was broken.
fn name_the_slot(error: LedgerError, intent: &Intent) -> LedgerError {
    match (error, &intent.slot) {
        (LedgerError::Conflict(mut failed), Some(slot)) => {
            let why = failed.why;
            failed.why = format!(
                "slot {} {} s of line {} is dosed or settled already, or the row breaks a rule of the books ({why})",
                slot.date, slot.number, slot.line
            );
            LedgerError::Conflict(failed)
        }
        (error, _) => error,
    }
}

fn insert_intent(tx: &Transaction<'_>, session: i64, intent: &Intent) -> rusqlite::Result<usize> {
    let slot = intent.slot.as_ref();
    tx.prepare_cached(
        "INSERT INTO dose (id, session, at_ms, elapsed_ms, trusted, line, head, reservoir, solution, kind, slot_date,
                           slot_second, volume_ul, run_time_ms, carries, destination, who, live, room)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, zeroblob(96))",
    )?
    .execute(params![
            intent.id.0,
            session,
            intent.at.wall.as_millisecond(),
            intent.at.elapsed.as_ms(),
            intent.at.trusted,
            intent.line.as_str(),
            intent.head.as_str(),
            intent.reservoir.as_str(),
            intent.solution.as_str(),
            word_of(&intent.kind),
            slot.map(|slot| slot.date.to_string()),
            slot.map(|slot| slot.number),
            intent.volume.as_ul(),
            intent.run_time.as_ms(),
            serde_json::to_string(&intent.carries)
                .map_err(|e| rusqlite::Error::ToSqlConversionFailure(Box::new(e)))?,
            word_of(&intent.into),
            word_of(&intent.who),
            intent.live,
        ])
}

fn update_outcome(
    tx: &Transaction<'_>,
    session: i64,
    order: i64,
    outcome: &Outcome,
) -> rusqlite::Result<usize> {
    tx.prepare_cached(
        "UPDATE dose SET outcome = ?2, outcome_order = ?3, delivered_ul = ?4, on_time_ms = ?5, reservoir_left_ul = ?6,
                         cause = ?7, ended_session = ?8, ended_at_ms = ?9, ended_elapsed_ms = ?10, ended_trusted = ?11,
                         room = NULL
         WHERE id = ?1 AND outcome IS NULL",
    )?
    .execute(params![
            outcome.id.0,
            word_of(&outcome.end),
            order,
            outcome.delivered.as_ul(),
            outcome.on_time.map(Millis::as_ms),
            outcome.reservoir_left.as_ul(),
            outcome.cause,
            session,
            outcome.at.wall.as_millisecond(),
            outcome.at.elapsed.as_ms(),
            outcome.at.trusted,
        ])
}

/// What the books need of the dose that was just closed.
fn closed_dose(tx: &Transaction<'_>, id: i64) -> rusqlite::Result<Closed> {
    let sql = format!("SELECT {CLOSED_COLUMNS} FROM dose WHERE id = ?1");
    tx.prepare_cached(&sql)?.query_row([id], Closed::from_row)
}

/// Writes an entry, and the marks in the running totals that are told from it.
fn insert_entry(
    tx: &Transaction<'_>,
    books: &mut Books,
    session: i64,
    entry: &Entry,
) -> rusqlite::Result<()> {
    if let Entry::Refill(refill) = entry {
        let order = books.order.saturating_add(1);
        books.fill(refill.reservoir.as_str(), refill.level.as_ul(), order);
        return insert_refill(tx, session, (order, books.dose_last), refill);
    }
    let (kind, body) = kinds::parts(entry)?;
    let at = entry.at();
    tx.prepare_cached(
        "INSERT INTO entry (session, at_ms, elapsed_ms, trusted, kind, body) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?
    .execute(params![
        session,
        at.wall.as_millisecond(),
        at.elapsed.as_ms(),
        at.trusted,
        kind,
        body
    ])?;
    if let Entry::Observation(told) = entry {
        mark_reading(tx, books, told)?;
    }
    if let Entry::TakenBack(back) = entry {
        let which = "kind = 'observation' AND ?1 IN (body ->> 'observation', body ->> 'panel')";
        for told in entries::<Observation>(tx, which, [back.number])? {
            mark_reading(tx, books, &told)?;
        }
    }
    if let Entry::Calibration(stored) = entry {
        let run = books.head_run.get(stored.head.as_str()).copied();
        put_total(tx, CALIBRATED, stored.head.as_str(), run.unwrap_or(0))?;
    }
    if let Entry::Arming(_) = entry {
        let refills = "SELECT coalesce(max(id), 0) FROM refill";
        let last = tx.query_row(refills, [], |row| row.get(0))?;
        put_total(tx, ARMED, "", last)?;
    }
    Ok(())
}

fn insert_refill(
    tx: &Transaction<'_>,
    session: i64,
    (order, dose_last): (i64, i64),
    refill: &Refill,
) -> rusqlite::Result<()> {
    tx.execute(
        "INSERT INTO refill (session, at_ms, elapsed_ms, trusted, reservoir, level_ul, before_ul, solution, tube_solution,
         tube_left_ul, dose_last, outcome_order, who, note)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
        params![
            session,
            refill.at.wall.as_millisecond(),
            refill.at.elapsed.as_ms(),
            refill.at.trusted,
            refill.reservoir.as_str(),
            refill.level.as_ul(),
            refill.before.map(Volume::as_ul),
            refill.solution.as_str(),
            refill.tube.as_ref().map(|tube| tube.solution.as_str()),
            refill.tube.as_ref().map(|tube| tube.left.as_ul()),
            dose_last,
            order,
            word_of(&refill.who),
            refill.note,
        ],
    )
    .map(drop)
}

/// Marks how much of a quantity had been added when the sample of its newest reading was taken.
fn mark_reading(tx: &Transaction<'_>, books: &Books, told: &Observation) -> rusqlite::Result<()> {
    let Some(of) = told.reading().and_then(|reading| reading.of.quantity()) else {
        return Ok(());
    };
    let newest = entries::<Observation>(
        tx,
        &format!(
            "kind = 'observation' AND body ->> 'of' = ?1 AND {COUNTS}
             ORDER BY unixepoch(body ->> 'happened', 'subsec') DESC, id DESC LIMIT 1"
        ),
        [of.as_str()],
    )?;
    if newest.is_empty() {
        return put_total(tx, READ, of.as_str(), 0);
    }
    for reading in newest {
        let after = added_after(tx, of, reading.happened.as_millisecond())?;
        let total = books.added.get(of).copied().unwrap_or(0);
        put_total(tx, READ, of.as_str(), total.saturating_sub(after))?;
    }
    Ok(())
}

/// What closed doses added of a quantity that began at or after an instant. Those of an unsure clock count as after it, which
/// is the side that predicts more and so allows less.
fn added_after(tx: &Transaction<'_>, of: &Quantity, taken_ms: i64) -> rusqlite::Result<i64> {
    let mut newest = tx.prepare(&format!(
        "SELECT at_ms, trusted, {CLOSED_COLUMNS} FROM dose ORDER BY id DESC"
    ))?;
    let mut rows = newest.query([])?;
    let mut sum = 0_i64;
    while let Some(row) = rows.next()? {
        let (at_ms, trusted): (i64, bool) = (row.get(0)?, row.get(1)?);
        if trusted && at_ms < taken_ms.saturating_sub(SAMPLE_MARGIN.as_ms()) {
            break;
        }
        let closed = row.get::<_, Option<i64>>("outcome_order")?.is_some();
        if closed && (!trusted || at_ms >= taken_ms) {
            let added = Closed::from_row(row)?.added;
            sum = sum.saturating_add(added.get(of).copied().unwrap_or(0));
        }
    }
    Ok(sum)
}
