//! The hold file on the disk, and the thread that writes it. It is replaced whole: written beside, synced, renamed, folder synced.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use thiserror::Error;

use crate::record::Hold;
use crate::shell::{HoldOrders, HoldsWritten, Order, hold_text, parse_holds};

/// Why holds cannot be read or written.
#[derive(Debug, Error)]
pub enum HoldFileError {
    /// The file cannot be read.
    #[error("cannot read {path}: {source}")]
    Read { path: PathBuf, source: io::Error },
    /// The file cannot be written.
    #[error("cannot write {path}: {source}")]
    Write { path: PathBuf, source: io::Error },
    /// The file holds something else.
    #[error(
        "{path} is not a hold file: {why}; look at it, and remove it only when nothing should be on hold"
    )]
    Content { path: PathBuf, why: String },
}

fn file_of(state: &Path) -> PathBuf {
    state.join("holds.json")
}

/// Holds of a state folder; none when there is no file.
///
/// # Errors
/// When the file is there but cannot be read or understood: the caller must then hold everything.
pub fn read_holds(state: &Path) -> Result<Vec<Hold>, HoldFileError> {
    let path = file_of(state);
    let text = match fs::read_to_string(&path) {
        Ok(text) => text,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(HoldFileError::Read { path, source }),
    };
    let content = |why: String| HoldFileError::Content {
        path: path.clone(),
        why,
    };
    parse_holds(&text).map_err(content)
}

/// Writes all holds, or removes the file when there are none.
///
/// # Errors
/// When the file or its folder cannot be written or synced.
fn write_holds(state: &Path, holds: &[Hold]) -> Result<(), HoldFileError> {
    let path = file_of(state);
    let write = |source| HoldFileError::Write {
        path: path.clone(),
        source,
    };
    let Some(text) = hold_text(holds).map_err(|e| write(e.into()))? else {
        return match fs::remove_file(&path) {
            Ok(()) => sync_folder(state).map_err(write),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(e) => Err(write(e)),
        };
    };
    let beside = state.join("holds.json.new");
    let mut file = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o640)
        .open(&beside)
        .map_err(write)?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .map_err(write)?;
    fs::rename(&beside, &path).map_err(write)?;
    sync_folder(state).map_err(write)
}

fn sync_folder(state: &Path) -> io::Result<()> {
    File::open(state)?.sync_all()
}

/// Adds a hold when no daemon runs; the caller holds the instance lock.
///
/// # Errors
/// As for reading and writing.
pub fn add_hold_offline(state: &Path, hold: Hold) -> Result<(), HoldFileError> {
    let mut holds = read_holds(state)?;
    holds.push(hold);
    write_holds(state, &holds)
}

/// What waits for the thread. Only the newest set, so that a disk that hangs cannot fill the memory.
#[derive(Debug, Default)]
struct Slot {
    newest: Option<Order>,
    ends: bool,
}

type Shared = Arc<(Mutex<Slot>, Condvar)>;

/// The thread that writes the hold file.
#[derive(Debug)]
pub(super) struct HoldKeeper {
    slot: Shared,
    thread: JoinHandle<()>,
}

impl HoldKeeper {
    pub(super) fn spawn(
        state: &Path,
        report: impl Fn(HoldsWritten) + Send + 'static,
    ) -> io::Result<Self> {
        let slot = Shared::default();
        let (state, for_thread) = (state.to_path_buf(), Arc::clone(&slot));
        let thread = std::thread::Builder::new()
            .name("holds".to_owned())
            .stack_size(128 * 1024)
            .spawn(move || serve(&state, &for_thread, &report))?;
        Ok(Self { slot, thread })
    }

    /// Orders a set to be written; the number comes back with [`HoldsWritten`].
    pub(super) fn write(&self, order: Order) {
        if self.thread.is_finished() {
            tracing::error!("the hold file can no longer be written: its thread has ended");
        }
        self.change(|slot| slot.newest = Some(order));
    }

    /// Writes what waits, and ends.
    pub(super) fn end(self) {
        self.change(|slot| slot.ends = true);
        if self.thread.join().is_err() {
            tracing::error!("the thread of the hold file had panicked");
        }
    }

    fn change(&self, change: impl FnOnce(&mut Slot)) {
        let (slot, changed) = &*self.slot;
        change(&mut slot.lock().unwrap_or_else(PoisonError::into_inner));
        changed.notify_one();
    }
}

fn serve(state: &Path, shared: &Shared, report: &impl Fn(HoldsWritten)) {
    let mut orders = HoldOrders::default();
    loop {
        let (newer, ends) = wait(shared, orders.patience());
        if let Some(order) = newer {
            orders.order(order);
        }
        if let Some(order) = orders.next() {
            let result = write_holds(state, &order.holds).map_err(|error| error.to_string());
            if let Some(written) = orders.written(result) {
                report(written);
            }
        }
        if ends {
            return;
        }
    }
}

/// Waits for a newer set or the end, as long as patience allows.
fn wait(
    (slot, changed): &(Mutex<Slot>, Condvar),
    patience: Option<Duration>,
) -> (Option<Order>, bool) {
    let is_quiet = |slot: &mut Slot| slot.newest.is_none() && !slot.ends;
    let guard = slot.lock().unwrap_or_else(PoisonError::into_inner);
    let mut guard = match patience {
        None => changed
            .wait_while(guard, is_quiet)
            .unwrap_or_else(PoisonError::into_inner),
        Some(patience) => {
            changed
                .wait_timeout_while(guard, patience, is_quiet)
                .unwrap_or_else(PoisonError::into_inner)
                .0
        }
    };
    (guard.newest.take(), guard.ends)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Name;
    use crate::record::{HoldScope, Who};
    use jiff::Timestamp;
    use std::sync::mpsc::channel;

    fn hold(scope: HoldScope, who: Who) -> Hold {
        Hold {
            scope,
            reason: "bad test".to_owned(),
            who,
            since: Timestamp::from_second(1_700_000_000).unwrap(),
            until: None,
        }
    }

    #[test]
    fn holds_come_back_as_they_were_written() {
        let state = tempfile::tempdir().unwrap();
        let line = Name::new("calcium").unwrap();
        let holds = vec![
            hold(HoldScope::All, Who::Local { uid: 1000 }),
            hold(HoldScope::Line(line), Who::Daemon),
            hold(
                HoldScope::All,
                Who::Remote {
                    name: "panel in the hall".to_owned(),
                },
            ),
        ];
        write_holds(state.path(), &holds).unwrap();
        assert_eq!(read_holds(state.path()).unwrap(), holds);
        write_holds(state.path(), &[]).unwrap();
        assert_eq!(read_holds(state.path()).unwrap(), Vec::new());
    }

    #[test]
    fn holds_that_could_not_be_written_are_written_once_they_can() {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("not-mounted-yet");
        let (tell, told) = channel();
        let keeper = HoldKeeper::spawn(&state, move |w| tell.send(w).unwrap()).unwrap();
        let holds = vec![hold(HoldScope::All, Who::Daemon)];
        let (number, set) = (7, holds.clone());
        keeper.write(Order { number, holds: set });
        let first = told.recv().unwrap();
        assert!(first.number == number && first.result.is_err());
        fs::create_dir(&state).unwrap();
        let second = told.recv().unwrap();
        assert!(second.number == number && second.result.is_ok());
        assert_eq!(read_holds(&state).unwrap(), holds);
        keeper.end();
        assert!(told.recv().is_err(), "nothing is written twice");
    }

    #[test]
    fn a_file_that_is_no_hold_file_is_an_error_and_not_an_empty_list() {
        let state = tempfile::tempdir().unwrap();
        for text in [
            "",
            "{}",
            "{\"holds\":[{\"line\":\"no good\",\"reason\":\"\",\"who\":\"daemon\",\"since\":\"2026-01-01T00:00:00Z\"}]}",
            "\0\0\0\0",
        ] {
            fs::write(file_of(state.path()), text).unwrap();
            assert!(read_holds(state.path()).is_err(), "{text:?} was taken");
        }
    }
}
