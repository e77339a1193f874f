//! The tables, and how an older ledger is brought up to date.
//!
//! Migrations are a list that only grows; `user_version` says how many of them a ledger has had. Volumes are whole
//! microlitres, times whole milliseconds. A dose is one row, written once as an intent and updated once with its outcome.

use rusqlite::{Connection, Transaction};

/// Marks a file as a ledger of this program (`PRAGMA application_id`): the letters `dosl`.
pub const APPLICATION_ID: i64 = 0x646f_736c;

/// Size of a database page in bytes. Every write to the disk is whole pages.
pub(super) const PAGE_BYTES: u64 = 4096;

/// Every step from an empty database to the present schema, oldest first. Never edit one that was released; add another.
pub(super) const MIGRATIONS: [&str; 8] = [FIRST, ARMING, OWNER, TOP_UP, BENCH, FADE, REFIT, SPEED];

/// The schema of this version.
pub(super) fn version_known() -> i64 {
    i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX)
}

/// Applies what is missing, each step in the caller's transaction. The caller has checked that `from` is not in the future.
pub(super) fn migrate(tx: &Transaction<'_>, from: i64) -> rusqlite::Result<()> {
    let done = usize::try_from(from).unwrap_or(0);
    for step in MIGRATIONS.iter().skip(done) {
        tx.execute_batch(step)?;
    }
    tx.pragma_update(None, "user_version", version_known())
}

/// `user_version` of an open database.
pub(super) fn version(conn: &Connection) -> rusqlite::Result<i64> {
    conn.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// `room` in an open dose keeps place in its page for the outcome, which therefore needs no new page on a full disk. Open
/// doses have no index: they lie among the newest rows (`OPEN_SPAN_MAX`), and an index would add two pages to each dose.
///
/// `stamp` columns are `at_ms` (wall, ms since 1970 UTC), `elapsed_ms` (elapsed clock of the session's boot), `trusted`, `session`.
const FIRST: &str = "
CREATE TABLE meta (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    installation TEXT NOT NULL,
    created_ms INTEGER NOT NULL,
    timeline TEXT NOT NULL CHECK (timeline IN ('real', 'virtual')),
    snapshot_order INTEGER NOT NULL DEFAULT 0,
    snapshot_dose INTEGER NOT NULL DEFAULT 0,
    snapshot_alkalinity_peq INTEGER NOT NULL DEFAULT 0
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
    alkalinity_meq_per_l REAL NOT NULL,
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
    CHECK (outcome IS NOT 'uncertain' OR delivered_ul = volume_ul),
    CHECK (outcome IS NOT 'not-started' OR delivered_ul = 0)
) STRICT;
CREATE UNIQUE INDEX dose_slot ON dose (slot_date, slot_second, line) WHERE slot_date IS NOT NULL;

CREATE TABLE slot_not_given (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    line TEXT NOT NULL,
    slot_date TEXT NOT NULL,
    slot_second INTEGER NOT NULL CHECK (slot_second BETWEEN 0 AND 90000),
    due_ms INTEGER NOT NULL,
    volume_ul INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('missed', 'refused')),
    code TEXT NOT NULL,
    reason TEXT NOT NULL
) STRICT;
CREATE UNIQUE INDEX slot_not_given_slot ON slot_not_given (slot_date, slot_second, line);

CREATE TRIGGER dose_slot_is_settled BEFORE INSERT ON dose
WHEN NEW.slot_date IS NOT NULL AND EXISTS (
    SELECT 1 FROM slot_not_given
    WHERE slot_date = NEW.slot_date AND line = NEW.line AND slot_second = NEW.slot_second)
BEGIN SELECT RAISE(ABORT, 'this slot is written down as not given'); END;

CREATE TABLE outage_missed (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    line TEXT NOT NULL,
    from_ms INTEGER NOT NULL,
    until_ms INTEGER NOT NULL,
    slots INTEGER,
    volume_ul INTEGER
) STRICT;

CREATE TABLE hold (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    line TEXT,
    action TEXT NOT NULL CHECK (action IN ('set', 'lifted')),
    since_ms INTEGER,
    reason TEXT,
    who TEXT NOT NULL,
    CHECK ((action = 'set') = (since_ms IS NOT NULL)),
    CHECK ((action = 'set') = (reason IS NOT NULL))
) STRICT;
CREATE INDEX hold_line ON hold (line, id);

CREATE TABLE refill (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    reservoir TEXT NOT NULL,
    level_ul INTEGER NOT NULL,
    before_ul INTEGER,
    outcome_order INTEGER NOT NULL UNIQUE,
    who TEXT NOT NULL,
    note TEXT NOT NULL
) STRICT;

CREATE TABLE calibration (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    head TEXT NOT NULL,
    rate_ml_per_min REAL NOT NULL,
    offset_ul INTEGER NOT NULL,
    variation REAL,
    method TEXT NOT NULL,
    head_run_ms INTEGER NOT NULL,
    who TEXT NOT NULL
) STRICT;
CREATE INDEX calibration_head ON calibration (head, id);

CREATE TABLE reading (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    measured TEXT NOT NULL,
    form TEXT NOT NULL CHECK (form IN ('value', 'below')),
    value REAL NOT NULL,
    uncertainty REAL,
    unit TEXT NOT NULL CHECK (unit IN ('meq/L', 'mg/L')),
    method TEXT NOT NULL,
    taken_ms INTEGER NOT NULL,
    alkalinity_total_peq INTEGER NOT NULL,
    who TEXT NOT NULL,
    CHECK ((form = 'value') = (uncertainty IS NOT NULL)),
    CHECK ((measured = 'alkalinity') = (unit = 'meq/L'))
) STRICT;
CREATE INDEX reading_measured ON reading (measured, taken_ms, id);

CREATE TABLE uptake (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    measured TEXT NOT NULL,
    per_day REAL NOT NULL CHECK (per_day >= 0),
    before_per_day REAL,
    how TEXT NOT NULL CHECK (how IN ('start', 'told', 'accepted')),
    who TEXT NOT NULL
) STRICT;

CREATE TABLE event (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    code TEXT NOT NULL,
    line TEXT,
    text TEXT NOT NULL,
    who TEXT NOT NULL
) STRICT;

CREATE TABLE running_total (
    kind TEXT NOT NULL CHECK (kind IN ('reservoir-left-ul', 'head-run-ms')),
    name TEXT NOT NULL,
    value INTEGER NOT NULL,
    PRIMARY KEY (kind, name)
) STRICT, WITHOUT ROWID;
";

/// `refill_last` is the number of the newest refill at that time: what a bottle held before is not taken over into live mode.
const ARMING: &str = "
CREATE TABLE arming (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    action TEXT NOT NULL CHECK (action IN ('armed', 'disarmed')),
    fingerprint TEXT NOT NULL,
    hardware TEXT NOT NULL,
    sentence TEXT NOT NULL,
    refill_last INTEGER NOT NULL,
    who TEXT NOT NULL
) STRICT;
";

/// What the owner tells that is no dose, reading of alkalinity or element, refill or calibration.
const OWNER: &str = "
CREATE TABLE fact (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    kind TEXT NOT NULL CHECK (kind IN ('water', 'change', 'correction', 'panel', 'panel-columns')),
    name TEXT NOT NULL,
    value REAL,
    uncertainty REAL,
    text TEXT NOT NULL,
    happened_ms INTEGER NOT NULL,
    who TEXT NOT NULL,
    CHECK (uncertainty IS NULL OR value IS NOT NULL)
) STRICT;
CREATE INDEX fact_kind ON fact (kind, happened_ms, id);

CREATE TABLE course (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    course INTEGER NOT NULL CHECK (course > 0),
    line TEXT NOT NULL,
    measured TEXT NOT NULL,
    rise_per_day REAL NOT NULL,
    extra_ul INTEGER NOT NULL CHECK (extra_ul > 0),
    standing_ul INTEGER NOT NULL CHECK (standing_ul >= 0),
    first_date TEXT NOT NULL,
    days INTEGER NOT NULL CHECK (days >= 0),
    state TEXT NOT NULL CHECK (state IN ('running', 'paused', 'ended')),
    note TEXT NOT NULL,
    who TEXT NOT NULL
) STRICT;
CREATE INDEX course_number ON course (course, id);
";

/// Top-ups among the courses, water changes among the facts. The check of a column cannot be changed, so `fact` is made anew.
const TOP_UP: &str = "
ALTER TABLE course ADD COLUMN kind TEXT NOT NULL DEFAULT 'once' CHECK (kind IN ('once', 'top-up'));

CREATE TABLE fact_of_six_kinds (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    kind TEXT NOT NULL CHECK (kind IN ('water', 'change', 'correction', 'panel', 'panel-columns', 'water-change')),
    name TEXT NOT NULL,
    value REAL,
    uncertainty REAL,
    text TEXT NOT NULL,
    happened_ms INTEGER NOT NULL,
    who TEXT NOT NULL,
    CHECK (uncertainty IS NULL OR value IS NOT NULL)
) STRICT;
INSERT INTO fact_of_six_kinds SELECT * FROM fact;
DROP TABLE fact;
ALTER TABLE fact_of_six_kinds RENAME TO fact;
CREATE INDEX fact_kind ON fact (kind, happened_ms, id);
";

/// What a calibration covers and is from, and later checks of it. `run_min_ms` to `tolerance_percent` are all there or none.
const BENCH: &str = "
ALTER TABLE calibration ADD COLUMN run_min_ms INTEGER;
ALTER TABLE calibration ADD COLUMN run_max_ms INTEGER;
ALTER TABLE calibration ADD COLUMN dose_min_ul INTEGER;
ALTER TABLE calibration ADD COLUMN tolerance_percent REAL;
ALTER TABLE calibration ADD COLUMN simulated INTEGER NOT NULL DEFAULT 0 CHECK (simulated IN (0, 1));
ALTER TABLE calibration ADD COLUMN weighing TEXT NOT NULL DEFAULT '';

CREATE TABLE calibration_run (
    id INTEGER PRIMARY KEY,
    calibration INTEGER NOT NULL REFERENCES calibration (id),
    on_time_ms INTEGER NOT NULL CHECK (on_time_ms > 0),
    volume_ul INTEGER NOT NULL CHECK (volume_ul > 0),
    typed TEXT NOT NULL,
    dose INTEGER REFERENCES dose (id)
) STRICT;
CREATE INDEX calibration_run_of ON calibration_run (calibration, id);

CREATE TABLE verification (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    head TEXT NOT NULL,
    dose INTEGER NOT NULL REFERENCES dose (id),
    expected_ul INTEGER NOT NULL CHECK (expected_ul > 0),
    measured_ul INTEGER NOT NULL CHECK (measured_ul >= 0),
    typed TEXT NOT NULL,
    tolerance_percent REAL NOT NULL,
    run_since_ms INTEGER NOT NULL CHECK (run_since_ms >= 0),
    who TEXT NOT NULL
) STRICT;
CREATE INDEX verification_head ON verification (head, id);
";

/// Changeovers, a row for each day's step.
const FADE: &str = "
CREATE TABLE changeover (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_ms INTEGER NOT NULL,
    elapsed_ms INTEGER NOT NULL,
    trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
    changeover INTEGER NOT NULL CHECK (changeover > 0),
    from_line TEXT NOT NULL,
    to_line TEXT NOT NULL,
    measured TEXT NOT NULL,
    days INTEGER NOT NULL CHECK (days > 0),
    step INTEGER NOT NULL CHECK (step BETWEEN 0 AND days),
    on_date TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('forward', 'back', 'paused', 'paused-back', 'complete', 'ended')),
    note TEXT NOT NULL,
    who TEXT NOT NULL
) STRICT;
";

/// What the runs of a calibration are fitted again with, null where nobody wrote it down, and readings that were replaced.
const REFIT: &str = "
ALTER TABLE calibration ADD COLUMN resolution_ul INTEGER CHECK (resolution_ul >= 0);
ALTER TABLE calibration_run ADD COLUMN used INTEGER NOT NULL DEFAULT 1 CHECK (used IN (0, 1));
";

/// How fast a head was driven when it was calibrated: the calibration holds for that only.
const SPEED: &str = "
ALTER TABLE calibration ADD COLUMN drive TEXT NOT NULL DEFAULT '';
";
