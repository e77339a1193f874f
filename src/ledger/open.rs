//! Opening a ledger: making a new one, and refusing what is none or one of another version.

use std::fs::OpenOptions;
use std::io::ErrorKind;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, TransactionBehavior, params};

use super::books::Books;
use super::error::LedgerError;
use super::files::{FileIds, Place, beside, check_header, sync_folder};
use super::mark::{MarkFile, recorded};
use super::reserve::Reserve;
use super::{schema, wal};
use crate::record::Stamp;
use crate::shell::doubt;

/// Which kind of days a ledger counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Timeline {
    /// The days outside the window.
    Real,
    Virtual,
}

/// One start of the daemon.
#[derive(Debug, Clone)]
pub struct SessionStart {
    /// The kernel's boot id.
    pub boot: String,
    pub at: Stamp,
    /// Version of the program.
    pub version: String,
    pub controller_fingerprint: String,
    pub plan_fingerprint: String,
    /// Whether outputs are really driven.
    pub live: bool,
}

/// Who opens a ledger for writing, and what it must be.
#[derive(Debug, Clone)]
pub struct OpenAs {
    /// Kind of days; a ledger of the other kind is refused.
    pub timeline: Timeline,
    /// The id that the ledger must have, where the config names one. An absent ledger is then refused, not created:
    /// a state folder that is not mounted yet looks empty, and an empty history would start every cap from zero.
    pub installation: Option<String>,
    /// The session that begins.
    pub session: SessionStart,
}

/// The record, open for writing. One per state folder; the caller holds the lock that sees to it.
#[derive(Debug)]
pub struct Ledger {
    pub(super) conn: Connection,
    pub(super) path: PathBuf,
    pub(super) session: i64,
    pub(super) books: Books,
    pub(super) reserve: Reserve,
    pub(super) ids: FileIds,
    /// Size of the database file when it was last looked at, in bytes.
    pub(super) size_seen: u64,
    pub(super) mark: MarkFile,
    /// Why the newest mark could not be written.
    pub(super) mark_fault: Option<LedgerError>,
    /// Why it may have forgotten something.
    pub(super) doubt: Option<String>,
    /// Nobody will go by it: see [`Ledger::rehearsed`].
    pub(super) is_rehearsed: bool,
    installation: String,
    created: bool,
}

/// How long a write waits for another connection's lock.
pub(super) const BUSY_WAIT: Duration = Duration::from_secs(5);
/// Pages in the write-ahead log at which they are carried over into the database: 1 MiB.
const CHECKPOINT_PAGES: i64 = 256;
/// Size in bytes that the write-ahead log is cut back to after that.
const WAL_BYTES_KEPT: i64 = 1_048_576;
/// Page cache, negative: in KiB. Small, for the daemon's whole memory is 8 MB.
const CACHE_KIB: i64 = -512;

impl Ledger {
    /// Opens the ledger at `path` for writing, creates it when it is not there, and begins a session.
    ///
    /// # Errors
    /// Any [`LedgerError`]; whatever is on the disk is then as it was.
    pub fn open(path: &Path, open_as: &OpenAs) -> Result<Self, LedgerError> {
        let place = Place::new(path, "open it");
        let path = std::path::absolute(path).map_err(|e| place.io(e))?;
        let place = Place::new(&path, "open it");
        let created = match std::fs::symlink_metadata(&path) {
            Ok(_) => false,
            Err(error) if error.kind() == ErrorKind::NotFound => {
                create(&path, open_as)?;
                true
            }
            Err(error) => return Err(place.io(error)),
        };
        check_header(&path)?;
        wal::check(&path)?;
        // Asked of the system first: SQLite would fall back to reading only, or not say why it cannot open.
        OpenOptions::new()
            .read(true)
            .write(true)
            .open(&path)
            .map_err(|e| place.io(e))?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_EXRESCODE;
        let mut conn = Connection::open_with_flags(&path, flags).map_err(|e| place.sql(e))?;
        conn.busy_timeout(BUSY_WAIT).map_err(|e| place.sql(e))?;
        check_identity(&conn, &path)?;
        if conn.is_readonly("main").map_err(|e| place.sql(e))? {
            let failed = place.failed("the file may only be read");
            return Err(LedgerError::ReadOnly(failed));
        }
        set_pragmas(&conn, &path)?;
        let installation = check_meta(&conn, &path, open_as)?;
        let (session, books) = begin(&mut conn, &path, &open_as.session)?;
        let ids = FileIds::read(&path).map_err(|e| place.io(e))?;
        let size = || -> Result<u64, LedgerError> {
            Ok(std::fs::metadata(&path).map_err(|e| place.io(e))?.len())
        };
        let mut size_seen = size()?;
        if size_seen % schema::PAGE_BYTES != 0 {
            // A cut while the log went over into the database tears its last page; the log still holds that page whole, and goes over again.
            conn.query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |_| Ok(()))
                .map_err(|e| place.sql(e))?;
            size_seen = size()?;
        }
        let reserve = Reserve::open(&path);
        let (mark, found) = MarkFile::find(&path).map_err(|e| place.io(e))?;
        let doubt = doubt(&found, &recorded(&conn).map_err(|e| place.sql(e))?);
        let mut ledger = Self {
            conn,
            path,
            session,
            books,
            reserve,
            ids,
            size_seen,
            mark,
            mark_fault: None,
            doubt,
            is_rehearsed: false,
            installation,
            created,
        };
        ledger.write_mark()?;
        Ok(ledger)
    }

    /// For a rehearsal, whose ledger is thrown away after it: rows are written by the same code and held to the same rules, but are not
    /// synced, not read back from the disk before each dose, and have no mark beside them. A dose is then recorded some ten times faster.
    ///
    /// # Errors
    /// Any [`LedgerError`].
    pub fn rehearsed(mut self) -> Result<Self, LedgerError> {
        let place = Place::new(&self.path, "rehearse in it");
        let set = self.conn.pragma_update(None, "synchronous", "OFF");
        set.map_err(|e| place.sql(e))?;
        let set = |_: &rusqlite::Row<'_>| Ok(());
        let set = self
            .conn
            .pragma_update_and_check(None, "locking_mode", "EXCLUSIVE", set);
        set.map_err(|e| place.sql(e))?;
        self.is_rehearsed = true;
        Ok(self)
    }

    /// The installation's id, made when the ledger was created.
    pub fn installation(&self) -> &str {
        &self.installation
    }

    /// Whether this call of [`Self::open`] created the ledger: there is no history, not even an old one.
    pub const fn is_new(&self) -> bool {
        self.created
    }

    /// Why it may have forgotten something, by the mark beside it. No intent is taken until that is owned up to.
    pub fn doubt(&self) -> Option<&str> {
        self.doubt.as_deref()
    }

    /// Where the ledger is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

/// Makes a complete ledger under another name and moves it into place, so that a power cut leaves no half of one.
fn create(path: &Path, open_as: &OpenAs) -> Result<(), LedgerError> {
    let place = Place::new(path, "create it");
    let absent = |why: &str| LedgerError::Absent {
        path: path.to_path_buf(),
        why: why.to_owned(),
    };
    if let Some(id) = &open_as.installation {
        return Err(absent(&format!("the config names installation {id}")));
    }
    if std::fs::metadata(beside(path, "-wal")).is_ok_and(|wal| wal.len() > 0) {
        return Err(absent(
            "but its write-ahead log is: the ledger itself was taken away",
        ));
    }
    let unfinished = beside(path, ".new");
    for leftover in ["", "-journal", "-wal", "-shm"] {
        match std::fs::remove_file(beside(&unfinished, leftover)) {
            Ok(()) => {}
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(place.io(error)),
        }
    }
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o640)
        .open(&unfinished)
        .map_err(|e| place.io(e))?;
    fill_new(&unfinished, open_as).map_err(|e| place.sql(e))?;
    let (from, to) = (&unfinished, path);
    rustix::fs::renameat_with(
        rustix::fs::CWD,
        from,
        rustix::fs::CWD,
        to,
        rustix::fs::RenameFlags::NOREPLACE,
    )
    .or_else(|error| match error {
        // File systems without this flag; the caller's lock keeps a second creator out.
        rustix::io::Errno::INVAL | rustix::io::Errno::NOSYS => rustix::fs::rename(from, to),
        _ => Err(error),
    })
    .map_err(|e| place.io(e.into()))?;
    sync_folder(path).map_err(|e| place.io(e))
}

fn fill_new(path: &Path, open_as: &OpenAs) -> rusqlite::Result<()> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let mut conn = Connection::open_with_flags(path, flags)?;
    conn.pragma_update(
        None,
        "page_size",
        i64::try_from(schema::PAGE_BYTES).unwrap_or(4096),
    )?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.pragma_update(None, "application_id", schema::APPLICATION_ID)?;
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    schema::create(&tx)?;
    let timeline = timeline_text(open_as.timeline);
    tx.execute(
        "INSERT INTO meta (only, installation, created_ms, timeline) VALUES (1, lower(hex(randomblob(8))), ?1, ?2)",
        params![open_as.session.at.wall.as_millisecond(), timeline],
    )?;
    tx.commit()?;
    // Here, where nobody looks for a ledger yet: it rewrites the first page, and a power cut in that leaves one that begins like none.
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    conn.close().map_err(|(_, error)| error)
}

/// Magic and schema number, as the database sees them.
pub(super) fn check_identity(conn: &Connection, path: &Path) -> Result<(), LedgerError> {
    let place = Place::new(path, "open it");
    let id: i64 = conn
        .pragma_query_value(None, "application_id", |row| row.get(0))
        .map_err(|e| place.sql(e))?;
    if id != schema::APPLICATION_ID {
        let why = format!("an SQLite database with application id {id:#x}");
        return Err(LedgerError::Foreign {
            path: path.to_path_buf(),
            why,
        });
    }
    let found = schema::version(conn).map_err(|e| place.sql(e))?;
    if found < 1 {
        Err(place.damaged(format!("its schema number is {found}")))
    } else if found == schema::VERSION {
        Ok(())
    } else {
        Err(LedgerError::OtherSchema {
            path: path.to_path_buf(),
            found,
            wanted: schema::VERSION,
        })
    }
}

/// Sets what durability rests on and reads it back: a setting that is not in force is a refusal, not a hope.
fn set_pragmas(conn: &Connection, path: &Path) -> Result<(), LedgerError> {
    let place = Place::new(path, "open it");
    let set = || -> rusqlite::Result<(String, i64, i64)> {
        let journal =
            conn.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
        conn.pragma_update(None, "synchronous", "FULL")?;
        conn.pragma_update(None, "foreign_keys", true)?;
        conn.pragma_update(None, "trusted_schema", false)?;
        conn.pragma_update(None, "cell_size_check", true)?;
        conn.pragma_update(None, "cache_size", CACHE_KIB)?;
        conn.pragma_update(None, "temp_store", "MEMORY")?;
        conn.pragma_update_and_check(None, "mmap_size", 0, |_| Ok(()))?;
        conn.pragma_update_and_check(None, "wal_autocheckpoint", CHECKPOINT_PAGES, |_| Ok(()))?;
        conn.pragma_update_and_check(None, "journal_size_limit", WAL_BYTES_KEPT, |_| Ok(()))?;
        let number = |name: &str| conn.pragma_query_value(None, name, |row| row.get(0));
        Ok((journal, number("synchronous")?, number("foreign_keys")?))
    };
    let in_force = set().map_err(|e| place.sql(e))?;
    if in_force == ("wal".to_owned(), 2, 1) {
        return Ok(());
    }
    let (journal, synchronous, foreign_keys) = in_force;
    Err(LedgerError::Other(place.failed(format!(
            "journal_mode is {journal}, synchronous {synchronous}, foreign_keys {foreign_keys} where wal, 2 and 1 are needed; \
             this file system may not keep what is written through a power cut"
        ))))
}

const fn timeline_text(timeline: Timeline) -> &'static str {
    match timeline {
        Timeline::Real => "real",
        Timeline::Virtual => "virtual",
    }
}

/// Timeline and installation; returns the installation's id.
fn check_meta(conn: &Connection, path: &Path, open_as: &OpenAs) -> Result<String, LedgerError> {
    let place = Place::new(path, "open it");
    let (found, timeline): (String, String) = conn
        .query_row("SELECT installation, timeline FROM meta", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .map_err(|e| place.sql(e))?;
    if timeline != timeline_text(open_as.timeline) {
        let virtual_time = timeline == timeline_text(Timeline::Virtual);
        return Err(LedgerError::OtherTimeline {
            path: path.to_path_buf(),
            virtual_time,
        });
    }
    match &open_as.installation {
        Some(expected) if *expected != found => Err(LedgerError::OtherInstallation {
            path: path.to_path_buf(),
            found,
            expected: expected.clone(),
        }),
        Some(_) | None => Ok(found),
    }
}

/// Begins the session and stores a snapshot of the books, all in one transaction.
fn begin(
    conn: &mut Connection,
    path: &Path,
    start: &SessionStart,
) -> Result<(i64, Books), LedgerError> {
    let place = Place::new(path, "begin a session in it");
    let mut work = || -> rusqlite::Result<(i64, Books)> {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let (wall, elapsed) = (start.at.wall.as_millisecond(), start.at.elapsed.as_ms());
        tx.execute(
            "INSERT INTO session (boot, at_ms, elapsed_ms, trusted, last_at_ms, last_elapsed_ms, last_trusted,
                                  version, controller_fingerprint, plan_fingerprint, live)
             VALUES (?1, ?2, ?3, ?4, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![
                start.boot,
                wall,
                elapsed,
                start.at.trusted,
                start.version,
                start.controller_fingerprint,
                start.plan_fingerprint,
                start.live
            ],
        )?;
        let session = tx.last_insert_rowid();
        let mut books = Books::load(&tx)?;
        books.save(&tx)?;
        tx.commit()?;
        Ok((session, books))
    };
    work().map_err(|e| place.sql(e))
}
