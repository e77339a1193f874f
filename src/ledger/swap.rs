//! Swapped bottles in the record.

use rusqlite::{Connection, OptionalExtension, Row, Transaction, params};

use super::codec::{self, who_text};
use super::error::LedgerError;
use super::reader::LedgerReader;
use crate::quantity::{Name, Volume};
use crate::record::{BottleSwap, DoseId, SwapState};

impl LedgerReader {
    /// Every word on every swapped bottle, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn swaps(&self) -> Result<Vec<BottleSwap>, LedgerError> {
        self.rows(
            "read its bottle swaps",
            "SELECT * FROM bottle_swap ORDER BY id",
            swap,
        )
    }
}

/// The newest word on the newest one, with what its line gave since the swap. Doses whose end nobody saw count in full.
pub(super) fn newest(conn: &Connection) -> rusqlite::Result<Option<(BottleSwap, Volume)>> {
    let newest = conn
        .query_row(
            "SELECT * FROM bottle_swap ORDER BY id DESC LIMIT 1",
            [],
            swap,
        )
        .optional()?;
    newest
        .map(|swap| {
            let given = conn.query_row(
                "SELECT coalesce(sum(coalesce(delivered_ul, volume_ul)), 0) FROM dose WHERE id > ?1 AND line = ?2 AND live = ?3",
                params![swap.dose_last.0, swap.line.as_str(), swap.live],
                |row| row.get(0),
            )?;
            Ok((swap, Volume::from_ul(given)))
        })
        .transpose()
}

fn swap(row: &Row<'_>) -> rusqlite::Result<BottleSwap> {
    let word = codec::text(row, "state")?;
    let state = SwapState::ALL
        .into_iter()
        .find(|state| state.as_str() == word);
    Ok(BottleSwap {
        number: codec::int(row, "swap")?,
        line: codec::name(row, "line")?,
        from: codec::name(row, "from_solution")?,
        to: codec::name(row, "to_solution")?,
        by: codec::measured(row)?,
        tube: codec::volume(row, "tube_ul")?,
        before: codec::volume(row, "before_ul")?,
        after: codec::volume(row, "after_ul")?,
        followers: followers(row)?,
        dose_last: DoseId(codec::int(row, "dose_last")?),
        live: codec::flag(row, "live")?,
        state: state
            .ok_or_else(|| codec::unexpected(row, "state", &word, "the state of a bottle swap"))?,
        note: codec::text(row, "note")?,
        who: codec::who(row)?,
        at: codec::stamp(row)?,
    })
}

/// Followers as `calcium=75600;magnesium=6000`, in microlitres a day.
fn followers_text(followers: &[(Name, Volume)]) -> String {
    let each = followers
        .iter()
        .map(|(line, volume)| format!("{line}={}", volume.as_ul()));
    each.collect::<Vec<_>>().join(";")
}

fn followers(row: &Row<'_>) -> rusqlite::Result<Vec<(Name, Volume)>> {
    let text = codec::text(row, "followers")?;
    let each = |part: &str| {
        let (line, ul) = part.split_once('=')?;
        Some((Name::new(line).ok()?, Volume::from_ul(ul.parse().ok()?)))
    };
    let parts = text.split(';').filter(|part| !part.is_empty());
    parts
        .map(|part| {
            each(part)
                .ok_or_else(|| codec::unexpected(row, "followers", part, "a line and a volume"))
        })
        .collect()
}

pub(super) fn insert(
    tx: &Transaction<'_>,
    session: i64,
    swap: &BottleSwap,
) -> rusqlite::Result<usize> {
    tx.execute(
        "INSERT INTO bottle_swap (session, at_ms, elapsed_ms, trusted, swap, line, from_solution, to_solution, measured,
                                  tube_ul, before_ul, after_ul, followers, dose_last, live, state, note, who)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)",
        params![
            session,
            swap.at.wall.as_millisecond(),
            swap.at.elapsed.as_ms(),
            swap.at.trusted,
            swap.number,
            swap.line.as_str(),
            swap.from.as_str(),
            swap.to.as_str(),
            swap.by.as_str(),
            swap.tube.as_ul(),
            swap.before.as_ul(),
            swap.after.as_ul(),
            followers_text(&swap.followers),
            swap.dose_last.0,
            swap.live,
            swap.state.as_str(),
            swap.note,
            who_text(&swap.who),
        ],
    )
}
