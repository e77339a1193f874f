//! A copy of the ledger, whole and checked, taken while the daemon writes on.

use std::fs::{File, OpenOptions};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};
use thiserror::Error;

use super::error::LedgerError;
use super::files::{Place, beside, sync_folder};
use super::reader::LedgerReader;

/// Why there is no backup. The ledger itself is as it was.
#[derive(Debug, Error)]
pub enum BackupError {
    /// There is a file of that name.
    #[error("{}: is there already and is not overwritten; give another name", .path.display())]
    Exists {
        /// The name that was given.
        path: PathBuf,
    },
    /// The copy cannot be written.
    #[error("{}: cannot write the backup", .path.display())]
    Write {
        /// Where it was to go.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The database could not copy itself.
    #[error("{}: cannot write the backup", .path.display())]
    Copy {
        /// Where it was to go.
        path: PathBuf,
        /// What the database said.
        source: rusqlite::Error,
    },
    /// The copy does not pass the database's own check, so the ledger itself does not either.
    #[error("{}: the copy is not sound ({why}) and was thrown away; run `dosewright ledger check`", .path.display())]
    NotSound {
        /// Where it was to go.
        path: PathBuf,
        /// The first thing found.
        why: String,
    },
    /// The ledger cannot be read.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

impl LedgerReader {
    /// Copies the ledger as it is at one instant to the new file `to`, checks the copy and makes it durable.
    ///
    /// # Errors
    /// [`BackupError`]; no file is then left at `to`.
    pub fn backup(&self, to: &Path) -> Result<(), BackupError> {
        let write = |source| BackupError::Write {
            path: to.to_path_buf(),
            source,
        };
        let to = std::path::absolute(to).map_err(write)?;
        if std::fs::symlink_metadata(&to).is_ok() {
            return Err(BackupError::Exists { path: to });
        }
        let unfinished = beside(&to, ".partial");
        OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o640)
            .open(&unfinished)
            .map_err(|source| BackupError::Write {
                path: unfinished.clone(),
                source,
            })?;
        let done = self
            .copy_to(&unfinished)
            .and_then(|()| finish(&unfinished, &to));
        if done.is_err() {
            for leftover in [unfinished.clone(), beside(&unfinished, "-journal")] {
                // The error at hand is the one to tell.
                drop(std::fs::remove_file(leftover));
            }
        }
        done
    }

    fn copy_to(&self, path: &Path) -> Result<(), BackupError> {
        let copy = |source| BackupError::Copy {
            path: path.to_path_buf(),
            source,
        };
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut target = Connection::open_with_flags(path, flags).map_err(copy)?;
        {
            let backup = Backup::new(&self.conn, &mut target).map_err(copy)?;
            // All pages in one step: in smaller ones, each write of the daemon would start the copy anew.
            if backup.step(-1).map_err(copy)? != StepResult::Done {
                let failed = Place::new(&self.path, "copy it").failed("");
                return Err(LedgerError::Locked(failed).into());
            }
        }
        // The copy is one plain file, without a log beside it; opened as a ledger, it gets its log again.
        target
            .pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))
            .map_err(copy)?;
        let found: String = target
            .query_row("PRAGMA integrity_check(1)", [], |row| row.get(0))
            .map_err(copy)?;
        target.close().map_err(|(_, source)| copy(source))?;
        if found == "ok" {
            Ok(())
        } else {
            Err(BackupError::NotSound {
                path: path.to_path_buf(),
                why: found,
            })
        }
    }
}

fn finish(unfinished: &Path, to: &Path) -> Result<(), BackupError> {
    let write = |source| BackupError::Write {
        path: to.to_path_buf(),
        source,
    };
    File::open(unfinished)
        .and_then(|file| file.sync_all())
        .map_err(write)?;
    // A link fails when the name is taken, which a rename does not.
    match std::fs::hard_link(unfinished, to) {
        Ok(()) => std::fs::remove_file(unfinished).map_err(write)?,
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            return Err(BackupError::Exists {
                path: to.to_path_buf(),
            });
        }
        // File systems without links, as on many a USB stick.
        Err(_) => std::fs::rename(unfinished, to).map_err(write)?,
    }
    sync_folder(to).map_err(write)
}
