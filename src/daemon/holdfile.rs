//! The hold file on the disk, and the thread that keeps it.
//!
//! It has its place on the disk from the first start on, and is overwritten in place: a hold needs no room. The command line writes
//! in it too, when no daemon runs or the one that runs does not answer; a lock on the file keeps the two apart.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::fs::{FileExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

use rustix::fs::{FlockOperation, flock};
use thiserror::Error;

use super::clock::machine_now;
use crate::record::{Hold, HoldScope, Who};
use crate::shell::{HoldOrders, HoldsWritten, Order, hold_text, parse_holds};

/// Room for some fifty holds with their reasons. More of them need more room on the disk.
const ROOM_BYTES: usize = 16 * 1024;
/// The lock of the file is held for one write. Whoever does not get it goes on without: one that hangs with it must not keep a stop out.
const LOCK_TRIES: u32 = 50;
const LOCK_AGAIN: Duration = Duration::from_millis(10);

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
        "{path} is not a hold file: {why}; look at it, and remove it, with the daemon stopped, only when nothing should be on hold"
    )]
    Content { path: PathBuf, why: String },
}

pub(super) fn hold_file_path(state: &Path) -> PathBuf {
    state.join("holds.json")
}

/// The open file.
#[derive(Debug)]
struct HoldFile {
    file: File,
    path: PathBuf,
}

impl HoldFile {
    /// Opens it; `None` when there is none.
    fn open(state: &Path) -> Result<Option<Self>, HoldFileError> {
        let path = hold_file_path(state);
        match OpenOptions::new().read(true).write(true).open(&path) {
            Ok(file) => Ok(Some(Self { file, path })),
            Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(source) => Err(HoldFileError::Write { path, source }),
        }
    }

    /// Makes it with these holds. It is there with all its room and content, or not at all.
    fn make(state: &Path, holds: &[Hold]) -> Result<Self, HoldFileError> {
        let path = hold_file_path(state);
        let beside = state.join("holds.json.new");
        let make = || {
            let file = OpenOptions::new()
                .read(true)
                .write(true)
                .create(true)
                .truncate(true)
                .mode(0o640)
                .open(&beside)?;
            let made = Self {
                file,
                path: path.clone(),
            };
            made.overwrite(holds)?;
            fs::rename(&beside, &path)?;
            File::open(state)?.sync_all()?;
            Ok(made)
        };
        make().map_err(|source| {
            // Half of it would only take room away.
            drop(fs::remove_file(&beside));
            HoldFileError::Write {
                path: path.clone(),
                source,
            }
        })
    }

    /// Until dropped, nobody else writes; unless somebody hangs with the lock.
    fn lock(&self) -> Locked<'_> {
        for _ in 0..LOCK_TRIES {
            if flock(&self.file, FlockOperation::NonBlockingLockExclusive).is_ok() {
                break;
            }
            std::thread::park_timeout(LOCK_AGAIN);
        }
        Locked(self)
    }

    /// Whether it still is what its path leads to.
    fn is_at_its_place(&self) -> bool {
        let place = fs::symlink_metadata(&self.path);
        let own = self.file.metadata();
        matches!((place, own), (Ok(p), Ok(o)) if (p.dev(), p.ino()) == (o.dev(), o.ino()))
    }

    fn lost(&self) -> HoldNews {
        let path = self.path.display();
        let why = format!("the hold file {path} was removed or replaced");
        HoldNews::Lost { why }
    }

    fn overwrite(&self, holds: &[Hold]) -> io::Result<()> {
        let mut text = hold_text(holds)?.into_bytes();
        let before = usize::try_from(self.file.metadata()?.len()).unwrap_or(0);
        // To the end, so that nothing of a longer one is left behind it.
        text.resize(text.len().max(before).max(ROOM_BYTES), b'\n');
        self.file.write_all_at(&text, 0)?;
        self.file.sync_all()
    }

    fn read(&self) -> Result<Vec<Hold>, HoldFileError> {
        let mut text = String::new();
        let mut file = &self.file;
        file.seek(SeekFrom::Start(0))
            .and_then(|_| file.read_to_string(&mut text))
            .map_err(|source| HoldFileError::Read {
                path: self.path.clone(),
                source,
            })?;
        parse_holds(&text).map_err(|why| HoldFileError::Content {
            path: self.path.clone(),
            why,
        })
    }
}

struct Locked<'a>(&'a HoldFile);

impl Drop for Locked<'_> {
    fn drop(&mut self) {
        if let Err(error) = flock(&self.0.file, FlockOperation::Unlock) {
            tracing::debug!(%error, "the hold file could not be unlocked");
        }
    }
}

/// Holds of a state folder; none when there is no file.
///
/// # Errors
/// When the file is there but cannot be read or understood: the caller must then hold everything.
pub fn read_holds(state: &Path) -> Result<Vec<Hold>, HoldFileError> {
    let path = hold_file_path(state);
    let file = match File::open(&path) {
        Ok(file) => file,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(HoldFileError::Read { path, source }),
    };
    let file = HoldFile { file, path };
    let _locked = file.lock();
    file.read()
}

/// Adds a hold from outside the daemon: when none runs, or the one that runs does not answer. The next start obeys it, and one that
/// wakes takes it up.
///
/// # Errors
/// As for reading and writing.
pub fn add_hold(state: &Path, hold: Hold) -> Result<(), HoldFileError> {
    let Some(file) = HoldFile::open(state)? else {
        return HoldFile::make(state, &[hold]).map(drop);
    };
    let _locked = file.lock();
    let mut holds = file.read()?;
    holds.push(hold);
    file.overwrite(&holds)
        .map_err(|source| HoldFileError::Write {
            path: file.path.clone(),
            source,
        })
}

/// What the thread tells.
#[derive(Debug)]
pub(super) enum HoldNews {
    Written(HoldsWritten),
    /// Somebody else has put these in.
    Found(Vec<Hold>),
    /// It is no longer the file that its path leads to.
    Lost {
        why: String,
    },
}

/// What is in the file, as far as the daemon knows.
#[derive(Debug)]
struct Keeping {
    state: PathBuf,
    file: Option<HoldFile>,
    /// `None` as long as it could not be understood.
    known: Option<Vec<Hold>>,
    /// A write has failed: what it left behind may be half of something.
    is_doubtful: bool,
}

impl Keeping {
    /// Whether the file has its room on the disk.
    fn has_room(&mut self) -> bool {
        self.file = HoldFile::open(&self.state).ok().flatten();
        let length = self.file.as_ref().and_then(|f| f.file.metadata().ok());
        length.is_some_and(|l| usize::try_from(l.len()).is_ok_and(|l| l >= ROOM_BYTES))
    }

    /// Writes these holds and what others have put in, which is told.
    fn write(&mut self, holds: &[Hold], report: &impl Fn(HoldNews)) -> Result<(), HoldFileError> {
        if let Some(file) = self.file.take_if(|f| !f.is_at_its_place()) {
            report(file.lost());
        }
        if self.file.is_none() {
            self.file = HoldFile::open(&self.state)?;
        }
        let Some(file) = &self.file else {
            self.file = Some(HoldFile::make(&self.state, holds)?);
            self.known = Some(holds.to_vec());
            return Ok(());
        };
        let _locked = file.lock();
        let found = found_in(file, self.known.as_deref(), self.is_doubtful);
        let mut all = holds.to_vec();
        all.extend_from_slice(&found);
        if !found.is_empty() {
            report(HoldNews::Found(found));
        }
        let written = file.overwrite(&all);
        self.is_doubtful = written.is_err();
        if self.is_doubtful {
            all.extend(self.known.take().into_iter().flatten());
        }
        self.known = Some(all);
        written.map_err(|source| HoldFileError::Write {
            path: file.path.clone(),
            source,
        })
    }

    /// Looks whether the file is still ours, and what others have put in.
    fn look(&mut self, report: &impl Fn(HoldNews)) {
        let Some(file) = &self.file else {
            return;
        };
        if !file.is_at_its_place() {
            report(file.lost());
            return;
        }
        let _locked = file.lock();
        let found = found_in(file, self.known.as_deref(), self.is_doubtful);
        if let Some(known) = self.known.as_mut().filter(|_| !found.is_empty()) {
            known.extend_from_slice(&found);
            report(HoldNews::Found(found));
        }
    }
}

/// What somebody else has put in. A file that somebody has spoiled holds everything, as it would at a start.
fn found_in(file: &HoldFile, known: Option<&[Hold]>, is_doubtful: bool) -> Vec<Hold> {
    let Some(known) = known else {
        return Vec::new();
    };
    match file.read() {
        Ok(holds) => holds.into_iter().filter(|h| !known.contains(h)).collect(),
        Err(_) if is_doubtful => Vec::new(),
        Err(error) => vec![Hold {
            scope: HoldScope::All,
            reason: error.to_string(),
            who: Who::Daemon,
            since: machine_now().wall,
            until: None,
        }],
    }
}

/// What waits for the thread. Only the newest set, so that a disk that hangs cannot fill the memory.
#[derive(Debug, Default)]
struct Slot {
    newest: Option<Order>,
    looks: bool,
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
    /// `read` is what was read of the file at the start; it is made when there is none.
    pub(super) fn spawn(
        state: &Path,
        read: Option<Vec<Hold>>,
        report: impl Fn(HoldNews) + Send + 'static,
    ) -> io::Result<Self> {
        let slot = Shared::default();
        let for_thread = Arc::clone(&slot);
        let keeping = Keeping {
            state: state.to_path_buf(),
            file: None,
            known: read,
            is_doubtful: false,
        };
        let thread = std::thread::Builder::new()
            .name("holds".to_owned())
            .stack_size(128 * 1024)
            .spawn(move || serve(keeping, &for_thread, &report))?;
        Ok(Self { slot, thread })
    }

    /// Orders a set to be written; the number comes back with [`HoldsWritten`].
    pub(super) fn write(&self, order: Order) {
        if self.thread.is_finished() {
            tracing::error!("the hold file can no longer be written: its thread has ended");
        }
        self.change(|slot| slot.newest = Some(order));
    }

    /// Looks at the file, which somebody else may have written.
    pub(super) fn look(&self) {
        self.change(|slot| slot.looks = true);
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

fn serve(mut keeping: Keeping, shared: &Shared, report: &impl Fn(HoldNews)) {
    let mut orders = HoldOrders::default();
    // The file takes its room on the disk while there is some. One that could not be understood stays for a person to look at.
    if !keeping.has_room()
        && let Some(holds) = keeping.known.clone()
    {
        orders.order(Order { number: 0, holds });
    }
    loop {
        let asked = wait(shared, orders.patience());
        if let Some(order) = asked.newest {
            orders.order(order);
        }
        if asked.looks {
            keeping.look(report);
        }
        if let Some(order) = orders.next() {
            let result = keeping.write(&order.holds, report);
            let result = result.map_err(|error| error.to_string());
            if let Some(written) = orders.written(result) {
                report(HoldNews::Written(written));
            }
        }
        if asked.ends {
            return;
        }
    }
}

/// Waits for a newer set, a look or the end, as long as patience allows.
fn wait((slot, changed): &(Mutex<Slot>, Condvar), patience: Option<Duration>) -> Slot {
    let is_quiet = |slot: &mut Slot| slot.newest.is_none() && !slot.looks && !slot.ends;
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
    Slot {
        newest: guard.newest.take(),
        looks: std::mem::take(&mut guard.looks),
        ends: guard.ends,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Name;
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
        assert_eq!(read_holds(state.path()).unwrap(), Vec::new());
        let file = HoldFile::make(state.path(), &holds).unwrap();
        assert_eq!(read_holds(state.path()).unwrap(), holds);
        let room = file.file.metadata().unwrap();
        file.overwrite(&[]).unwrap();
        assert_eq!(read_holds(state.path()).unwrap(), Vec::new());
        let after = file.file.metadata().unwrap();
        assert_eq!(
            (room.len(), room.ino()),
            (after.len(), after.ino()),
            "in place"
        );
    }

    #[test]
    fn a_hold_file_takes_its_room_when_it_is_made_and_a_short_one_at_the_start() {
        let room = |state: &Path| {
            let text = fs::read(hold_file_path(state)).unwrap();
            assert!(text.iter().all(|byte| *byte != 0), "a hole is no room");
            text.len()
        };
        let state = tempfile::tempdir().unwrap();
        HoldFile::make(state.path(), &[]).unwrap();
        assert_eq!(room(state.path()), ROOM_BYTES);
        let short = hold_text(&[]).unwrap();
        fs::write(hold_file_path(state.path()), short).unwrap();
        let keeper = HoldKeeper::spawn(state.path(), Some(Vec::new()), |_| {}).unwrap();
        keeper.end();
        assert_eq!(room(state.path()), ROOM_BYTES);
    }

    /// What the thread tells, apart from what it tells of itself.
    fn found(told: &std::sync::mpsc::Receiver<HoldNews>) -> Vec<Hold> {
        loop {
            match told.recv().unwrap() {
                HoldNews::Found(holds) => return holds,
                HoldNews::Written(_) => {}
                HoldNews::Lost { why } => panic!("{why}"),
            }
        }
    }

    #[test]
    fn a_hold_that_somebody_else_puts_in_is_taken_up_whichever_of_the_two_writes_first() {
        let state = tempfile::tempdir().unwrap();
        let (tell, told) = channel();
        let mine = vec![hold(HoldScope::All, Who::Daemon)];
        let keeper = HoldKeeper::spawn(state.path(), Some(Vec::new()), move |n| {
            tell.send(n).unwrap();
        })
        .unwrap();
        assert!(matches!(told.recv().unwrap(), HoldNews::Written(_)));
        let first = hold(HoldScope::All, Who::Local { uid: 1 });
        add_hold(state.path(), first.clone()).unwrap();
        keeper.look();
        assert_eq!(found(&told), std::slice::from_ref(&first));
        let second = hold(HoldScope::All, Who::Local { uid: 2 });
        add_hold(state.path(), second.clone()).unwrap();
        let holds = [mine.clone(), vec![first.clone()]].concat();
        keeper.write(Order { number: 1, holds });
        assert_eq!(found(&told), std::slice::from_ref(&second));
        let all = [mine, vec![first], vec![second]].concat();
        assert!(matches!(told.recv().unwrap(), HoldNews::Written(w) if w.result.is_ok()));
        assert_eq!(read_holds(state.path()).unwrap(), all);
        keeper.write(Order {
            number: 2,
            holds: Vec::new(),
        });
        assert!(matches!(told.recv().unwrap(), HoldNews::Written(w) if w.number == 2));
        assert_eq!(
            read_holds(state.path()).unwrap(),
            [],
            "what is lifted stays lifted"
        );
        keeper.end();
    }

    #[test]
    fn a_hold_file_that_is_taken_away_is_told() {
        let state = tempfile::tempdir().unwrap();
        let (tell, told) = channel();
        let keeper = HoldKeeper::spawn(state.path(), Some(Vec::new()), move |n| {
            tell.send(n).unwrap();
        })
        .unwrap();
        assert!(matches!(told.recv().unwrap(), HoldNews::Written(_)));
        fs::remove_file(hold_file_path(state.path())).unwrap();
        keeper.look();
        assert!(matches!(told.recv().unwrap(), HoldNews::Lost { .. }));
        keeper.end();
    }

    #[test]
    fn holds_that_could_not_be_written_are_written_once_they_can() {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("not-mounted-yet");
        let (tell, told) = channel();
        let keeper = HoldKeeper::spawn(&state, None, move |news| {
            let HoldNews::Written(written) = news else {
                panic!("{news:?}");
            };
            tell.send(written).unwrap();
        })
        .unwrap();
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
            fs::write(hold_file_path(state.path()), text).unwrap();
            assert!(read_holds(state.path()).is_err(), "{text:?} was taken");
        }
    }
}
