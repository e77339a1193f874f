//! Room put by for the worst hour: a file beside the ledger that is given up when the disk is full, so that the end of a
//! dose can still be written, and made again when there is room.

use std::fs::OpenOptions;
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

use super::error::LedgerError;
use super::files::{Place, named_like, sync_folder};

/// Size of the reserve in bytes: some ten outcomes with a new write-ahead log.
pub const RESERVE_BYTES: u64 = 262_144;

/// The file and whether it is there.
#[derive(Debug)]
pub(super) struct Reserve {
    path: PathBuf,
    present: bool,
}

impl Reserve {
    /// Finds or makes the reserve of the ledger at `ledger`. One that cannot be made is missing, which the first probe reports.
    pub(super) fn open(ledger: &Path) -> Self {
        let path = named_like(ledger, "reserve");
        let present = std::fs::metadata(&path).is_ok_and(|file| file.len() >= RESERVE_BYTES);
        let mut reserve = Self { path, present };
        if !reserve.present {
            reserve.present = reserve.make().is_ok();
        }
        reserve
    }

    /// Gives the room back to the file system. Returns whether there was any.
    pub(super) fn give_up(&mut self) -> bool {
        let given = self.present && std::fs::remove_file(&self.path).is_ok();
        self.present = false;
        given && sync_folder(&self.path).is_ok()
    }

    /// Makes the reserve again when it was given up.
    ///
    /// # Errors
    /// Most of all [`LedgerError::DiskFull`].
    pub(super) fn restore(&mut self) -> Result<(), LedgerError> {
        if self.present {
            return Ok(());
        }
        let place = Place::new(&self.path, "put room by for the end of a dose");
        let made = self.make().map_err(|e| place.io(e));
        self.present = made.is_ok();
        made
    }

    /// Writes real bytes: a file with a hole in it reserves nothing.
    fn make(&self) -> std::io::Result<()> {
        let write = || {
            let mut file = OpenOptions::new()
                .write(true)
                .create(true)
                .truncate(true)
                .mode(0o640)
                .open(&self.path)?;
            let block = [0x5a_u8; 4096];
            for _ in 0..RESERVE_BYTES / 4096 {
                file.write_all(&block)?;
            }
            file.sync_all()
        };
        write().inspect_err(|_| {
            // Half a reserve would only make the disk fuller. If even this fails, the next attempt truncates it.
            drop(std::fs::remove_file(&self.path));
        })
    }
}
