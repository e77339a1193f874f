//! What can go wrong with the record, in words for the owner.

use std::path::{Path, PathBuf};

use rusqlite::ffi;
use thiserror::Error;

use crate::quantity::said;

/// What could not be done with a file, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Failed {
    pub path: PathBuf,
    /// As it follows "could not".
    pub doing: &'static str,
    pub why: String,
}

said! {
    Failed: it => "{}: could not {}", it.path.display(), it.doing;
}

/// Why the ledger could not do what it was asked. Every kind means: no new dose is given on the strength of it.
///
/// `doing` completes the words "could not": `open it`, `write the dose intent`. `why` is the database's or the system's own word.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum LedgerError {
    /// No room on the file system.
    #[error(
        "{0}: the disk is full ({why}); nothing is dosed until there is room: remove what is not needed on that file system, the daemon then goes on by itself", why = .0.why
    )]
    DiskFull(Failed),
    /// The file or its file system cannot be written.
    #[error(
        "{0}: it cannot be written ({why}); nothing is dosed; look at the owner and mode of the state folder, and whether the file system turned read-only after card errors (`dmesg`)", why = .0.why
    )]
    ReadOnly(Failed),
    /// Another program held the lock for longer than 5 s.
    #[error(
        "{0}: another program has held it locked for more than 5 s; nothing is dosed; close the program that has the ledger open for writing"
    )]
    Locked(Failed),
    /// Not readable as a ledger any more. Left exactly as it is.
    #[error(
        "{0}: it is damaged ({why}); nothing is dosed, and the file is left as it is; stop the daemon, move the file and those named like it with -wal and -shm away (keep them), and put a copy made with `dosewright ledger backup` in its place", why = .0.why
    )]
    Damaged(Failed),
    /// A file of something else.
    #[error(
        "{}: is not a dosewright ledger ({why}); nothing is dosed, and the file is left as it is; move it away or use another --state folder",
        .path.display()
    )]
    Foreign {
        path: PathBuf,
        /// What it is instead.
        why: String,
    },
    /// Written by another version, whose tables are others.
    #[error(
        "{}: was written by another version of dosewright (ledger schema {found}, this one reads and writes {wanted}); nothing is dosed, and the file is left as it is; install the version that wrote it again, or stop the daemon, keep the file and those named like it with -wal and -shm aside, and start with a new --state folder",
        .path.display()
    )]
    OtherSchema {
        path: PathBuf,
        found: i64,
        /// The only one that this version knows.
        wanted: i64,
    },
    /// Real and virtual time do not go into one book.
    #[error(
        "{}: this state folder was used {}; nothing is dosed; real and virtual days do not go into one ledger: use another --state folder, or start {}",
        .path.display(),
        if *.virtual_time { "with --warp (virtual time)" } else { "without --warp (real time)" },
        if *.virtual_time { "with --warp" } else { "without --warp" }
    )]
    OtherTimeline {
        path: PathBuf,
        /// Whether the ledger on disk is one of virtual time.
        virtual_time: bool,
    },
    /// Nothing there where a ledger was expected.
    #[error(
        "{}: there is no ledger here ({why}); nothing is dosed; look whether the state folder is mounted and whether --state names the right one",
        .path.display()
    )]
    Absent {
        /// Where it was looked for.
        path: PathBuf,
        why: String,
    },
    /// The ledger of another installation.
    #[error(
        "{}: belongs to installation {found}, the config names {expected}; nothing is dosed; use the --state folder of this installation",
        .path.display()
    )]
    OtherInstallation {
        path: PathBuf,
        /// The id in the ledger.
        found: String,
        /// The id that was expected.
        expected: String,
    },
    /// The books do not allow this row: it contradicts one that is there. Writing it again would not help.
    #[error(
        "{path}: refused to {doing}: {why}; nothing is dosed for it", path = .0.path.display(), doing = .0.doing, why = .0.why
    )]
    Conflict(Failed),
    /// Opened only for reading, and not let in. Says nothing about the daemon, which has rights of its own.
    #[error(
        "{0}: {why}; the ledger belongs to the daemon's user and group: join that group, or read it with sudo", why = .0.why
    )]
    Unreadable(Failed),
    /// The disk or the file system failed.
    #[error(
        "{0}: {why}; nothing is dosed; look at the card or disk (`dmesg`) and at the state folder", why = .0.why
    )]
    Io(Failed),
    /// Anything else the database said.
    #[error(
        "{0}: {why}; nothing is dosed", why = .0.why
    )]
    Other(Failed),
}

impl LedgerError {
    /// From the database's error.
    pub(super) fn sqlite(path: &Path, doing: &'static str, error: &rusqlite::Error) -> Self {
        let (path, why) = (path.to_path_buf(), error.to_string());
        let failed = Failed { path, doing, why };
        let Some(code) = error.sqlite_error_code() else {
            // Not from SQLite itself: a value in a row that no ledger of this schema holds.
            return Self::Damaged(failed);
        };
        if code == ffi::ErrorCode::DiskFull {
            Self::DiskFull(failed)
        } else if code == ffi::ErrorCode::ReadOnly || code == ffi::ErrorCode::PermissionDenied {
            Self::ReadOnly(failed)
        } else if code == ffi::ErrorCode::DatabaseBusy || code == ffi::ErrorCode::DatabaseLocked {
            Self::Locked(failed)
        } else if code == ffi::ErrorCode::DatabaseCorrupt || code == ffi::ErrorCode::NotADatabase {
            Self::Damaged(failed)
        } else if code == ffi::ErrorCode::ConstraintViolation {
            Self::Conflict(failed)
        } else if code == ffi::ErrorCode::SystemIoFailure || code == ffi::ErrorCode::CannotOpen {
            Self::Io(failed)
        } else {
            Self::Other(failed)
        }
    }

    /// From a file operation.
    pub(super) fn io(path: &Path, doing: &'static str, error: &std::io::Error) -> Self {
        use std::io::ErrorKind;
        let (path, why) = (path.to_path_buf(), error.to_string());
        let failed = Failed { path, doing, why };
        let kind = error.kind();
        if kind == ErrorKind::StorageFull || kind == ErrorKind::QuotaExceeded {
            Self::DiskFull(failed)
        } else if kind == ErrorKind::ReadOnlyFilesystem || kind == ErrorKind::PermissionDenied {
            Self::ReadOnly(failed)
        } else {
            Self::Io(failed)
        }
    }

    /// Whether the same write may succeed later, when the disk has recovered. A [`Self::Conflict`] never will.
    pub fn may_recover(&self) -> bool {
        !matches!(self, Self::Conflict { .. })
    }
}
