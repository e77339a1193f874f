//! A power cut at every write and sync that the ledger makes. What a child process really asks of the kernel is recorded (`strace`); every
//! prefix of it is put on a disk anew, and the ledger must open on it with all that was acknowledged by then, and nothing half.
//!
//! A cut leaves of each file what was synced and any beginning of what was not: all of it, the last write torn or turned to anything, nothing of one file, or
//! nothing of any, with the names as they stood at the folder's last sync. That a write changes no bytes but its own is
//! what SQLite takes for granted too (sqlite.org/psow.html).
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a failing helper fails its test"
)]

mod support;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use dosewright::ledger::{Ledger, LedgerError};
use dosewright::record::{Code, Entry, Note, Outcome, Who};
use support::{at, delivered, intent, open, open_as, refill, slot_intent};

/// Where the child writes, if this is the child.
const CHILD: &str = "LEDGER_CUTS";
const CALLS: &str =
    "openat,pwrite64,write,fsync,fdatasync,ftruncate,fallocate,unlink,rename,renameat,renameat2";
/// What the child says once a step has been acknowledged.
const ACKNOWLEDGED: &str = "acknowledged";

fn note(text: &str, ms: i64) -> Entry {
    Entry::Note(Note {
        code: Code::new("test"),
        line: None,
        text: text.to_owned(),
        who: Who::Daemon,
        at: at(ms),
    })
}

type Step = fn(&mut Ledger) -> Result<(), LedgerError>;

/// Three doses and what goes with them; each is one promise of the ledger. `None` closes it, and it is opened anew.
const STEPS: [Option<Step>; 14] = [
    Some(|l| {
        let fills = [("alkalinity", 500), ("calcium", 600)];
        l.store(&fills.map(|(line, ms)| Entry::Refill(refill(line, 100_000, None, ms))))
    }),
    Some(|l| l.store_intent(&slot_intent(1, "alkalinity", 1_000, "2026-01-01", 60))),
    Some(|l| l.store_outcome(&delivered(1, 98_000, 5_000))),
    Some(|l| {
        l.store(&[
            note("first", 6_000),
            note("second", 6_000),
            note("third", 6_000),
        ])
    }),
    Some(|l| l.store_intent(&slot_intent(2, "calcium", 7_000, "2026-01-01", 60))),
    None,
    Some(|l| {
        let unseen = Outcome {
            end: dosewright::record::DoseEnd::Uncertain,
            on_time: None,
            ..delivered(2, 98_000, 11_000)
        };
        l.store_outcome(&unseen)
    }),
    Some(|l| l.store(&[note("before the log is carried over", 12_000)])),
    Some(carried_over),
    Some(|l| l.store(&[note(&"long ".repeat(2_000), 13_000)])),
    Some(|l| l.store_intent(&intent(3, "alkalinity", 14_000))),
    Some(carried_over),
    Some(|l| l.store_outcome(&delivered(3, 96_000, 18_000))),
    None,
];

/// As happens by itself at 256 pages: the log goes over into the database, and the next write begins it anew.
#[expect(
    clippy::unnecessary_wraps,
    reason = "a step like the others, which may fail"
)]
fn carried_over(ledger: &mut Ledger) -> Result<(), LedgerError> {
    let beside = rusqlite::Connection::open(ledger.path()).unwrap();
    beside
        .query_row("PRAGMA wal_checkpoint(PASSIVE)", [], |row| {
            row.get::<_, i64>(0)
        })
        .unwrap();
    Ok(())
}

/// Does all steps and tells what stands there after each.
fn play(path: &Path, mut tell: impl FnMut(Vec<String>)) {
    let mut ledger = Some(open(path, 0));
    tell(rows(path));
    for (number, step) in STEPS.iter().enumerate() {
        if let Some(step) = step {
            step(ledger.as_mut().unwrap()).unwrap();
        } else {
            drop(ledger.take());
            ledger = Some(open(path, 10_000 + i64::try_from(number).unwrap()));
        }
        tell(rows(path));
    }
}

/// Everything that was written down, without which session it was.
fn rows(path: &Path) -> Vec<String> {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let conn = rusqlite::Connection::open_with_flags(path, flags).unwrap();
    let mut all = Vec::new();
    for table in ["dose", "refill", "entry"] {
        let mut read = conn.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns: Vec<String> = read.column_names().map(str::to_owned).collect();
        let mut found = read.query([]).unwrap();
        while let Some(row) = found.next().unwrap() {
            let cells = columns.iter().filter(|name| !name.contains("session"));
            let cells = cells.map(|name| format!("{:?}", row.get_ref(name.as_str()).unwrap()));
            all.push(format!("{table} {}", cells.collect::<Vec<_>>().join(" ")));
        }
    }
    all
}

#[test]
fn the_child_that_is_recorded() {
    let Some(folder) = std::env::var_os(CHILD).map(PathBuf::from) else {
        return;
    };
    let mut told = fs::File::create(folder.join(ACKNOWLEDGED)).unwrap();
    play(&folder.join("ledger.db"), |_| told.write_all(b".").unwrap());
}

/// A call that changed what is on the disk; files are named without their folder.
#[derive(Debug, Clone)]
enum Call {
    Made {
        name: String,
        emptied: bool,
    },
    Wrote {
        name: String,
        at: Option<usize>,
        bytes: Vec<u8>,
    },
    Cut {
        name: String,
        to: usize,
    },
    Grew {
        name: String,
        to: usize,
    },
    Synced {
        name: String,
    },
    FolderSynced,
    Removed {
        name: String,
    },
    Renamed {
        from: String,
        to: String,
    },
    Acknowledged,
}

/// Reads what `strace -y -xx` wrote.
fn calls(trace: &str, folder: &Path) -> Vec<Call> {
    trace
        .lines()
        .filter_map(|line| call(line, folder))
        .collect()
}

fn call(line: &str, folder: &Path) -> Option<Call> {
    assert!(!line.contains("unfinished"), "more than one thread: {line}");
    let (name, rest) = line.split_once(' ')?.1.trim_start().split_once('(')?;
    let (arguments, result) = rest.rsplit_once(" = ")?;
    (!result.starts_with('-')).then_some(())?;
    let texts: Vec<Vec<u8>> = arguments.split('"').skip(1).step_by(2).map(unhex).collect();
    let arguments: Vec<&str> = arguments.trim_end_matches(')').split(", ").collect();
    let number = |place: usize| arguments.get(place).and_then(|n| n.parse().ok());
    let inside = |path: &[u8]| -> Option<String> {
        let path = PathBuf::from(String::from_utf8(path.to_vec()).unwrap());
        let name = path.strip_prefix(folder).ok()?.to_str()?.to_owned();
        // The index of the log lives in memory and is made anew.
        (!name.ends_with("-shm")).then_some(name)
    };
    let shown = |text: &str| -> Option<String> {
        inside(&unhex(text.split_once('<')?.1.split_once('>')?.0))
    };
    let of = || shown(arguments.first()?);
    match name {
        "openat" => line.contains("O_CREAT").then(|| {
            let emptied = line.contains("O_TRUNC");
            shown(result).map(|name| Call::Made { name, emptied })
        })?,
        "pwrite64" | "write" => {
            let (name, bytes) = (of()?, texts.into_iter().next()?);
            if name == ACKNOWLEDGED {
                return Some(Call::Acknowledged);
            }
            let at = (arguments.len() > 3).then(|| number(3)).flatten();
            Some(Call::Wrote { name, at, bytes })
        }
        "ftruncate" => Some(Call::Cut {
            name: of()?,
            to: number(1)?,
        }),
        "fallocate" => {
            let to = number(2)? + number(3)?;
            Some(Call::Grew { name: of()?, to })
        }
        "fsync" | "fdatasync" => Some(match of()?.as_str() {
            "" => Call::FolderSynced,
            name => Call::Synced {
                name: name.to_owned(),
            },
        }),
        "unlink" => Some(Call::Removed {
            name: inside(texts.first()?)?,
        }),
        "rename" | "renameat" | "renameat2" => Some(Call::Renamed {
            from: inside(texts.first()?)?,
            to: inside(texts.get(1)?)?,
        }),
        other => panic!("{other} is not known here"),
    }
}

fn unhex(text: &str) -> Vec<u8> {
    let bytes = text.split("\\x").skip(1);
    bytes
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

#[derive(Debug, Clone, Default)]
struct File {
    now: Vec<u8>,
    synced: Vec<u8>,
}

/// Files by number, and which name each has: now, and at the last sync of the folder.
#[derive(Debug, Clone, Default)]
struct Disk {
    files: Vec<File>,
    names: BTreeMap<String, usize>,
    names_synced: BTreeMap<String, usize>,
    acknowledged: usize,
}

impl Disk {
    fn file(&mut self, name: &str) -> &mut File {
        let number = self.names[name];
        &mut self.files[number]
    }

    fn does(&mut self, call: &Call) {
        match call {
            Call::Made { name, emptied } => {
                if !self.names.contains_key(name) {
                    self.names.insert(name.clone(), self.files.len());
                    self.files.push(File::default());
                }
                if *emptied {
                    self.file(name).now.clear();
                }
            }
            Call::Wrote { name, at, bytes } => {
                let now = &mut self.file(name).now;
                let at = at.unwrap_or(now.len());
                now.resize(now.len().max(at + bytes.len()), 0);
                now[at..at + bytes.len()].copy_from_slice(bytes);
            }
            Call::Cut { name, to } => self.file(name).now.resize(*to, 0),
            Call::Grew { name, to } => {
                let now = &mut self.file(name).now;
                now.resize(now.len().max(*to), 0);
            }
            Call::Synced { name } => {
                let file = self.file(name);
                file.synced.clone_from(&file.now);
            }
            Call::FolderSynced => self.names_synced = self.names.clone(),
            Call::Removed { name } => drop(self.names.remove(name)),
            Call::Renamed { from, to } => {
                let number = self.names.remove(from).unwrap();
                self.names.insert(to.clone(), number);
            }
            Call::Acknowledged => self.acknowledged += 1,
        }
    }

    /// What a cut may leave: of each name what it holds.
    fn left(&self) -> BTreeSet<BTreeMap<&str, &[u8]>> {
        let every: Vec<usize> = self.names.values().copied().collect();
        let one = every.iter().map(|number| vec![*number]);
        let lost: Vec<Vec<usize>> = one.chain([Vec::new(), every.clone()]).collect();
        let names = [&self.names, &self.names_synced].into_iter();
        let each = names.flat_map(|names| lost.iter().map(move |lost| (names, lost)));
        each.map(|(names, lost)| {
            let held = |number: &usize| match (&self.files[*number], lost.contains(number)) {
                (file, true) => file.synced.as_slice(),
                (file, false) => file.now.as_slice(),
            };
            let each = names
                .iter()
                .map(|(name, number)| (name.as_str(), held(number)));
            each.collect()
        })
        .collect()
    }
}

/// A write that was under way, cut within a sector and at its edges: behind the cut is what was there, or anything.
fn torn(call: &Call) -> Vec<Call> {
    let Call::Wrote { name, at, bytes } = call else {
        return Vec::new();
    };
    let cuts = [1, 100, 512, 2_048, 3_584, 4_095].into_iter();
    let cuts = cuts.filter(|cut| *cut < bytes.len());
    cuts.flat_map(|cut| {
        let mut anything = bytes.clone();
        anything[cut..].fill(0x5a);
        [bytes[..cut].to_vec(), anything].map(|bytes| Call::Wrote {
            name: name.clone(),
            at: *at,
            bytes,
        })
    })
    .collect()
}

/// A database or a log whose first sector was turned to anything may be refused, in words: it could be of doses that count. Sectors that were
/// begun are finished, says SQLite of disks (sqlite.org/psow.html).
fn begins_a_file(call: &Call) -> bool {
    matches!(call, Call::Wrote { name, at: Some(0), .. } if name.starts_with("ledger.db"))
}

/// Opens what a cut left and holds it against what stood there after each step.
fn examine(
    left: &BTreeMap<&str, &[u8]>,
    (acknowledged, may_refuse): (usize, bool),
    stood: &[Vec<String>],
) {
    let memory = Path::new("/dev/shm");
    let memory = if memory.is_dir() {
        memory
    } else {
        Path::new("/tmp")
    };
    let folder = tempfile::tempdir_in(memory).unwrap();
    for (name, bytes) in left {
        fs::write(folder.path().join(name), bytes).unwrap();
    }
    let path = folder.path().join("ledger.db");
    let sizes: Vec<_> = left
        .iter()
        .map(|(name, bytes)| (name, bytes.len()))
        .collect();
    let place = format!("{acknowledged} steps were acknowledged, {sizes:?} are left");
    let mut ledger = match Ledger::open(&path, &open_as("boot-2", at(1_000_000))) {
        Ok(ledger) => ledger,
        Err(LedgerError::Damaged { .. }) if may_refuse => return,
        Err(why) => panic!("{why}: {place}"),
    };
    assert_eq!(ledger.doubt(), None, "{place}");
    let found = rows(&path);
    let may = stood.iter().skip(acknowledged.saturating_sub(1)).take(2);
    assert!(
        may.take(if acknowledged == 0 { 1 } else { 2 })
            .any(|rows| *rows == found),
        "{found:#?} is neither what was acknowledged nor a step more: {place}"
    );
    let report = Ledger::open_to_read(&path).unwrap().check().unwrap();
    assert!(report.is_clean(), "{:?}: {place}", report.mistakes);
    let next = ledger.history(at(1_000_000)).unwrap().dose_last + 1;
    ledger
        .store_intent(&intent(next, "trace", 1_000_000))
        .unwrap();
}

/// What a child asks of the kernel while it plays all steps.
fn record() -> Vec<Call> {
    let folder = tempfile::tempdir().unwrap();
    let (place, trace) = (folder.path().join("state"), folder.path().join("trace"));
    fs::create_dir(&place).unwrap();
    let child = std::env::current_exe().unwrap();
    let ran = Command::new("strace")
        .args([
            "-f",
            "-y",
            "-xx",
            "-s",
            "1000000",
            "-e",
            &format!("trace={CALLS}"),
            "-o",
        ])
        .arg(&trace)
        .arg(child)
        .args(["the_child_that_is_recorded", "--exact", "--test-threads=1"])
        .env(CHILD, &place)
        .output()
        .expect("strace, which this test needs: apt-get install strace");
    let said = String::from_utf8_lossy(&ran.stderr);
    assert!(ran.status.success(), "{said}");
    calls(&fs::read_to_string(&trace).unwrap(), &place)
}

#[test]
fn a_power_cut_at_any_write_or_sync_leaves_all_that_was_acknowledged_and_nothing_half() {
    let calls = record();
    let folder = tempfile::tempdir().unwrap();
    let mut stood = Vec::new();
    play(&folder.path().join("ledger.db"), |rows| stood.push(rows));
    let (mut disk, mut examined) = (Disk::default(), 0);
    let mut look = |disk: &Disk, before: &Disk, may_refuse: bool| {
        let known = before.left();
        for left in disk.left() {
            if disk.acknowledged != before.acknowledged || !known.contains(&left) {
                examine(&left, (disk.acknowledged, may_refuse), &stood);
                examined += 1;
            }
        }
    };
    for call in &calls {
        for half in torn(call) {
            let mut torn = disk.clone();
            torn.does(&half);
            look(&torn, &disk, begins_a_file(&half));
        }
        let before = disk.clone();
        disk.does(call);
        look(&disk, &before, false);
    }
    assert_eq!(disk.acknowledged, stood.len());
    let synced = calls
        .iter()
        .filter(|call| matches!(call, Call::Synced { .. }))
        .count();
    println!(
        "{} calls, {synced} of them syncs, {examined} disks",
        calls.len()
    );
    assert!(
        synced > 2 * STEPS.len() && examined > 500,
        "{synced} syncs, {examined} disks"
    );
}
