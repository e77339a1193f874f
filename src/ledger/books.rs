//! Running totals: what is in each bottle, how long each head ran, how much went in.
//!
//! They follow from the rows alone. So that a start need not walk years of rows, a snapshot of them is stored at each
//! start and after every 256 outcomes, in the same transaction as the row that led to it; what came after the snapshot
//! is replayed. `ledger check` replays everything and compares.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, Row, params};

use super::columns::word;
use super::kinds::json;
use crate::chemistry::Quantity;
use crate::quantity::{Volume, f64_from_i64, i64_from_f64};
use crate::record::{Carried, Destination, part_carried};

/// Outcomes between two snapshots: seldom enough to cost nothing, often enough that a replay takes a millisecond.
pub(super) const OUTCOMES_PER_SNAPSHOT: u32 = 256;

/// How far back the oldest open intent may lie, in dose numbers; an intent that would pass it is refused. So open intents
/// are found, and the books replayed, among the newest rows. Far more than all heads together can have open.
pub(super) const OPEN_SPAN_MAX: i64 = 500;

/// The totals after a certain order number.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Books {
    /// Order number of the newest outcome or refill.
    pub(super) order: i64,
    pub(super) dose_last: i64,
    pub(super) open: BTreeSet<i64>,
    /// Left in each reservoir, microlitres, with the order number that said so.
    pub(super) reservoirs: BTreeMap<String, (i64, i64)>,
    /// Run time of each head over the life of the ledger, milliseconds.
    pub(super) head_run: BTreeMap<String, i64>,
    /// What was added of each quantity over the life of the ledger, all lines, in billionths of dKH or mg/L.
    pub(super) added: BTreeMap<Quantity, i64>,
    /// Outcomes since the snapshot.
    pub(super) unsaved: u32,
}

/// What a closed dose does to the books.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Closed {
    pub(super) order: i64,
    pub(super) reservoir: String,
    pub(super) head: String,
    /// Left in the bottle, microlitres.
    pub(super) left_ul: i64,
    /// Run time that counts.
    pub(super) run_ms: i64,
    /// What counts as added, in billionths of dKH or mg/L.
    pub(super) added: BTreeMap<Quantity, i64>,
}

/// Whether a dose counts as given to the tank: it went there, or its session at the bench fell silent.
pub(super) const IN_TANK: &str =
    "(destination = 'tank' OR EXISTS (SELECT 1 FROM entry AS bench WHERE bench.kind = 'bench'
     AND bench.body ->> 'what' = 'silent' AND bench.body ->> 'head' = dose.head
     AND dose.id BETWEEN bench.body ->> 'first_dose' AND bench.body ->> 'last_dose'))";

/// Run time that counts: as measured; none for a dose that never started; the whole when nobody measured it.
pub(super) fn run_counted(run_ms: i64, on_time_ms: Option<i64>, outcome: Option<&str>) -> i64 {
    match (on_time_ms, outcome) {
        (Some(measured), _) => measured,
        (None, Some("not-started")) => 0,
        (None, _) => run_ms,
    }
}

/// An amount added to the tank (dKH, mg/L) in billionths: totals are whole numbers, so that the order of adding cannot matter.
pub(super) fn billionths(amount: f64) -> i64 {
    i64_from_f64(amount * 1e9).unwrap_or(0)
}

pub(super) fn from_billionths(amount: i64) -> f64 {
    f64_from_i64(amount) / 1e9
}

/// What a dose row added to the tank: all that it carries when the outcome is not known.
pub(super) fn carried(row: &Row<'_>) -> rusqlite::Result<Carried> {
    let (volume, delivered): (i64, Option<i64>) = (row.get("volume_ul")?, row.get("delivered_ul")?);
    let whole = json(row, "carries")?;
    let (volume, delivered) = (
        Volume::from_ul(volume),
        Volume::from_ul(delivered.unwrap_or(volume)),
    );
    Ok(part_carried(&whole, volume, delivered))
}

/// Columns of `dose` that [`Closed::from_row`] reads.
pub(super) const CLOSED_COLUMNS: &str = "outcome_order, reservoir, head, reservoir_left_ul, run_time_ms, on_time_ms, outcome, \
     carries, destination, volume_ul, delivered_ul";

impl Closed {
    /// From a row with [`CLOSED_COLUMNS`].
    pub(super) fn from_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let outcome: Option<String> = row.get("outcome")?;
        let each = |(of, amount): (Quantity, f64)| (of, billionths(amount));
        let into: Destination = word(row, "destination")?;
        let added = match into {
            Destination::Tank => carried(row)?,
            // A session that fell silent is added where it is known, see `history.rs`.
            Destination::Bench => Carried::new(),
        };
        Ok(Self {
            order: row.get("outcome_order")?,
            reservoir: row.get("reservoir")?,
            head: row.get("head")?,
            left_ul: row.get("reservoir_left_ul")?,
            run_ms: run_counted(
                row.get("run_time_ms")?,
                row.get("on_time_ms")?,
                outcome.as_deref(),
            ),
            added: added.into_iter().map(each).collect(),
        })
    }
}

/// Kinds of running totals. The first three are a snapshot of the books, the others marks of where they stood at some entry.
const LEFT: &str = "reservoir-left-ul";
const HEAD_RUN: &str = "head-run-ms";
const ADDED: &str = "added-billionths";
/// What had been added of a quantity when the sample of its newest reading was taken.
pub(super) const READ: &str = "added-before-reading-billionths";
/// How long a head had run when its newest calibration was written down.
pub(super) const CALIBRATED: &str = "head-run-before-calibration-ms";
/// The number of the newest refill at the newest arming: what a bottle held before is not taken over into live mode.
pub(super) const ARMED: &str = "refills-before-arming";

pub(super) fn put_total(
    conn: &Connection,
    kind: &str,
    name: &str,
    value: i64,
) -> rusqlite::Result<()> {
    let mut put = conn.prepare(
        "INSERT INTO running_total (kind, name, value) VALUES (?1, ?2, ?3)
         ON CONFLICT (kind, name) DO UPDATE SET value = excluded.value",
    )?;
    put.execute(params![kind, name, value]).map(drop)
}

/// A total that is stored; 0 where there is none.
pub(super) fn total(conn: &Connection, kind: &str, name: &str) -> rusqlite::Result<i64> {
    let mut stored = conn.prepare(
        "SELECT coalesce(max(value), 0) FROM running_total WHERE kind = ?1 AND name = ?2",
    )?;
    stored.query_row(params![kind, name], |row| row.get(0))
}

impl Books {
    /// Reads the snapshot and replays what came after it.
    pub(super) fn load(conn: &Connection) -> rusqlite::Result<Self> {
        let (order, dose): (i64, i64) = conn.query_row(
            "SELECT snapshot_order, snapshot_dose FROM meta",
            [],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
        let mut books = Self {
            order,
            ..Self::default()
        };
        let mut totals = conn.prepare("SELECT kind, name, value FROM running_total")?;
        let mut rows = totals.query([])?;
        while let Some(row) = rows.next()? {
            let (kind, value): (String, i64) = (row.get("kind")?, row.get("value")?);
            match kind.as_str() {
                LEFT => drop(books.reservoirs.insert(row.get("name")?, (order, value))),
                HEAD_RUN => drop(books.head_run.insert(row.get("name")?, value)),
                ADDED => drop(books.added.insert(word(row, "name")?, value)),
                _ => {}
            }
        }
        books.replay(conn, order, dose)?;
        books.dose_last = conn.query_row("SELECT coalesce(max(id), 0) FROM dose", [], |row| {
            row.get(0)
        })?;
        let mut open = conn.prepare("SELECT id FROM dose WHERE id >= ?1 AND outcome IS NULL")?;
        books.open = open
            .query_map([books.dose_last - OPEN_SPAN_MAX], |row| row.get(0))?
            .collect::<Result<_, _>>()?;
        Ok(books)
    }

    /// Applies outcomes after `dose` and refills whose order is above `order`. They may come in any order.
    fn replay(&mut self, conn: &Connection, order: i64, dose: i64) -> rusqlite::Result<()> {
        let mut doses = conn.prepare(&format!(
            "SELECT {CLOSED_COLUMNS} FROM dose WHERE id > ?1 AND outcome_order > ?2"
        ))?;
        let mut rows = doses.query(params![dose, order])?;
        while let Some(row) = rows.next()? {
            self.close(&Closed::from_row(row)?);
        }
        let mut refills = conn.prepare(
            "SELECT outcome_order, reservoir, level_ul FROM refill WHERE outcome_order > ?1",
        )?;
        let mut rows = refills.query([order])?;
        while let Some(row) = rows.next()? {
            let reservoir: String = row.get("reservoir")?;
            self.fill(&reservoir, row.get("level_ul")?, row.get("outcome_order")?);
        }
        Ok(())
    }

    /// Takes in an outcome.
    pub(super) fn close(&mut self, closed: &Closed) {
        self.set_reservoir(&closed.reservoir, closed.left_ul, closed.order);
        let run = self.head_run.entry(closed.head.clone()).or_default();
        *run = run.saturating_add(closed.run_ms);
        for (of, amount) in &closed.added {
            let added = self.added.entry(of.clone()).or_default();
            *added = added.saturating_add(*amount);
        }
        self.unsaved = self.unsaved.saturating_add(1);
    }

    /// Takes in a refill.
    pub(super) fn fill(&mut self, reservoir: &str, level_ul: i64, order: i64) {
        self.set_reservoir(reservoir, level_ul, order);
    }

    fn set_reservoir(&mut self, reservoir: &str, ul: i64, order: i64) {
        self.order = self.order.max(order);
        let known = self
            .reservoirs
            .get(reservoir)
            .map_or(i64::MIN, |(order, _)| *order);
        if order >= known {
            self.reservoirs.insert(reservoir.to_owned(), (order, ul));
        }
    }

    /// Writes the snapshot, in the caller's transaction.
    pub(super) fn save(&mut self, conn: &Connection) -> rusqlite::Result<()> {
        let before_open = self.open.first().map_or(self.dose_last, |first| first - 1);
        conn.execute(
            "UPDATE meta SET snapshot_order = ?1, snapshot_dose = ?2",
            params![self.order, before_open],
        )?;
        for (name, (_, ul)) in &self.reservoirs {
            put_total(conn, LEFT, name, *ul)?;
        }
        for (name, ms) in &self.head_run {
            put_total(conn, HEAD_RUN, name, *ms)?;
        }
        for (of, amount) in &self.added {
            put_total(conn, ADDED, of.as_str(), *amount)?;
        }
        self.unsaved = 0;
        Ok(())
    }
}

impl Books {
    /// Whether both say the same; how the snapshot lies does not matter.
    pub(super) fn agrees_with(&self, other: &Self) -> bool {
        let left = |books: &Self| -> Vec<(String, i64)> {
            books
                .reservoirs
                .iter()
                .map(|(name, (_, ul))| (name.clone(), *ul))
                .collect()
        };
        self.order == other.order
            && self.dose_last == other.dose_last
            && self.open == other.open
            && self.head_run == other.head_run
            && self.added == other.added
            && left(self) == left(other)
    }
}
