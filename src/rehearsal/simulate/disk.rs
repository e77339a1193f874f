//! The disk: the ledger's file, the hold file, and what becomes of them.

use std::fs;
use std::path::{Path, PathBuf};

use super::machine::{AGAIN, BOARD, Machine};
use super::plan::{Books as Swap, Disk, Fault};
use crate::ledger::Ledger;
use crate::quantity::Millis;
use crate::record::{Arming, Entry, Who};
use crate::rehearsal::watch::Rule;
use crate::shell::{Books, hold_text};

/// A day's copies of the ledger.
const COPIES: usize = 5;

impl Machine {
    pub(super) fn apply_disk(&mut self) {
        let world = &mut self.stage.world;
        let disk = self.disk;
        world.chaos.delay = match disk {
            Some(Disk::Slow(delay)) => delay,
            Some(Disk::Full | Disk::ReadOnly) | None => Millis::ZERO,
        };
        if let Some(keeper) = &world.keeper {
            let (full, read_only) = (disk == Some(Disk::Full), disk == Some(Disk::ReadOnly));
            keeper.ledger.break_disk(full, read_only);
        }
    }

    pub(super) fn disk_fault(&mut self, fault: Fault) {
        match fault {
            Fault::Disk(how, lasts) => {
                self.disk = Some(how);
                self.apply_disk();
                self.later(lasts, Fault::DiskWell);
            }
            Fault::DiskWell => self.disk_well(),
            Fault::HoldFileTorn | Fault::HoldFileGone => {
                self.tear_hold_file(fault == Fault::HoldFileGone);
                self.kill(Some(Millis::new(10)), Millis::from_secs(5));
            }
            Fault::HoldFileFails(lasts) => {
                self.stage.world.chaos.hold_file_fails = true;
                self.later(lasts, Fault::HoldFileWell);
            }
            Fault::HoldFileWell => self.hold_file_well(),
            _ => {}
        }
    }

    /// A ledger that cannot be opened is tried again.
    pub(super) fn disk_well(&mut self) {
        self.disk = None;
        self.apply_disk();
        if self.stage.world.keeper.is_none() {
            self.start_again();
        } else {
            self.probe();
        }
    }

    /// The keeper of the file tries again until it is written.
    pub(super) fn hold_file_well(&mut self) {
        let world = &mut self.stage.world;
        world.chaos.hold_file_fails = false;
        let holds = self.stage.core.engine.holds().to_vec();
        if world.chaos.writes_holds(&holds).is_ok() {
            self.stage.core.desk.holds_written(0, &Ok(()));
            let went = self.stage.core.go_on(&mut self.stage.world);
            let went = went.and(self.stage.answers());
            self.settle(went);
        }
    }

    pub(super) fn tear_hold_file(&mut self, gone: bool) {
        let chaos = &mut self.stage.world.chaos;
        if gone {
            chaos.hold_file = None;
            chaos.owed.retain(|_, owed| {
                owed.in_file = false;
                owed.in_books
            });
        } else {
            let whole = chaos.hold_file.take().unwrap_or(hold_text(&[]).unwrap());
            let half = whole.chars().take(whole.len() / 2).collect();
            chaos.hold_file = Some(half);
        }
    }

    /// As the daemon's look does while the ledger is at fault.
    pub(super) fn probe(&mut self) {
        if self.stage.core.desk.books() == Books::AtFault {
            let at = self.stamp(false);
            self.stage.core.desk.probe(at);
            let went = self.stage.core.go_on(&mut self.stage.world);
            let went = went.and(self.stage.answers());
            self.settle(went);
        }
    }

    /// What the slow disk has done by now.
    pub(super) fn write_waiting(&mut self) {
        while let Some((at, _)) = self.stage.world.chaos.waiting.front() {
            if *at > self.now() || self.stage.world.chaos.dead {
                return;
            }
            if let Some((_, write)) = self.stage.world.chaos.waiting.pop_front() {
                self.stage.world.write(&write);
                let went = self.stage.answers();
                self.settle(went);
            }
        }
    }

    /// For a ledger that will be restored.
    pub(super) fn copy_ledger(&mut self) {
        if self.stage.world.keeper.is_none() || !self.stage.world.chaos.waiting.is_empty() {
            return;
        }
        let number = self.now().as_ms();
        let copy = self.folder.join(format!("copy-{number}.db"));
        copied(&self.path(), &copy);
        self.copies.push(copy);
        if self.copies.len() > COPIES {
            let oldest = self.copies.remove(0);
            removed(&oldest);
        }
    }

    /// The ledger's file is another one, and nothing else of the folder.
    pub(super) fn swap_ledger(&mut self, swap: Swap) {
        self.dies();
        self.force_off();
        // The mark of a rehearsed ledger is written when it is opened.
        drop(Ledger::open(&self.path(), &self.open_as()));
        let old = self.copies.get(self.copies.len() / 2).cloned();
        let other = self.folder.join("empty.db");
        removed(&self.path());
        let from = match swap {
            Swap::Lost => other.clone(),
            Swap::Replaced | Swap::Old => old.unwrap_or(other.clone()),
        };
        copied(&from, &self.path());
        if swap != Swap::Old || from == other {
            Ledger::belongs_to(&self.path(), "another");
        }
        let chaos = &mut self.stage.world.chaos;
        chaos.armed = false;
        chaos.outlets_out.clear();
        chaos.owed.retain(|_, owed| {
            owed.in_books = false;
            owed.in_file
        });
        self.stage.world.watch.forget_slots();
        self.stage.world.gave.clear();
        self.stage.world.told.clear();
        let now = self.now();
        self.stage.pass(now.plus(AGAIN));
        self.start(Vec::new());
    }

    /// The owner accepts the cautions; the daemon starts anew with it.
    pub(super) fn arm(&mut self) {
        let arming = Arming {
            armed: true,
            fingerprint: self.fingerprint.clone(),
            hardware: BOARD.to_owned(),
            sentence: "yes".to_owned(),
            who: Who::Local { uid: 0 },
            at: self.stamp(self.synced),
        };
        if self.stage.core.desk.books() != Books::Well || self.disk.is_some() {
            return;
        }
        self.stage.world.chaos.armed = true;
        self.stage
            .core
            .desk
            .entries(vec![Entry::Arming(arming)], None);
        let went = self.stage.core.go_on(&mut self.stage.world);
        let went = went.and(self.stage.answers());
        self.settle(went);
        self.start_again();
    }

    /// What is on record contradicts itself nowhere.
    pub(super) fn check_books(&mut self) {
        self.stage.world.keeper = None;
        let checked = Ledger::open_to_read(&self.path()).and_then(|ledger| ledger.check());
        let wrong = match checked {
            Ok(report) if report.is_clean() => None,
            Ok(report) => Some(format!("{report:?}")),
            Err(error) => Some(error.to_string()),
        };
        self.asserts(Rule::ExactBooks, wrong);
    }
}

fn with(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

pub(super) fn copied(from: &Path, to: &Path) {
    for end in ["", "-wal"] {
        let (from, to) = (with(from, end), with(to, end));
        if from.exists() {
            fs::copy(from, to).unwrap();
        }
    }
}

fn removed(path: &Path) {
    for end in ["", "-wal", "-shm"] {
        fs::remove_file(with(path, end)).ok();
    }
}
