//! The ledger opened only for reading, as the command line does it, beside a running daemon or without one.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, ErrorCode, OpenFlags};

use super::error::LedgerError;
use super::files::{Place, beside, check_header};
use super::open::{BUSY_WAIT, Ledger, check_identity};

/// A ledger that this program cannot change.
#[derive(Debug)]
pub struct LedgerReader {
    pub(super) conn: Connection,
    pub(super) path: PathBuf,
}

impl Ledger {
    /// Opens the ledger at `path` for reading only; works beside a running daemon, and on a file system that may only be read.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn open_to_read(path: &Path) -> Result<LedgerReader, LedgerError> {
        open_to_read(path).map_err(for_a_reader)
    }
}

/// A reader that is not let in says nothing about the daemon, which has its own rights.
fn for_a_reader(error: LedgerError) -> LedgerError {
    match error {
        LedgerError::ReadOnly(failed) | LedgerError::Io(failed) => LedgerError::Unreadable(failed),
        other @ (LedgerError::DiskFull { .. }
        | LedgerError::Locked { .. }
        | LedgerError::Damaged { .. }
        | LedgerError::Foreign { .. }
        | LedgerError::OtherSchema { .. }
        | LedgerError::OtherTimeline { .. }
        | LedgerError::Absent { .. }
        | LedgerError::OtherInstallation { .. }
        | LedgerError::Conflict { .. }
        | LedgerError::Unreadable { .. }
        | LedgerError::Other { .. }) => other,
    }
}

fn open_to_read(path: &Path) -> Result<LedgerReader, LedgerError> {
    let place = Place::new(path, "open it for reading");
    let path = std::path::absolute(path).map_err(|e| place.io(e))?;
    let place = Place::new(&path, "open it for reading");
    if !path.exists() {
        let why = "no daemon has run with this state folder, or it is another one".to_owned();
        return Err(LedgerError::Absent { path, why });
    }
    check_header(&path)?;
    let conn = match connect(&path, false) {
        Err(error) if no_room_for_locks(&error) && !has_log(&path) => connect(&path, true),
        other => other,
    }
    .map_err(|e| place.sql(e))?;
    check_identity(&conn, &path)?;
    Ok(LedgerReader { conn, path })
}

/// Opens and reads once, since only reading shows whether the files beside the database can be used.
fn connect(path: &Path, immutable: bool) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_EXRESCODE;
    let conn = if immutable {
        Connection::open_with_flags(uri(path), flags | OpenFlags::SQLITE_OPEN_URI)?
    } else {
        Connection::open_with_flags(path, flags)?
    };
    conn.busy_timeout(BUSY_WAIT)?;
    conn.pragma_update(None, "trusted_schema", false)?;
    conn.pragma_update(None, "cell_size_check", true)?;
    conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| {
        row.get::<_, i64>(0)
    })?;
    Ok(conn)
}

/// Reading a log needs a lock file beside it. Without any log, a file that nobody can write may be read as it lies.
fn no_room_for_locks(error: &rusqlite::Error) -> bool {
    matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::CannotOpen | ErrorCode::ReadOnly)
    )
}

fn has_log(path: &Path) -> bool {
    std::fs::metadata(beside(path, "-wal")).is_ok_and(|log| log.len() > 0)
}

/// The path as a URI that says the file does not change.
fn uri(path: &Path) -> String {
    let mut uri = String::from("file:");
    for c in path.to_string_lossy().chars() {
        match c {
            '%' => uri.push_str("%25"),
            '?' => uri.push_str("%3f"),
            '#' => uri.push_str("%23"),
            c => uri.push(c),
        }
    }
    uri.push_str("?immutable=1");
    uri
}

impl LedgerReader {
    /// The installation's id.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn installation(&self) -> Result<String, LedgerError> {
        let place = Place::new(&self.path, "read its id");
        self.conn
            .query_row("SELECT installation FROM meta", [], |row| row.get(0))
            .map_err(|e| place.sql(e))
    }

    /// Newest wall time of any entry, written with a trusted clock.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn newest_wall(&self) -> Result<Option<jiff::Timestamp>, LedgerError> {
        let place = Place::new(&self.path, "read its newest entry");
        super::walk::newest_wall(&self.conn).map_err(|e| place.sql(e))
    }
}
