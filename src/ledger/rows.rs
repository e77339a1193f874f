//! Rows for people and programs: stable column names that carry their units, as JSON and as CSV.
//!
//! The names are a promise. Times are RFC 3339 in UTC, volumes whole microlitres, durations whole milliseconds.

use std::io::Write;

use jiff::Timestamp;
use rusqlite::types::Value;
use serde::ser::{Serialize, SerializeMap, SerializeSeq, Serializer};
use thiserror::Error;

use super::error::LedgerError;
use super::open::Place;
use super::reader::LedgerReader;
use crate::quantity::Name;

/// What can be listed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Table {
    /// Doses: intents with their outcomes.
    Dose,
    /// Slots missed or refused.
    NotGiven,
    /// Outages in which slots were missed.
    Outage,
    /// Holds set and lifted.
    Hold,
    Refill,
    Calibration,
    /// Heads checked against their calibration.
    Verification,
    Reading,
    /// Changes of the established uptake.
    Uptake,
    /// Outputs allowed to be driven, or no longer.
    Arming,
    /// Courses begun, paused, resumed and ended.
    Course,
    /// Changeovers and their steps.
    Changeover,
    /// What the owner told.
    Fact,
    Event,
    /// Starts of the daemon.
    Session,
}

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

#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    Empty,
    Whole(i64),
    Number(f64),
    Flag(bool),
    /// A word of this program, or a time.
    Word(String),
    /// Text that people typed, here or at the broker.
    Typed(String),
}

/// One row with its column names, in their order.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Where it is from.
    pub table: Table,
    /// Column names and values.
    pub cells: Vec<(&'static str, Cell)>,
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

/// How a column is shown.
#[derive(Clone, Copy)]
enum Show {
    Plain,
    Time,
    Flag,
    Typed,
}

type Column = (&'static str, &'static str, Show);

const NUMBER: Column = ("number", "id", Show::Plain);
const AT: Column = ("at", "at_ms", Show::Time);
const TRUSTED: Column = ("clock_trusted", "trusted", Show::Flag);
const ELAPSED: Column = ("elapsed_ms", "elapsed_ms", Show::Plain);
const SESSION: Column = ("session", "session", Show::Plain);
const LINE: Column = ("line", "line", Show::Plain);
const WHO: Column = ("who", "who", Show::Typed);
const SLOT_DATE: Column = ("slot_date", "slot_date", Show::Plain);
const SLOT_SECOND: Column = ("slot_second", "slot_second", Show::Plain);
const VOLUME: Column = ("volume_ul", "volume_ul", Show::Plain);
const METHOD: Column = ("method", "method", Show::Typed);

const DOSE: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    LINE,
    ("head", "head", Show::Plain),
    ("reservoir", "reservoir", Show::Plain),
    ("solution", "solution", Show::Plain),
    ("kind", "kind", Show::Plain),
    SLOT_DATE,
    SLOT_SECOND,
    VOLUME,
    ("run_time_ms", "run_time_ms", Show::Plain),
    ("alkalinity_meq_per_l", "alkalinity_meq_per_l", Show::Plain),
    WHO,
    ("live", "live", Show::Flag),
    ("outcome", "coalesce(outcome, 'open')", Show::Plain),
    ("outcome_order", "outcome_order", Show::Plain),
    ("delivered_ul", "delivered_ul", Show::Plain),
    ("on_time_ms", "on_time_ms", Show::Plain),
    ("reservoir_left_ul", "reservoir_left_ul", Show::Plain),
    ("cause", "cause", Show::Typed),
    ("ended_at", "ended_at_ms", Show::Time),
    ("ended_clock_trusted", "ended_trusted", Show::Flag),
    ("ended_elapsed_ms", "ended_elapsed_ms", Show::Plain),
    ("ended_session", "ended_session", Show::Plain),
];
const NOT_GIVEN: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    LINE,
    SLOT_DATE,
    SLOT_SECOND,
    ("due", "due_ms", Show::Time),
    VOLUME,
    ("kind", "kind", Show::Plain),
    ("code", "code", Show::Plain),
    ("reason", "reason", Show::Typed),
];
const OUTAGE: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    LINE,
    ("from", "from_ms", Show::Time),
    ("until", "until_ms", Show::Time),
    ("slots", "slots", Show::Plain),
    VOLUME,
];
const HOLD: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    LINE,
    ("action", "action", Show::Plain),
    ("since", "since_ms", Show::Time),
    ("reason", "reason", Show::Typed),
    WHO,
];
const REFILL: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("reservoir", "reservoir", Show::Plain),
    ("level_ul", "level_ul", Show::Plain),
    ("before_ul", "before_ul", Show::Plain),
    ("outcome_order", "outcome_order", Show::Plain),
    WHO,
    ("note", "note", Show::Typed),
];
const CALIBRATION: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("head", "head", Show::Plain),
    ("rate_ml_per_min", "rate_ml_per_min", Show::Plain),
    ("offset_ul", "offset_ul", Show::Plain),
    ("variation", "variation", Show::Plain),
    METHOD,
    ("head_run_ms", "head_run_ms", Show::Plain),
    ("run_min_ms", "run_min_ms", Show::Plain),
    ("run_max_ms", "run_max_ms", Show::Plain),
    ("dose_min_ul", "dose_min_ul", Show::Plain),
    ("tolerance_percent", "tolerance_percent", Show::Plain),
    ("simulated", "simulated", Show::Flag),
    ("resolution_ul", "resolution_ul", Show::Plain),
    ("weighing", "weighing", Show::Typed),
    WHO,
];
const VERIFICATION: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("head", "head", Show::Plain),
    ("dose", "dose", Show::Plain),
    ("expected_ul", "expected_ul", Show::Plain),
    ("measured_ul", "measured_ul", Show::Plain),
    ("typed", "typed", Show::Typed),
    ("tolerance_percent", "tolerance_percent", Show::Plain),
    ("run_since_ms", "run_since_ms", Show::Plain),
    WHO,
];
const READING: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("taken", "taken_ms", Show::Time),
    ("measured", "measured", Show::Plain),
    ("form", "form", Show::Plain),
    ("value", "value", Show::Plain),
    ("uncertainty", "uncertainty", Show::Plain),
    ("unit", "unit", Show::Plain),
    METHOD,
    WHO,
];
const UPTAKE: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("measured", "measured", Show::Plain),
    ("per_day", "per_day", Show::Plain),
    ("before_per_day", "before_per_day", Show::Plain),
    ("how", "how", Show::Plain),
    WHO,
];
const ARMING: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("action", "action", Show::Plain),
    ("fingerprint", "fingerprint", Show::Plain),
    ("hardware", "hardware", Show::Typed),
    ("sentence", "sentence", Show::Typed),
    WHO,
];
const CHANGEOVER: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("changeover", "changeover", Show::Plain),
    ("from_line", "from_line", Show::Plain),
    ("to_line", "to_line", Show::Plain),
    ("measured", "measured", Show::Plain),
    ("days", "days", Show::Plain),
    ("step", "step", Show::Plain),
    ("on_date", "on_date", Show::Plain),
    ("state", "state", Show::Plain),
    ("note", "note", Show::Typed),
    WHO,
];
const COURSE: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("course", "course", Show::Plain),
    ("kind", "kind", Show::Plain),
    LINE,
    ("measured", "measured", Show::Plain),
    ("rise_per_day", "rise_per_day", Show::Plain),
    ("extra_ul", "extra_ul", Show::Plain),
    ("standing_ul", "standing_ul", Show::Plain),
    ("first_date", "first_date", Show::Plain),
    ("days", "days", Show::Plain),
    ("state", "state", Show::Plain),
    ("note", "note", Show::Typed),
    WHO,
];
const FACT: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("happened", "happened_ms", Show::Time),
    ("kind", "kind", Show::Plain),
    ("name", "name", Show::Typed),
    ("value", "value", Show::Plain),
    ("uncertainty", "uncertainty", Show::Plain),
    ("text", "text", Show::Typed),
    WHO,
];
const EVENT: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    SESSION,
    ("code", "code", Show::Plain),
    LINE,
    ("text", "text", Show::Typed),
    WHO,
];
const STARTS: &[Column] = &[
    NUMBER,
    AT,
    TRUSTED,
    ELAPSED,
    ("boot", "boot", Show::Plain),
    ("last_at", "last_at_ms", Show::Time),
    ("last_clock_trusted", "last_trusted", Show::Flag),
    ("last_elapsed_ms", "last_elapsed_ms", Show::Plain),
    ("version", "version", Show::Plain),
    (
        "controller_fingerprint",
        "controller_fingerprint",
        Show::Plain,
    ),
    ("plan_fingerprint", "plan_fingerprint", Show::Plain),
    ("live", "live", Show::Flag),
];

impl Table {
    /// All of them, in the order in which they are exported.
    pub const ALL: [Self; 15] = [
        Self::Dose,
        Self::NotGiven,
        Self::Outage,
        Self::Hold,
        Self::Refill,
        Self::Calibration,
        Self::Verification,
        Self::Reading,
        Self::Uptake,
        Self::Arming,
        Self::Course,
        Self::Changeover,
        Self::Fact,
        Self::Event,
        Self::Session,
    ];

    /// The table by the name that [`Self::name`] gives.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|table| table.name() == name)
    }

    /// Stable name, for options and JSON.
    pub const fn name(self) -> &'static str {
        self.parts().0
    }

    /// Column names, in order.
    pub fn columns(self) -> impl Iterator<Item = &'static str> {
        self.parts().2.iter().map(|(name, _, _)| *name)
    }

    /// Name for people, name in the database, columns.
    const fn parts(self) -> (&'static str, &'static str, &'static [Column]) {
        match self {
            Self::Dose => ("dose", "dose", DOSE),
            Self::NotGiven => ("not_given", "slot_not_given", NOT_GIVEN),
            Self::Outage => ("outage", "outage_missed", OUTAGE),
            Self::Hold => ("hold", "hold", HOLD),
            Self::Refill => ("refill", "refill", REFILL),
            Self::Calibration => ("calibration", "calibration", CALIBRATION),
            Self::Verification => ("verification", "verification", VERIFICATION),
            Self::Reading => ("reading", "reading", READING),
            Self::Uptake => ("uptake", "uptake", UPTAKE),
            Self::Arming => ("arming", "arming", ARMING),
            Self::Course => ("course", "course", COURSE),
            Self::Changeover => ("changeover", "changeover", CHANGEOVER),
            Self::Fact => ("fact", "fact", FACT),
            Self::Event => ("event", "event", EVENT),
            Self::Session => ("session", "session", STARTS),
        }
    }

    fn has_line(self) -> bool {
        self.columns().any(|column| column == "line")
    }

    /// The query for [`Filter`]'s parameters: line, since, until, newest.
    fn query(self) -> String {
        let (_, table, columns) = self.parts();
        let list: Vec<&str> = columns.iter().map(|(_, sql, _)| *sql).collect();
        let line = if self.has_line() { "line = ?1" } else { "0" };
        format!(
            "SELECT {} FROM {table} WHERE id IN (
                 SELECT id FROM {table} WHERE (?1 IS NULL OR {line}) AND at_ms >= ?2 AND at_ms < ?3
                 ORDER BY id DESC LIMIT ?4) ORDER BY id",
            list.join(", ")
        )
    }

    /// The query without a limit, which needs no list of numbers in memory.
    fn query_all(self) -> String {
        let (_, table, columns) = self.parts();
        let list: Vec<&str> = columns.iter().map(|(_, sql, _)| *sql).collect();
        let line = if self.has_line() { "line = ?1" } else { "0" };
        format!(
            "SELECT {} FROM {table} WHERE (?1 IS NULL OR {line}) AND at_ms >= ?2 AND at_ms < ?3 AND ?4 ORDER BY id",
            list.join(", ")
        )
    }
}

impl Row {
    /// The value of a column.
    pub fn get(&self, column: &str) -> Option<&Cell> {
        self.cells
            .iter()
            .find(|(name, _)| *name == column)
            .map(|(_, cell)| cell)
    }
}

impl Serialize for Cell {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        match self {
            Self::Empty => to.serialize_none(),
            Self::Whole(value) => to.serialize_i64(*value),
            Self::Number(value) => to.serialize_f64(*value),
            Self::Flag(value) => to.serialize_bool(*value),
            Self::Word(text) | Self::Typed(text) => to.serialize_str(text),
        }
    }
}

impl Serialize for Row {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut map = to.serialize_map(Some(self.cells.len() + 1))?;
        map.serialize_entry("table", self.table.name())?;
        for (name, cell) in &self.cells {
            map.serialize_entry(name, cell)?;
        }
        map.end()
    }
}

/// For a cell of CSV: without what a spreadsheet would take for a formula when people typed it, quoted where needed.
impl std::fmt::Display for Cell {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Empty => Ok(()),
            Self::Whole(value) => write!(f, "{value}"),
            Self::Number(value) => write!(f, "{value}"),
            Self::Flag(value) => write!(f, "{value}"),
            Self::Typed(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => {
                f.write_str(&quoted(&format!("'{text}")))
            }
            Self::Word(text) | Self::Typed(text) => f.write_str(&quoted(text)),
        }
    }
}

/// A field as RFC 4180 has it.
fn quoted(text: &str) -> String {
    let plain = !text.contains([',', '"', '\n', '\r']) && text.trim().len() == text.len();
    if plain {
        text.to_owned()
    } else {
        format!("\"{}\"", text.replace('"', "\"\""))
    }
}

fn cell(value: Value, show: Show) -> Cell {
    match (value, show) {
        (Value::Integer(ms), Show::Time) => {
            Timestamp::from_millisecond(ms).map_or(Cell::Whole(ms), |at| Cell::Word(at.to_string()))
        }
        (Value::Integer(flag), Show::Flag) => Cell::Flag(flag != 0),
        (Value::Integer(value), Show::Plain | Show::Typed) => Cell::Whole(value),
        (Value::Real(value), _) => Cell::Number(value),
        (Value::Text(text), Show::Typed) => Cell::Typed(text),
        (Value::Text(text), Show::Plain | Show::Time | Show::Flag) => Cell::Word(text),
        // No column holds blobs.
        (Value::Null | Value::Blob(_), _) => Cell::Empty,
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
        mut take: impl FnMut(&Row) -> std::io::Result<()>,
    ) -> Result<(), ExportError> {
        let place = Place::new(&self.path, "list its rows");
        let (_, _, columns) = table.parts();
        let sql = if filter.newest.is_some() {
            table.query()
        } else {
            table.query_all()
        };
        let mut query = self.conn.prepare(&sql).map_err(|e| place.sql(e))?;
        let parameters = rusqlite::params![
            filter.line.as_ref().map(Name::as_str),
            filter.since.map_or(i64::MIN, Timestamp::as_millisecond),
            filter.until.map_or(i64::MAX, Timestamp::as_millisecond),
            filter.newest.map_or(1, i64::from),
        ];
        let mut rows = query.query(parameters).map_err(|e| place.sql(e))?;
        while let Some(found) = rows.next().map_err(|e| place.sql(e))? {
            let cells = columns
                .iter()
                .enumerate()
                .map(|(index, (name, _, show))| Ok((*name, cell(found.get(index)?, *show))))
                .collect::<rusqlite::Result<_>>()
                .map_err(|e| place.sql(e))?;
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

    /// One table as CSV with a heading.
    ///
    /// # Errors
    /// Any [`ExportError`].
    pub fn export_csv(
        &self,
        table: Table,
        filter: &Filter,
        out: &mut dyn Write,
    ) -> Result<(), ExportError> {
        let heading: Vec<&str> = table.columns().collect();
        write!(out, "{}\r\n", heading.join(","))?;
        self.for_each(table, filter, |row| {
            let cells: Vec<String> = row.cells.iter().map(|(_, cell)| cell.to_string()).collect();
            write!(out, "{}\r\n", cells.join(","))
        })
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
                list.serialize_element(row).map_err(Into::into)
            })?;
            SerializeSeq::end(list).map_err(std::io::Error::from)?;
        }
        out.write_all(b"\n}\n")?;
        Ok(())
    }
}
