//! The ledger on bad days: full, read-only, locked, damaged, foreign. Nothing is lost that was acknowledged, nothing is
//! given that is not written, and the words say what to do. Answers FT-STORE-01 to -06 and FT-MEM-03.
#![expect(clippy::unwrap_used, reason = "a failing helper fails its test")]

mod support;

use std::io::Write as _;
use std::os::unix::fs::{FileExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use dosewright::ledger::{
    APPLICATION_ID, Ledger, LedgerError, LedgerHandle, LedgerReport, LedgerThread,
    LedgerUnavailable, OpenAs, RESERVE_BYTES, Timeline,
};
use dosewright::record::{Code, Entry, Note, Who};
use dosewright::shell::Write;
use support::{at, delivered, generate, intent, open, open_as, refill, slot_intent};

const HOUR: i64 = 3_600_000;
const STEP: i64 = 360_000;

fn new_ledger() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    (dir, path)
}

fn beside(path: &Path, suffix: &str) -> PathBuf {
    PathBuf::from(format!("{}{suffix}", path.display()))
}

fn try_open(path: &Path) -> Result<Ledger, LedgerError> {
    Ledger::open(path, &open_as("boot-1", at(1_000_000 * STEP)))
}

fn overwrite(path: &Path, offset: u64, bytes: &[u8]) {
    let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
    file.write_all_at(bytes, offset).unwrap();
}

fn note(text: &str) -> Entry {
    Entry::Note(Note {
        code: Code::new("test"),
        line: None,
        text: text.to_owned(),
        who: Who::Daemon,
        at: at(HOUR),
    })
}

struct Running {
    handle: LedgerHandle,
    reports: Receiver<LedgerReport>,
}

impl Running {
    fn start(ledger: Ledger) -> Self {
        let (tell, reports) = channel();
        let handle = LedgerThread::spawn(
            ledger,
            Box::new(move |report| tell.send(report).unwrap_or(())),
        )
        .unwrap();
        Self { handle, reports }
    }

    fn ask(&self, request: impl Into<Option<Write>>) -> LedgerReport {
        self.handle.send(request).unwrap();
        self.next()
    }

    fn next(&self) -> LedgerReport {
        self.reports.recv_timeout(Duration::from_secs(30)).unwrap()
    }
}

#[test]
fn a_new_ledger_is_for_its_owner_and_group_only_and_has_its_reserve() {
    let (dir, path) = new_ledger();
    let ledger = open(&path, 0);
    for file in ["ledger.db", "ledger.reserve"] {
        let mode = std::fs::metadata(dir.path().join(file))
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(mode & 0o137, 0, "{file} has mode {mode:o}");
    }
    assert_eq!(
        std::fs::metadata(dir.path().join("ledger.reserve"))
            .unwrap()
            .len(),
        RESERVE_BYTES
    );
    assert_eq!(ledger.installation().len(), 16);
}

#[test]
fn files_of_something_else_are_refused_in_words_and_left_as_they_are() {
    let (_dir, path) = new_ledger();
    let other = rusqlite::Connection::open(&path).unwrap();
    other
        .execute_batch("CREATE TABLE shopping (what TEXT)")
        .unwrap();
    drop(other);
    let sqlite = std::fs::read(&path).unwrap();
    for (bytes, word) in [
        (sqlite, "not a dosewright ledger"),
        (
            b"dear diary\n".repeat(600),
            "does not begin like an SQLite database",
        ),
        (Vec::new(), "only 0 bytes"),
        (b"SQLite format 3\0".to_vec(), "only 16 bytes"),
    ] {
        std::fs::write(&path, &bytes).unwrap();
        for error in [
            try_open(&path).unwrap_err(),
            Ledger::open_to_read(&path).unwrap_err(),
        ] {
            assert!(error.to_string().contains(word), "{error}");
            assert!(error.to_string().contains("left as it is"), "{error}");
        }
        assert_eq!(std::fs::read(&path).unwrap(), bytes);
        assert!(!beside(&path, "-wal").exists());
    }
    std::fs::remove_file(&path).unwrap();
    std::fs::create_dir(&path).unwrap();
    assert!(try_open(&path).is_err());
}

#[test]
fn a_schema_of_another_version_is_refused_with_what_to_do_and_left_as_it_is() {
    let (_dir, path) = new_ledger();
    drop(open(&path, 0));
    let newer = rusqlite::Connection::open(&path).unwrap();
    newer.pragma_update(None, "user_version", 999).unwrap();
    drop(newer);
    let before = std::fs::read(&path).unwrap();
    for error in [
        try_open(&path).unwrap_err(),
        Ledger::open_to_read(&path).unwrap_err(),
    ] {
        assert!(
            matches!(
                error,
                LedgerError::OtherSchema {
                    found: 999,
                    wanted: 1,
                    ..
                }
            ),
            "{error}"
        );
        let text = error.to_string();
        for said in [
            "ledger.db",
            "999",
            "reads and writes 1",
            "start with a new --state folder",
        ] {
            assert!(text.contains(said), "{text}");
        }
    }
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn real_and_virtual_days_do_not_mix() {
    let (_dir, path) = new_ledger();
    drop(open(&path, 0));
    let warped = OpenAs {
        timeline: Timeline::Virtual,
        ..open_as("boot-1", at(0))
    };
    let error = Ledger::open(&path, &warped).unwrap_err();
    assert!(
        error.to_string().contains("was used without --warp"),
        "{error}"
    );
    let (_dir, path) = new_ledger();
    drop(Ledger::open(&path, &warped).unwrap());
    let error = try_open(&path).unwrap_err();
    assert!(
        error.to_string().contains("was used with --warp"),
        "{error}"
    );
    assert!(error.to_string().contains("--state"), "{error}");
}

/// FT-MEM-03: an empty state folder is not taken for a new installation when the config knows of one.
#[test]
fn a_folder_that_is_not_mounted_yet_is_no_new_installation() {
    let (_dir, path) = new_ledger();
    let id = open(&path, 0).installation().to_owned();
    let known = OpenAs {
        installation: Some(id),
        ..open_as("boot-1", at(1_000))
    };
    assert!(!Ledger::open(&path, &known).unwrap().is_new());
    let (_dir, empty) = new_ledger();
    let error = Ledger::open(&empty, &known).unwrap_err();
    assert!(error.to_string().contains("mounted"), "{error}");
    assert!(!empty.exists());
    drop(open(&empty, 0));
    assert!(matches!(
        Ledger::open(&empty, &known).unwrap_err(),
        LedgerError::OtherInstallation { .. }
    ));
}

#[test]
fn a_ledger_whose_file_is_gone_but_not_its_log_is_not_made_anew() {
    let (_dir, path) = new_ledger();
    let ledger = open(&path, 0);
    let log = std::fs::read(beside(&path, "-wal")).unwrap();
    drop(ledger);
    std::fs::remove_file(&path).unwrap();
    std::fs::write(beside(&path, "-wal"), log).unwrap();
    assert!(matches!(
        try_open(&path).unwrap_err(),
        LedgerError::Absent { .. }
    ));
    assert!(!path.exists());
}

#[test]
fn a_creation_that_a_power_cut_broke_off_is_begun_anew() {
    let (_dir, path) = new_ledger();
    std::fs::write(beside(&path, ".new"), "half").unwrap();
    assert!(open(&path, 0).is_new());
    assert!(!beside(&path, ".new").exists());
}

/// FT-STORE-02 at start: whatever page is overwritten, it is refused or found, never repaired, never a panic.
#[test]
fn any_page_overwritten_is_refused_or_found_by_the_check_and_nothing_is_changed_by_itself() {
    let (_dir, path) = new_ledger();
    generate(&path, 400, 400 * STEP);
    let sound = std::fs::read(&path).unwrap();
    let (mut refused, mut found) = (0, 0);
    for page in 0..sound.len() / 4096 {
        for fill in [0x00, 0xff] {
            let mut bytes = sound.clone();
            bytes[page * 4096..(page + 1) * 4096].fill(fill);
            let copy = path.with_file_name("damaged.db");
            std::fs::write(&copy, &bytes).unwrap();
            let checked = Ledger::open_to_read(&copy).and_then(|reader| reader.check());
            assert_eq!(
                std::fs::read(&copy).unwrap(),
                bytes,
                "page {page} was changed by reading"
            );
            let now = at(400 * STEP + 10_000);
            match Ledger::open(&copy, &open_as("boot-1", now))
                .and_then(|ledger| ledger.history(now))
            {
                Err(error) => {
                    assert!(
                        matches!(error, LedgerError::Damaged { .. }),
                        "page {page}: {error}"
                    );
                    refused += 1;
                }
                Ok(history) => {
                    assert_eq!(history.doses.len(), 260, "page {page}");
                    assert!(
                        !checked.is_ok_and(|report| report.is_clean()),
                        "page {page} with {fill:#x}"
                    );
                    found += 1;
                }
            }
            for suffix in ["", "-wal", "-shm"] {
                drop(std::fs::remove_file(beside(&copy, suffix)));
            }
        }
    }
    assert!(
        refused > 10 && found > 2,
        "{refused} refused, {found} found"
    );
}

/// FT-STORE-02 while running.
#[test]
fn damage_while_running_is_a_fault_at_the_next_probe() {
    type Damage = fn(&Path);
    let damages: [(&str, Damage); 6] = [
        ("header", |path| overwrite(path, 0, &[0xaa; 100])),
        ("newest pages", |path| {
            let pages = std::fs::metadata(path).unwrap().len() / 4096;
            for page in 3..pages {
                overwrite(path, page * 4096, &[0xaa; 4096]);
            }
        }),
        ("cut short", |path| {
            std::fs::File::options()
                .write(true)
                .open(path)
                .unwrap()
                .set_len(4096 * 3)
                .unwrap();
        }),
        ("removed", |path| std::fs::remove_file(path).unwrap()),
        ("replaced", |path| {
            let copy = path.with_file_name("copy.db");
            std::fs::copy(path, &copy).unwrap();
            std::fs::rename(copy, path).unwrap();
        }),
        ("log removed", |path| {
            std::fs::remove_file(beside(path, "-wal")).unwrap();
        }),
    ];
    for (what, damage) in damages {
        let (_dir, path) = new_ledger();
        generate(&path, 400, 400 * STEP);
        let running = Running::start(open(&path, 400 * STEP + 10_000));
        let now = at(400 * STEP + 20_000);
        assert!(
            matches!(running.ask(Write::Probe(now)), LedgerReport::Healthy),
            "{what}"
        );
        damage(&path);
        assert!(
            matches!(running.ask(Write::Probe(now)), LedgerReport::Fault { .. }),
            "{what}"
        );
        running.handle.send(None).unwrap();
        assert!(running.handle.join(), "{what}: the thread panicked");
    }
}

/// A ledger as a killed daemon leaves it, with `doses` in its log; and the log's size after each of them.
fn with_log(path: &Path, doses: i64) -> (Vec<u8>, Vec<u8>, Vec<u64>) {
    let mut ledger = open(path, 0);
    let size = || std::fs::metadata(beside(path, "-wal")).unwrap().len();
    let mut sizes = Vec::new();
    for id in 1..=doses {
        ledger
            .store_intent(&intent(id, "trace", id * 60_000))
            .unwrap();
        ledger
            .store_outcome(&delivered(id, -id * 2_000, id * 60_000 + 4_000))
            .unwrap();
        sizes.push(size());
    }
    (
        std::fs::read(path).unwrap(),
        std::fs::read(beside(path, "-wal")).unwrap(),
        sizes,
    )
}

fn reopened(dir: &Path, database: &[u8], log: &[u8]) -> Result<(usize, usize), LedgerError> {
    let path = dir.join("copy.db");
    for suffix in ["", "-wal", "-shm"] {
        drop(std::fs::remove_file(beside(&path, suffix)));
    }
    std::fs::write(&path, database).unwrap();
    std::fs::write(beside(&path, "-wal"), log).unwrap();
    let ledger = Ledger::open(&path, &open_as("boot-1", at(HOUR)))?;
    let history = ledger.history(at(HOUR))?;
    Ok((history.doses.len(), history.open.len()))
}

/// FT-STORE-01: a power cut that drops what was not synced leaves a shorter log; all that was acknowledged is in it.
#[test]
fn a_log_cut_off_anywhere_holds_every_dose_acknowledged_before_and_at_most_one_open() {
    let (dir, path) = new_ledger();
    let (database, log, sizes) = with_log(&path, 40);
    for cut in (0..200).map(|n| log.len() * n / 199) {
        let (doses, open) = reopened(dir.path(), &database, &log[..cut]).unwrap();
        let acknowledged = sizes
            .iter()
            .filter(|size| **size <= u64::try_from(cut).unwrap())
            .count();
        assert!(
            doses - open >= acknowledged && doses <= acknowledged + 1 && open <= 1,
            "cut at {cut}: {doses}, {open}"
        );
        // Torn: the right length, but the rest never arrived.
        let mut torn = log.clone();
        torn[cut..].fill(0);
        assert_eq!(
            reopened(dir.path(), &database, &torn).unwrap(),
            (doses, open),
            "torn at {cut}"
        );
    }
}

#[test]
fn a_log_that_is_broken_in_front_of_acknowledged_doses_is_refused() {
    let (dir, path) = new_ledger();
    let (database, log, _) = with_log(&path, 40);
    for at_byte in [5, 20, 40, 60, 3_000, log.len() / 2, log.len() - 4 * 4_120] {
        let mut broken = log.clone();
        broken[at_byte] ^= 0x55;
        let error = reopened(dir.path(), &database, &broken).unwrap_err();
        assert!(
            matches!(error, LedgerError::Damaged { .. }),
            "byte {at_byte}: {error}"
        );
        assert_eq!(
            std::fs::read(dir.path().join("copy.db-wal")).unwrap(),
            broken
        );
    }
    assert_eq!(reopened(dir.path(), &database, &log).unwrap(), (40, 0));
}

/// FT-STORE-06, for 300 doses and as many more as it takes until the other writer has been in between twenty times: how often it gets
/// its turn is the machine's affair.
#[test]
fn another_writer_every_few_milliseconds_fails_no_write() {
    const DOSES: i64 = 300;
    const BETWEEN: u32 = 20;
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    let (stop, stopped) = channel::<()>();
    let turns = Arc::new(AtomicU32::new(0));
    let (other, counted) = (path.clone(), Arc::clone(&turns));
    let writer = std::thread::spawn(move || {
        let conn = rusqlite::Connection::open(other).unwrap();
        conn.busy_timeout(Duration::from_secs(30)).unwrap();
        while stopped.recv_timeout(Duration::from_millis(3)).is_err() {
            conn.execute_batch("BEGIN IMMEDIATE; UPDATE session SET version = 'x'; COMMIT")
                .unwrap();
            counted.fetch_add(1, Ordering::Relaxed);
        }
    });
    let mut id = 0;
    while !writer.is_finished() && (id < DOSES || turns.load(Ordering::Relaxed) < BETWEEN) {
        id += 1;
        ledger
            .store_intent(&intent(id, "trace", id * 60_000))
            .unwrap();
        ledger
            .store_outcome(&delivered(id, -id * 2_000, id * 60_000 + 4_000))
            .unwrap();
        ledger.probe(at(id * 60_000 + 5_000)).unwrap();
    }
    stop.send(()).unwrap();
    writer.join().unwrap();
}

#[test]
fn the_command_line_reads_beside_a_writing_daemon_and_cannot_write() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    let reader = Ledger::open_to_read(&path).unwrap();
    for id in 1..=50 {
        ledger
            .store_intent(&intent(id, "trace", id * 60_000))
            .unwrap();
        assert_eq!(reader.check().unwrap().open, 1);
        ledger
            .store_outcome(&delivered(id, -id * 2_000, id * 60_000 + 4_000))
            .unwrap();
        assert_eq!(reader.check().unwrap().doses, u64::try_from(id).unwrap());
    }
    let history = ledger.history(at(51 * 60_000)).unwrap();
    assert_eq!(reader.newest_wall().unwrap(), history.newest_wall);
    assert_eq!(reader.installation().unwrap(), ledger.installation());
    let (_dir, absent) = new_ledger();
    assert!(matches!(
        Ledger::open_to_read(&absent).unwrap_err(),
        LedgerError::Absent { .. }
    ));
    assert!(!absent.exists());
}

#[test]
fn the_thread_answers_each_request_and_ends_when_told() {
    let (_dir, path) = new_ledger();
    let running = Running::start(open(&path, 0));
    let slot = slot_intent(1, "trace", 1_000, "2026-01-01", 0);
    assert!(
        matches!(running.ask(Write::Intent(slot.clone())), LedgerReport::IntentStored(id) if id.0 == 1)
    );
    let again = dosewright::record::Intent {
        id: dosewright::record::DoseId(2),
        ..slot
    };
    assert!(
        matches!(running.ask(Write::Intent(again)), LedgerReport::IntentFailed { id, .. } if id.0 == 2)
    );
    assert!(matches!(
        running.ask(Write::Outcome(delivered(1, 0, 5_000))),
        LedgerReport::OutcomeStored(_)
    ));
    let twice = running.ask(Write::Outcome(delivered(1, 0, 5_000)));
    assert!(
        matches!(twice, LedgerReport::OutcomeFailed { kept: false, .. }),
        "{twice:?}"
    );
    assert!(matches!(
        running.ask(Write::Entries(vec![Entry::Refill(refill(
            "trace", 1, None, 0,
        ))])),
        LedgerReport::EntryStored
    ));
    // A contradiction is no fault of the ledger.
    assert!(matches!(
        running.ask(Write::Probe(at(6_000))),
        LedgerReport::Healthy
    ));
    assert!(matches!(running.ask(None), LedgerReport::Ended));
    while !running.handle.is_finished() {
        std::thread::yield_now();
    }
    assert_eq!(running.handle.send(None), Err(LedgerUnavailable::Ended));
    assert!(running.handle.join());
}

#[test]
fn a_ledger_thread_that_is_stuck_is_told_as_such_without_waiting() {
    let (_dir, path) = new_ledger();
    let (release, gate) = channel::<()>();
    let gate = std::sync::Mutex::new(gate);
    let report = move |_| drop(gate.lock().map(|gate| gate.recv()));
    let handle = LedgerThread::spawn(open(&path, 0), Box::new(report)).unwrap();
    let refused = (0..1_000).find_map(|_| handle.send(Write::Entries(vec![note("x")])).err());
    assert_eq!(refused, Some(LedgerUnavailable::Behind));
    drop(release);
    handle.join();
}

/// A small file system of its own. Needs the right to mount; says so where it is missing.
struct SmallDisk {
    dir: tempfile::TempDir,
}

impl SmallDisk {
    #[expect(clippy::print_stdout, reason = "a test that was skipped must say so")]
    fn mount() -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=1536k", "tmpfs"])
            .arg(dir.path())
            .status()
            .is_ok_and(|status| status.success());
        if mounted {
            Some(Self { dir })
        } else {
            println!("SKIPPED: no right to mount a small file system here; run as root");
            None
        }
    }

    fn path(&self) -> PathBuf {
        self.dir.path().join("ledger.db")
    }

    fn fill(&self) {
        let mut file = std::fs::OpenOptions::new()
            .append(true)
            .create(true)
            .open(self.dir.path().join("filler"))
            .unwrap();
        while file.write(&[1; 4096]).is_ok() {}
    }

    fn remount(&self, how: &str) {
        let status = Command::new("mount")
            .args(["-o", &format!("remount,{how}")])
            .arg(self.dir.path())
            .status();
        assert!(status.unwrap().success());
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg(self.dir.path()).status());
    }
}

/// FT-STORE-03 and -04.
#[test]
fn on_a_full_disk_no_intent_is_stored_and_outcomes_use_the_reserve_then_wait() {
    let Some(disk) = SmallDisk::mount() else {
        return;
    };
    let path = disk.path();
    let running = Running::start(open(&path, 0));
    for id in 1..=3 {
        assert!(matches!(
            running.ask(Write::Intent(intent(id, "trace", id * 1_000))),
            LedgerReport::IntentStored(_)
        ));
    }
    disk.fill();
    let refused = running.ask(Write::Intent(intent(4, "trace", 4_000)));
    let LedgerReport::IntentFailed { why, .. } = &refused else {
        unreachable!("{refused:?}")
    };
    assert!(matches!(why, LedgerError::DiskFull { .. }), "{why}");
    assert!(why.to_string().contains("nothing is dosed"), "{why}");
    assert!(matches!(running.next(), LedgerReport::Fault { .. }));
    // The reserve is given up for this one.
    assert!(matches!(
        running.ask(Write::Outcome(delivered(1, -2_000, 5_000))),
        LedgerReport::OutcomeStored(_)
    ));
    let reserve = disk.dir.path().join("ledger.reserve");
    assert!(!reserve.exists());
    // And now there is none.
    disk.fill();
    let failed = running.ask(Write::Outcome(delivered(2, -4_000, 6_000)));
    assert!(
        matches!(failed, LedgerReport::OutcomeFailed { kept: true, .. }),
        "{failed:?}"
    );
    assert!(matches!(running.next(), LedgerReport::Fault { .. }));
    let behind = running.ask(Write::Outcome(delivered(3, -6_000, 7_000)));
    assert!(
        matches!(behind, LedgerReport::OutcomeFailed { kept: true, .. }),
        "{behind:?}"
    );
    assert!(matches!(running.next(), LedgerReport::Fault { .. }));
    assert!(matches!(
        running.ask(Write::Probe(at(8_000))),
        LedgerReport::Fault { .. }
    ));
    assert!(matches!(
        running.ask(Write::Intent(intent(4, "trace", 8_000))),
        LedgerReport::IntentFailed { .. }
    ));
    assert!(matches!(running.next(), LedgerReport::Fault { .. }));
    std::fs::remove_file(disk.dir.path().join("filler")).unwrap();
    // What waited is written, in its order, and the reserve is there again.
    assert!(
        matches!(running.ask(Write::Probe(at(9_000))), LedgerReport::OutcomeStored(id) if id.0 == 2)
    );
    assert!(matches!(running.next(), LedgerReport::OutcomeStored(id) if id.0 == 3));
    assert!(matches!(running.next(), LedgerReport::Healthy));
    assert_eq!(std::fs::metadata(&reserve).unwrap().len(), RESERVE_BYTES);
    assert!(matches!(
        running.ask(Write::Intent(intent(4, "trace", 10_000))),
        LedgerReport::IntentStored(_)
    ));
    running.handle.send(None).unwrap();
    assert!(running.handle.join());
    let report = Ledger::open_to_read(&path).unwrap().check().unwrap();
    assert_eq!(
        (report.doses, report.open, report.mistakes_total),
        (4, 1, 0),
        "{:?}",
        report.mistakes
    );
}

/// FT-STORE-05.
#[test]
fn on_a_file_system_turned_read_only_nothing_is_stored_until_it_is_writable_again() {
    let Some(disk) = SmallDisk::mount() else {
        return;
    };
    let path = disk.path();
    let mut ledger = open(&path, 0);
    ledger.store_intent(&intent(1, "trace", 1_000)).unwrap();
    drop(ledger);
    disk.remount("ro");
    let error = try_open(&path).unwrap_err();
    assert!(matches!(error, LedgerError::ReadOnly { .. }), "{error}");
    assert_eq!(
        Ledger::open_to_read(&path).unwrap().check().unwrap().open,
        1,
        "reading works"
    );
    disk.remount("rw");
    let mut ledger = open(&path, 2_000);
    ledger.store_outcome(&delivered(1, -2_000, 3_000)).unwrap();
    ledger.probe(at(4_000)).unwrap();
}

#[test]
fn the_file_says_what_it_is() {
    let (_dir, path) = new_ledger();
    drop(open(&path, 0));
    let bytes = std::fs::read(&path).unwrap();
    assert_eq!(
        i64::from(u32::from_be_bytes(bytes[68..72].try_into().unwrap())),
        APPLICATION_ID
    );
    assert_eq!(&bytes[68..72], b"dosl");
}

/// One dose after another; what is done to the file in between.
fn next_intent_after(damage: impl FnOnce(&Path)) -> (LedgerReport, LedgerReport) {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    // Enough that what is in the log has been carried over into the file, and the file is more than a page.
    for id in 1..=300 {
        ledger
            .store_intent(&intent(id, "trace", id * 1_000))
            .unwrap();
        let left = 5_000_000 - id * 2_000;
        ledger
            .store_outcome(&delivered(id, left, id * 1_000 + 500))
            .unwrap();
    }
    let running = Running::start(ledger);
    damage(&path);
    let answer = running.ask(Write::Intent(intent(301, "trace", 400_000)));
    let fault = running.next();
    let probed = running.ask(Write::Probe(at(400_100)));
    assert!(matches!(probed, LedgerReport::Fault { .. }), "{probed:?}");

    (answer, fault)
}

#[test]
fn the_next_dose_after_damage_in_place_is_not_given_and_the_fault_is_told_at_once() {
    type Damage = Box<dyn FnOnce(&Path)>;
    let zeroed = |path: &Path| {
        let size = usize::try_from(std::fs::metadata(path).unwrap().len()).unwrap();
        overwrite(path, 0, &vec![0; size]);
    };
    let inside = |path: &Path| {
        let size = usize::try_from(std::fs::metadata(path).unwrap().len()).unwrap();
        overwrite(path, 4096, &vec![0; size - 4096]);
    };
    let cut = |path: &Path, keep: fn(u64) -> u64| {
        let file = std::fs::OpenOptions::new().write(true).open(path).unwrap();
        file.set_len(keep(file.metadata().unwrap().len())).unwrap();
    };
    let log_zeroed = |path: &Path| {
        let log = beside(path, "-wal");
        let size = usize::try_from(std::fs::metadata(&log).unwrap().len()).unwrap();
        overwrite(&log, 0, &vec![0xff; size]);
    };
    let replaced = |path: &Path| {
        let copy = path.with_file_name("copy.db");
        std::fs::copy(path, &copy).unwrap();
        std::fs::rename(copy, path).unwrap();
    };
    let damages: [(&str, Damage); 7] = [
        ("zeroed", Box::new(zeroed)),
        ("zeroed behind its first page", Box::new(inside)),
        (
            "truncated to nothing",
            Box::new(move |path: &Path| cut(path, |_| 0)),
        ),
        (
            "truncated to a page",
            Box::new(move |path: &Path| cut(path, |_| 4096)),
        ),
        (
            "short of its last page",
            Box::new(move |path: &Path| cut(path, |size| size - 4096)),
        ),
        ("its log overwritten", Box::new(log_zeroed)),
        ("replaced by a copy", Box::new(replaced)),
    ];
    for (what, damage) in damages {
        let (answer, fault) = next_intent_after(damage);
        assert!(
            matches!(answer, LedgerReport::IntentFailed { .. }),
            "{what}: {answer:?}"
        );
        assert!(
            matches!(fault, LedgerReport::Fault { .. }),
            "{what}: {fault:?}"
        );
    }
}
