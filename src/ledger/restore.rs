//! Putting a copy into the place of the ledger. No daemon may run; the caller holds the lock that sees to it.

use std::io::ErrorKind;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use thiserror::Error;

use super::backup::BackupError;
use super::error::LedgerError;
use super::files::{Place, beside, give_to_owner, sync_folder};
use super::mark::put_in_doubt;
use super::open::Ledger;

/// Why nothing was restored.
#[derive(Debug, Error)]
pub enum RestoreError {
    /// The file is the ledger that it would take the place of.
    #[error("{}: is the ledger in place; name a copy made with `dosewright ledger backup`", .path.display())]
    Itself { path: PathBuf },
    /// The copy is not in order.
    #[error("{}: is not in order, and is not put in place: {why}", .path.display())]
    NotSound {
        path: PathBuf,
        /// The first mistake.
        why: String,
    },
    #[error(transparent)]
    Copy(#[from] BackupError),
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// What was put in place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Restored {
    pub doses: u64,
    /// Where the ledger before it is now; `None` when there was none.
    pub aside: Option<PathBuf>,
}

/// Checks the copy `from` and puts it in the place of `ledger`, whose files are kept beside it. `why` is what the next start is to say
/// of it: whatever the copy holds, it may have forgotten something.
///
/// # Errors
/// [`RestoreError`]; the ledger in place is then as it was, or is in doubt.
pub fn restore(from: &Path, ledger: &Path, why: &str) -> Result<Restored, RestoreError> {
    let place = Place::new(ledger, "put a copy in its place");
    let copy = Ledger::open_to_read(from)?;
    if is_same(from, ledger) {
        let path = from.to_path_buf();
        return Err(RestoreError::Itself { path });
    }
    let report = copy.check()?;
    if let Some(mistake) = report.mistakes.first() {
        return Err(RestoreError::NotSound {
            path: from.to_path_buf(),
            why: mistake.what.clone(),
        });
    }
    let ready = beside(ledger, ".restored");
    match std::fs::remove_file(&ready) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(place.io(error).into()),
        Ok(()) | Err(_) => {}
    }
    copy.backup(&ready)?;
    // First of all: from here on, whatever lies there is in doubt, wherever this is cut off.
    put_in_doubt(ledger, why)?;
    let aside = set_aside(ledger).map_err(|e| place.io(e))?;
    std::fs::rename(&ready, ledger)
        .and_then(|()| sync_folder(ledger))
        .and_then(|()| give_to_owner(ledger))
        .map_err(|e| place.io(e))?;
    Ok(Restored {
        doses: report.doses,
        aside,
    })
}

fn is_same(one: &Path, other: &Path) -> bool {
    let id = |path: &Path| {
        std::fs::metadata(path)
            .map(|file| (file.dev(), file.ino()))
            .ok()
    };
    id(one).is_some() && id(one) == id(other)
}

/// Moves the ledger and its log to names that are free, the ledger first: a log without one is refused.
fn set_aside(ledger: &Path) -> std::io::Result<Option<PathBuf>> {
    let is_free = |path: &PathBuf| std::fs::symlink_metadata(path).is_err();
    let mut names = (1_u32..=u32::MAX).map(|n| beside(ledger, &format!(".aside-{n}")));
    let aside = names
        .find(|name| is_free(name) && is_free(&beside(name, "-wal")))
        .ok_or(ErrorKind::AlreadyExists)?;
    let mut found = false;
    for ending in ["", "-wal", "-shm"] {
        match std::fs::rename(beside(ledger, ending), beside(&aside, ending)) {
            Ok(()) => found = true,
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(error),
        }
    }
    Ok(found.then_some(aside))
}
