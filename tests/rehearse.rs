//! `dosewright rehearse` as an owner types it.
#![expect(clippy::unwrap_used, reason = "a failing helper fails its test")]

use std::fs::File;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use dosewright::chemistry::Quantity;
use dosewright::ledger::{Ledger, OpenAs, SessionStart, Timeline};
use dosewright::quantity::{Millis, Name, Volume};
use dosewright::record::{
    Course, CourseState, Departure, Ends, Entry, Found, Observation, Observed, Reading, Refill,
    Stamp, Who,
};
use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use serde_json::Value;

fn command(words: &[&str]) -> Command {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let mut command = Command::new(env!("CARGO_BIN_EXE_dosewright"));
    command.args(["rehearse", "--config"]).arg(config);
    command.args(words);
    command
}

fn rehearse(words: &[&str]) -> Output {
    command(words).output().unwrap()
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

#[test]
fn the_page_says_what_of_it_is_rehearsed_and_the_state_folder_stays_as_it_is() {
    let state = state(|at| {
        vec![Entry::Observation(Observation {
            number: 1,
            what: Observed::Note {
                text: "my own note".to_owned(),
            },
            panel: None,
            method: String::new(),
            happened: at.wall,
            who: Who::Local { uid: 1000 },
            at,
        })]
    });
    // What a reader leaves beside the database is the database's own.
    let of_reader = |path: &Path| {
        let name = path.to_string_lossy();
        name.ends_with("-shm") || name.ends_with("-wal")
    };
    let listed = || {
        let files = std::fs::read_dir(state.path()).unwrap();
        let paths = files.map(|file| file.unwrap().path());
        let owned = paths.filter(|path| !of_reader(path));
        let mut each: Vec<_> = owned
            .map(|p| (p.clone(), std::fs::read(p).unwrap()))
            .collect();
        each.sort();
        each
    };
    let before = listed();
    let folder = tempfile::tempdir().unwrap();
    let scenario = folder.path().join("mine.toml");
    let fault = "[[fault]]\nwhat = \"power-cut\"\nday = 1\nhours = 2\n";
    std::fs::write(&scenario, fault).unwrap();
    let page = folder.path().join("page.html");
    let [scenario, page_name] = [&scenario, &page].map(|path| path.to_str().unwrap());
    let goes_on = ["--days", "2", "--scenario", scenario, "--out", page_name];
    let found = json(&[&goes_on[..], &["--state", state.path().to_str().unwrap()]].concat());
    assert!(listed() == before, "the state folder is another one");
    let text = std::fs::read_to_string(&page).unwrap();
    for said in [
        "<title>Rehearsal of demo-reef, not a record</title>",
        "A rehearsal, not your tank.",
        "from 1 Dec 10:00 on every dose, test, refill and level here is a model tank's",
        "What lies before that is your record",
        "rehearsed from here",
        "the power failed for 2 h 00 min",
        "my own note",
    ] {
        assert!(text.contains(said), "{said} is not in {text}");
    }
    assert!(
        !text.contains("are invented") && !text.contains("dry run"),
        "{text}"
    );
    let doses = format!("{} doses gave", found["doses"]);
    assert!(text.contains(&doses), "{doses} is not in {text}");
    // Without a state folder none of it is the owner's.
    let out = rehearse(&["--days", "3", "--begins", "2026-12-01", "--out", page_name]);
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(
        said.contains(&format!("{page_name} shows it in full")),
        "{said}"
    );
    let text = std::fs::read_to_string(&page).unwrap();
    assert!(text.contains("Nothing here is from your record."), "{text}");
    // What is believed of the level counts what was given: with one test of 8.0 or more, and 0.8 dKH a day.
    assert!(
        text.contains("alkalinity is at 8.") || text.contains("alkalinity is at 7.9"),
        "{text}"
    );
    assert!(!text.contains("rehearsed from here"), "{text}");
}

/// Its standard error is a terminal.
#[test]
fn a_long_one_shows_how_far_it_is_and_ctrl_c_gives_what_is_known_so_far() {
    let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&ours).unwrap();
    unlockpt(&ours).unwrap();
    let name = ptsname(&ours, Vec::new()).unwrap();
    let theirs = File::options().write(true).open(name.to_str().unwrap());
    let config = concat!(env!("CARGO_MANIFEST_DIR"), "/config");
    let child = command(&["--days", "3650", "--against", config])
        .stdout(Stdio::piped())
        .stderr(theirs.unwrap())
        .spawn()
        .unwrap();
    let (mut ours, mut seen, mut read) = (File::from(ours), Vec::new(), [0; 64]);
    while !String::from_utf8_lossy(&seen).contains(" of 3650") {
        let count = ours.read(&mut read).unwrap();
        seen.extend_from_slice(&read[..count]);
    }
    kill_process(Pid::from_child(&child), Signal::INT).unwrap();
    let out = child.wait_with_output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(0), "{text}");
    assert!(text.contains("ENDED EARLY: it was interrupted"), "{text}");
    assert!(text.contains("alkalinity, dKH"), "{text}");
    // The other plan was not begun.
    assert!(!text.contains("\n+ "), "{text}");
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
