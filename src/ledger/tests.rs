//! What needs the connection itself: settings in force, a disk that is full to the page, a lock that does not go away.

use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use jiff::Timestamp;

use super::mark::MarkFile;
use super::thread::{Keeper, Report};
use super::*;
use crate::chemistry::Quantity;
use crate::config::TubeContent;
use crate::quantity::{Millis, Name, Volume, name};
use crate::record::{
    Bench, BenchStep, Carried, Code, Course, CourseState, Departure, Destination, DoseEnd, DoseId,
    DoseKind, Ends, Entry, Forgotten, Intent, Note, Outcome, Refill, Stamp, Who,
};
use crate::shell::{FoundMark, Mark, Recorded, Write};

fn at(ms: i64) -> Stamp {
    Stamp {
        wall: Timestamp::from_millisecond(1_767_225_600_000 + ms).unwrap(),
        elapsed: Millis::new(ms),
        trusted: true,
    }
}

fn open(dir: &tempfile::TempDir) -> Ledger {
    let session = SessionStart {
        boot: "boot-1".to_owned(),
        at: at(0),
        version: "0.1.0".to_owned(),
        controller_fingerprint: String::new(),
        plan_fingerprint: String::new(),
        live: false,
    };
    let open_as = OpenAs {
        timeline: Timeline::Real,
        installation: None,
        session,
    };
    Ledger::open(&dir.path().join("ledger.db"), &open_as).unwrap()
}

fn intent(id: i64) -> Intent {
    let name = Name::new("trace").unwrap();
    Intent {
        id: DoseId(id),
        line: name.clone(),
        head: name.clone(),
        reservoir: name.clone(),
        solution: name,
        kind: DoseKind::Hand,
        slot: None,
        volume: Volume::from_ul(2_000),
        run_time: Millis::new(4_000),
        carries: Carried::new(),
        into: Destination::Tank,
        who: Who::Plan,
        live: false,
        at: at(id * 10_000),
    }
}

fn outcome(id: i64) -> Outcome {
    Outcome {
        id: DoseId(id),
        end: DoseEnd::Delivered,
        delivered: Volume::from_ul(2_000),
        on_time: Some(Millis::new(4_000)),
        reservoir_left: Volume::from_ul(100_000 - id * 2_000),
        cause: String::new(),
        at: at(id * 10_000 + 4_000),
    }
}

/// Larger than a page, so that it needs new ones.
fn large_note() -> Entry {
    let text = "x".repeat(20_000);
    Entry::Note(Note {
        code: Code::new("test"),
        line: None,
        text,
        who: Who::Daemon,
        at: at(1),
    })
}

fn report() -> (Report, Receiver<LedgerReport>) {
    let (tell, reports) = channel();
    (
        Box::new(move |report| tell.send(report).unwrap_or(())),
        reports,
    )
}

fn limit_pages(ledger: &Ledger, pages: i64) {
    ledger
        .conn
        .pragma_update_and_check(None, "max_page_count", pages, |_| Ok(()))
        .unwrap();
}

/// FT-STORE-01: what is asked for must be in force at run time.
#[test]
fn the_settings_that_durability_rests_on_are_in_force() {
    let dir = tempfile::tempdir().unwrap();
    let ledger = open(&dir);
    let number = |name: &str| -> i64 {
        ledger
            .conn
            .pragma_query_value(None, name, |row| row.get(0))
            .unwrap()
    };
    let journal: String = ledger
        .conn
        .pragma_query_value(None, "journal_mode", |row| row.get(0))
        .unwrap();
    assert_eq!(journal, "wal");
    for (name, value) in [
        ("synchronous", 2),
        ("foreign_keys", 1),
        ("busy_timeout", 5_000),
        ("page_size", 4_096),
        ("mmap_size", 0),
        ("temp_store", 2),
        ("cache_size", -512),
        ("wal_autocheckpoint", 256),
        ("application_id", APPLICATION_ID),
        ("user_version", 1),
    ] {
        assert_eq!(number(name), value, "{name}");
    }
}

#[test]
fn a_database_full_to_the_page_takes_no_intent_but_the_outcome_of_what_runs() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    ledger.store_intent(&intent(1)).unwrap();
    let pages: i64 = ledger
        .conn
        .pragma_query_value(None, "page_count", |row| row.get(0))
        .unwrap();
    limit_pages(&ledger, pages);
    // Intents fill what room the last page has; then one is refused, and nothing of it stays.
    let (first_refused, error) = (2..100)
        .find_map(|id| {
            ledger
                .store_intent(&intent(id))
                .err()
                .map(|error| (id, error))
        })
        .unwrap();
    assert!(matches!(error, LedgerError::DiskFull { .. }), "{error}");
    assert!(first_refused > 3);
    // Each of those already stored finds room for its outcome.
    for id in 1..first_refused {
        ledger.store_outcome(&outcome(id)).unwrap();
    }
    let history = ledger.history(at(1_000_000)).unwrap();
    assert_eq!(
        (history.open.len(), history.dose_last),
        (0, first_refused - 1)
    );
}

#[test]
fn entries_that_a_full_database_does_not_take_wait_and_are_written_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let ledger = open(&dir);
    let (report, reports) = report();
    let mut keeper = Keeper::new(ledger, &report);
    limit_pages(&keeper.ledger, 1);
    assert!(
        keeper
            .answer(Write::Entries(vec![large_note()]))
            .is_continue()
    );
    assert!(matches!(
        reports.try_recv(),
        Ok(LedgerReport::EntryFailed { kept: true, .. })
    ));
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::Fault { .. })));
    assert!(keeper.answer(Write::Intent(intent(1))).is_continue());
    assert!(matches!(
        reports.try_recv(),
        Ok(LedgerReport::IntentFailed { .. })
    ));
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::Fault { .. })));
    assert!(keeper.answer(Write::Probe(at(5))).is_continue());
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::Fault { .. })));
    limit_pages(&keeper.ledger, 1_000_000);
    assert!(keeper.answer(Write::Probe(at(6))).is_continue());
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::EntryStored)));
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::Healthy)));
    assert!(keeper.answer(Write::Intent(intent(1))).is_continue());
    assert!(matches!(
        reports.try_recv(),
        Ok(LedgerReport::IntentStored(DoseId(1)))
    ));
}

#[test]
fn a_database_that_may_only_be_read_keeps_the_outcome_until_it_may_be_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    ledger.store_intent(&intent(1)).unwrap();
    let (report, reports) = report();
    let mut keeper = Keeper::new(ledger, &report);
    keeper
        .ledger
        .conn
        .pragma_update(None, "query_only", true)
        .unwrap();
    assert!(keeper.answer(Write::Outcome(outcome(1))).is_continue());
    let failed = reports.try_recv().unwrap();
    assert!(
        matches!(
            &failed,
            LedgerReport::OutcomeFailed {
                why: LedgerError::ReadOnly { .. },
                kept: true,
                ..
            }
        ),
        "{failed:?}"
    );
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::Fault { .. })));
    keeper
        .ledger
        .conn
        .pragma_update(None, "query_only", false)
        .unwrap();
    assert!(keeper.answer(Write::Probe(at(20_000))).is_continue());
    assert!(matches!(
        reports.try_recv(),
        Ok(LedgerReport::OutcomeStored(DoseId(1)))
    ));
    assert!(matches!(reports.try_recv(), Ok(LedgerReport::Healthy)));
}

#[test]
fn a_lock_that_does_not_go_away_is_said_to_be_one() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    ledger.conn.busy_timeout(Duration::from_millis(20)).unwrap();
    let other = rusqlite::Connection::open(ledger.path()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let error = ledger.store_intent(&intent(1)).unwrap_err();
    assert!(matches!(error, LedgerError::Locked { .. }), "{error}");
    other.execute_batch("ROLLBACK").unwrap();
    ledger.store_intent(&intent(1)).unwrap();
}

#[test]
fn an_intent_left_open_for_long_stops_new_ones() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    ledger.store_intent(&intent(1)).unwrap();
    ledger.store_intent(&intent(501)).unwrap();
    let error = ledger.store_intent(&intent(502)).unwrap_err();
    assert!(matches!(error, LedgerError::Conflict { .. }), "{error}");
    assert_eq!(ledger.history(at(10_000_000)).unwrap().open.len(), 2);
}

/// Books replayed from a snapshot are those replayed from nothing, at every distance from it.
#[test]
fn totals_survive_snapshots_at_any_point() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    for id in 1..=600 {
        ledger.store_intent(&intent(id)).unwrap();
        // Every outcome comes one dose late, so that one is always open.
        if id > 1 {
            ledger.store_outcome(&outcome(id - 1)).unwrap();
        }
        let loaded = books::Books::load(&ledger.conn).unwrap();
        assert!(loaded.agrees_with(&ledger.books), "after dose {id}");
    }
    assert_eq!(ledger.books.head_run.get("trace"), Some(&(599 * 4_000)));
    let saved: i64 = ledger
        .conn
        .query_row("SELECT snapshot_order FROM meta", [], |row| row.get(0))
        .unwrap();
    assert_eq!(saved, 512);
}

fn a_course(number: i64, state: CourseState, who: Who, ms: i64) -> Course {
    Course {
        number,
        what: Departure::Add {
            line: name("iodine"),
            of: Quantity::from_word("I").unwrap(),
            per_day: 0.002,
            ends: Ends::Aim,
            standing: Volume::from_ul(2_000),
            extra: Volume::from_ul(500),
        },
        days: 5,
        step: if state == CourseState::Running { 1 } else { 5 },
        since: jiff::civil::date(2026, 1, 4),
        state,
        live: true,
        note: String::new(),
        who,
        at: at(ms),
    }
}

#[test]
fn courses_that_dosewright_ended_come_back_as_they_ran_before() {
    use CourseState::{Ended, Paused, Running};
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    let keeper = Who::Local { uid: 1000 };
    let rows = [
        a_course(1, Running, keeper.clone(), 1),
        a_course(2, Running, keeper.clone(), 2),
        a_course(3, Running, keeper.clone(), 3),
        a_course(1, Ended, Who::Daemon, 4),
        a_course(2, Ended, keeper.clone(), 5),
        a_course(3, Ended, Who::Daemon, 6),
        a_course(3, Paused, keeper.clone(), 7),
    ];
    for course in rows.clone() {
        ledger.store(&[Entry::Course(course)]).unwrap();
    }
    let history = ledger.history(at(50_000)).unwrap();
    assert_eq!(history.courses_ended, [(rows[0].clone(), at(4))]);
}

#[test]
fn a_new_tube_is_known_for_as_long_as_nothing_newer_is_told_of_it() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    let bottle = name("soda");
    let refill = |ms, before| {
        Entry::Refill(Refill {
            reservoir: bottle.clone(),
            level: Volume::from_ul(1_000_000),
            before,
            solution: name("strong"),
            tube: Some(TubeContent {
                solution: name("weak"),
                left: Volume::from_ul(6_000),
            }),
            who: Who::Plan,
            note: String::new(),
            at: at(ms),
        })
    };
    let new_tube = Entry::Bench(Bench {
        number: 1,
        head: name("left"),
        line: name("alkalinity"),
        what: BenchStep::NewTube,
        cap: Volume::from_ul(100_000),
        bucket_days: None,
        first_dose: DoseId(1),
        last_dose: DoseId(0),
        opened: at(2).wall,
        runs: Vec::new(),
        note: String::new(),
        who: Who::Plan,
        at: at(2),
    });
    let new_tubes = |ledger: &mut Ledger| {
        let contents = ledger.history(at(50_000)).unwrap().contents;
        contents[0].new_tubes.clone()
    };
    ledger.store(&[refill(1, None)]).unwrap();
    assert!(new_tubes(&mut ledger).is_empty());
    ledger.store(&[new_tube]).unwrap();
    assert_eq!(new_tubes(&mut ledger), [name("alkalinity")].into());
    let level = Some(Volume::from_ul(1_000_000));
    ledger.store(&[refill(3, level)]).unwrap();
    assert!(new_tubes(&mut ledger).is_empty());
}

#[test]
fn courses_of_both_kinds_come_back_as_they_were_written() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    let add = Departure::Add {
        line: name("iodine"),
        of: Quantity::from_word("I").unwrap(),
        per_day: -0.002,
        ends: Ends::Aim,
        standing: Volume::from_ul(2_000),
        extra: Volume::from_ul(-500),
    };
    let shift = Departure::Shift {
        from: name("soda"),
        to: name("bicarbonate"),
        of: Quantity::from_word("Ca").unwrap(),
    };
    let states = CourseState::ALL.into_iter().zip(0..);
    let mut courses: Vec<Course> = states
        .map(|(state, step)| Course {
            number: 3,
            what: shift.clone(),
            days: 5,
            step,
            since: jiff::civil::date(2026, 1, 4),
            state,
            live: step > 2,
            note: "new salt".to_owned(),
            who: Who::Plan,
            at: at(7),
        })
        .collect();
    let newest = courses.last().unwrap().clone();
    courses.push(Course {
        number: 10,
        what: add,
        ..newest.clone()
    });
    for course in &courses {
        ledger.store(&[Entry::Course(course.clone())]).unwrap();
    }
    let history = ledger.history(at(50_000)).unwrap();
    assert_eq!(history.courses, [newest, courses.last().unwrap().clone()]);
    drop(ledger);
    let reader = Ledger::open_to_read(&dir.path().join("ledger.db")).unwrap();
    assert_eq!(reader.courses().unwrap(), courses);
}

fn golden(file: &std::path::Path) -> serde_json::Value {
    serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap()
}

/// Every golden body with its kind.
fn forms() -> Vec<(&'static str, &'static str)> {
    let all = Entry::KINDS.iter();
    all.flat_map(|(kind, forms)| forms.iter().map(move |form| (*kind, *form)))
        .collect()
}

/// The promise of the record: what was ever written is read, and nothing is written that differs from the golden body of its kind. A body
/// that has grown by a field keeps its earlier shape beside it, as `entry-KIND-1.json`; a kind with more than one form has a file for each.
#[test]
fn every_golden_body_is_read_and_the_newest_of_each_kind_is_written_as_it_is() {
    for (kind, text) in forms() {
        let (written_as, body) = kinds::parts(&kinds::read(kind, text).unwrap()).unwrap();
        let shape = |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap();
        assert_eq!((written_as.as_str(), shape(&body)), (kind, shape(text)));
        let unknown = text.replacen('{', "{ \"colour\": 1,", 1);
        assert!(
            kinds::read(kind, &unknown).is_err(),
            "{kind} takes a key that it does not know"
        );
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    let mut read = 0;
    for file in std::fs::read_dir(folder).unwrap() {
        let file = file.unwrap().path();
        let name = file.file_stem().unwrap().to_str().unwrap().to_owned();
        let Some(kind) = name.strip_prefix("entry-") else {
            continue;
        };
        let known = Entry::KINDS.iter().map(|(known, _)| *known);
        let kind = known
            .filter(|known| kind.starts_with(known))
            .max_by_key(|known| known.len());
        let kind = kind.unwrap();
        kinds::read(kind, &golden(&file).to_string()).unwrap();
        read += 1;
    }
    assert!(read >= forms().len());
}

/// One of each kind, seen through its view and through the export.
#[test]
fn a_view_has_the_columns_and_values_of_the_export() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    for (kind, text) in forms() {
        ledger.store(&[kinds::read(kind, text).unwrap()]).unwrap();
    }
    let path = ledger.path().to_path_buf();
    drop(ledger);
    let reader = Ledger::open_to_read(&path).unwrap();
    for (kind, _) in Entry::KINDS {
        let table = Table::from_name(&kind.replace('-', "_")).unwrap();
        let rows = reader.list(table, &Filter::default()).unwrap();
        let mut view = reader
            .conn
            .prepare(&format!("SELECT * FROM {}", table.name()))
            .unwrap();
        assert!(view.column_names().eq(table.columns()), "{kind}");
        let mut found = view.query([]).unwrap();
        for exported_row in &rows {
            let row = found.next().unwrap().unwrap();
            for (column, exported) in &exported_row.cells {
                let shown = match row.get_unwrap::<_, rusqlite::types::Value>(column.as_str()) {
                    rusqlite::types::Value::Null => serde_json::Value::Null,
                    rusqlite::types::Value::Integer(flag) if exported.is_boolean() => {
                        (flag != 0).into()
                    }
                    rusqlite::types::Value::Integer(whole) => whole.into(),
                    rusqlite::types::Value::Real(number) => number.into(),
                    rusqlite::types::Value::Text(text) if exported.is_string() => text.into(),
                    rusqlite::types::Value::Text(parts) => serde_json::from_str(&parts).unwrap(),
                    rusqlite::types::Value::Blob(_) => unreachable!("no column is a blob"),
                };
                assert_eq!(&shown, exported, "{kind}.{column}");
            }
        }
    }
}

/// What lies on the disk beside the ledger.
fn marked(dir: &tempfile::TempDir) -> Recorded {
    let (_, found) = MarkFile::find(&dir.path().join("ledger.db")).unwrap();
    let FoundMark::Says {
        mark: Mark::Recorded(recorded),
        ..
    } = found
    else {
        panic!("{found:?}");
    };
    recorded
}

#[test]
fn the_mark_follows_each_commit_and_is_never_ahead_of_one_that_failed() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    let numbers = |dir| {
        let Recorded {
            dose, order, entry, ..
        } = marked(dir);
        (dose, order, entry)
    };
    assert_eq!(numbers(&dir), (0, 0, 0));
    ledger.store_intent(&intent(1)).unwrap();
    assert_eq!(numbers(&dir), (1, 0, 0));
    ledger.store_outcome(&outcome(1)).unwrap();
    assert_eq!(numbers(&dir), (1, 1, 0));
    ledger.store(&[large_note(), large_note()]).unwrap();
    assert_eq!(numbers(&dir), (1, 1, 2));
    limit_pages(&ledger, 1);
    assert!(ledger.store(&[large_note()]).is_err());
    assert!(ledger.store(&[large_note()]).is_err());
    assert_eq!(numbers(&dir), (1, 1, 2));
    drop(ledger);
    assert_eq!(open(&dir).doubt(), None);
}

#[test]
fn no_intent_is_stored_while_the_mark_cannot_be_written_or_the_ledger_is_in_doubt() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    let mark = dir.path().join("ledger.mark");
    std::fs::remove_file(&mark).unwrap();
    std::fs::create_dir(&mark).unwrap();
    ledger.mark.forget_file();
    let error = ledger.store_intent(&intent(1)).unwrap_err();
    assert!(error.to_string().contains("ledger.mark"), "{error}");
    assert!(ledger.probe(at(20_000)).is_err());
    std::fs::remove_dir(&mark).unwrap();
    ledger.probe(at(30_000)).unwrap();
    ledger.store_intent(&intent(2)).unwrap();
    assert_eq!(marked(&dir).dose, 2);
    drop(ledger);
    put_in_doubt(&dir.path().join("ledger.db"), "restored").unwrap();
    let mut ledger = open(&dir);
    assert_eq!(ledger.doubt(), Some("restored"));
    let error = ledger.store_intent(&intent(3)).unwrap_err();
    assert!(error.to_string().contains("restored"), "{error}");
    drop(ledger);
    let mut ledger = open(&dir);
    ledger.own_up(&[large_note()]).unwrap();
    ledger.store_intent(&intent(3)).unwrap();
    drop(ledger);
    assert_eq!(open(&dir).doubt(), None);
}

#[test]
fn what_was_told_before_the_books_were_found_forgetful_comes_back_by_its_number() {
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    let golden = include_str!("../../tests/golden/entry-observation-addition.json");
    let Entry::Observation(mut told) = kinds::read("observation", golden).unwrap() else {
        panic!("no observation");
    };
    told.number = 7;
    ledger.store(&[Entry::Observation(told.clone())]).unwrap();
    let why = "it was restored".to_owned();
    let forgotten = Forgotten { why, at: at(10) };
    ledger
        .own_up(&[Entry::Forgotten(forgotten.clone())])
        .unwrap();
    told.number = 8;
    ledger.store(&[Entry::Observation(told)]).unwrap();
    let found = ledger.history(at(1_000)).unwrap().forgotten.unwrap();
    assert_eq!((found.record, found.told_last), (forgotten, 7));
    assert_eq!(found.session, Some(0));
}

/// What the estimate goes by is read no further back than it looks: a row of before that, which cannot be read at all, does no harm.
#[test]
fn only_doses_that_went_into_the_water_within_the_span_come_back_for_the_estimate() {
    const DAY: i64 = 86_400_000;
    let dir = tempfile::tempdir().unwrap();
    let mut ledger = open(&dir);
    for id in 1..=400 {
        let carries = Carried::from([(Quantity::Alkalinity, 0.1)]);
        let (into, live) = match id {
            398 => (Destination::Bench, true),
            397 => (Destination::Tank, false),
            _ => (Destination::Tank, true),
        };
        let intent = Intent {
            carries,
            into,
            live,
            at: at(id * DAY),
            ..intent(id)
        };
        ledger.store_intent(&intent).unwrap();
        let end = if id == 399 {
            DoseEnd::Uncertain
        } else {
            DoseEnd::Delivered
        };
        ledger
            .store_outcome(&Outcome {
                end,
                at: at(id * DAY + 4_000),
                ..outcome(id)
            })
            .unwrap();
    }
    let now = at(401 * DAY);
    assert_eq!(
        ledger.history(now).unwrap().brought,
        [],
        "nothing without a reading"
    );
    let golden = include_str!("../../tests/golden/entry-observation-reading.json");
    let Entry::Observation(mut told) = kinds::read("observation", golden).unwrap() else {
        panic!("no observation");
    };
    told.happened = at(390 * DAY).wall;
    ledger.store(&[Entry::Observation(told)]).unwrap();
    let since = ledger.history(now).unwrap().brought;
    // The reading is the first there is: what was given before it cannot matter.
    let numbers: Vec<i64> = since.iter().map(|dose| dose.id.0).collect();
    assert_eq!(numbers, [390, 391, 392, 393, 394, 395, 396, 399, 400]);
    let parts: Vec<(f64, f64)> = since
        .iter()
        .map(|dose| (dose.part, dose.part_sd))
        .rev()
        .take(2)
        .collect();
    assert_eq!(parts, [(1.0, 0.0), (0.5, 1.0 / 12.0_f64.sqrt())]);
    ledger
        .conn
        .execute("UPDATE dose SET carries = '[]' WHERE id < 389", [])
        .unwrap();
    assert_eq!(ledger.history(now).unwrap().brought, since);
}

#[test]
fn the_beginning_of_a_mode_comes_back_while_it_is_young_and_another_was_before_it() {
    const HOUR: i64 = 3_600_000;
    let dir = tempfile::tempdir().unwrap();
    let start = |hour: i64, live: bool| {
        let session = SessionStart {
            boot: "boot-1".to_owned(),
            at: at(hour * HOUR),
            version: "0.1.0".to_owned(),
            controller_fingerprint: String::new(),
            plan_fingerprint: String::new(),
            live,
        };
        let open_as = OpenAs {
            timeline: Timeline::Real,
            installation: None,
            session,
        };
        let ledger = Ledger::open(&dir.path().join("ledger.db"), &open_as).unwrap();
        let history = ledger.history(at(hour * HOUR)).unwrap();
        let began = history.mode_began.map(|(session, began)| {
            assert_eq!(history.sessions[session].boot, "boot-1");
            began.elapsed.as_ms() / HOUR
        });
        (began, history.sessions.len())
    };
    assert_eq!(start(1, true), (None, 1), "there was no other");
    assert_eq!(start(2, false), (Some(2), 1));
    assert_eq!(start(3, false), (Some(2), 2));
    assert_eq!(start(40, false), (None, 1), "long ago");
    assert_eq!(start(41, true), (Some(41), 1));
}
