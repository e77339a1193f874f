//! One daemon a state folder: a lock of the kernel, which goes away with the process, however it ends.

use std::fs::{File, Metadata, OpenOptions};
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use thiserror::Error;

/// The lock of a state folder, held until dropped.
#[derive(Debug)]
pub struct InstanceLock {
    file: File,
}

/// Why the lock is not ours.
#[derive(Debug, Error)]
pub enum LockError {
    /// Another daemon holds it.
    #[error(
        "another dosewright daemon runs on the state folder {state}; stop that one first, or use another --state folder"
    )]
    Taken { state: PathBuf },
    /// The lock file cannot be made.
    #[error("cannot make the lock file {path}; check the folder and its owner")]
    Make { path: PathBuf, source: io::Error },
}

impl InstanceLock {
    /// The lock file of a state folder.
    pub(super) fn path(state: &Path) -> PathBuf {
        state.join("lock")
    }

    /// # Errors
    /// When the system does not tell.
    pub(super) fn metadata(&self) -> io::Result<Metadata> {
        self.file.metadata()
    }

    /// Takes the lock, without waiting.
    ///
    /// # Errors
    /// When another process has it, or the file cannot be made.
    pub fn take(state: &Path) -> Result<Self, LockError> {
        let path = Self::path(state);
        let file = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o640)
            .open(&path)
            .map_err(|source| LockError::Make {
                path: path.clone(),
                source,
            })?;
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => Ok(Self { file }),
            Err(rustix::io::Errno::WOULDBLOCK) => Err(LockError::Taken {
                state: state.to_path_buf(),
            }),
            Err(errno) => Err(LockError::Make {
                path,
                source: errno.into(),
            }),
        }
    }
}
