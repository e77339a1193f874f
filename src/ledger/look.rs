//! What is read of the record beside a running daemon: for the owner's arithmetic, the bench and displays. Oldest first; nothing here is
//! counted or judged.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::de::DeserializeOwned;

use super::books::{ARMED, IN_TANK, total};
use super::brought::{brought, refill};
use super::columns::{instant, millis, volume, word, word_if_any};
use super::contents::contents;
use super::error::LedgerError;
use super::files::Place;
use super::kinds::{COUNTS, entries, json, newest_of, read, unexpected};
use super::open::Ledger;
use super::reader::LedgerReader;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{
    Arming, Bench, Brought, Carried, Columns, Content, Course, DoseEnd, DoseId, Entry, GivenDose,
    LabColumns, Note, Observation, StoredCalibration, StoredVerification, TakenBack, Uptake,
    part_carried,
};

/// One start of the daemon.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredSession {
    pub at: Timestamp,
    pub controller_fingerprint: String,
    pub plan_fingerprint: String,
}

/// How a dose ended, for who waits for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EndedDose {
    pub end: DoseEnd,
    pub delivered: Volume,
    /// Measured on-time; `None` when nobody measured it.
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

/// The water as the owner and the daemon wrote it down. Each may fail with any [`LedgerError`].
impl LedgerReader {
    /// Whether this ledger counts virtual days.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn is_virtual(&self) -> Result<bool, LedgerError> {
        self.ask("read its timeline", |conn| {
            conn.query_row("SELECT timeline = 'virtual' FROM meta", [], |row| {
                row.get(0)
            })
        })
    }

    /// Everything that was told of the water, by the time it was so.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn all_told(&self) -> Result<Vec<Observation>, LedgerError> {
        self.entries(
            "read what was told of the water",
            "kind = 'observation' ORDER BY unixepoch(body ->> 'happened', 'subsec'), id",
        )
    }

    /// What of it counts.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn told(&self) -> Result<Vec<Observation>, LedgerError> {
        let which = format!(
            "kind = 'observation' AND {COUNTS} ORDER BY unixepoch(body ->> 'happened', 'subsec'), id"
        );
        self.entries("read what was told of the water", &which)
    }

    /// What the columns of a lab are called, as they were told last.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn columns_of(&self, lab: &str) -> Result<Option<Columns>, LedgerError> {
        let all = self.all_of::<LabColumns>("read the columns of a lab", "lab-columns")?;
        Ok(all.into_iter().rfind(|l| l.lab == lab).map(|l| l.columns))
    }

    /// What no longer counts of what was told, by its number.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn taken_back(&self) -> Result<BTreeMap<i64, TakenBack>, LedgerError> {
        let all = self.all_of::<TakenBack>("read what was taken back", "taken-back")?;
        Ok(all.into_iter().map(|back| (back.number, back)).collect())
    }

    /// All doses that brought anything since an instant, open ones in full.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn doses_since(&self, since: Timestamp) -> Result<Vec<GivenDose>, LedgerError> {
        let mut doses = self.all_doses_since(since)?;
        doses.retain(|dose| dose.in_tank && dose.volume > Volume::ZERO);
        Ok(doses)
    }

    /// All doses since an instant, what never started and what went elsewhere than into the tank included.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn all_doses_since(&self, since: Timestamp) -> Result<Vec<GivenDose>, LedgerError> {
        self.ask("read its doses", |conn| {
            let mut doses = conn.prepare(&format!(
                "SELECT at_ms, slot_date, line, kind, outcome, reservoir, reservoir_left_ul, volume_ul, delivered_ul, carries,
                 {IN_TANK} AS in_tank FROM dose WHERE at_ms >= ?1 ORDER BY at_ms, id"
            ))?;
            let mut rows = doses.query([since.as_millisecond()])?;
            // The doses of a plan say the same again and again.
            let mut seen: BTreeMap<String, Carried> = BTreeMap::new();
            let mut found = Vec::new();
            while let Some(row) = rows.next()? {
                found.push(given(row, &mut seen)?);
            }
            Ok(found)
        })
    }

    /// Everything that was written down since an instant beside doses, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn entries_since(&self, since: Timestamp) -> Result<Vec<Entry>, LedgerError> {
        let ms = since.as_millisecond();
        self.ask("read what was written down", |conn| {
            let mut query =
                conn.prepare("SELECT kind, body FROM entry WHERE at_ms >= ?1 ORDER BY id")?;
            let mut rows = query.query([ms])?;
            let mut found = Vec::new();
            while let Some(row) = rows.next()? {
                let (kind, body): (String, String) = (row.get("kind")?, row.get("body")?);
                found.push(read(&kind, &body).map_err(|error| unexpected(row, "body", error))?);
            }
            let mut query = conn.prepare("SELECT * FROM refill WHERE at_ms >= ?1 ORDER BY id")?;
            let mut rows = query.query([ms])?;
            while let Some(row) = rows.next()? {
                found.push(Entry::Refill(refill(row)?));
            }
            found.sort_by_key(|entry: &Entry| entry.at().wall);
            Ok(found)
        })
    }

    /// What most probably reached the water, as far back as the estimate of it looks, by what was told.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn brought(&self, told: &[Observation]) -> Result<Vec<Brought>, LedgerError> {
        self.ask("read what reached the water", |conn| {
            let last = conn.query_row("SELECT coalesce(max(id), 0) FROM dose", [], |r| r.get(0))?;
            brought(conn, last, told)
        })
    }

    /// Every uptake that was put into force, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn uptakes(&self) -> Result<Vec<Uptake>, LedgerError> {
        self.all_of("read its uptakes", "uptake")
    }

    /// What each bottle holds by its newest refill.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn contents(&self) -> Result<Vec<Content>, LedgerError> {
        self.ask("read what bottles hold", contents)
    }

    /// Every word on every course.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn courses(&self) -> Result<Vec<Course>, LedgerError> {
        self.all_of("read its courses", "course")
    }

    /// Every start of the daemon.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn sessions(&self) -> Result<Vec<StoredSession>, LedgerError> {
        self.ask("read its sessions", |conn| {
            conn.prepare("SELECT * FROM session ORDER BY id")?
                .query_map([], |row| {
                    Ok(StoredSession {
                        at: instant(row, "at_ms")?,
                        controller_fingerprint: row.get("controller_fingerprint")?,
                        plan_fingerprint: row.get("plan_fingerprint")?,
                    })
                })?
                .collect()
        })
    }

    /// Texts of all events with one code, with their times.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn events(&self, code: &str) -> Result<Vec<(Timestamp, String)>, LedgerError> {
        let all = self.ask("read its events", |conn| {
            let which = "kind = 'event' AND body ->> 'code' = ?1 ORDER BY id";
            entries::<Note>(conn, which, [code])
        })?;
        Ok(all.into_iter().map(|n| (n.at.wall, n.text)).collect())
    }

    /// Volume booked for each line, of doses with an outcome; only real ones or only those of dry runs. Reads every dose there
    /// is, so it is asked once at a start.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn delivered_by_line(&self, live: bool) -> Result<BTreeMap<Name, Volume>, LedgerError> {
        self.ask("add up what each line delivered", |conn| {
            conn.prepare(
                "SELECT line, sum(delivered_ul) AS delivered_ul FROM dose
                 WHERE outcome IS NOT NULL AND live = ?1 GROUP BY line",
            )?
            .query_map([live], |row| {
                Ok((word(row, "line")?, volume(row, "delivered_ul")?))
            })?
            .collect()
        })
    }

    fn ask<T>(
        &self,
        doing: &'static str,
        read: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, LedgerError> {
        read(&self.conn).map_err(|error| Place::new(&self.path, doing).sql(error))
    }

    fn entries<T: DeserializeOwned>(
        &self,
        doing: &'static str,
        which: &str,
    ) -> Result<Vec<T>, LedgerError> {
        self.ask(doing, |conn| entries(conn, which, []))
    }

    fn all_of<T: DeserializeOwned>(
        &self,
        doing: &'static str,
        kind: &str,
    ) -> Result<Vec<T>, LedgerError> {
        self.entries(doing, &format!("kind = '{kind}' ORDER BY id"))
    }
}

fn given(row: &Row<'_>, seen: &mut BTreeMap<String, Carried>) -> rusqlite::Result<GivenDose> {
    let delivered: Option<i64> = row.get("delivered_ul")?;
    let meant: Volume = volume(row, "volume_ul")?;
    let counted = delivered.map_or(meant, Volume::from_ul);
    let text = row.get_ref("carries")?.as_str()?;
    if !seen.contains_key(text) {
        seen.insert(text.to_owned(), json(row, "carries")?);
    }
    let left: Option<i64> = row.get("reservoir_left_ul")?;
    Ok(GivenDose {
        at: instant(row, "at_ms")?,
        slot_date: word_if_any(row, "slot_date")?,
        line: word(row, "line")?,
        kind: word(row, "kind")?,
        end: word_if_any(row, "outcome")?,
        reservoir: word(row, "reservoir")?,
        left: left.map(Volume::from_ul),
        meant,
        volume: counted,
        carries: seen
            .get(text)
            .map_or_else(Carried::new, |whole| part_carried(whole, meant, counted)),
        in_tank: row.get("in_tank")?,
    })
}

/// What was done at the bench: calibrations, and later checks of them.
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
        let read = |row: &Row<'_>| -> rusqlite::Result<DoseToCheck> {
            Ok(DoseToCheck {
                id: DoseId(row.get("id")?),
                volume: volume(row, "volume_ul")?,
                end: word(row, "outcome")?,
                delivered: volume(row, "delivered_ul")?,
                checked: row.get("checked")?,
            })
        };
        self.ask("look for the dose that was measured", |conn| {
            conn.query_row(
                "SELECT *, EXISTS (SELECT 1 FROM entry WHERE entry.kind = 'verification' AND body ->> 'dose' = dose.id) AS checked
                 FROM dose WHERE head = ?1 AND outcome IS NOT NULL
                   AND (id = ?2 OR ?2 IS NULL AND kind = 'calibration'
                        AND at_ms >= (SELECT coalesce(max(entry.at_ms), 0) FROM entry
                                      WHERE entry.kind = 'calibration' AND body ->> 'head' = ?1))
                 ORDER BY id DESC LIMIT 1",
                params![head.as_str(), dose.map(|dose| dose.0)],
                read,
            )
            .optional()
        })
    }

    /// The newest word on a head at the bench.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn bench_of(&self, head: &Name) -> Result<Option<Bench>, LedgerError> {
        Ok(self
            .of_head("read its session at the bench", "bench", head)?
            .pop())
    }

    /// All calibrations of a head.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn calibrations_of(&self, head: &Name) -> Result<Vec<StoredCalibration>, LedgerError> {
        self.of_head("read its calibrations", "calibration", head)
    }

    /// All checks of a head.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn verifications_of(&self, head: &Name) -> Result<Vec<StoredVerification>, LedgerError> {
        self.of_head("read the checks of a head", "verification", head)
    }

    fn of_head<T: DeserializeOwned>(
        &self,
        doing: &'static str,
        kind: &str,
        head: &Name,
    ) -> Result<Vec<T>, LedgerError> {
        let which = format!("kind = '{kind}' AND body ->> 'head' = ?1 ORDER BY id");
        self.ask(doing, |conn| entries(conn, &which, [head.as_str()]))
    }

    /// Run time of a head since an instant. Reads every dose there is.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn run_since(&self, head: &Name, since: Timestamp) -> Result<Millis, LedgerError> {
        self.ask("add up the run time of a head", |conn| {
            conn.query_row(
                "SELECT coalesce(sum(coalesce(on_time_ms, run_time_ms)), 0) AS run_ms FROM dose
                 WHERE head = ?1 AND coalesce(ended_at_ms, at_ms) > ?2",
                params![head.as_str(), since.as_millisecond()],
                |row| millis(row, "run_ms"),
            )
        })
    }

    /// The end of a dose; `None` while it has none.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn end_of(&self, dose: DoseId) -> Result<Option<EndedDose>, LedgerError> {
        self.ask("read the end of a dose", |conn| {
            conn.query_row(
                "SELECT outcome, delivered_ul, on_time_ms FROM dose WHERE id = ?1 AND outcome IS NOT NULL",
                [dose.0],
                |row| {
                    let on_time: Option<i64> = row.get("on_time_ms")?;
                    Ok(EndedDose {
                        end: word(row, "outcome")?,
                        delivered: volume(row, "delivered_ul")?,
                        on_time: on_time.map(Millis::new),
                    })
                },
            )
            .optional()
        })
    }
}

/// The owner's acceptance as it stands in the ledger. Losing the ledger loses it.
impl Ledger {
    /// The latest arming or disarming; `None` when there never was one.
    ///
    /// # Errors
    /// Any [`LedgerError`]; an arming that cannot be read is none.
    pub fn arming(&self) -> Result<Option<Arming>, LedgerError> {
        let place = Place::new(&self.path, "read whether it is armed");
        newest_of(&self.conn, "arming").map_err(|e| place.sql(e))
    }

    /// The bottles whose content the owner has told since the latest arming, while outputs were driven. What was told or assumed in a dry
    /// run does not count.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn refilled_since_arming(&self) -> Result<BTreeSet<Name>, LedgerError> {
        let place = Place::new(&self.path, "read which bottles were filled");
        refilled_since_arming(&self.conn).map_err(|e| place.sql(e))
    }
}

pub(super) fn refilled_since_arming(conn: &Connection) -> rusqlite::Result<BTreeSet<Name>> {
    conn.prepare(
        "SELECT DISTINCT reservoir FROM refill WHERE who <> 'daemon' AND id > ?1
         AND session IN (SELECT id FROM session WHERE live = 1)",
    )?
    .query_map([total(conn, ARMED, "")?], |row| word(row, "reservoir"))?
    .collect()
}
