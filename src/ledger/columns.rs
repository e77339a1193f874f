//! How core types lie in the typed columns of doses, refills and sessions.

use jiff::Timestamp;
use rusqlite::Row;
use serde::Serialize;
use serde::de::value::{Error, StrDeserializer};
use serde::de::{DeserializeOwned, IntoDeserializer};

use super::kinds::unexpected;
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume};
use crate::record::Stamp;

/// The word by which a record says it.
pub(super) fn word_of(value: &impl Serialize) -> String {
    serde_json::to_value(value)
        .ok()
        .and_then(|value| value.as_str().map(str::to_owned))
        .unwrap_or_default()
}

/// What a column says in a word: a name, who asked, how a dose ended.
pub(super) fn word<T: DeserializeOwned>(row: &Row<'_>, column: &str) -> rusqlite::Result<T> {
    let text = row
        .get_ref(column)?
        .as_str()
        .map_err(rusqlite::Error::from)?;
    let from: StrDeserializer<'_, Error> = text.into_deserializer();
    T::deserialize(from).map_err(|error| unexpected(row, column, error))
}

/// The same of a column that may be empty.
pub(super) fn word_if_any<T: DeserializeOwned>(
    row: &Row<'_>,
    column: &str,
) -> rusqlite::Result<Option<T>> {
    if row.get_ref(column)? == rusqlite::types::ValueRef::Null {
        return Ok(None);
    }
    word(row, column).map(Some)
}

/// A volume in microlitres.
pub(super) fn volume(row: &Row<'_>, column: &str) -> rusqlite::Result<Volume> {
    row.get(column).map(Volume::from_ul)
}

pub(super) fn millis(row: &Row<'_>, column: &str) -> rusqlite::Result<Millis> {
    row.get(column).map(Millis::new)
}

/// An instant in milliseconds since 1970 UTC.
pub(super) fn instant(row: &Row<'_>, column: &str) -> rusqlite::Result<Timestamp> {
    Timestamp::from_millisecond(row.get(column)?).map_err(|error| unexpected(row, column, error))
}

pub(super) fn stamp(row: &Row<'_>) -> rusqlite::Result<Stamp> {
    Ok(Stamp {
        wall: instant(row, "at_ms")?,
        elapsed: millis(row, "elapsed_ms")?,
        trusted: row.get("trusted")?,
    })
}

/// The slot of a dose row; `None` for a dose that is not of the plan.
pub(super) fn slot(row: &Row<'_>, line: &Name) -> rusqlite::Result<Option<SlotKey>> {
    let Some(date) = word_if_any(row, "slot_date")? else {
        return Ok(None);
    };
    Ok(Some(SlotKey {
        line: line.clone(),
        date,
        number: row.get("slot_second")?,
    }))
}
