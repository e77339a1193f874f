//! The owner's acceptance as it stands in the ledger. Losing the ledger loses it.

use std::collections::BTreeSet;

use rusqlite::OptionalExtension;

use super::codec::{flag, name, stamp, text, who};
use super::error::LedgerError;
use super::open::{Ledger, Place};
use crate::quantity::Name;
use crate::record::Arming;

impl Ledger {
    /// The latest arming or disarming; `None` when there never was one.
    ///
    /// # Errors
    /// Any [`LedgerError`]; an arming that cannot be read is none.
    pub fn arming(&self) -> Result<Option<Arming>, LedgerError> {
        let place = Place::new(&self.path, "read whether it is armed");
        self.conn
            .query_row(
                "SELECT *, action = 'armed' AS armed FROM arming ORDER BY id DESC LIMIT 1",
                [],
                |row| {
                    Ok(Arming {
                        armed: flag(row, "armed")?,
                        fingerprint: text(row, "fingerprint")?,
                        hardware: text(row, "hardware")?,
                        sentence: text(row, "sentence")?,
                        who: who(row)?,
                        at: stamp(row)?,
                    })
                },
            )
            .optional()
            .map_err(|e| place.sql(e))
    }

    /// The bottles whose content the owner has told since the latest arming. What a dry run assumed does not count.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn refilled_since_arming(&self) -> Result<BTreeSet<Name>, LedgerError> {
        let place = Place::new(&self.path, "read which bottles were filled");
        let read = || -> rusqlite::Result<BTreeSet<Name>> {
            let mut query = self.conn.prepare(
                "SELECT DISTINCT reservoir FROM refill
                 WHERE who <> 'daemon' AND id > coalesce((SELECT refill_last FROM arming ORDER BY id DESC LIMIT 1), 0)",
            )?;
            let names = query.query_map([], |row| name(row, "reservoir"))?;
            names.collect()
        };
        read().map_err(|e| place.sql(e))
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
}
