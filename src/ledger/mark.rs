//! The mark on the disk. Its rules are `shell/mark.rs`.

use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read};
use std::os::unix::fs::{FileExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::error::LedgerError;
use super::files::{Place, give_to_owner, named_like, sync_folder};
use super::schema::PAGE_BYTES;
use crate::shell::{FoundMark, Mark, Recorded, SLOT_BYTES, SLOTS, read_slots, slot};

/// A slot is a page.
const WHOLE_BYTES: u64 = SLOTS * PAGE_BYTES;

/// The mark beside a ledger.
#[derive(Debug)]
pub(super) struct MarkFile {
    path: PathBuf,
    /// Once it has been written.
    file: Option<File>,
    number: u64,
}

impl MarkFile {
    /// Looks at the mark of the ledger at `ledger`, and changes nothing.
    pub(super) fn find(ledger: &Path) -> io::Result<(Self, FoundMark)> {
        let path = named_like(ledger, "mark");
        let mut bytes = Vec::new();
        let found = match File::open(&path) {
            Ok(file) => {
                file.take(WHOLE_BYTES).read_to_end(&mut bytes)?;
                read_slots(&bytes)
            }
            Err(error) if error.kind() == ErrorKind::NotFound => FoundMark::Absent,
            Err(error) => return Err(error),
        };
        let number = match &found {
            FoundMark::Says { number, .. } => *number,
            FoundMark::Absent | FoundMark::Unreadable => 0,
        };
        let file = None;
        Ok((Self { path, file, number }, found))
    }

    /// Writes into the older slot, in place: that costs no new room and no change of the folder.
    pub(super) fn write(&mut self, mark: &Mark) -> io::Result<()> {
        let number = self.number.saturating_add(1);
        let bytes = slot(number, mark).map_err(io::Error::other)?;
        let at = (number % SLOTS).saturating_mul(PAGE_BYTES);
        let file = match self.file.take() {
            Some(file) => file,
            None => self.make()?,
        };
        file.write_all_at(&bytes, at)?;
        file.sync_data()?;
        self.number = number;
        self.file = Some(file);
        Ok(())
    }

    /// As after a start.
    #[cfg(test)]
    pub(super) fn forget_file(&mut self) {
        self.file = None;
    }

    /// With all of its room, so that a full disk takes every later mark.
    fn make(&self) -> io::Result<File> {
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .mode(0o640)
            .open(&self.path)?;
        if file.metadata()?.len() < WHOLE_BYTES {
            for slot in 0..SLOTS {
                file.write_all_at(&[0_u8; SLOT_BYTES], slot.saturating_mul(PAGE_BYTES))?;
            }
            file.sync_all()?;
            sync_folder(&self.path)?;
        }
        Ok(file)
    }
}

/// What the ledger of this connection holds.
pub(super) fn recorded(conn: &Connection) -> rusqlite::Result<Recorded> {
    conn.query_row(
        "SELECT installation,
                (SELECT coalesce(max(id), 0) FROM dose) AS dose,
                max((SELECT coalesce(max(outcome_order), 0) FROM (SELECT outcome_order FROM dose ORDER BY id DESC LIMIT 1000)),
                    (SELECT coalesce(max(outcome_order), 0) FROM refill)) AS outcome_order,
                (SELECT coalesce(max(id), 0) FROM entry) AS entry
         FROM meta",
        [],
        |row| {
            Ok(Recorded {
                installation: row.get("installation")?,
                dose: row.get("dose")?,
                order: row.get("outcome_order")?,
                entry: row.get("entry")?,
            })
        },
    )
}

/// Says beside the ledger at `ledger` that it may have forgotten something, whatever it holds. The next start acts on it.
///
/// # Errors
/// When the mark cannot be written.
pub fn put_in_doubt(ledger: &Path, why: &str) -> Result<(), LedgerError> {
    let place = Place::new(ledger, "write the mark beside it (ledger.mark)");
    let (mut mark, _) = MarkFile::find(ledger).map_err(|e| place.io(e))?;
    mark.write(&Mark::Doubt(why.to_owned()))
        .and_then(|()| give_to_owner(ledger))
        .map_err(|e| place.io(e))
}
