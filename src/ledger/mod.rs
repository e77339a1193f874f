//! The record of every dose, reading, calibration, hold and event, on SQLite.
//!
//! Terms: an *intent* is the row of a dose before it is given, an *outcome* its end, written into the same row; an
//! *open* intent has no outcome yet; the *timeline* says whether a ledger counts real or virtual days; a *session* is
//! one start of the daemon; the *order* is a number that rises with every outcome and refill, so that books replay.
//!
//! Promises: a write that returned is on the disk (write-ahead log, `synchronous = FULL`, both read back at open). A
//! slot is done once, whatever the code above does. A damaged, foreign or newer file is refused in words and never
//! deleted, replaced or repaired by this program.
//!
//! What this module deliberately does not do: decide anything about dosing, read a clock (stamps come in with what is
//! written), delete old rows (a dose is about 200 bytes: a century of them fits the smallest card), or know the daemon.

mod backup;
mod books;
mod brought;
mod check;
mod columns;
mod contents;
mod error;
mod files;
mod history;
mod kinds;
mod look;
mod mark;
mod open;
mod reader;
mod reserve;
mod restore;
mod rows;
mod schema;
mod thread;
mod vitals;
mod wal;
mod walk;
mod write;

pub use backup::BackupError;
pub use check::{CheckReport, Mistake};
pub use error::{Failed, LedgerError};
pub use history::Present;
pub use look::{DoseToCheck, EndedDose, StoredSession};
pub use mark::put_in_doubt;
pub use open::{Ledger, OpenAs, SessionStart, Timeline};
pub use reader::LedgerReader;
pub use reserve::RESERVE_BYTES;
pub use restore::{RestoreError, Restored, restore};
pub use rows::{ExportError, Filter, Row, Table};
pub use schema::APPLICATION_ID;
pub use thread::{LedgerHandle, LedgerReport, LedgerThread, LedgerUnavailable};

#[cfg(test)]
mod tests;
