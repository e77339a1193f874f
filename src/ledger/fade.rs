//! Changeovers in the record.

use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use super::codec::{self, who_text};
use super::error::LedgerError;
use super::reader::LedgerReader;
use crate::record::{Changeover, ChangeoverState};

impl LedgerReader {
    /// Every word on every changeover, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn changeovers(&self) -> Result<Vec<Changeover>, LedgerError> {
        self.rows(
            "read its changeovers",
            "SELECT * FROM changeover ORDER BY id",
            changeover,
        )
    }
}

/// The newest word on the newest changeover.
pub(super) fn newest(conn: &Connection) -> rusqlite::Result<Option<Changeover>> {
    conn.query_row(
        "SELECT * FROM changeover ORDER BY id DESC LIMIT 1",
        [],
        changeover,
    )
    .optional()
}

fn changeover(row: &Row<'_>) -> rusqlite::Result<Changeover> {
    let (word, date) = (codec::text(row, "state")?, codec::text(row, "on_date")?);
    let state = ChangeoverState::ALL
        .into_iter()
        .find(|state| state.as_str() == word);
    let on = date.parse();
    Ok(Changeover {
        number: codec::int(row, "changeover")?,
        from: codec::name(row, "from_line")?,
        to: codec::name(row, "to_line")?,
        by: codec::measured(row)?,
        days: row.get("days")?,
        step: row.get("step")?,
        on: on.map_err(|_| codec::unexpected(row, "on_date", &date, "a date"))?,
        state: state
            .ok_or_else(|| codec::unexpected(row, "state", &word, "the state of a changeover"))?,
        note: codec::text(row, "note")?,
        who: codec::who(row)?,
        at: codec::stamp(row)?,
    })
}

pub(super) fn insert(
    tx: &Transaction<'_>,
    session: i64,
    changeover: &Changeover,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO changeover (session, at_ms, elapsed_ms, trusted, changeover, from_line, to_line, measured, days, step,
                                 on_date, state, note, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)",
        params![
            session,
            changeover.at.wall.as_millisecond(),
            changeover.at.elapsed.as_ms(),
            changeover.at.trusted,
            changeover.number,
            changeover.from.as_str(),
            changeover.to.as_str(),
            changeover.by.as_str(),
            changeover.days,
            changeover.step,
            changeover.on.to_string(),
            changeover.state.as_str(),
            changeover.note,
            who_text(&changeover.who),
        ],
    )
}
