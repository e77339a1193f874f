//! Proof that the ledger still works: it can be written, it is still the file that was opened, and the pages that the
//! next decisions rest on can be read from the disk. A full check of every page is `ledger check`.

use rusqlite::{TransactionBehavior, params};

use super::books::Books;
use super::error::LedgerError;
use super::files::{FileIds, Place, check_header};
use super::open::Ledger;
use super::schema::PAGE_BYTES;
use super::wal;
use crate::record::Stamp;

/// Newest doses that a probe reads from the disk.
const DOSES_READ: i64 = 512;

impl Ledger {
    /// Proves that the ledger works, and notes in the session's row that the daemon was alive at `at`.
    ///
    /// Writes one page. Also makes the reserve again when it was given up to a full disk.
    ///
    /// # Errors
    /// Any [`LedgerError`]: nothing may be dosed until a later probe succeeds.
    pub fn probe(&mut self, at: Stamp) -> Result<(), LedgerError> {
        self.look_again()?;
        self.note_alive(at)?;
        self.mark_fault = self.write_mark().err();
        self.mark_fault.clone().map_or(Ok(()), Err)?;
        self.reserve.restore()
    }

    /// Looks at the files as they lie on the disk, behind what is cached of them: whether they are those that were opened, begin as they
    /// must, are whole, and still hold what was written.
    ///
    /// # Errors
    /// Any [`LedgerError`]: what is written now might be lost.
    pub(super) fn look_again(&mut self) -> Result<(), LedgerError> {
        if self.is_rehearsed {
            return Ok(());
        }
        self.same_files()?;
        check_header(&self.path)?;
        wal::check_header(&self.path)?;
        self.not_shorter()?;
        self.read_back()
    }

    /// A ledger only grows.
    fn not_shorter(&mut self) -> Result<(), LedgerError> {
        let place = Place::new(&self.path, "read it back");
        let size = std::fs::metadata(&self.path)
            .map_err(|e| place.io(e))?
            .len();
        if size < self.size_seen || size % PAGE_BYTES != 0 {
            return Err(place.damaged(format!(
                "it is {size} bytes long, which is no whole number of pages, or less than the {} bytes of before",
                self.size_seen
            )));
        }
        self.size_seen = size;
        Ok(())
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
        if books.agrees_with(&self.books) {
            Ok(())
        } else {
            Err(place.damaged("its newest rows are not those that were written"))
        }
    }
}
