//! The ledger's promises: nothing given is lost, nothing is done twice, the books add up.
#![expect(clippy::unwrap_used, reason = "a failing helper fails its test")]

mod support;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use dosewright::chemistry::{Measurand, Quantity};
use dosewright::ledger::{Filter, Ledger, LedgerError, Table};
use dosewright::metering::{Calibration, MeteringLimits};
use dosewright::plan::SlotKey;
use dosewright::quantity::{FlowRate, Millis, Volume};
use dosewright::record::{
    Arming, CalibrationRun, Code, DoseEnd, DoseId, Entry, Found, Hold, HoldChange, HoldScope,
    NotGiven, Note, Observation, Observed, OutageMissed, Outcome, Reading, SlotNotGiven, Stamp,
    StoredCalibration, StoredVerification, TakenBack, Uptake, UptakeHow, Who,
};
use proptest::prelude::*;
use serde_json::json;
use support::{
    EPOCH_MS, LINES, at, delivered, generate, intent, name, open, open_as, refill, slot_intent,
};

const HOUR: i64 = 3_600_000;
const OWNER: Who = Who::Local { uid: 1000 };

fn beside(ledger: &Ledger) -> dosewright::ledger::LedgerReader {
    Ledger::open_to_read(ledger.path()).unwrap()
}

fn ledger_end(ledger: &Ledger, dose: DoseId) -> Option<Volume> {
    beside(ledger).end_of(dose).unwrap().map(|e| e.delivered)
}

fn checks(ledger: &Ledger) -> Vec<StoredVerification> {
    beside(ledger)
        .verifications_of(&name("head-alkalinity"))
        .unwrap()
}

fn new_ledger() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    (dir, path)
}

fn assert_clean(path: &Path) {
    let report = Ledger::open_to_read(path).unwrap().check().unwrap();
    assert!(report.is_clean(), "{:?}", report.mistakes);
}

/// Lets other SQL in, as a person with a database tool would.
fn tamper(path: &Path, sql: &str) {
    let conn = rusqlite::Connection::open(path).unwrap();
    conn.execute_batch(sql).unwrap();
}

#[test]
fn an_open_intent_comes_back_in_full_after_a_restart() {
    let (_dir, path) = new_ledger();
    let meant = slot_intent(1, "alkalinity", 1_000, "2026-01-01", 3_600);
    let mut ledger = open(&path, 0);
    assert!(ledger.is_new());
    ledger
        .store(&[Entry::Refill(refill("alkalinity", 100_000, None, 500))])
        .unwrap();
    ledger.store_intent(&meant).unwrap();
    drop(ledger);
    let ledger = open(&path, 10_000);
    assert!(!ledger.is_new());
    let history = ledger.history(at(10_000)).unwrap();
    assert_eq!(history.open, vec![meant.clone()]);
    assert_eq!(history.dose_last, 1);
    assert_eq!(history.doses.len(), 1);
    assert_eq!(history.doses[0].counted, Volume::from_ul(2_000));
    assert_eq!(history.doses[0].slot, meant.slot);
    assert_eq!(
        history.reservoirs,
        vec![(name("bottle-alkalinity"), Volume::from_ul(100_000))]
    );
    assert_eq!(history.sessions[history.doses[0].session].boot, "boot-1");
    assert_eq!(history.added_since_reading, meant.carries);
    assert_eq!(history.newest_wall, Some(at(10_000).wall));
}

#[test]
fn a_slot_is_done_once_whatever_the_code_above_does() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    ledger
        .store_intent(&slot_intent(1, "calcium", 1_000, "2026-01-01", 60))
        .unwrap();
    ledger.store_outcome(&delivered(1, 98_000, 5_000)).unwrap();
    let again = ledger
        .store_intent(&slot_intent(2, "calcium", 9_000, "2026-01-01", 60))
        .unwrap_err();
    assert!(matches!(again, LedgerError::Conflict { .. }), "{again}");
    assert!(
        again
            .to_string()
            .contains("slot 2026-01-01 60 s of line calcium"),
        "{again}"
    );
    let missed = SlotNotGiven {
        key: SlotKey {
            line: name("calcium"),
            date: "2026-01-01".parse().unwrap(),
            number: 120,
        },
        due: at(120_000).wall,
        volume: Volume::from_ul(2_000),
        kind: NotGiven::Missed,
        reason: "the daemon was off".to_owned(),
        code: "missed-off".to_owned(),
        at: at(10_000),
    };
    ledger
        .store(&[Entry::SlotNotGiven(missed.clone())])
        .unwrap();
    let settled = ledger
        .store_intent(&slot_intent(2, "calcium", 11_000, "2026-01-01", 120))
        .unwrap_err();
    assert!(matches!(settled, LedgerError::Conflict { .. }), "{settled}");
    assert!(
        !ledger
            .store(&[Entry::SlotNotGiven(missed.clone())])
            .unwrap_err()
            .may_recover()
    );
    // What was refused left nothing behind: the number is free, and other slots are.
    ledger
        .store_intent(&slot_intent(2, "calcium", 12_000, "2026-01-01", 180))
        .unwrap();
    let history = ledger.history(at(13_000)).unwrap();
    assert_eq!(history.doses.len(), 2);
    // Given or not, each is settled.
    let mut settled = history.settled;
    settled.sort_by_key(|key| key.number);
    let key = |number| SlotKey {
        number,
        ..missed.key.clone()
    };
    assert_eq!(settled, vec![key(60), key(120), key(180)]);
}

#[test]
fn an_outcome_closes_one_open_intent_and_no_other() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    let unknown = ledger.store_outcome(&delivered(1, 0, 5_000)).unwrap_err();
    assert!(matches!(unknown, LedgerError::Conflict { .. }), "{unknown}");
    ledger.store_intent(&intent(1, "trace", 1_000)).unwrap();
    assert!(
        ledger.store_intent(&intent(1, "trace", 1_000)).is_err(),
        "a number twice"
    );
    let half = Outcome {
        end: DoseEnd::Uncertain,
        delivered: Volume::from_ul(1_000),
        ..delivered(1, 9_000, 5_000)
    };
    assert!(
        ledger.store_outcome(&half).is_err(),
        "an uncertain dose counts in full"
    );
    let negative = Outcome {
        delivered: Volume::from_ul(-1),
        ..delivered(1, 9_000, 5_000)
    };
    assert!(ledger.store_outcome(&negative).is_err());
    ledger.store_outcome(&delivered(1, 8_000, 5_000)).unwrap();
    let twice = ledger
        .store_outcome(&delivered(1, 6_000, 6_000))
        .unwrap_err();
    assert!(!twice.may_recover());
    assert_eq!(
        ledger.history(at(7_000)).unwrap().reservoirs[0].1,
        Volume::from_ul(8_000)
    );
}

/// Every stop between two steps: the files as a killed daemon leaves them, copied and opened elsewhere.
#[test]
fn a_cut_between_any_two_steps_loses_no_dose_and_leaves_at_most_one_open() {
    let (dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    ledger
        .store(&[Entry::Refill(refill("iodine", 1_000_000, None, 0))])
        .unwrap();
    let mut given = Vec::new();
    for id in 1..=40 {
        let ms = id * 60_000;
        ledger.store_intent(&intent(id, "iodine", ms)).unwrap();
        check_copy(&dir, &path, id * 2, &given, Some(id));
        ledger
            .store_outcome(&delivered(id, 1_000_000 - id * 2_000, ms + 4_000))
            .unwrap();
        given.push(id);
        check_copy(&dir, &path, id * 2 + 1, &given, None);
    }
}

fn check_copy(
    dir: &tempfile::TempDir,
    path: &Path,
    step: i64,
    given: &[i64],
    running: Option<i64>,
) {
    let copy = dir.path().join(format!("cut-{step}.db"));
    for suffix in ["", "-wal"] {
        std::fs::copy(
            format!("{}{suffix}", path.display()),
            format!("{}{suffix}", copy.display()),
        )
        .unwrap();
    }
    let now = at(HOUR);
    let ledger = Ledger::open(&copy, &open_as("boot-2", now)).unwrap();
    let history = ledger.history(now).unwrap();
    let open: Vec<i64> = history.open.iter().map(|dose| dose.id.0).collect();
    assert_eq!(open, Vec::from_iter(running));
    assert_eq!(history.doses.len(), given.len() + open.len());
    let left = 1_000_000 - 2_000 * i64::try_from(given.len()).unwrap();
    assert_eq!(
        history.reservoirs,
        vec![(name("bottle-iodine"), Volume::from_ul(left))]
    );
    drop(ledger);
    std::fs::remove_file(copy).unwrap();
}

#[test]
#[expect(
    clippy::too_many_lines,
    reason = "one of each thing that can be written"
)]
fn everything_that_is_written_comes_back_as_it_was() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    let hold = Hold {
        scope: HoldScope::All,
        reason: "test looks wrong".to_owned(),
        who: OWNER,
        since: at(1_000).wall,
        until: None,
    };
    let line_hold = Hold {
        scope: HoldScope::Line(name("trace")),
        who: Who::Remote {
            name: "a:b".to_owned(),
        },
        ..hold.clone()
    };
    let calibration = StoredCalibration {
        head: name("head-alkalinity"),
        calibration: Calibration::new(FlowRate::from_ml_per_min(30.0), Volume::from_ul(-40))
            .unwrap(),
        variation: Some(0.012),
        limits: Some(MeteringLimits {
            run_min: Millis::new(2_001),
            run_max: Millis::new(24_000),
            dose_min: Volume::from_ul(1_100),
            tolerance_percent: 5.0,
        }),
        simulated: false,
        runs: vec![CalibrationRun {
            on_time: Millis::new(2_001),
            volume: Volume::from_ul(1_004),
            typed: "1.0 g".to_owned(),
            dose: None,
            used: false,
        }],
        resolution: Some(Volume::from_ul(10)),
        weighing: "water of 22 C".to_owned(),
        drive: "PWM 60 % at 1000 Hz".to_owned(),
        method: "five runs, weighed".to_owned(),
        questioned: String::new(),
        who: OWNER,
        at: at(2_000),
    };
    let told = |number, of: &str, found, taken| Observation {
        number,
        what: Observed::Reading(Reading {
            of: Measurand::new(of, None).unwrap(),
            found,
            step: None,
            as_read: String::new(),
        }),
        panel: None,
        method: "titration".to_owned(),
        happened: at(taken).wall,
        who: OWNER,
        at: at(3 * HOUR + 600_000),
    };
    let value = |value, uncertainty| Found::Value { value, uncertainty };
    let alkalinity = told(2, "alkalinity", value(8.2, 0.1), 3 * HOUR);
    let iodine = told(1, "I", Found::Below(0.02), 3 * HOUR);
    let calcium = told(3, "Ca", value(420.0, 5.0), HOUR + 60_000);
    let of_calcium = Quantity::from_word("Ca").unwrap();
    let uptake = Uptake {
        of: Quantity::Alkalinity,
        uptake: 0.9,
        before: Some(0.8),
        how: UptakeHow::Accepted,
        who: OWNER,
        at: at(4 * HOUR),
    };
    for entry in [
        Entry::Hold(HoldChange::set(hold.clone(), at(1_000))),
        Entry::Hold(HoldChange::set(line_hold.clone(), at(1_100))),
        Entry::Calibration(calibration.clone()),
    ] {
        ledger.store(std::slice::from_ref(&entry)).unwrap();
    }
    // Two doses before the sample and one after it; of calcium one before its sample and two after it.
    for (id, ms) in [(1, HOUR), (2, 2 * HOUR), (3, 3 * HOUR + 60_000)] {
        let mut dose = intent(id, "alkalinity", ms);
        dose.carries.insert(of_calcium.clone(), 0.1);
        ledger.store_intent(&dose).unwrap();
        ledger
            .store_outcome(&delivered(id, 500_000 - id * 2_000, ms + 4_000))
            .unwrap();
    }
    let check = StoredVerification {
        head: name("head-alkalinity"),
        dose: DoseId(2),
        expected: Volume::from_ul(2_000),
        measured: Volume::from_ul(1_950),
        typed: "1.95 mL".to_owned(),
        tolerance_percent: 5.0,
        run_since: Millis::new(8_000),
        who: OWNER,
        at: at(4 * HOUR),
    };
    ledger.store(&[Entry::Verification(check.clone())]).unwrap();
    let end = ledger_end(&ledger, DoseId(2));
    assert_eq!(end, Some(Volume::from_ul(2_000)));
    assert_eq!(checks(&ledger), [check]);
    for entry in [
        Entry::Observation(iodine.clone()),
        Entry::Observation(alkalinity.clone()),
        Entry::Observation(calcium.clone()),
        Entry::Uptake(uptake.clone()),
        Entry::Note(Note {
            code: Code::new("started"),
            line: None,
            text: "up".to_owned(),
            who: Who::Daemon,
            at: at(4 * HOUR),
        }),
        Entry::OutageMissed(OutageMissed {
            line: name("trace"),
            from: at(0).wall,
            until: at(HOUR).wall,
            slots: None,
            volume: None,
            at: at(4 * HOUR),
        }),
        Entry::Hold(HoldChange::lifted(HoldScope::All, OWNER, at(4 * HOUR))),
    ] {
        ledger.store(std::slice::from_ref(&entry)).unwrap();
    }
    drop(ledger);
    let history = open(&path, 5 * HOUR).history(at(5 * HOUR)).unwrap();
    assert_eq!(history.holds, vec![line_hold]);
    assert_eq!(
        history.calibrations,
        vec![(calibration, Millis::new(12_000))]
    );
    let of_calcium = history.added_since_reading[&of_calcium];
    assert!((of_calcium - 0.2).abs() < 1e-12, "{of_calcium} mg/L");
    let all = vec![iodine, alkalinity.clone(), calcium];
    assert_eq!((history.told, history.told_last), (all, 3));
    assert_eq!(history.uptakes, vec![uptake]);
    let added = history.added_since_reading[&Quantity::Alkalinity];
    assert!((added - 0.03).abs() < 1e-12, "{added} dKH");
    a_reading_taken_back_counts_no_longer(&path, alkalinity);
    assert_clean(&path);
}

#[test]
fn a_dose_that_ended_early_counts_what_went_out_and_one_that_nobody_saw_in_full() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    ledger
        .store(&[Entry::Refill(refill("alkalinity", 10_000, None, 0))])
        .unwrap();
    let ends = [
        (DoseEnd::Interrupted, 500, Some(1_000), 9_500, 0.0075, 1_000),
        (DoseEnd::Uncertain, 2_000, None, 7_500, 0.03, 4_000),
        (DoseEnd::NotStarted, 0, None, 7_500, 0.0, 0),
        (DoseEnd::Failed, 2_400, Some(4_800), 5_100, 0.036, 4_800),
    ];
    for (id, (end, ul, on_time, left, ..)) in (1..).zip(ends) {
        ledger
            .store_intent(&intent(id, "alkalinity", id * 10_000))
            .unwrap();
        let outcome = Outcome {
            end,
            delivered: Volume::from_ul(ul),
            on_time: on_time.map(Millis::new),
            ..delivered(id, left, id * 10_000 + 5_000)
        };
        ledger.store_outcome(&outcome).unwrap();
    }
    let history = ledger.history(at(60_000)).unwrap();
    for (dose, (_, ul, _, _, dkh, run)) in history.doses.iter().zip(ends) {
        assert_eq!(dose.counted.as_ul(), ul);
        assert_eq!(dose.run_time, Millis::new(run));
        let carried = dose.carries[&Quantity::Alkalinity];
        assert!((carried - dkh).abs() < 1e-12, "{carried} dKH");
    }
    assert_eq!(history.reservoirs[0].1, Volume::from_ul(5_100));
    let added = history.added_since_reading[&Quantity::Alkalinity];
    assert!((added - 0.0735).abs() < 1e-12, "{added} dKH");
    drop(ledger);
    assert_clean(&path);
}

#[test]
fn doses_leave_the_history_by_elapsed_time_in_one_boot_and_a_stepped_clock_changes_nothing() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    ledger.store_intent(&intent(1, "trace", HOUR)).unwrap();
    ledger
        .store_outcome(&delivered(1, 8_000, HOUR + 4_000))
        .unwrap();
    let stepped = |days: i64, ms: i64| Stamp {
        wall: at(days * 24 * HOUR + ms).wall,
        ..at(ms)
    };
    // The wall clock is a year ahead, the elapsed clock says 25 h: it still counts.
    assert_eq!(
        ledger.history(stepped(365, 26 * HOUR)).unwrap().doses.len(),
        1
    );
    // The wall clock is a year behind, the elapsed clock says 27 h: it is over.
    assert_eq!(
        ledger
            .history(stepped(-365, 28 * HOUR))
            .unwrap()
            .doses
            .len(),
        0
    );
}

#[test]
fn across_boots_a_dose_counts_until_a_clock_proves_that_it_is_over() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 40 * HOUR);
    ledger.store_intent(&intent(1, "trace", 41 * HOUR)).unwrap();
    ledger
        .store_outcome(&delivered(1, 8_000, 41 * HOUR + 4_000))
        .unwrap();
    ledger.probe(at(44 * HOUR)).unwrap();
    drop(ledger);
    // A boot whose wall clock is unsure: 2 h up, so the dose is 3 h + 2 h old at least.
    let unsure = |elapsed: i64| Stamp {
        elapsed: Millis::new(elapsed),
        trusted: false,
        ..at(0)
    };
    let ledger = Ledger::open(&path, &open_as("boot-2", unsure(HOUR))).unwrap();
    let history = ledger.history(unsure(2 * HOUR)).unwrap();
    assert_eq!(history.doses.len(), 1);
    assert_eq!(history.sessions.len(), 2);
    assert_eq!(history.sessions[0].elapsed_last, Millis::new(44 * HOUR));
    assert_eq!(history.newest_wall, Some(at(44 * HOUR).wall));
    // 3 h on the old boot and 24 h on this one since it was first seen: over.
    assert_eq!(ledger.history(unsure(25 * HOUR)).unwrap().doses.len(), 0);
    // Both clocks trusted: 30 h by the wall.
    let now = Stamp {
        elapsed: Millis::new(HOUR),
        ..at(71 * HOUR + 60_000)
    };
    assert_eq!(ledger.history(now).unwrap().doses.len(), 0);
    let now = Stamp {
        elapsed: Millis::new(HOUR),
        ..at(66 * HOUR)
    };
    assert_eq!(ledger.history(now).unwrap().doses.len(), 1);
}

#[test]
fn a_refill_during_a_dose_and_outcomes_out_of_turn_keep_the_bottle_right() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    ledger
        .store(&[Entry::Refill(refill("trace", 5_000, None, 0))])
        .unwrap();
    ledger.store_intent(&intent(1, "trace", 1_000)).unwrap();
    ledger.store_intent(&intent(2, "trace", 1_500)).unwrap();
    ledger
        .store(&[Entry::Refill(refill("trace", 90_000, Some(5_000), 2_000))])
        .unwrap();
    ledger.store_outcome(&delivered(2, 88_000, 4_000)).unwrap();
    ledger.store_outcome(&delivered(1, 86_000, 5_000)).unwrap();
    drop(ledger);
    let ledger = open(&path, 10_000);
    assert_eq!(
        ledger.history(at(10_000)).unwrap().reservoirs[0].1,
        Volume::from_ul(86_000)
    );
    drop(ledger);
    assert_clean(&path);
}

#[test]
fn the_check_names_the_dose_whose_row_was_changed() {
    let (_dir, path) = new_ledger();
    generate(&path, 1_000, 1_000 * 360_000);
    assert_clean(&path);
    for (sql, dose, word) in [
        ("UPDATE dose SET delivered_ul = 1999 WHERE id = 500", Some(500), "out"),
        ("UPDATE dose SET delivered_ul = 2000, volume_ul = 2500, outcome = 'uncertain' WHERE id = 500", Some(500), "uncertain"),
        ("UPDATE dose SET reservoir_left_ul = 7 WHERE id = 500", Some(500), "7"),
        ("DELETE FROM dose WHERE id = 500", None, "number 505 is missing"),
        ("UPDATE running_total SET value = 5 WHERE name = 'bottle-trace'", None, "totals"),
        ("UPDATE dose SET outcome = NULL, delivered_ul = NULL WHERE id = 77", Some(77), "no outcome"),
        ("DROP INDEX dose_slot", None, "index dose_slot"),
        ("DROP VIEW observation", None, "view observation"),
        (
            "INSERT INTO entry (session, at_ms, elapsed_ms, trusted, kind, body) VALUES (1, 0, 0, 1, 'event', '{\"code\": 1}')",
            None,
            "entry 1 is no event",
        ),
        (
            "INSERT INTO entry (session, at_ms, elapsed_ms, trusted, kind, body) SELECT 1, at_ms, elapsed_ms, 1, 'not-given',
             json_object('slot_date', slot_date, 'slot_second', slot_second, 'line', line) FROM dose WHERE id = 77",
            Some(77),
            "not given",
        ),
    ] {
        let copy = path.with_file_name("tampered.db");
        std::fs::copy(&path, &copy).unwrap();
        tamper(&copy, &format!("PRAGMA ignore_check_constraints = 1; {sql}"));
        let report = Ledger::open_to_read(&copy).unwrap().check().unwrap();
        assert!(
            report.mistakes.iter().any(|m| m.dose == dose && m.what.contains(word)),
            "{sql}: {:?}",
            report.mistakes
        );
        std::fs::remove_file(&copy).unwrap();
    }
}

#[test]
fn a_backup_is_a_whole_ledger_and_never_overwrites() {
    let (dir, path) = new_ledger();
    generate(&path, 500, 500 * 360_000);
    let mut ledger = open(&path, 500 * 360_000 + 10_000);
    ledger
        .store_intent(&intent(501, "trace", 500 * 360_000 + 20_000))
        .unwrap();
    let reader = Ledger::open_to_read(&path).unwrap();
    let copy = dir.path().join("copy.db");
    reader.backup(&copy).unwrap();
    ledger
        .store_outcome(&delivered(501, 998_000, 500 * 360_000 + 24_000))
        .unwrap();
    let error = reader.backup(&copy).unwrap_err().to_string();
    assert!(error.contains("not overwritten"), "{error}");
    assert!(!dir.path().join("copy.db.partial").exists());
    let report = Ledger::open_to_read(&copy).unwrap().check().unwrap();
    assert_eq!(
        (report.doses, report.open, report.mistakes_total),
        (501, 1, 0)
    );
    assert_eq!(
        open(&copy, 500 * 360_000 + 30_000)
            .history(at(500 * 360_000 + 30_000))
            .unwrap()
            .open
            .len(),
        1
    );
}

#[test]
fn csv_is_quoted_and_holds_no_formula_that_people_typed() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    let note = |text: &str| {
        Entry::Refill(dosewright::record::Refill {
            note: text.to_owned(),
            ..refill("trace", -5, None, 0)
        })
    };
    for text in ["=1+1", "a \"b\", c", "two\nlines", "@x", "plain"] {
        ledger.store(&[note(text)]).unwrap();
    }
    let reader = Ledger::open_to_read(&path).unwrap();
    let mut csv = Vec::new();
    reader
        .export_csv(Table::REFILL, &Filter::default(), &mut csv)
        .unwrap();
    let csv = String::from_utf8(csv).unwrap();
    let lines: Vec<&str> = csv.split("\r\n").collect();
    assert_eq!(
        lines[0],
        "number,at,clock_trusted,elapsed_ms,session,reservoir,level_ul,before_ul,solution,tube_solution,tube_left_ul,dose_last,outcome_order,who,note"
    );
    assert_eq!(
        lines[1],
        "1,2026-01-01T00:00:00Z,true,0,1,bottle-trace,-5,,soda-ash,,,0,1,local:1000,'=1+1"
    );
    assert!(lines[2].ends_with(",\"a \"\"b\"\", c\""));
    assert!(lines[3].ends_with(",\"two\nlines\""));
    assert!(lines[4].ends_with(",'@x"));
    assert!(lines[5].ends_with(",plain"));
}

#[test]
fn rows_come_as_json_with_units_and_as_asked_for() {
    let (_dir, path) = new_ledger();
    generate(&path, 100, 100 * 360_000);
    let mut ledger = open(&path, 100 * 360_000 + 10_000);
    ledger
        .store_intent(&intent(101, "trace", 100 * 360_000 + 20_000))
        .unwrap();
    let reader = Ledger::open_to_read(&path).unwrap();
    let two = Filter {
        line: Some(name("trace")),
        newest: Some(2),
        ..Filter::default()
    };
    let rows = reader.list(Table::DOSE, &two).unwrap();
    let numbers: Vec<_> = rows
        .iter()
        .map(|row| row.get("number").unwrap().clone())
        .collect();
    assert_eq!(numbers, [json!(99), json!(101)]);
    assert_eq!(rows[1].get("outcome"), Some(&json!("open")));
    let since = Filter {
        since: Some(at(100 * 360_000 + 1).wall),
        ..Filter::default()
    };
    assert_eq!(reader.list(Table::DOSE, &since).unwrap().len(), 1);
    let mut json = Vec::new();
    reader
        .export_json(
            &Table::all().collect::<Vec<_>>(),
            &Filter::default(),
            &mut json,
        )
        .unwrap();
    let json: serde_json::Value = serde_json::from_slice(&json).unwrap();
    assert_eq!(json["dose"].as_array().unwrap().len(), 101);
    assert_eq!(json["dose"][0]["delivered_ul"], 2_000);
    assert_eq!(json["dose"][100]["outcome"], "open");
    assert_eq!(json["session"].as_array().unwrap().len(), 3);
    for table in Table::all() {
        assert!(json[&table.name()].is_array(), "{}", table.name());
        assert_eq!(Table::from_name(&table.name()), Some(table));
    }
}

/// The promise of the export for doses and refills, whose rows are no records.
#[test]
fn doses_and_refills_are_exported_as_the_golden_rows_say() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    ledger
        .store(&[Entry::Refill(refill(
            "alkalinity",
            100_000,
            Some(4_000),
            500,
        ))])
        .unwrap();
    ledger
        .store_intent(&slot_intent(1, "alkalinity", 1_000, "2026-01-01", 3_600))
        .unwrap();
    ledger.store_outcome(&delivered(1, 98_000, 5_000)).unwrap();
    let reader = beside(&ledger);
    for (table, golden) in [
        (Table::DOSE, include_str!("golden/row-dose.json")),
        (Table::REFILL, include_str!("golden/row-refill.json")),
    ] {
        let rows = reader.list(table, &Filter::default()).unwrap();
        let golden: serde_json::Value = serde_json::from_str(golden).unwrap();
        assert_eq!(serde_json::to_value(&rows[0]).unwrap(), golden);
    }
}

/// A reading and what it corrects: a failure of the second leaves nothing of the first.
#[test]
fn what_belongs_together_is_stored_together_or_not_at_all() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    let note = |text: &str| {
        Entry::Note(Note {
            code: Code::new("test"),
            line: None,
            text: text.to_owned(),
            who: OWNER,
            at: at(1_000),
        })
    };
    let missed = Entry::SlotNotGiven(SlotNotGiven {
        key: SlotKey {
            line: name("calcium"),
            date: "2026-01-01".parse().unwrap(),
            number: 120,
        },
        due: at(120_000).wall,
        volume: Volume::from_ul(2_000),
        kind: NotGiven::Missed,
        reason: String::new(),
        code: "missed-off".to_owned(),
        at: at(10_000),
    });
    let refill = Entry::Refill(refill("trace", 5_000, None, 0));
    ledger.store(&[note("first"), missed.clone()]).unwrap();
    let twice = ledger.store(&[note("second"), refill, missed]).unwrap_err();
    assert!(matches!(twice, LedgerError::Conflict { .. }), "{twice}");
    let texts = beside(&ledger).events("test").unwrap();
    assert_eq!(texts, [(at(1_000).wall, "first".to_owned())]);
    assert_eq!(ledger.history(at(20_000)).unwrap().reservoirs, []);
    drop(ledger);
    assert_clean(&path);
}

/// FT-INFUS-05: no entry, restart or calibration changes what counts in 24 h.
#[test]
fn the_sum_of_24_hours_is_changed_by_doses_alone() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    for id in 1..=5 {
        ledger
            .store_intent(&intent(id, "trace", id * HOUR))
            .unwrap();
        ledger
            .store_outcome(&delivered(id, 90_000 - id * 2_000, id * HOUR + 4_000))
            .unwrap();
    }
    let sum = |ledger: &Ledger| -> Volume {
        ledger
            .history(at(6 * HOUR))
            .unwrap()
            .doses
            .iter()
            .map(|dose| dose.counted)
            .sum()
    };
    assert_eq!(sum(&ledger), Volume::from_ul(10_000));
    for entry in [
        Entry::Refill(refill("trace", 500_000, Some(80_000), 6 * HOUR)),
        Entry::Hold(HoldChange::set(
            Hold {
                scope: HoldScope::All,
                reason: "x".to_owned(),
                who: OWNER,
                since: at(6 * HOUR).wall,
                until: None,
            },
            at(6 * HOUR),
        )),
        Entry::Hold(HoldChange::lifted(HoldScope::All, OWNER, at(6 * HOUR))),
        Entry::Calibration(StoredCalibration {
            head: name("head-trace"),
            calibration: Calibration::new(FlowRate::from_ml_per_min(60.0), Volume::ZERO).unwrap(),
            variation: None,
            limits: None,
            simulated: false,
            runs: Vec::new(),
            resolution: None,
            weighing: String::new(),
            drive: "PWM 60 % at 1000 Hz".to_owned(),
            method: "label".to_owned(),
            questioned: String::new(),
            who: OWNER,
            at: at(6 * HOUR),
        }),
    ] {
        ledger.store(std::slice::from_ref(&entry)).unwrap();
        assert_eq!(sum(&ledger), Volume::from_ul(10_000), "{entry:?}");
    }
    drop(ledger);
    let other_start = open_as("boot-1", at(6 * HOUR));
    for _ in 0..3 {
        assert_eq!(
            sum(&Ledger::open(&path, &other_start).unwrap()),
            Volume::from_ul(10_000)
        );
    }
}

/// Quantity by the write-ahead log's own growth: 3 pages for nearly every dose (intent 2, outcome 1), more when a leaf of
/// the tree splits. Budget: 16 KiB on the mean, 24 KiB for 9 of 10, never more than 9 pages.
#[test]
fn a_dose_writes_three_pages_and_reading_writes_nothing() {
    const FRAME: u64 = 4_120;
    let (_dir, path) = new_ledger();
    generate(&path, 20_000, 20_000 * 360_000);
    let begin = 20_000 * 360_000;
    let mut ledger = open(&path, begin + 10_000);
    // A reader in the middle of a transaction keeps the log from starting over, so that its growth shows every write.
    let reader = rusqlite::Connection::open(&path).unwrap();
    reader
        .execute_batch("BEGIN; SELECT max(id) FROM dose")
        .unwrap();
    let wal = path.with_file_name("ledger.db-wal");
    let size = || std::fs::metadata(&wal).unwrap().len();
    let mut pages = Vec::new();
    for id in 20_001..=20_500 {
        let before = size();
        let ms = begin + (id - 20_000) * 60_000;
        let line = LINES[usize::try_from(id % 5).unwrap()];
        let second = u32::try_from((id - 20_000) * 60).unwrap();
        ledger
            .store_intent(&slot_intent(id, line, ms, "2026-06-01", second))
            .unwrap();
        let between = size();
        ledger.store_outcome(&delivered(id, 0, ms + 4_000)).unwrap();
        // The outcome fits into its row's page: a full disk is the worst time to need a new one.
        let snapshot_pages = if id == 20_256 { 3 } else { 0 };
        assert!(
            size() - between <= (1 + snapshot_pages) * FRAME,
            "dose {id}"
        );
        pages.push((size() - before) / FRAME);
    }
    pages.sort_unstable();
    let bytes: u64 = pages.iter().map(|pages| pages * FRAME).sum();
    println!(
        "a dose: median {} pages, most {}, mean {} bytes",
        pages[250],
        pages[499],
        bytes / 500
    );
    assert_eq!(pages[250], 3);
    assert!(pages[450] * FRAME <= 24 * 1024, "{} pages", pages[450]);
    assert!(pages[499] <= 9, "{} pages", pages[499]);
    assert!(bytes / 500 <= 16 * 1024, "{} bytes", bytes / 500);
    let before = size();
    ledger.history(at(begin + 24 * HOUR)).unwrap();
    Ledger::open_to_read(&path).unwrap().check().unwrap();
    assert_eq!(size(), before);
}

#[test]
fn the_log_stays_small_over_thousands_of_doses() {
    let (_dir, path) = new_ledger();
    let mut ledger = open(&path, 0);
    for id in 1..=600 {
        ledger
            .store_intent(&intent(id, "trace", id * 60_000))
            .unwrap();
        ledger
            .store_outcome(&delivered(id, -id * 2_000, id * 60_000 + 4_000))
            .unwrap();
        let wal = std::fs::metadata(path.with_file_name("ledger.db-wal"))
            .unwrap()
            .len();
        assert!(wal <= 1_200_000, "{wal} bytes at dose {id}");
    }
    drop(ledger);
    assert_clean(&path);
}

/// What happens next in the property test.
#[derive(Debug, Clone)]
enum Step {
    Begin(usize),
    End(u8, i64),
    Refill(usize, i64),
    Restart,
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        4 => (0..LINES.len()).prop_map(Step::Begin),
        4 => (0..5_u8, 0..4_000_i64).prop_map(|(end, ul)| Step::End(end, ul)),
        1 => ((0..LINES.len()), 0..1_000_000_i64).prop_map(|(line, ul)| Step::Refill(line, ul)),
        1 => Just(Step::Restart),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]
    #[test]
    fn bottles_are_what_went_in_less_what_went_out(steps in proptest::collection::vec(step(), 1..60)) {
        let (_dir, path) = new_ledger();
        let mut ledger = open(&path, 0);
        let mut bottles: BTreeMap<&str, i64> = BTreeMap::new();
        let (mut open_doses, mut last, mut ms, mut delivered_sum) = (Vec::new(), 0_i64, 0_i64, 0_i64);
        for line in LINES {
            ledger.store(&[Entry::Refill(refill(line, 100_000, None, 0))]).unwrap();
            bottles.insert(line, 100_000);
        }
        for step in steps {
            ms += 10_000;
            match step {
                Step::Begin(line) => {
                    last += 1;
                    ledger.store_intent(&intent(last, LINES[line], ms)).unwrap();
                    open_doses.push((last, LINES[line]));
                }
                Step::End(end, ul) if !open_doses.is_empty() => {
                    let (id, line) = open_doses.remove(usize::from(end) % open_doses.len());
                    let (end, ul) = match end {
                        0 => (DoseEnd::Delivered, 2_000),
                        1 => (DoseEnd::Interrupted, ul),
                        2 => (DoseEnd::Failed, ul),
                        3 => (DoseEnd::Uncertain, 2_000),
                        _ => (DoseEnd::NotStarted, 0),
                    };
                    let left = bottles[line] - ul;
                    bottles.insert(line, left);
                    delivered_sum += ul;
                    let outcome = Outcome { id: DoseId(id), end, delivered: Volume::from_ul(ul), ..delivered(id, left, ms) };
                    ledger.store_outcome(&outcome).unwrap();
                }
                Step::End(..) => {}
                Step::Refill(line, ul) => {
                    bottles.insert(LINES[line], ul);
                    ledger.store(&[Entry::Refill(refill(LINES[line], ul, None, ms))]).unwrap();
                }
                Step::Restart => {
                    drop(ledger);
                    ledger = open(&path, ms);
                }
            }
        }
        let history = ledger.history(at(ms)).unwrap();
        let found: BTreeMap<String, i64> = history.reservoirs.iter().map(|(n, v)| (n.to_string(), v.as_ul())).collect();
        let expected: BTreeMap<String, i64> = bottles.iter().map(|(n, v)| (format!("bottle-{n}"), *v)).collect();
        prop_assert_eq!(&found, &expected);
        prop_assert_eq!(history.open.len(), open_doses.len());
        let counted: i64 = history.doses.iter().map(|dose| dose.counted.as_ul()).sum();
        prop_assert_eq!(counted, delivered_sum + 2_000 * i64::try_from(open_doses.len()).unwrap());
        let report = Ledger::open_to_read(&path).unwrap().check().unwrap();
        prop_assert!(report.is_clean(), "{:?}", report.mistakes);
        prop_assert_eq!(report.delivered_ul, delivered_sum);
        prop_assert_eq!(report.reservoirs_ul, expected);
    }
}

#[test]
fn the_generated_ledger_is_sound_and_its_day_comes_back() {
    let (_dir, path) = new_ledger();
    generate(&path, 5_000, 5_000 * 360_000);
    assert_clean(&path);
    let now = at(5_000 * 360_000 + 10_000);
    let history = Ledger::open(&path, &open_as("boot-2", now))
        .unwrap()
        .history(now)
        .unwrap();
    assert_eq!(history.dose_last, 5_000);
    assert_eq!(history.doses.len(), 260);
    assert!(
        history
            .doses
            .windows(2)
            .all(|pair| pair[0].at.wall < pair[1].at.wall),
        "oldest first"
    );
    assert_eq!(
        history.doses[0].at.wall.as_millisecond(),
        EPOCH_MS + 4_741 * 360_000
    );
}

fn arming(armed: bool, ms: i64) -> Arming {
    Arming {
        armed,
        fingerprint: "c0-b0".to_owned(),
        hardware: "a board".to_owned(),
        sentence: if armed { "I accept" } else { "" }.to_owned(),
        who: Who::Local { uid: 1000 },
        at: at(ms),
    }
}

#[test]
fn the_latest_arming_counts_and_a_new_ledger_has_none() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = open(&path, 0);
    assert_eq!(ledger.arming().unwrap(), None);
    ledger.store(&[Entry::Arming(arming(true, 10))]).unwrap();
    assert_eq!(ledger.arming().unwrap(), Some(arming(true, 10)));
    drop(ledger);
    let mut ledger = open(&path, 1_000);
    assert_eq!(ledger.arming().unwrap(), Some(arming(true, 10)));
    ledger
        .store(&[Entry::Arming(arming(false, 1_010))])
        .unwrap();
    assert_eq!(ledger.arming().unwrap(), Some(arming(false, 1_010)));
}

#[test]
fn only_what_the_owner_told_after_the_arming_counts_as_filled() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("ledger.db");
    let mut ledger = open(&path, 0);
    for line in ["alkalinity", "calcium"] {
        let before = Entry::Refill(refill(line, 1_000, None, 1));
        ledger.store(std::slice::from_ref(&before)).unwrap();
    }
    ledger.store(&[Entry::Arming(arming(true, 10))]).unwrap();
    assert!(ledger.refilled_since_arming().unwrap().is_empty());
    let assumed = dosewright::record::Refill {
        who: Who::Daemon,
        ..refill("magnesium", 1_000, None, 20)
    };
    ledger.store(&[Entry::Refill(assumed)]).unwrap();
    let told = [Entry::Refill(refill("calcium", 900, Some(1_000), 30))];
    ledger.store(&told).unwrap();
    assert!(
        ledger.refilled_since_arming().unwrap().is_empty(),
        "told in a dry run"
    );
    ledger.mark_session_live().unwrap();
    ledger.store(&told).unwrap();
    let filled: Vec<_> = ledger
        .refilled_since_arming()
        .unwrap()
        .into_iter()
        .collect();
    assert_eq!(filled, vec![name("bottle-calcium")]);
}

/// What was added since counts from the reading before the one that was taken back, and from that again once it is corrected.
fn a_reading_taken_back_counts_no_longer(path: &Path, last: Observation) {
    let earlier = Observation {
        number: 4,
        happened: at(90 * 60_000).wall,
        ..last.clone()
    };
    let back = |replaced_by| {
        Entry::TakenBack(TakenBack {
            number: last.number,
            replaced_by,
            why: "wrong tank".to_owned(),
            who: OWNER,
            at: at(5 * HOUR),
        })
    };
    let added = |ledger: &Ledger| {
        let history = ledger.history(at(5 * HOUR)).unwrap();
        history
            .added_since_reading
            .get(&Quantity::Alkalinity)
            .copied()
            .unwrap_or(f64::NAN)
    };
    let mut ledger = open(path, 5 * HOUR);
    ledger
        .store(&[Entry::Observation(earlier.clone())])
        .unwrap();
    assert!((added(&ledger) - 0.03).abs() < 1e-12, "an older sample");
    ledger.store(&[back(None)]).unwrap();
    // Two doses of 0.03 dKH after it.
    assert!((added(&ledger) - 0.06).abs() < 1e-12);
    let told = ledger.history(at(5 * HOUR)).unwrap().told;
    assert!(told.iter().all(|told| told.number != last.number));
    assert!(told.contains(&earlier));
    let again = Observation { number: 5, ..last };
    ledger.store(&[Entry::Observation(again)]).unwrap();
    assert!((added(&ledger) - 0.03).abs() < 1e-12);
}
