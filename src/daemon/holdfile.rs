//! Holds on a file of their own, so that a stop survives a power cut also when the ledger cannot be written.
//!
//! The file is replaced whole: written beside, synced, renamed, folder synced. What is in it is in force at the next start,
//! beside what the ledger says. A file that cannot be understood means: everything is held.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::quantity::Name;
use crate::record::{Hold, HoldScope, Who};

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

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredHold {
    line: Option<String>,
    reason: String,
    who: String,
    since: Timestamp,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredHolds {
    holds: Vec<StoredHold>,
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
    let stored: StoredHolds = serde_json::from_str(&text).map_err(|e| content(e.to_string()))?;
    stored
        .holds
        .into_iter()
        .map(|hold| {
            let scope = match &hold.line {
                None => HoldScope::All,
                Some(name) => HoldScope::Line(Name::new(name).map_err(|e| content(e.to_string()))?),
            };
            Ok(Hold {
                scope,
                reason: hold.reason,
                who: who_from(&hold.who),
                since: hold.since,
            })
        })
        .collect()
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
    let stored = StoredHolds {
        holds: holds
            .iter()
            .map(|hold| StoredHold {
                line: match &hold.scope {
                    HoldScope::All => None,
                    HoldScope::Line(line) => Some(line.to_string()),
                },
                reason: hold.reason.clone(),
                who: who_text(&hold.who),
                since: hold.since,
            })
            .collect(),
    };
    if holds.is_empty() {
        return match fs::remove_file(&path) {
            Ok(()) => sync_folder(state).map_err(write),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(e) => Err(write(e)),
        };
    }
    let text = serde_json::to_vec_pretty(&stored).map_err(|e| write(e.into()))?;
    let beside = state.join("holds.json.new");
    let mut file = OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(true)
        .mode(0o640)
        .open(&beside)
        .map_err(write)?;
    file.write_all(&text)
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

fn who_text(who: &Who) -> String {
    match who {
        Who::Plan => "plan".to_owned(),
        Who::Daemon => "daemon".to_owned(),
        Who::Local { uid } => format!("uid {uid}"),
        Who::Remote { name } => format!("remote {name}"),
    }
}

fn who_from(text: &str) -> Who {
    match text.split_once(' ') {
        Some(("uid", number)) => number.parse().map_or(Who::Daemon, |uid| Who::Local { uid }),
        Some(("remote", name)) => Who::Remote {
            name: name.to_owned(),
        },
        Some(_) | None if text == "plan" => Who::Plan,
        Some(_) | None => Who::Daemon,
    }
}

/// A write that failed is tried again after this time: a full disk has room again once the ledger has given up its reserve.
const RETRY_SOON: Duration = Duration::from_millis(200);
/// And from then on this often.
const RETRY_EVERY: Duration = Duration::from_secs(5);

/// A set of holds to be written, numbered so that the asker can be answered.
#[derive(Debug)]
struct Order {
    number: u64,
    holds: Vec<Hold>,
}

/// The thread that writes the hold file. Only the newest of several waiting sets is written.
#[derive(Debug)]
pub(super) struct HoldKeeper {
    orders: Option<Sender<Order>>,
    number: u64,
    thread: Option<JoinHandle<()>>,
}

/// Which order has been carried out, together with all before it, and how that went.
#[derive(Debug)]
pub(super) struct HoldsWritten {
    pub(super) number: u64,
    pub(super) result: Result<(), HoldFileError>,
}

impl HoldKeeper {
    pub(super) fn spawn(
        state: &Path,
        report: impl Fn(HoldsWritten) + Send + 'static,
    ) -> io::Result<Self> {
        let (orders, queue) = channel();
        let state = state.to_path_buf();
        let thread = std::thread::Builder::new()
            .name("holds".to_owned())
            .stack_size(128 * 1024)
            .spawn(move || serve(&state, &queue, &report))?;
        Ok(Self {
            orders: Some(orders),
            number: 0,
            thread: Some(thread),
        })
    }

    /// Orders a set to be written; the number comes back with [`HoldsWritten`].
    pub(super) fn write(&mut self, holds: Vec<Hold>) -> u64 {
        self.number = self.number.wrapping_add(1);
        let order = Order {
            number: self.number,
            holds,
        };
        if self
            .orders
            .as_ref()
            .is_none_or(|orders| orders.send(order).is_err())
        {
            tracing::error!("the hold file can no longer be written: its thread has ended");
        }
        self.number
    }

    /// Writes what waits, and ends.
    pub(super) fn end(mut self) {
        self.orders = None;
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the thread of the hold file had panicked");
        }
    }
}

fn serve(state: &Path, queue: &Receiver<Order>, report: &impl Fn(HoldsWritten)) {
    let mut failed: Option<(Order, u32)> = None;
    loop {
        let (order, tries) = match failed.take() {
            None => match queue.recv() {
                Ok(order) => (order, 0),
                Err(_) => return,
            },
            Some((order, tries)) => {
                let patience = if tries == 1 { RETRY_SOON } else { RETRY_EVERY };
                match queue.recv_timeout(patience) {
                    Ok(newer) => (newer, 0),
                    Err(RecvTimeoutError::Timeout) => (order, tries),
                    Err(RecvTimeoutError::Disconnected) => {
                        let (number, result) = (order.number, write_holds(state, &order.holds));
                        return report(HoldsWritten { number, result });
                    }
                }
            }
        };
        let (order, tries) = queue
            .try_iter()
            .last()
            .map_or((order, tries), |newest| (newest, 0));
        let result = write_holds(state, &order.holds);
        let number = order.number;
        if result.is_err() {
            failed = Some((order, tries.saturating_add(1)));
        }
        // The first failure may pass in a moment, and the later ones say nothing new.
        if result.is_ok() || tries == 1 {
            report(HoldsWritten { number, result });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hold(scope: HoldScope, who: Who) -> Hold {
        Hold {
            scope,
            reason: "bad test".to_owned(),
            who,
            since: Timestamp::from_second(1_700_000_000).unwrap(),
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
        let mut keeper = HoldKeeper::spawn(&state, move |w| tell.send(w).unwrap()).unwrap();
        let holds = vec![hold(HoldScope::All, Who::Daemon)];
        let number = keeper.write(holds.clone());
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
