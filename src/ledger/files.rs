//! The files of a ledger on the disk: their names, which they are, how they begin, and what goes wrong with them.

use std::fs::{File, Metadata};
use std::io::Read;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use super::error::{Failed, LedgerError};
use super::schema;

/// A path and an action, for errors.
#[derive(Clone, Copy)]
pub(super) struct Place<'a> {
    pub(super) path: &'a Path,
    pub(super) doing: &'static str,
}

impl<'a> Place<'a> {
    pub(super) const fn new(path: &'a Path, doing: &'static str) -> Self {
        Self { path, doing }
    }

    #[expect(
        clippy::needless_pass_by_value,
        reason = "made for map_err, which hands the error over"
    )]
    pub(super) fn sql(self, error: rusqlite::Error) -> LedgerError {
        LedgerError::sqlite(self.path, self.doing, &error)
    }

    #[expect(
        clippy::needless_pass_by_value,
        reason = "made for map_err, which hands the error over"
    )]
    pub(super) fn io(self, error: std::io::Error) -> LedgerError {
        LedgerError::io(self.path, self.doing, &error)
    }

    pub(super) fn failed(self, why: impl Into<String>) -> Failed {
        Failed {
            path: self.path.to_path_buf(),
            doing: self.doing,
            why: why.into(),
        }
    }

    pub(super) fn conflict(self, why: impl Into<String>) -> LedgerError {
        LedgerError::Conflict(self.failed(why))
    }

    pub(super) fn damaged(self, why: impl Into<String>) -> LedgerError {
        LedgerError::Damaged(self.failed(why))
    }
}

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

/// `path` with `suffix` at its very end, as SQLite names the files beside a database.
pub(super) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// The ledger's name with another ending.
pub(super) fn named_like(ledger: &Path, ending: &str) -> PathBuf {
    let path = ledger.with_extension(ending);
    if path == ledger {
        beside(ledger, &format!(".{ending}"))
    } else {
        path
    }
}

/// Makes a rename or removal in the folder of `path` durable.
pub(super) fn sync_folder(path: &Path) -> std::io::Result<()> {
    path.parent()
        .map_or(Ok(()), |folder| File::open(folder)?.sync_all())
}

/// Root may restore for the daemon's user.
pub(super) fn give_to_owner(ledger: &Path) -> std::io::Result<()> {
    let Some(folder) = ledger
        .parent()
        .filter(|_| rustix::process::geteuid().is_root())
    else {
        return Ok(());
    };
    let owner = std::fs::metadata(folder)?;
    for path in [ledger.to_path_buf(), named_like(ledger, "mark")] {
        if path.exists() {
            std::os::unix::fs::chown(path, Some(owner.uid()), Some(owner.gid()))?;
        }
    }
    Ok(())
}

/// Looks at the first 100 bytes before SQLite does, so that a file of something else is not even touched.
pub(super) fn check_header(path: &Path) -> Result<(), LedgerError> {
    let place = Place::new(path, "open it");
    let foreign = |why: String| LedgerError::Foreign {
        path: path.to_path_buf(),
        why,
    };
    let mut file = File::open(path).map_err(|e| place.io(e))?;
    let kind = file.metadata().map_err(|e| place.io(e))?;
    if !kind.is_file() {
        return Err(foreign("it is not a plain file".to_owned()));
    }
    if kind.len() < schema::PAGE_BYTES {
        return Err(place.damaged(format!("it is only {} bytes long", kind.len())));
    }
    let mut header = [0_u8; 100];
    file.read_exact(&mut header).map_err(|e| place.io(e))?;
    if !header.starts_with(b"SQLite format 3\0") {
        return Err(place.damaged(
            "it does not begin like an SQLite database, or it is a file of something else",
        ));
    }
    let id = header
        .get(68..72)
        .and_then(|b| b.try_into().ok())
        .map_or(0, u32::from_be_bytes);
    if i64::from(id) == schema::APPLICATION_ID {
        Ok(())
    } else {
        Err(foreign(format!(
            "an SQLite database with application id {id:#x}, not {:#x}",
            schema::APPLICATION_ID
        )))
    }
}
