//! What each line has delivered over the life of the ledger, for displays that count upwards.

use std::collections::BTreeMap;

use super::codec::name;
use super::error::LedgerError;
use super::open::Place;
use super::reader::LedgerReader;
use crate::quantity::{Name, Volume};

impl LedgerReader {
    /// Volume booked for each line, of doses with an outcome; only real ones or only those of dry runs. Reads every dose there
    /// is, so it is asked once at a start.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn delivered_by_line(&self, live: bool) -> Result<BTreeMap<Name, Volume>, LedgerError> {
        let place = Place::new(&self.path, "add up what each line delivered");
        let read = || -> rusqlite::Result<BTreeMap<Name, Volume>> {
            let mut query = self.conn.prepare(
                "SELECT line, sum(delivered_ul) AS delivered_ul FROM dose
                 WHERE outcome IS NOT NULL AND live = ?1 GROUP BY line",
            )?;
            let sums = query.query_map([live], |row| {
                Ok((
                    name(row, "line")?,
                    Volume::from_ul(row.get("delivered_ul")?),
                ))
            })?;
            sums.collect()
        };
        read().map_err(|e| place.sql(e))
    }
}
