//! What was done at the bench: calibrations with their runs, and later checks of them.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use super::codec::{self, who_text};
use super::error::LedgerError;
use super::open::Place;
use super::reader::LedgerReader;
use crate::metering::{Calibration, MeteringLimits};
use crate::quantity::{FlowRate, Millis, Name, Volume};
use crate::record::{CalibrationRun, DoseEnd, DoseId, StoredCalibration, StoredVerification};

/// How a dose ended, for who waits for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EndedDose {
    pub end: DoseEnd,
    pub delivered: Volume,
    /// Quantity on-time; `None` when nobody measured it.
    pub on_time: Option<Millis>,
}

/// A dose that may be held against what was measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DoseToCheck {
    pub id: DoseId,
    /// What was asked for.
    pub volume: Volume,
    pub end: DoseEnd,
    pub delivered: Volume,
    /// Whether a check of it is on record.
    pub checked: bool,
}

impl LedgerReader {
    /// A dose of a head by its number, or the head's last run at the bench since its calibration; `None` when there is none that ended.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn dose_to_check(
        &self,
        head: &Name,
        dose: Option<DoseId>,
    ) -> Result<Option<DoseToCheck>, LedgerError> {
        let place = Place::new(&self.path, "look for the dose that was measured");
        let read = |row: &Row<'_>| -> rusqlite::Result<DoseToCheck> {
            let end = codec::end(row)?;
            Ok(DoseToCheck {
                id: DoseId(codec::int(row, "id")?),
                volume: codec::volume(row, "volume_ul")?,
                end: end
                    .ok_or_else(|| codec::unexpected(row, "outcome", "", "the end of a dose"))?,
                delivered: codec::volume(row, "delivered_ul")?,
                checked: codec::flag(row, "checked")?,
            })
        };
        self.conn
            .query_row(
                "SELECT *, EXISTS (SELECT 1 FROM verification WHERE verification.dose = dose.id) AS checked FROM dose
                 WHERE head = ?1 AND outcome IS NOT NULL
                   AND (id = ?2 OR ?2 IS NULL AND kind = 'calibration'
                        AND at_ms >= (SELECT coalesce(max(at_ms), 0) FROM calibration WHERE calibration.head = ?1))
                 ORDER BY id DESC LIMIT 1",
                params![head.as_str(), dose.map(|dose| dose.0)],
                read,
            )
            .optional()
            .map_err(|e| place.sql(e))
    }

    /// All calibrations of a head, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn calibrations_of(&self, head: &Name) -> Result<Vec<StoredCalibration>, LedgerError> {
        let place = Place::new(&self.path, "read its calibrations");
        let read = || -> rusqlite::Result<Vec<StoredCalibration>> {
            self.conn
                .prepare("SELECT * FROM calibration WHERE head = ?1 ORDER BY id")?
                .query_map(params![head.as_str()], |row| calibration(&self.conn, row))?
                .collect()
        };
        read().map_err(|e| place.sql(e))
    }

    /// Run time of a head since an instant. Reads every dose there is.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn run_since(&self, head: &Name, since: Timestamp) -> Result<Millis, LedgerError> {
        let place = Place::new(&self.path, "add up the run time of a head");
        self.conn
            .query_row(
                "SELECT coalesce(sum(coalesce(on_time_ms, run_time_ms)), 0) AS run_ms FROM dose
                 WHERE head = ?1 AND coalesce(ended_at_ms, at_ms) > ?2",
                params![head.as_str(), since.as_millisecond()],
                |row| codec::millis(row, "run_ms"),
            )
            .map_err(|e| place.sql(e))
    }

    /// All checks of a head, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn verifications_of(&self, head: &Name) -> Result<Vec<StoredVerification>, LedgerError> {
        let place = Place::new(&self.path, "read the checks of a head");
        let read = || -> rusqlite::Result<Vec<StoredVerification>> {
            self.conn
                .prepare("SELECT * FROM verification WHERE head = ?1 ORDER BY id")?
                .query_map(params![head.as_str()], verification)?
                .collect()
        };
        read().map_err(|e| place.sql(e))
    }

    /// The end of a dose; `None` while it has none.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn end_of(&self, dose: DoseId) -> Result<Option<EndedDose>, LedgerError> {
        let place = Place::new(&self.path, "read the end of a dose");
        self.conn
            .query_row(
                "SELECT outcome, delivered_ul, on_time_ms FROM dose WHERE id = ?1 AND outcome IS NOT NULL",
                params![dose.0],
                |row| {
                    let on_time: Option<i64> = row.get("on_time_ms")?;
                    let end = codec::end(row)?;
                    Ok(EndedDose {
                        end: end.ok_or_else(|| {
                            codec::unexpected(row, "outcome", "", "the end of a dose")
                        })?,
                        delivered: codec::volume(row, "delivered_ul")?,
                        on_time: on_time.map(Millis::new),
                    })
                },
            )
            .optional()
            .map_err(|e| place.sql(e))
    }
}

/// A calibration with its runs, from its row.
pub(super) fn calibration(conn: &Connection, row: &Row<'_>) -> rusqlite::Result<StoredCalibration> {
    let rate = FlowRate::from_ml_per_min(row.get("rate_ml_per_min")?);
    let calibration =
        Calibration::new(rate, codec::volume(row, "offset_ul")?).map_err(|error| {
            codec::unexpected(row, "rate_ml_per_min", &error.to_string(), "a calibration")
        })?;
    let runs = conn
        .prepare("SELECT * FROM calibration_run WHERE calibration = ?1 ORDER BY id")?
        .query_map(params![codec::int(row, "id")?], run)?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    Ok(StoredCalibration {
        head: codec::name(row, "head")?,
        calibration,
        variation: row.get("variation")?,
        limits: limits(row)?,
        simulated: codec::flag(row, "simulated")?,
        runs,
        resolution: row
            .get::<_, Option<i64>>("resolution_ul")?
            .map(Volume::from_ul),
        weighing: codec::text(row, "weighing")?,
        drive: codec::text(row, "drive")?,
        method: codec::text(row, "method")?,
        who: codec::who(row)?,
        at: codec::stamp(row)?,
    })
}

fn limits(row: &Row<'_>) -> rusqlite::Result<Option<MeteringLimits>> {
    let Some(tolerance_percent) = row.get::<_, Option<f64>>("tolerance_percent")? else {
        return Ok(None);
    };
    Ok(Some(MeteringLimits {
        run_min: codec::millis(row, "run_min_ms")?,
        run_max: codec::millis(row, "run_max_ms")?,
        dose_min: codec::volume(row, "dose_min_ul")?,
        tolerance_percent,
    }))
}

fn run(row: &Row<'_>) -> rusqlite::Result<CalibrationRun> {
    let dose: Option<i64> = row.get("dose")?;
    Ok(CalibrationRun {
        on_time: codec::millis(row, "on_time_ms")?,
        volume: codec::volume(row, "volume_ul")?,
        typed: codec::text(row, "typed")?,
        dose: dose.map(DoseId),
        used: codec::flag(row, "used")?,
    })
}

fn verification(row: &Row<'_>) -> rusqlite::Result<StoredVerification> {
    Ok(StoredVerification {
        head: codec::name(row, "head")?,
        dose: DoseId(codec::int(row, "dose")?),
        expected: codec::volume(row, "expected_ul")?,
        measured: codec::volume(row, "measured_ul")?,
        typed: codec::text(row, "typed")?,
        tolerance_percent: row.get("tolerance_percent")?,
        run_since: codec::millis(row, "run_since_ms")?,
        who: codec::who(row)?,
        at: codec::stamp(row)?,
    })
}

/// Writes a calibration with its runs; counts as one row.
pub(super) fn insert_calibration(
    tx: &Transaction<'_>,
    session: i64,
    head_run_ms: i64,
    stored: &StoredCalibration,
) -> rusqlite::Result<usize> {
    let limits = stored.limits;
    let rows = tx.execute(
        "INSERT INTO calibration (session, at_ms, elapsed_ms, trusted, head, rate_ml_per_min, offset_ul, variation,
                                  method, head_run_ms, who, run_min_ms, run_max_ms, dose_min_ul, tolerance_percent,
                                  simulated, weighing, resolution_ul, drive)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19)",
        params![
            session,
            stored.at.wall.as_millisecond(),
            stored.at.elapsed.as_ms(),
            stored.at.trusted,
            stored.head.as_str(),
            stored.calibration.rate().as_ml_per_min(),
            stored.calibration.offset().as_ul(),
            stored.variation,
            stored.method,
            head_run_ms,
            who_text(&stored.who),
            limits.map(|l| l.run_min.as_ms()),
            limits.map(|l| l.run_max.as_ms()),
            limits.map(|l| l.dose_min.as_ul()),
            limits.map(|l| l.tolerance_percent),
            stored.simulated,
            stored.weighing,
            stored.resolution.map(Volume::as_ul),
            stored.drive,
        ],
    )?;
    let number = tx.last_insert_rowid();
    for run in &stored.runs {
        tx.execute(
            "INSERT INTO calibration_run (calibration, on_time_ms, volume_ul, typed, dose, used) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
            params![
                number,
                run.on_time.as_ms(),
                run.volume.as_ul(),
                run.typed,
                run.dose.map(|dose| dose.0),
                run.used,
            ],
        )?;
    }
    Ok(rows)
}

/// Writes a check of a head.
pub(super) fn insert_verification(
    tx: &Transaction<'_>,
    session: i64,
    stored: &StoredVerification,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO verification (session, at_ms, elapsed_ms, trusted, head, dose, expected_ul, measured_ul, typed,
                                   tolerance_percent, run_since_ms, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
        params![
            session,
            stored.at.wall.as_millisecond(),
            stored.at.elapsed.as_ms(),
            stored.at.trusted,
            stored.head.as_str(),
            stored.dose.0,
            stored.expected.as_ul(),
            stored.measured.as_ul(),
            stored.typed,
            stored.tolerance_percent,
            stored.run_since.as_ms(),
            who_text(&stored.who),
        ],
    )
}
