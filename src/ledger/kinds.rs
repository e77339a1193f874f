//! Entries as they lie in the database: a kind, and the record as JSON. What columns a kind has for views and export is told by its golden
//! body in `tests/golden`, which the tests hold against what is written.

use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension, Params, Row};
use serde::de::{DeserializeOwned, IgnoredAny, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use serde_json::value::RawValue;

use crate::record::Entry;

/// Columns that every kind has, first.
const STAMPS: [&str; 5] = ["number", "at", "clock_trusted", "elapsed_ms", "session"];

/// Columns of a kind, in order; none for a word that is no kind.
pub(super) fn columns(kind: &str) -> Vec<String> {
    let Some((_, forms)) = Entry::KINDS.iter().find(|(known, _)| *known == kind) else {
        return Vec::new();
    };
    let mut columns: Vec<String> = STAMPS.iter().map(|s| (*s).to_owned()).collect();
    for form in *forms {
        let Keys(keys) = serde_json::from_str(form).unwrap_or_default();
        let new: Vec<String> = keys.into_iter().filter(|k| !columns.contains(k)).collect();
        columns.extend(new);
    }
    columns
}

/// The keys of a JSON object, in their order.
#[derive(Default)]
struct Keys(Vec<String>);

impl<'de> Deserialize<'de> for Keys {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Collect;
        impl<'de> Visitor<'de> for Collect {
            type Value = Keys;

            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("an object")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Keys, A::Error> {
                let mut keys = Vec::new();
                while let Some((key, IgnoredAny)) = map.next_entry()? {
                    keys.push(key);
                }
                Ok(Keys(keys))
            }
        }
        deserializer.deserialize_map(Collect)
    }
}

/// Kind and body of an entry, as they are written.
pub(super) fn parts(entry: &Entry) -> rusqlite::Result<(String, String)> {
    #[derive(Deserialize)]
    struct Parts<'a> {
        kind: String,
        #[serde(borrow)]
        body: &'a RawValue,
    }
    let written = || -> serde_json::Result<(String, String)> {
        let text = serde_json::to_string(entry)?;
        let Parts { kind, body } = serde_json::from_str(&text)?;
        Ok((kind, body.get().to_owned()))
    };
    written().map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}

/// The entry of a kind and a body; the error says why they are none.
pub(super) fn read(kind: &str, body: &str) -> Result<Entry, serde_json::Error> {
    let kind = serde_json::to_string(kind)?;
    serde_json::from_str(&format!("{{\"kind\":{kind},\"body\":{body}}}"))
}

/// The record in the column `body`.
pub(super) fn body<T: DeserializeOwned>(row: &Row<'_>) -> rusqlite::Result<T> {
    json(row, "body")
}

/// What a column holds as JSON.
pub(super) fn json<T: DeserializeOwned>(row: &Row<'_>, column: &str) -> rusqlite::Result<T> {
    let text = row
        .get_ref(column)?
        .as_str()
        .map_err(rusqlite::Error::from)?;
    serde_json::from_str(text).map_err(|error| unexpected(row, column, error))
}

/// The error for a column that cannot be understood; it becomes "damaged" further up.
pub(super) fn unexpected(
    row: &Row<'_>,
    column: &str,
    error: impl std::error::Error + Send + Sync + 'static,
) -> rusqlite::Error {
    let index = row.as_ref().column_index(column).unwrap_or(0);
    rusqlite::Error::FromSqlConversionFailure(index, Type::Text, Box::new(error))
}

/// What of the observations still counts.
pub(super) const COUNTS: &str = "body ->> 'observation' NOT IN (SELECT body ->> 'observation' FROM entry WHERE kind = 'taken-back')
     AND coalesce(body ->> 'panel', 0) NOT IN (SELECT body ->> 'observation' FROM entry WHERE kind = 'taken-back')";

/// Entries that a condition gives. `which` is all that follows `WHERE`.
pub(super) fn entries<T: DeserializeOwned>(
    conn: &Connection,
    which: &str,
    parameters: impl Params,
) -> rusqlite::Result<Vec<T>> {
    conn.prepare(&format!("SELECT body FROM entry WHERE {which}"))?
        .query_map(parameters, body)?
        .collect()
}

/// The newest entry of a kind.
pub(super) fn newest_of<T: DeserializeOwned>(
    conn: &Connection,
    kind: &str,
) -> rusqlite::Result<Option<T>> {
    conn.query_row(
        "SELECT body FROM entry WHERE kind = ?1 ORDER BY id DESC LIMIT 1",
        [kind],
        body,
    )
    .optional()
}
