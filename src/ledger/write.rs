//! Writing: each intent, outcome and entry is one transaction, begun as a writer, committed and synced before it returns.

use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};

use super::books::{
    Books, Closed, OPEN_SPAN_MAX, OUTCOMES_PER_SNAPSHOT, alkalinity_counted, peq, run_counted,
};
use super::codec::{end_text, kind_text, not_given_text, who_text};
use super::error::LedgerError;
use super::open::{Ledger, Place};
use crate::chemistry::Quantity;
use crate::quantity::Millis;
use crate::record::{
    Arming, Course, DoseEnd, Entry, Fact, Hold, HoldScope, Intent, Note, OutageMissed, Outcome,
    Reading, ReadingValue, Refill, SlotNotGiven, Stamp, Uptake, Who,
};

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
        let place = Place::new(&self.path, doing);
        // A row in a file that nobody will find again is no record.
        self.same_files()?;
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
        .map_err(|error| name_the_slot(error, intent))
    }

    /// Stores the end of a dose, into the row of its intent. When this returns `Ok`, it is on the disk.
    ///
    /// On a full disk the reserve is given up for it.
    ///
    /// # Errors
    /// [`LedgerError::Conflict`] when there is no open intent of that number, or the outcome breaks a rule of the books
    /// (an uncertain dose counts in full, one not started delivered nothing); otherwise what kept it from the disk.
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
            if let Some(closed) = closed_dose(tx, order, outcome)? {
                books.close(&closed);
            }
            books.open.remove(&id);
            if books.unsaved >= OUTCOMES_PER_SNAPSHOT {
                books.save(tx)?;
            }
            Ok(rows)
        })
    }

    /// Stores anything that is no dose. When this returns `Ok`, it is on the disk.
    ///
    /// On a full disk the reserve is given up for it.
    ///
    /// # Errors
    /// [`LedgerError::Conflict`] when the slot is settled already; otherwise what kept it from the disk.
    pub fn store(&mut self, entry: &Entry) -> Result<(), LedgerError> {
        self.with_reserve(|ledger| {
            ledger.transact("write an entry", |tx, books, session| match entry {
                Entry::SlotNotGiven(slot) => insert_not_given(tx, session, slot),
                Entry::OutageMissed(outage) => insert_outage(tx, session, outage),
                Entry::HoldSet(hold, at) => insert_hold(tx, session, hold, at),
                Entry::HoldLifted(scope, who, at) => insert_lifted(tx, session, scope, who, at),
                Entry::Refill(refill) => {
                    let order = books.order.saturating_add(1);
                    books.fill(refill.reservoir.as_str(), refill.level.as_ul(), order);
                    insert_refill(tx, session, order, refill)
                }
                Entry::Reading(reading) => insert_reading(tx, session, books, reading),
                Entry::Calibration(stored) => {
                    let run = books
                        .head_run
                        .get(stored.head.as_str())
                        .copied()
                        .unwrap_or(0);
                    super::bench::insert_calibration(tx, session, run, stored)
                }
                Entry::Verification(stored) => {
                    super::bench::insert_verification(tx, session, stored)
                }
                Entry::Uptake(uptake) => insert_uptake(tx, session, uptake),
                Entry::Course(course) => insert_course(tx, session, course),
                Entry::Changeover(fade) => super::fade::insert(tx, session, fade),
                Entry::Fact(fact) => insert_fact(tx, session, fact),
                Entry::Arming(arming) => insert_arming(tx, session, arming),
                Entry::Note(note) => insert_note(tx, session, note),
            })
        })
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
        Ok(())
    }
}

/// Says which slot it was, where the database only knows that a rule was broken.
fn name_the_slot(error: LedgerError, intent: &Intent) -> LedgerError {
    match (error, &intent.slot) {
        (LedgerError::Conflict { path, doing, why }, Some(slot)) => LedgerError::Conflict {
            path,
            doing,
            why: format!(
                "slot {} {} s of line {} is dosed or settled already, or the row breaks a rule of the books ({why})",
                slot.date, slot.number, slot.line
            ),
        },
        (error, _) => error,
    }
}

fn insert_intent(tx: &Transaction<'_>, session: i64, intent: &Intent) -> rusqlite::Result<usize> {
    let slot = intent.slot.as_ref();
    tx.execute(
        "INSERT INTO dose (id, session, at_ms, elapsed_ms, trusted, line, head, reservoir, solution, kind,
                           slot_date, slot_second, volume_ul, run_time_ms, alkalinity_meq_per_l, who, live, room)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, zeroblob(96))",
        params![
            intent.id.0,
            session,
            intent.at.wall.as_millisecond(),
            intent.at.elapsed.as_ms(),
            intent.at.trusted,
            intent.line.as_str(),
            intent.head.as_str(),
            intent.reservoir.as_str(),
            intent.solution.as_str(),
            kind_text(intent.kind),
            slot.map(|slot| slot.date.to_string()),
            slot.map(|slot| slot.number),
            intent.volume.as_ul(),
            intent.run_time.as_ms(),
            intent.alkalinity.as_meq_per_l(),
            who_text(&intent.who),
            intent.live,
        ],
    )
}

fn update_outcome(
    tx: &Transaction<'_>,
    session: i64,
    order: i64,
    outcome: &Outcome,
) -> rusqlite::Result<usize> {
    tx.execute(
        "UPDATE dose SET outcome = ?2, outcome_order = ?3, delivered_ul = ?4, on_time_ms = ?5, reservoir_left_ul = ?6,
                         cause = ?7, ended_session = ?8, ended_at_ms = ?9, ended_elapsed_ms = ?10, ended_trusted = ?11,
                         room = NULL
         WHERE id = ?1 AND outcome IS NULL",
        params![
            outcome.id.0,
            end_text(outcome.end),
            order,
            outcome.delivered.as_ul(),
            outcome.on_time.map(Millis::as_ms),
            outcome.reservoir_left.as_ul(),
            outcome.cause,
            session,
            outcome.at.wall.as_millisecond(),
            outcome.at.elapsed.as_ms(),
            outcome.at.trusted,
        ],
    )
}

/// What the books need of the dose that was just closed.
fn closed_dose(
    tx: &Transaction<'_>,
    order: i64,
    outcome: &Outcome,
) -> rusqlite::Result<Option<Closed>> {
    tx.query_row(
        "SELECT reservoir, head, run_time_ms, alkalinity_meq_per_l, volume_ul FROM dose WHERE id = ?1",
        [outcome.id.0],
        |row| {
            let (run_ms, meq, volume): (i64, f64, i64) = (row.get(2)?, row.get(3)?, row.get(4)?);
            let end = match outcome.end {
                DoseEnd::NotStarted => Some("not-started"),
                DoseEnd::Delivered
                | DoseEnd::Interrupted
                | DoseEnd::Failed
                | DoseEnd::Uncertain => None,
            };
            Ok(Closed {
                order,
                reservoir: row.get(0)?,
                head: row.get(1)?,
                left_ul: outcome.reservoir_left.as_ul(),
                run_ms: run_counted(run_ms, outcome.on_time.map(Millis::as_ms), end),
                alkalinity_peq: peq(alkalinity_counted(meq, volume, Some(outcome.delivered.as_ul()))),
            })
        },
    )
    .optional()
}

fn insert_not_given(
    tx: &Transaction<'_>,
    session: i64,
    slot: &SlotNotGiven,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO slot_not_given (session, at_ms, elapsed_ms, trusted, line, slot_date, slot_second, due_ms,
                                     volume_ul, kind, code, reason)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
        params![
            session,
            slot.at.wall.as_millisecond(),
            slot.at.elapsed.as_ms(),
            slot.at.trusted,
            slot.key.line.as_str(),
            slot.key.date.to_string(),
            slot.key.number,
            slot.due.as_millisecond(),
            slot.volume.as_ul(),
            not_given_text(slot.kind),
            slot.code,
            slot.reason,
        ],
    )
}

fn insert_outage(
    tx: &Transaction<'_>,
    session: i64,
    outage: &OutageMissed,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO outage_missed (session, at_ms, elapsed_ms, trusted, line, from_ms, until_ms, slots, volume_ul)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            session,
            outage.at.wall.as_millisecond(),
            outage.at.elapsed.as_ms(),
            outage.at.trusted,
            outage.line.as_str(),
            outage.from.as_millisecond(),
            outage.until.as_millisecond(),
            outage.slots,
            outage.volume.map(crate::quantity::Volume::as_ul),
        ],
    )
}

fn scope_line(scope: &HoldScope) -> Option<&str> {
    match scope {
        HoldScope::All => None,
        HoldScope::Line(line) => Some(line.as_str()),
    }
}

fn insert_hold(
    tx: &Transaction<'_>,
    session: i64,
    hold: &Hold,
    at: &Stamp,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO hold (session, at_ms, elapsed_ms, trusted, line, action, since_ms, reason, who)
         VALUES (?1, ?2, ?3, ?4, ?5, 'set', ?6, ?7, ?8)",
        params![
            session,
            at.wall.as_millisecond(),
            at.elapsed.as_ms(),
            at.trusted,
            scope_line(&hold.scope),
            hold.since.as_millisecond(),
            hold.reason,
            who_text(&hold.who),
        ],
    )
}

fn insert_lifted(
    tx: &Transaction<'_>,
    session: i64,
    scope: &HoldScope,
    who: &Who,
    at: &Stamp,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO hold (session, at_ms, elapsed_ms, trusted, line, action, who)
         VALUES (?1, ?2, ?3, ?4, ?5, 'lifted', ?6)",
        params![
            session,
            at.wall.as_millisecond(),
            at.elapsed.as_ms(),
            at.trusted,
            scope_line(scope),
            who_text(who),
        ],
    )
}

fn insert_refill(
    tx: &Transaction<'_>,
    session: i64,
    order: i64,
    refill: &Refill,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO refill (session, at_ms, elapsed_ms, trusted, reservoir, level_ul, before_ul, outcome_order, who, note)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        params![
            session,
            refill.at.wall.as_millisecond(),
            refill.at.elapsed.as_ms(),
            refill.at.trusted,
            refill.reservoir.as_str(),
            refill.level.as_ul(),
            refill.before.map(crate::quantity::Volume::as_ul),
            order,
            who_text(&refill.who),
            refill.note,
        ],
    )
}

fn insert_reading(
    tx: &Transaction<'_>,
    session: i64,
    books: &Books,
    reading: &Reading,
) -> rusqlite::Result<usize> {
    let (form, value, uncertainty, unit) = match reading.value {
        ReadingValue::Alkalinity { value, uncertainty } => (
            "value",
            value.as_meq_per_l(),
            Some(uncertainty.as_meq_per_l()),
            "meq/L",
        ),
        ReadingValue::Concentration { value, uncertainty } => (
            "value",
            value.as_mg_per_l(),
            Some(uncertainty.as_mg_per_l()),
            "mg/L",
        ),
        ReadingValue::Below { limit } => ("below", limit.as_mg_per_l(), None, "mg/L"),
    };
    let taken_ms = reading.taken.as_millisecond();
    let total_then = match reading.measured {
        Quantity::Alkalinity => books
            .alkalinity_peq
            .saturating_sub(alkalinity_after_peq(tx, taken_ms)?),
        Quantity::Element(_) => 0,
    };
    tx.execute(
        "INSERT INTO reading (session, at_ms, elapsed_ms, trusted, measured, form, value, uncertainty, unit, method,
                              taken_ms, alkalinity_total_peq, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)",
        params![
            session,
            reading.at.wall.as_millisecond(),
            reading.at.elapsed.as_ms(),
            reading.at.trusted,
            reading.measured.as_str(),
            form,
            value,
            uncertainty,
            unit,
            reading.method,
            taken_ms,
            total_then,
            who_text(&reading.who),
        ],
    )
}

/// Alkalinity of the closed doses that began at or after an instant. Those of an unsure clock count as after it, which
/// is the side that predicts more alkalinity and so allows less.
fn alkalinity_after_peq(tx: &Transaction<'_>, taken_ms: i64) -> rusqlite::Result<i64> {
    let mut newest = tx.prepare(
        "SELECT at_ms, trusted, alkalinity_meq_per_l, volume_ul, delivered_ul FROM dose ORDER BY id DESC",
    )?;
    let mut rows = newest.query([])?;
    let mut sum = 0_i64;
    while let Some(row) = rows.next()? {
        let (at_ms, trusted): (i64, bool) = (row.get(0)?, row.get(1)?);
        if trusted && at_ms < taken_ms.saturating_sub(SAMPLE_MARGIN.as_ms()) {
            break;
        }
        let delivered: Option<i64> = row.get(4)?;
        if delivered.is_some() && (!trusted || at_ms >= taken_ms) {
            sum = sum.saturating_add(peq(alkalinity_counted(row.get(2)?, row.get(3)?, delivered)));
        }
    }
    Ok(sum)
}

fn insert_uptake(tx: &Transaction<'_>, session: i64, uptake: &Uptake) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO uptake (session, at_ms, elapsed_ms, trusted, measured, per_day, before_per_day, how, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            session,
            uptake.at.wall.as_millisecond(),
            uptake.at.elapsed.as_ms(),
            uptake.at.trusted,
            uptake.of.as_str(),
            uptake.uptake,
            uptake.before,
            uptake.how.as_str(),
            who_text(&uptake.who),
        ],
    )
}

fn insert_course(tx: &Transaction<'_>, session: i64, course: &Course) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO course (session, at_ms, elapsed_ms, trusted, course, line, measured, rise_per_day, extra_ul,
                             standing_ul, first_date, days, state, note, who, kind)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)",
        params![
            session,
            course.at.wall.as_millisecond(),
            course.at.elapsed.as_ms(),
            course.at.trusted,
            course.number,
            course.line.as_str(),
            course.raises.as_str(),
            course.rise_per_day,
            course.extra.as_ul(),
            course.standing.as_ul(),
            course.first.to_string(),
            course.days,
            course.state.as_str(),
            course.note,
            who_text(&course.who),
            course.kind.as_str(),
        ],
    )
}

fn insert_fact(tx: &Transaction<'_>, session: i64, fact: &Fact) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO fact (session, at_ms, elapsed_ms, trusted, kind, name, value, uncertainty, text, happened_ms, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        params![
            session,
            fact.at.wall.as_millisecond(),
            fact.at.elapsed.as_ms(),
            fact.at.trusted,
            fact.kind.as_str(),
            fact.name,
            fact.value,
            fact.uncertainty,
            fact.text,
            fact.happened.as_millisecond(),
            who_text(&fact.who),
        ],
    )
}

fn insert_note(tx: &Transaction<'_>, session: i64, note: &Note) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO event (session, at_ms, elapsed_ms, trusted, code, line, text, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        params![
            session,
            note.at.wall.as_millisecond(),
            note.at.elapsed.as_ms(),
            note.at.trusted,
            note.code,
            note.line.as_ref().map(crate::quantity::Name::as_str),
            note.text,
            who_text(&note.who),
        ],
    )
}

fn insert_arming(tx: &Transaction<'_>, session: i64, arming: &Arming) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO arming (session, at_ms, elapsed_ms, trusted, action, fingerprint, hardware, sentence, refill_last, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, (SELECT coalesce(max(id), 0) FROM refill), ?9)",
        params![
            session,
            arming.at.wall.as_millisecond(),
            arming.at.elapsed.as_ms(),
            arming.at.trusted,
            if arming.armed { "armed" } else { "disarmed" },
            arming.fingerprint,
            arming.hardware,
            arming.sentence,
            who_text(&arming.who),
        ],
    )
}
