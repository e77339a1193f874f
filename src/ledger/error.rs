//! What can go wrong with the record, in words for the owner.

use std::path::{Path, PathBuf};

use rusqlite::ffi;
use thiserror::Error;

/// Why the ledger could not do what it was asked. Every kind means: no new dose is given on the strength of it.
///
/// `doing` completes the words "could not": `open it`, `write the dose intent`. `why` is the database's or the system's own word.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum LedgerError {
    /// No room on the file system.
    #[error(
        "{}: could not {doing}: the disk is full ({why}); nothing is dosed until there is room: remove what is not needed on that file system, the daemon then goes on by itself",
        .path.display()
    )]
    DiskFull {
        path: PathBuf,
        doing: &'static str,
        why: String,
    },
    /// The file or its file system cannot be written.
    #[error(
        "{}: could not {doing}: it cannot be written ({why}); nothing is dosed; look at the owner and mode of the state folder, and whether the file system turned read-only after card errors (`dmesg`)",
        .path.display()
    )]
    ReadOnly {
        path: PathBuf,
        doing: &'static str,
        why: String,
    },
    /// Another program held the lock for longer than 5 s.
    #[error(
        "{}: could not {doing}: another program has held it locked for more than 5 s; nothing is dosed; close the program that has the ledger open for writing",
        .path.display()
    )]
    Locked { path: PathBuf, doing: &'static str },
    /// Not readable as a ledger any more. Left exactly as it is.
    #[error(
        "{}: could not {doing}: it is damaged ({why}); nothing is dosed, and the file is left as it is; stop the daemon, move the file and those named like it with -wal and -shm away (keep them), and put a copy made with `dosewright ledger backup` in its place",
        .path.display()
    )]
    Damaged {
        path: PathBuf,
        doing: &'static str,
        why: String,
    },
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
    #[error("{}: refused to {doing}: {why}; nothing is dosed for it", .path.display())]
    Conflict {
        path: PathBuf,
        doing: &'static str,
        /// Which rule of the books.
        why: String,
    },
    /// Opened only for reading, and not let in. Says nothing about the daemon, which has rights of its own.
    #[error(
        "{}: could not {doing}: {why}; the ledger belongs to the daemon's user and group: join that group, or read it with sudo",
        .path.display()
    )]
    Unreadable {
        path: PathBuf,
        doing: &'static str,
        why: String,
    },
    /// The disk or the file system failed.
    #[error(
        "{}: could not {doing}: {why}; nothing is dosed; look at the card or disk (`dmesg`) and at the state folder",
        .path.display()
    )]
    Io {
        path: PathBuf,
        doing: &'static str,
        why: String,
    },
    /// Anything else the database said.
    #[error("{}: could not {doing}: {why}; nothing is dosed", .path.display())]
    Other {
        path: PathBuf,
        doing: &'static str,
        why: String,
    },
}

impl LedgerError {
    /// From the database's error.
    pub(super) fn sqlite(path: &Path, doing: &'static str, error: &rusqlite::Error) -> Self {
        let (path, why) = (path.to_path_buf(), error.to_string());
        let Some(code) = error.sqlite_error_code() else {
            // Not from SQLite itself: a value in a row that no ledger of this schema holds.
            return Self::Damaged { path, doing, why };
        };
        if code == ffi::ErrorCode::DiskFull {
            Self::DiskFull { path, doing, why }
        } else if code == ffi::ErrorCode::ReadOnly || code == ffi::ErrorCode::PermissionDenied {
            Self::ReadOnly { path, doing, why }
        } else if code == ffi::ErrorCode::DatabaseBusy || code == ffi::ErrorCode::DatabaseLocked {
            Self::Locked { path, doing }
        } else if code == ffi::ErrorCode::DatabaseCorrupt || code == ffi::ErrorCode::NotADatabase {
            Self::Damaged { path, doing, why }
        } else if code == ffi::ErrorCode::ConstraintViolation {
            Self::Conflict { path, doing, why }
        } else if code == ffi::ErrorCode::SystemIoFailure || code == ffi::ErrorCode::CannotOpen {
            Self::Io { path, doing, why }
        } else {
            Self::Other { path, doing, why }
        }
    }

    /// From a file operation.
    pub(super) fn io(path: &Path, doing: &'static str, error: &std::io::Error) -> Self {
        use std::io::ErrorKind;
        let (path, why) = (path.to_path_buf(), error.to_string());
        let kind = error.kind();
        if kind == ErrorKind::StorageFull || kind == ErrorKind::QuotaExceeded {
            Self::DiskFull { path, doing, why }
        } else if kind == ErrorKind::ReadOnlyFilesystem || kind == ErrorKind::PermissionDenied {
            Self::ReadOnly { path, doing, why }
        } else {
            Self::Io { path, doing, why }
        }
    }

    /// Whether the same write may succeed later, when the disk has recovered. A [`Self::Conflict`] never will.
    pub fn may_recover(&self) -> bool {
        !matches!(self, Self::Conflict { .. })
    }

    /// Short stable code, for programs.
    pub fn code(&self) -> &'static str {
        match self {
            Self::DiskFull { .. } => "ledger-disk-full",
            Self::ReadOnly { .. } => "ledger-read-only",
            Self::Locked { .. } => "ledger-locked",
            Self::Damaged { .. } => "ledger-damaged",
            Self::Foreign { .. } => "ledger-foreign",
            Self::OtherSchema { .. } => "ledger-other-schema",
            Self::OtherTimeline { .. } => "ledger-other-timeline",
            Self::Absent { .. } => "ledger-absent",
            Self::OtherInstallation { .. } => "ledger-other-installation",
            Self::Conflict { .. } => "ledger-conflict",
            Self::Unreadable { .. } => "ledger-unreadable",
            Self::Io { .. } => "ledger-io",
            Self::Other { .. } => "ledger-other",
        }
    }
}
