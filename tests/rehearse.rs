//! `dosewright rehearse` as an owner types it.
#![expect(clippy::unwrap_used, reason = "a failing helper fails its test")]

use std::path::Path;
use std::process::{Command, Output};

use dosewright::chemistry::Quantity;
use dosewright::ledger::{Ledger, OpenAs, SessionStart, Timeline};
use dosewright::quantity::{Millis, Name, Volume};
use dosewright::record::{
    Course, CourseState, Departure, Ends, Entry, Found, Observation, Observed, Reading, Refill,
    Stamp, Who,
};
use serde_json::Value;

fn rehearse(words: &[&str]) -> Output {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let mut command = Command::new(env!("CARGO_BIN_EXE_dosewright"));
    command.args(["rehearse", "--config"]).arg(config);
    command.args(words).output().unwrap()
}

fn json(words: &[&str]) -> Value {
    let out = rehearse(&[words, &["--json"]].concat());
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(0), "{said}");
    serde_json::from_slice(&out.stdout).unwrap()
}

#[test]
fn two_plans_are_rehearsed_beside_each_other_and_the_same_one_twice_is_the_same() {
    let config = concat!(env!("CARGO_MANIFEST_DIR"), "/config");
    let words = ["--days", "2", "--begins", "2026-12-01", "--against", config];
    let both = json(&words);
    assert_eq!(
        (&both["days"], &both["violations"]),
        (&2.0.into(), &0.into())
    );
    assert!(both["doses"].as_u64() > Some(100));
    assert_eq!(both["digest"], both["against"]["digest"]);
    let text = rehearse(&words);
    let text = String::from_utf8(text.stdout).unwrap();
    assert!(
        text.contains("* 2 days from 2026-12-01, scenario as-planned, seed 1"),
        "{text}"
    );
    assert!(text.contains("+ 2 days from"), "{text}");
    // One screen, and no character that a terminal might not have.
    assert!(text.is_ascii() && text.lines().count() < 50, "{text}");
}

/// A state folder with these entries.
fn state(entries: impl FnOnce(Stamp) -> Vec<Entry>) -> tempfile::TempDir {
    let state = tempfile::tempdir().unwrap();
    let at = Stamp {
        wall: "2026-12-01T09:00:00Z".parse().unwrap(),
        elapsed: Millis::from_mins(60),
        trusted: true,
    };
    let open_as = OpenAs {
        timeline: Timeline::Virtual,
        installation: None,
        session: SessionStart {
            boot: "boot-1".to_owned(),
            at,
            version: "0".to_owned(),
            controller_fingerprint: "c".to_owned(),
            plan_fingerprint: "p".to_owned(),
            live: false,
        },
    };
    let mut ledger = Ledger::open(&state.path().join("ledger.db"), &open_as).unwrap();
    ledger.store(&entries(at)).unwrap();
    state
}

#[test]
fn with_a_state_folder_it_goes_on_from_a_copy_of_that_ledger() {
    let state = state(|at| {
        vec![Entry::Refill(Refill {
            reservoir: Name::new("calcium").unwrap(),
            level: Volume::from_ul(250_000),
            before: None,
            solution: Name::new("calcium-chloride").unwrap(),
            tube: None,
            who: Who::Local { uid: 1000 },
            note: String::new(),
            at,
        })]
    });
    let files =
        || ["ledger.db", "ledger.mark"].map(|f| std::fs::read(state.path().join(f)).unwrap());
    let before = files();
    let found = json(&["--days", "2", "--state", state.path().to_str().unwrap()]);
    assert_eq!(files(), before);
    assert_eq!(found["begins"], "2026-12-01");
    // 250 mL less a reserve of 100 mL, at some 75 mL a day.
    let lasts = found["reservoirs"]["calcium"]["lasts_days"]
        .as_f64()
        .unwrap();
    assert!((1.8..2.2).contains(&lasts), "{lasts}");
    let full = found["reservoirs"]["alkalinity"]["lasts_days"]
        .as_f64()
        .unwrap();
    assert!(full > 13.0, "{full}");
}

/// The later of the two readings does not fit and waits for another one, so the estimate stays by the first.
#[test]
fn it_begins_where_the_estimate_has_the_water() {
    let state = state(|at| {
        let read = [
            (1, "2026-12-01T06:00:00Z", 7.4),
            (2, "2026-12-01T08:00:00Z", 9.9),
        ];
        let told = read.map(|(number, happened, value)| {
            let uncertainty = 0.05;
            Entry::Observation(Observation {
                number,
                what: Observed::Reading(Reading {
                    of: Quantity::Alkalinity.into(),
                    found: Found::Value { value, uncertainty },
                    as_read: String::new(),
                    step: None,
                }),
                panel: None,
                method: String::new(),
                happened: happened.parse().unwrap(),
                who: Who::Local { uid: 1000 },
                at,
            })
        });
        told.into()
    });
    let found = json(&["--days", "1", "--state", state.path().to_str().unwrap()]);
    let day = found["water"]["alkalinity"]["by_day"][0].as_f64().unwrap();
    assert!((7.0..7.8).contains(&day), "{day}");
}

#[test]
fn what_was_begun_live_goes_on_in_the_rehearsal() {
    let course = |at| {
        Entry::Course(Course {
            number: 1,
            what: Departure::Add {
                line: Name::new("iodine").unwrap(),
                of: Quantity::from_word("iodine").unwrap(),
                per_day: 0.0001,
                ends: Ends::Review,
                standing: Volume::from_ul(2_000),
                extra: Volume::from_ul(600),
            },
            days: 14,
            step: 0,
            since: "2026-12-01".parse().unwrap(),
            state: CourseState::Running,
            live: true,
            note: String::new(),
            who: Who::Local { uid: 1000 },
            at,
        })
    };
    for (courses, planned) in [(0, 4_000), (1, 5_200)] {
        let state = state(|at| std::iter::repeat_n(course(at), courses).collect());
        let found = json(&["--days", "2", "--state", state.path().to_str().unwrap()]);
        // Four doses; 0.1 ug/L a day of 1 mL to 300 L, which is 0.6 mL.
        assert_eq!(found["lines"]["iodine"]["planned_ul"], planned);
    }
}

#[test]
fn what_cannot_be_rehearsed_is_refused_with_what_to_give() {
    let none = rehearse(&["--scenario", "as-plannd"]);
    let said = String::from_utf8(none.stderr).unwrap();
    assert_eq!(none.status.code(), Some(2));
    assert!(said.contains("as-planned, off, growing"), "{said}");
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("mine.toml");
    std::fs::write(&file, "[heads]\nscatter-percent = 40\n").unwrap();
    let wrong = rehearse(&["--scenario", file.to_str().unwrap()]);
    let said = String::from_utf8(wrong.stderr).unwrap();
    assert_eq!(wrong.status.code(), Some(78));
    assert!(
        said.contains("mine.toml:2:19") && said.contains("0 to 20 %"),
        "{said}"
    );
    let state = rehearse(&["--state", "/nonexistent"]);
    assert_eq!(state.status.code(), Some(74));
}
