//! Proof that the ledger still works: it can be written, it is still the file that was opened, and the pages that the
//! next decisions rest on can be read from the disk. A full check of every page is `ledger check`.

use std::fs::Metadata;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

use rusqlite::{TransactionBehavior, params};

use super::books::Books;
use super::error::LedgerError;
use super::open::{Ledger, Place, beside, check_header};
use super::schema::PAGE_BYTES;
use crate::record::Stamp;

/// Newest doses that a probe reads from the disk.
const DOSES_READ: i64 = 512;

/// Which files are open, by device and inode.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FileIds {
    database: (u64, u64),
    log: (u64, u64),
}

impl FileIds {
    pub(super) fn read(path: &Path) -> std::io::Result<Self> {
        let id = |file: Metadata| (file.dev(), file.ino());
        Ok(Self {
            database: std::fs::metadata(path).map(id)?,
            log: std::fs::metadata(beside(path, "-wal")).map(id)?,
        })
    }
}

impl Ledger {
    /// Proves that the ledger works, and notes in the session's row that the daemon was alive at `at`.
    ///
    /// Writes one page. Also makes the reserve again when it was given up to a full disk.
    ///
    /// # Errors
    /// Any [`LedgerError`]: nothing may be dosed until a later probe succeeds.
    pub fn probe(&mut self, at: Stamp) -> Result<(), LedgerError> {
        self.same_files()?;
        check_header(&self.path)?;
        self.note_alive(at)?;
        self.read_back()?;
        self.reserve.restore()
    }

    /// A file that was moved away or replaced would take every further row with it.
    pub(super) fn same_files(&self) -> Result<(), LedgerError> {
        let place = Place::new(&self.path, "find it where it was opened");
        let ids = FileIds::read(&self.path).map_err(|e| place.io(e))?;
        if ids == self.ids {
            Ok(())
        } else {
            Err(place.damaged("the file, or the one named like it with -wal, was replaced by another while it was open"))
        }
    }

    fn note_alive(&mut self, at: Stamp) -> Result<(), LedgerError> {
        let place = Place::new(&self.path, "write to it");
        let session = self.session;
        let mut work = || -> rusqlite::Result<usize> {
            let tx = self
                .conn
                .transaction_with_behavior(TransactionBehavior::Immediate)?;
            let rows = tx.execute(
                "UPDATE session SET last_at_ms = ?2, last_elapsed_ms = max(last_elapsed_ms, ?3), last_trusted = ?4
                 WHERE id = ?1",
                params![session, at.wall.as_millisecond(), at.elapsed.as_ms(), at.trusted],
            )?;
            tx.commit()?;
            Ok(rows)
        };
        match work().map_err(|e| place.sql(e))? {
            1 => Ok(()),
            _ => Err(place.damaged("the row of this session is gone")),
        }
    }

    /// Drops what is cached, reads the newest rows from the disk and compares the books with those in memory.
    fn read_back(&self) -> Result<(), LedgerError> {
        let place = Place::new(&self.path, "read it back");
        let size = std::fs::metadata(&self.path)
            .map_err(|e| place.io(e))?
            .len();
        let work = || -> rusqlite::Result<Books> {
            self.conn.release_memory()?;
            let mut newest = self
                .conn
                .prepare("SELECT * FROM dose ORDER BY id DESC LIMIT ?1")?;
            let mut rows = newest.query([DOSES_READ])?;
            while let Some(row) = rows.next()? {
                let _: i64 = row.get("volume_ul")?;
            }
            let _: i64 = self.conn.query_row(
                "SELECT count(*) FROM (SELECT 1 FROM dose INDEXED BY dose_slot WHERE slot_date IS NOT NULL
                 ORDER BY slot_date DESC LIMIT ?1)",
                [DOSES_READ],
                |row| row.get(0),
            )?;
            Books::load(&self.conn)
        };
        let books = work().map_err(|e| place.sql(e))?;
        if size < PAGE_BYTES || size % PAGE_BYTES != 0 {
            return Err(place.damaged(format!(
                "it is {size} bytes long, which is no whole number of pages"
            )));
        }
        if books.agrees_with(&self.books) {
            Ok(())
        } else {
            Err(place.damaged("its newest rows are not those that were written"))
        }
    }
}
