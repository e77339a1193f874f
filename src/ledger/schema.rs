//! The tables, their rules, and the views for other SQL tools.
//!
//! Volumes are whole microlitres, times whole milliseconds. A dose is one row, written once as an intent and updated once with its
//! outcome; doses and refills have columns of their own because the books walk them. Everything else is an entry: its kind, and the record
//! itself as JSON.
//!
//! `user_version` is the number of this schema. It changes when a table changes; a record that grows by a field, or a new kind of entry,
//! does not change it.

use rusqlite::Connection;

use super::kinds::columns;
use crate::record::Entry;

/// Marks a file as a ledger of this program (`PRAGMA application_id`): the letters `dosl`.
pub const APPLICATION_ID: i64 = 0x646f_736c;

/// Size of a database page in bytes. Every write to the disk is whole pages.
pub(super) const PAGE_BYTES: u64 = 4096;

/// The schema of this version.
pub(super) const VERSION: i64 = 1;

/// Makes tables, rules and views, in the caller's transaction.
pub(super) fn create(conn: &Connection) -> rusqlite::Result<()> {
    conn.execute_batch(TABLES)?;
    conn.execute_batch(INDEXES)?;
    for (kind, _) in Entry::KINDS {
        conn.execute_batch(&view(kind))?;
    }
    conn.pragma_update(None, "user_version", VERSION)
}

/// `user_version` of an open database.
pub(super) fn version(conn: &Connection) -> rusqlite::Result<i64> {
    conn.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// A view of the entries of one kind, with the columns of the export.
fn view(kind: &str) -> String {
    let columns: Vec<String> = columns(kind)
        .into_iter()
        .map(|column| match column.as_str() {
            "number" => "id AS number".to_owned(),
            "session" => column,
            key => format!("body ->> '$.{key}' AS \"{key}\""),
        })
        .collect();
    let (name, list) = (kind.replace('-', "_"), columns.join(", "));
    format!("CREATE VIEW {name} AS SELECT {list} FROM entry WHERE kind = '{kind}';")
}

/// `room` in an open dose keeps place in its page for the outcome, which therefore needs no new page on a full disk. Open
/// doses have no index: they lie among the newest rows (`OPEN_SPAN_MAX`), and an index would add two pages to each dose.
///
/// `stamp` columns are `at_ms` (wall, ms since 1970 UTC), `elapsed_ms` (elapsed clock of the session's boot), `trusted`, `session`.
/// `dose_last` of a refill is the newest dose from before it.
/// `carries` is what the whole dose adds to the tank, a JSON object of numbers by quantity.
const TABLES: &str = "
CREATE TABLE meta (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    installation TEXT NOT NULL,
    created_ms INTEGER NOT NULL,
    timeline TEXT NOT NULL CHECK (timeline IN ('real', 'virtual')),
    snapshot_order INTEGER NOT NULL DEFAULT 0,
    snapshot_dose INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    boot TEXT NOT NULL,
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    last_at_ms INTEGER NOT NULL,
    last_elapsed_ms INTEGER NOT NULL,
    last_trusted INTEGER NOT NULL CHECK (last_trusted IN (0, 1)),
    version TEXT NOT NULL,
    controller_fingerprint TEXT NOT NULL,
    plan_fingerprint TEXT NOT NULL,
    live INTEGER NOT NULL CHECK (live IN (0, 1))
) STRICT;

CREATE TABLE dose (
    id INTEGER PRIMARY KEY CHECK (id > 0),
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    line TEXT NOT NULL,
    head TEXT NOT NULL,
    reservoir TEXT NOT NULL,
    solution TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('plan', 'hand', 'prime', 'calibration')),
    slot_date TEXT,
    slot_second INTEGER CHECK (slot_second BETWEEN 0 AND 90000),
    volume_ul INTEGER NOT NULL CHECK (volume_ul > 0),
    run_time_ms INTEGER NOT NULL CHECK (run_time_ms >= 0),
    carries TEXT NOT NULL CHECK (json_valid(carries)),
    destination TEXT NOT NULL CHECK (destination IN ('tank', 'bench')),
    who TEXT NOT NULL,
    live INTEGER NOT NULL CHECK (live IN (0, 1)),
    outcome TEXT CHECK (outcome IN ('delivered', 'interrupted', 'failed', 'uncertain', 'not-started')),
    outcome_order INTEGER,
    delivered_ul INTEGER CHECK (delivered_ul >= 0),
    on_time_ms INTEGER CHECK (on_time_ms >= 0),
    reservoir_left_ul INTEGER,
    cause TEXT,
    ended_session INTEGER REFERENCES session (id),
    ended_at_ms INTEGER,
    ended_elapsed_ms INTEGER,
    ended_trusted INTEGER CHECK (ended_trusted IN (0, 1)),
    room BLOB,
    CHECK ((slot_date IS NULL) = (slot_second IS NULL)),
    CHECK ((outcome IS NULL) = (outcome_order IS NULL)),
    CHECK ((outcome IS NULL) = (delivered_ul IS NULL)),
    CHECK ((outcome IS NULL) = (reservoir_left_ul IS NULL)),
    CHECK ((outcome IS NULL) = (cause IS NULL)),
    CHECK ((outcome IS NULL) = (ended_session IS NULL)),
    CHECK ((outcome IS NULL) = (ended_at_ms IS NULL)),
    CHECK ((outcome IS NULL) = (ended_elapsed_ms IS NULL)),
    CHECK ((outcome IS NULL) = (ended_trusted IS NULL)),
    CHECK ((outcome IS NULL) = (room IS NOT NULL)),
    CHECK (outcome IS NOT NULL OR on_time_ms IS NULL),
    CHECK (outcome IS NOT 'uncertain' OR delivered_ul >= volume_ul),
    CHECK (outcome IS NOT 'not-started' OR delivered_ul = 0)
) STRICT;

CREATE TABLE refill (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    reservoir TEXT NOT NULL,
    level_ul INTEGER NOT NULL,
    before_ul INTEGER,
    solution TEXT NOT NULL,
    tube_solution TEXT,
    tube_left_ul INTEGER,
    dose_last INTEGER NOT NULL,
    outcome_order INTEGER NOT NULL UNIQUE,
    who TEXT NOT NULL,
    note TEXT NOT NULL,
    CHECK ((tube_solution IS NULL) = (tube_left_ul IS NULL))
) STRICT;

CREATE TABLE entry (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    kind TEXT NOT NULL,
    body TEXT NOT NULL CHECK (json_valid(body))
) STRICT;

CREATE TABLE running_total (
    kind TEXT NOT NULL,
    name TEXT NOT NULL,
    value INTEGER NOT NULL,
    PRIMARY KEY (kind, name)
) STRICT, WITHOUT ROWID;
";

/// A slot is settled once: dosed, or written down as not given. The other indexes are for what a start asks.
const INDEXES: &str = "
CREATE UNIQUE INDEX dose_slot ON dose (slot_date, slot_second, line) WHERE slot_date IS NOT NULL;
CREATE UNIQUE INDEX entry_slot ON entry (body ->> 'slot_date', body ->> 'slot_second', body ->> 'line') WHERE kind = 'not-given';

CREATE TRIGGER dose_slot_is_settled BEFORE INSERT ON dose
WHEN NEW.slot_date IS NOT NULL AND EXISTS (
    SELECT 1 FROM entry WHERE kind = 'not-given' AND body ->> 'slot_date' = NEW.slot_date
    AND body ->> 'slot_second' = NEW.slot_second AND body ->> 'line' = NEW.line)
BEGIN SELECT RAISE(ABORT, 'this slot is written down as not given'); END;

CREATE INDEX entry_kind ON entry (kind);
CREATE INDEX entry_vouched ON entry (session) WHERE kind = 'event' AND body ->> 'code' = 'clock-vouched';
CREATE INDEX entry_hold ON entry (body ->> 'line') WHERE kind = 'hold';
CREATE INDEX entry_calibration ON entry (body ->> 'head') WHERE kind = 'calibration';
CREATE INDEX entry_observation ON entry (body ->> 'of', unixepoch(body ->> 'happened', 'subsec')) WHERE kind = 'observation';
";
