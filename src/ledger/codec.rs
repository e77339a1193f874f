//! How core types lie in columns. Every stable word that the database holds is written here and nowhere else.

use jiff::Timestamp;
use jiff::civil::Date;
use rusqlite::Row;
use rusqlite::types::Type;
use thiserror::Error;

use crate::chemistry::Quantity;
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseEnd, DoseKind, NotGiven, Stamp, Who};

/// A column holds something that this program never writes there.
#[derive(Debug, Error)]
#[error("a row holds {value:?} where {expected} belongs")]
struct Unexpected {
    value: String,
    expected: &'static str,
}

/// The error for a column that cannot be understood; it becomes "damaged" further up.
pub(super) fn unexpected(
    row: &Row<'_>,
    column: &str,
    value: &str,
    expected: &'static str,
) -> rusqlite::Error {
    let index = row.as_ref().column_index(column).unwrap_or(0);
    let value = value.chars().take(60).collect();
    let cause = Unexpected { value, expected };
    rusqlite::Error::FromSqlConversionFailure(index, Type::Text, Box::new(cause))
}

pub(super) fn int(row: &Row<'_>, column: &str) -> rusqlite::Result<i64> {
    row.get(column)
}

/// A flag kept as 0 or 1.
pub(super) fn flag(row: &Row<'_>, column: &str) -> rusqlite::Result<bool> {
    int(row, column).map(|value| value != 0)
}

pub(super) fn text(row: &Row<'_>, column: &str) -> rusqlite::Result<String> {
    row.get(column)
}

/// A volume in microlitres.
pub(super) fn volume(row: &Row<'_>, column: &str) -> rusqlite::Result<Volume> {
    int(row, column).map(Volume::from_ul)
}

pub(super) fn millis(row: &Row<'_>, column: &str) -> rusqlite::Result<Millis> {
    int(row, column).map(Millis::new)
}

pub(super) fn name(row: &Row<'_>, column: &str) -> rusqlite::Result<Name> {
    let value = row
        .get_ref(column)?
        .as_str()
        .map_err(rusqlite::Error::from)?;
    Name::new(value).map_err(|_| unexpected(row, column, value, "a name"))
}

/// An instant in milliseconds since 1970 UTC.
pub(super) fn instant(row: &Row<'_>, column: &str) -> rusqlite::Result<Timestamp> {
    let ms = int(row, column)?;
    Timestamp::from_millisecond(ms)
        .map_err(|_| unexpected(row, column, &ms.to_string(), "a time in milliseconds"))
}

/// The stamp of a row.
pub(super) fn stamp(row: &Row<'_>) -> rusqlite::Result<Stamp> {
    Ok(Stamp {
        wall: instant(row, "at_ms")?,
        elapsed: millis(row, "elapsed_ms")?,
        trusted: flag(row, "trusted")?,
    })
}

/// The slot of a dose row; `None` for a dose that is not of the plan.
pub(super) fn slot(row: &Row<'_>, line: &Name) -> rusqlite::Result<Option<SlotKey>> {
    let Some(second) = row.get::<_, Option<i64>>("slot_second")? else {
        return Ok(None);
    };
    let date = text(row, "slot_date")?;
    let bad = || unexpected(row, "slot_date", &date, "a date and a second of the day");
    Ok(Some(SlotKey {
        line: line.clone(),
        date: date.parse::<Date>().map_err(|_| bad())?,
        number: u32::try_from(second).map_err(|_| bad())?,
    }))
}

/// `plan`, `daemon`, `local:1000`, `remote:NAME`.
pub(super) fn who_text(who: &Who) -> String {
    match who {
        Who::Plan => "plan".to_owned(),
        Who::Daemon => "daemon".to_owned(),
        Who::Local { uid } => format!("local:{uid}"),
        Who::Remote { name } => format!("remote:{name}"),
    }
}

pub(super) fn who(row: &Row<'_>) -> rusqlite::Result<Who> {
    let value = text(row, "who")?;
    let read = match value.split_once(':') {
        None if value == "plan" => Some(Who::Plan),
        None if value == "daemon" => Some(Who::Daemon),
        Some(("local", uid)) => uid.parse().ok().map(|uid| Who::Local { uid }),
        Some(("remote", name)) => Some(Who::Remote {
            name: name.to_owned(),
        }),
        None | Some(_) => None,
    };
    read.ok_or_else(|| unexpected(row, "who", &value, "who asked"))
}

/// Word of a dose kind.
pub(super) fn kind_text(kind: DoseKind) -> &'static str {
    match kind {
        DoseKind::Plan => "plan",
        DoseKind::Hand => "hand",
        DoseKind::Prime => "prime",
        DoseKind::Calibration => "calibration",
    }
}

pub(super) fn kind(row: &Row<'_>) -> rusqlite::Result<DoseKind> {
    let value = text(row, "kind")?;
    match value.as_str() {
        "plan" => Ok(DoseKind::Plan),
        "hand" => Ok(DoseKind::Hand),
        "prime" => Ok(DoseKind::Prime),
        "calibration" => Ok(DoseKind::Calibration),
        _ => Err(unexpected(row, "kind", &value, "the kind of a dose")),
    }
}

/// Word of an outcome.
pub(super) fn end_text(end: DoseEnd) -> &'static str {
    match end {
        DoseEnd::Delivered => "delivered",
        DoseEnd::Interrupted => "interrupted",
        DoseEnd::Failed => "failed",
        DoseEnd::Uncertain => "uncertain",
        DoseEnd::NotStarted => "not-started",
    }
}

/// How a dose ended; `None` while nobody knows.
pub(super) fn end(row: &Row<'_>) -> rusqlite::Result<Option<DoseEnd>> {
    let Some(text) = row.get::<_, Option<String>>("outcome")? else {
        return Ok(None);
    };
    let all = [
        DoseEnd::Delivered,
        DoseEnd::Interrupted,
        DoseEnd::Failed,
        DoseEnd::Uncertain,
        DoseEnd::NotStarted,
    ];
    let found = all.into_iter().find(|end| end_text(*end) == text);
    found
        .map(Some)
        .ok_or_else(|| unexpected(row, "outcome", &text, "the end of a dose"))
}

/// Word of a slot not given.
pub(super) fn not_given_text(kind: NotGiven) -> &'static str {
    match kind {
        NotGiven::Missed => "missed",
        NotGiven::Refused => "refused",
    }
}

/// What was measured, from its word.
pub(super) fn measured(row: &Row<'_>) -> rusqlite::Result<Quantity> {
    let value = text(row, "measured")?;
    Quantity::from_word(&value)
        .ok_or_else(|| unexpected(row, "measured", &value, "alkalinity or an element"))
}
