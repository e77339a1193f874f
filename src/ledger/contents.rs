//! What each bottle holds by its newest refill, and what was drawn since it last changed.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{Connection, Row, params};

use super::columns::{word, word_if_any};
use crate::config::TubeContent;
use crate::quantity::{Name, Volume};
use crate::record::Content;

/// Doses after a refill in which a tube is looked for that is not through yet. Far more than any tube holds.
const TUBE_DOSES_MAX: i64 = 50_000;

/// The newest refill of each bottle.
const NEWEST: &str = "SELECT reservoir, solution, who <> 'daemon' AS told FROM refill
     WHERE id IN (SELECT max(id) FROM refill GROUP BY reservoir) ORDER BY reservoir";

/// When another solution last came into a bottle.
const CHANGED: &str =
    "SELECT tube_solution, tube_left_ul, dose_last, session, elapsed_ms FROM refill
     WHERE reservoir = ?1 AND tube_solution IS NOT NULL ORDER BY id DESC LIMIT 1";

/// What lines drew on a bottle after a dose.
const DRAWN: &str = "SELECT line, sum(delivered_ul) AS drawn_ul FROM
     (SELECT line, delivered_ul FROM dose WHERE id > ?1 AND reservoir = ?2 ORDER BY id LIMIT ?3)
     WHERE delivered_ul IS NOT NULL GROUP BY line";

/// Lines whose head has had a new tube since.
const NEW_TUBES: &str = "SELECT DISTINCT body ->> 'line' AS line FROM entry
     WHERE kind = 'bench' AND body ->> 'what' = 'new-tube' AND (session, elapsed_ms) > (?1, ?2)";

pub(super) fn contents(conn: &Connection) -> rusqlite::Result<Vec<Content>> {
    let mut newest = conn.prepare(NEWEST)?;
    let mut changed = conn.prepare(CHANGED)?;
    let mut drawn = conn.prepare(DRAWN)?;
    let mut new_tubes = conn.prepare(NEW_TUBES)?;
    let mut rows = newest.query([])?;
    let mut contents = Vec::new();
    while let Some(row) = rows.next()? {
        let reservoir: Name = word(row, "reservoir")?;
        let mut content = Content {
            solution: word(row, "solution")?,
            told: row.get("told")?,
            tube: None,
            drawn: BTreeMap::new(),
            new_tubes: BTreeSet::new(),
            reservoir,
        };
        let bottle = content.reservoir.as_str();
        if let Some(change) = changed.query([bottle])?.next()? {
            content.tube = tube(change)?;
            let after: i64 = change.get("dose_last")?;
            let mut rows = drawn.query(params![after, bottle, TUBE_DOSES_MAX])?;
            while let Some(row) = rows.next()? {
                let ul: i64 = row.get("drawn_ul")?;
                content
                    .drawn
                    .insert(word(row, "line")?, Volume::from_ul(ul));
            }
            let since: (i64, i64) = (change.get("session")?, change.get("elapsed_ms")?);
            let mut rows = new_tubes.query(since)?;
            while let Some(row) = rows.next()? {
                content.new_tubes.insert(word(row, "line")?);
            }
        }
        contents.push(content);
    }
    Ok(contents)
}

fn tube(row: &Row<'_>) -> rusqlite::Result<Option<TubeContent>> {
    let left = Volume::from_ul(row.get("tube_left_ul")?);
    let solution: Option<Name> = word_if_any(row, "tube_solution")?;
    Ok(solution.map(|solution| TubeContent { solution, left }))
}
