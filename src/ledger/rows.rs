//! Rows for people and programs: stable column names that carry their units, as JSON and as CSV.
//!
//! The names are a promise. Times are RFC 3339 in UTC, volumes whole microlitres, durations whole milliseconds. An entry's columns are the
//! keys of its record; those of doses, refills and starts are told here.

use std::io::Write;

use jiff::Timestamp;
use rusqlite::types::ValueRef;
use serde::ser::{Serialize, SerializeMap, SerializeSeq, Serializer};
use serde_json::Value;
use thiserror::Error;

use super::error::LedgerError;
use super::files::Place;
use super::kinds;
use super::reader::LedgerReader;
use crate::quantity::Name;
use crate::record::Entry;

/// What can be listed: doses (intents with their outcomes), refills, starts of the daemon, or the entries of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Table(&'static str);

#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Only rows of this line; tables without lines then have none.
    pub line: Option<Name>,
    /// Not before this instant, by the wall clock as it was.
    pub since: Option<Timestamp>,
    pub until: Option<Timestamp>,
    /// Only the newest so many. They still come oldest first.
    pub newest: Option<u32>,
}

/// One row with its column names, in their order.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Where it is from.
    pub table: Table,
    /// Column names and values.
    pub cells: Vec<(String, Value)>,
}

/// Why rows could not be handed out.
#[derive(Debug, Error)]
pub enum ExportError {
    /// The ledger could not be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// What takes the rows failed; a closed pipe is one of these.
    #[error("cannot write the rows")]
    Output(#[from] std::io::Error),
}

impl From<csv::Error> for ExportError {
    fn from(error: csv::Error) -> Self {
        Self::Output(error.into())
    }
}

/// Columns of the tables of their own: `NAME` or `NAME=COLUMN` in the database.
const TYPED: [(&str, &str); 3] = [
    (
        "dose",
        "number=id at=at_ms clock_trusted=trusted elapsed_ms session line head reservoir solution kind slot_date slot_second \
         volume_ul run_time_ms carries into=destination who live outcome outcome_order delivered_ul on_time_ms reservoir_left_ul \
         cause ended_at=ended_at_ms ended_clock_trusted=ended_trusted ended_elapsed_ms ended_session",
    ),
    (
        "refill",
        "number=id at=at_ms clock_trusted=trusted elapsed_ms session reservoir level_ul before_ul solution tube_solution tube_left_ul \
         dose_last outcome_order who note",
    ),
    (
        "session",
        "number=id at=at_ms clock_trusted=trusted elapsed_ms boot last_at=last_at_ms last_clock_trusted=last_trusted \
         last_elapsed_ms version controller_fingerprint plan_fingerprint live",
    ),
];

/// Columns that hold 0 or 1.
const FLAGS: [&str; 4] = ["trusted", "ended_trusted", "last_trusted", "live"];

/// Beginnings that a spreadsheet takes for a formula.
const FORMULA: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

impl Table {
    pub const DOSE: Self = Self("dose");
    pub const REFILL: Self = Self("refill");

    /// All of them, in the order in which they are exported.
    pub fn all() -> impl Iterator<Item = Self> {
        let kinds = Entry::KINDS.iter().map(|(kind, _)| Self(kind));
        TYPED.iter().map(|(name, _)| Self(name)).chain(kinds)
    }

    /// The table by the name that [`Self::name`] gives.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::all().find(|table| table.name() == name)
    }

    /// Stable name, for options, JSON and views.
    pub fn name(self) -> String {
        self.0.replace('-', "_")
    }

    /// Column names, in order.
    pub fn columns(self) -> Vec<String> {
        let pairs = self.pairs();
        if pairs.is_empty() {
            return kinds::columns(self.0);
        }
        pairs.iter().map(|(name, _)| (*name).to_owned()).collect()
    }

    /// Names and columns of a table of its own; none for a kind of entry.
    fn pairs(self) -> Vec<(&'static str, &'static str)> {
        let typed = TYPED.iter().find(|(name, _)| *name == self.0);
        typed
            .into_iter()
            .flat_map(|(_, columns)| columns.split_whitespace())
            .map(|column| column.split_once('=').unwrap_or((column, column)))
            .collect()
    }

    /// The query for [`Filter`]'s parameters: line, since, until, newest. Without a limit it needs no list of numbers in memory.
    fn query(self, limited: bool) -> String {
        let pairs = self.pairs();
        let (list, table, of, line) = if pairs.is_empty() {
            let of = format!("kind = '{}'", self.0);
            (
                "id, session, body".to_owned(),
                "entry",
                of,
                "body ->> 'line'",
            )
        } else {
            let columns: Vec<&str> = pairs.iter().map(|(_, column)| *column).collect();
            (columns.join(", "), self.0, "1".to_owned(), "line")
        };
        let has_line = self.columns().iter().any(|column| column == "line");
        let line = if has_line {
            format!("{line} = ?1")
        } else {
            "0".to_owned()
        };
        let which = format!("{of} AND (?1 IS NULL OR {line}) AND at_ms >= ?2 AND at_ms < ?3");
        if limited {
            format!(
                "SELECT {list} FROM {table} WHERE id IN (SELECT id FROM {table} WHERE {which} ORDER BY id DESC LIMIT ?4) ORDER BY id"
            )
        } else {
            format!("SELECT {list} FROM {table} WHERE {which} AND ?4 ORDER BY id")
        }
    }

    fn cells(
        self,
        columns: &[String],
        found: &rusqlite::Row<'_>,
    ) -> rusqlite::Result<Vec<(String, Value)>> {
        let pairs = self.pairs();
        if !pairs.is_empty() {
            return pairs
                .into_iter()
                .map(|(name, column)| Ok((name.to_owned(), typed(column, found)?)))
                .collect();
        }
        let mut body: serde_json::Map<String, Value> = kinds::body(found)?;
        columns
            .iter()
            .map(|name| {
                let value = match name.as_str() {
                    "number" => found.get::<_, i64>("id")?.into(),
                    "session" => found.get::<_, i64>("session")?.into(),
                    key => body.remove(key).unwrap_or_default(),
                };
                Ok((name.clone(), value))
            })
            .collect()
    }
}

/// The value of a column of a table of its own.
fn typed(column: &str, found: &rusqlite::Row<'_>) -> rusqlite::Result<Value> {
    Ok(match found.get_ref(column)? {
        ValueRef::Null if column == "outcome" => "open".into(),
        // No column that is shown holds blobs.
        ValueRef::Null | ValueRef::Blob(_) => Value::Null,
        ValueRef::Integer(ms) if column.ends_with("at_ms") => {
            Timestamp::from_millisecond(ms).map_or(ms.into(), |at| at.to_string().into())
        }
        ValueRef::Integer(flag) if FLAGS.contains(&column) => (flag != 0).into(),
        ValueRef::Integer(value) => value.into(),
        ValueRef::Real(value) => value.into(),
        ValueRef::Text(_) if column == "carries" => kinds::json(found, column)?,
        ValueRef::Text(_) => found.get::<_, String>(column)?.into(),
    })
}

impl Row {
    /// The value of a column.
    pub fn get(&self, column: &str) -> Option<&Value> {
        self.cells
            .iter()
            .find(|(name, _)| name == column)
            .map(|(_, cell)| cell)
    }
}

impl Serialize for Row {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut map = to.serialize_map(Some(self.cells.len() + 1))?;
        map.serialize_entry("table", &self.table.name())?;
        for (name, cell) in &self.cells {
            map.serialize_entry(name, cell)?;
        }
        map.end()
    }
}

/// A cell of CSV: without what a spreadsheet would take for a formula, what has parts as JSON.
fn csv_cell(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) if text.starts_with(FORMULA) => format!("'{text}"),
        Value::String(text) => text.clone(),
        Value::Bool(_) | Value::Number(_) | Value::Array(_) | Value::Object(_) => value.to_string(),
    }
}

impl LedgerReader {
    /// Hands each row of a table to `take`, oldest first, holding one at a time in memory.
    ///
    /// # Errors
    /// [`ExportError::Ledger`], or what `take` returned.
    pub fn for_each(
        &self,
        table: Table,
        filter: &Filter,
        mut take: impl FnMut(&Row) -> Result<(), ExportError>,
    ) -> Result<(), ExportError> {
        let place = Place::new(&self.path, "list its rows");
        let sql = table.query(filter.newest.is_some());
        let mut query = self.conn.prepare(&sql).map_err(|e| place.sql(e))?;
        let parameters = rusqlite::params![
            filter.line.as_ref().map(Name::as_str),
            filter.since.map_or(i64::MIN, Timestamp::as_millisecond),
            filter.until.map_or(i64::MAX, Timestamp::as_millisecond),
            filter.newest.map_or(1, i64::from),
        ];
        let columns = table.columns();
        let mut rows = query.query(parameters).map_err(|e| place.sql(e))?;
        while let Some(found) = rows.next().map_err(|e| place.sql(e))? {
            let cells = table.cells(&columns, found).map_err(|e| place.sql(e))?;
            take(&Row { table, cells })?;
        }
        Ok(())
    }

    /// Rows of a table, oldest first.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn list(&self, table: Table, filter: &Filter) -> Result<Vec<Row>, ExportError> {
        let mut rows = Vec::new();
        self.for_each(table, filter, |row| {
            rows.push(row.clone());
            Ok(())
        })?;
        Ok(rows)
    }

    /// One table as CSV (RFC 4180) with a heading.
    ///
    /// # Errors
    /// Any [`ExportError`].
    pub fn export_csv(
        &self,
        table: Table,
        filter: &Filter,
        out: &mut dyn Write,
    ) -> Result<(), ExportError> {
        let mut to = csv::WriterBuilder::new()
            .terminator(csv::Terminator::CRLF)
            .from_writer(out);
        to.write_record(table.columns())?;
        self.for_each(table, filter, |row| {
            let cells = row.cells.iter().map(|(_, cell)| csv_cell(cell));
            Ok(to.write_record(cells)?)
        })?;
        Ok(to.flush()?)
    }

    /// Tables as one JSON object: the table's name to the list of its rows.
    ///
    /// # Errors
    /// Any [`ExportError`].
    pub fn export_json(
        &self,
        tables: &[Table],
        filter: &Filter,
        out: &mut dyn Write,
    ) -> Result<(), ExportError> {
        out.write_all(b"{")?;
        for (index, table) in tables.iter().enumerate() {
            let comma = if index == 0 { "" } else { "," };
            write!(out, "{comma}\n\"{}\": ", table.name())?;
            let mut to = serde_json::Serializer::new(&mut *out);
            let mut list = to.serialize_seq(None).map_err(std::io::Error::from)?;
            self.for_each(*table, filter, |row| {
                Ok(list.serialize_element(row).map_err(std::io::Error::from)?)
            })?;
            SerializeSeq::end(list).map_err(std::io::Error::from)?;
        }
        out.write_all(b"\n}\n")?;
        Ok(())
    }
}
