//! The owner's commands, end to end: the real binary over the demo reef, with a record made through the library.
#![cfg(test)]

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use dosewright::chemistry::{Element, Measurand, Quantity};
use dosewright::ledger::{Ledger, OpenAs, SessionStart, Timeline};
use dosewright::plan::SlotKey;
use dosewright::quantity::{Millis, Name, Volume};
use dosewright::record::{
    Carried, Course, CourseState, Departure, Destination, DoseEnd, DoseId, DoseKind, Ends, Entry,
    Found, Intent, Observation, Observed, Outcome, Reading, Refill, Stamp, TakenBack, Uptake,
    UptakeHow, Who,
};
use jiff::Timestamp;
use serde_json::Value;

mod accept;
mod begin;
mod bench;
mod changeover;
mod commissioning;
mod exchanged;
mod lab;
mod new;
mod refill;
mod report;
mod told;

const DAY: i64 = 86_400_000;
/// 2026-10-01T00:00:00Z.
const EPOCH: i64 = 1_790_812_800_000;

fn at(ms: i64) -> Stamp {
    Stamp {
        wall: Timestamp::from_millisecond(EPOCH + ms).unwrap(),
        elapsed: Millis::new(ms),
        trusted: true,
    }
}

fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

fn owner() -> Who {
    Who::Local { uid: 1000 }
}

/// A new ledger in virtual time, so that its newest entry is its present.
fn ledger(state: &Path) -> Ledger {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let demo = dosewright::config::load(&demo, &dosewright::plan::check_plan).unwrap();
    let session = SessionStart {
        boot: "virtual".to_owned(),
        at: at(0),
        version: "0.1.0".to_owned(),
        // Those of the demo's files: a start on them is no change of anything.
        controller_fingerprint: demo.controller_fingerprint,
        plan_fingerprint: demo.plan_fingerprint,
        live: false,
    };
    let open = OpenAs {
        timeline: Timeline::Virtual,
        installation: None,
        session,
    };
    let mut ledger = Ledger::open(&state.join("ledger.db"), &open).unwrap();
    for bottle in ["alkalinity", "calcium", "iodine"] {
        let refill = Refill {
            reservoir: name(bottle),
            level: Volume::from_ul(2_000_000),
            before: None,
            solution: held_in(bottle),
            tube: None,
            who: owner(),
            note: String::new(),
            at: at(0),
        };
        ledger.store(&[Entry::Refill(refill)]).unwrap();
    }
    ledger
}

/// What a bottle of the sample holds.
fn held_in(bottle: &str) -> Name {
    name(match bottle {
        "alkalinity" => "soda-ash",
        "calcium" => "calcium-chloride",
        other => other,
    })
}

/// A number that no other has.
fn number() -> i64 {
    use std::sync::atomic::{AtomicI64, Ordering};
    static LAST: AtomicI64 = AtomicI64::new(0);
    LAST.fetch_add(1, Ordering::Relaxed) + 1
}

fn told(ms: i64, what: Observed) -> Entry {
    Entry::Observation(Observation {
        number: number(),
        what,
        panel: None,
        method: "titration".to_owned(),
        happened: at(ms).wall,
        who: owner(),
        at: at(ms),
    })
}

fn read(ms: i64, of: &str, (value, uncertainty): (f64, f64)) -> Entry {
    let found = Found::Value { value, uncertainty };
    told(ms, reading(of, found))
}

fn reading(of: &str, found: Found) -> Observed {
    Observed::Reading(Reading {
        of: Measurand::new(of, None).unwrap(),
        found,
        step: None,
        as_read: String::new(),
    })
}

/// A lab's report of values in mg/L with 5 % uncertainty; one below zero is a detection limit.
fn report(ms: i64, rows: &[(&str, f64)]) -> Vec<Entry> {
    let panel = number();
    let row = |(of, mg): &(&str, f64)| {
        let found = if *mg < 0.0 {
            Found::Below(-mg)
        } else {
            Found::Value {
                value: *mg,
                uncertainty: mg * 0.05,
            }
        };
        let Entry::Observation(told) = told(ms, reading(of, found)) else {
            unreachable!()
        };
        Entry::Observation(Observation {
            panel: Some(panel),
            method: "north".to_owned(),
            ..told
        })
    };
    rows.iter().map(row).collect()
}

fn number_of(entry: &Entry) -> i64 {
    let Entry::Observation(told) = entry else {
        panic!("{entry:?} was not told")
    };
    told.number
}

fn alkalinity(ms: i64, dkh: f64) -> Entry {
    read(ms, "alkalinity", (dkh, 0.1))
}

/// What a volume of a line's bottle carried in the sample's tank; of alkalinity, so much as is said.
fn carries(line: &str, ul: i64, dkh: f64) -> Carried {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let controller = dosewright::config::load(&sample, &dosewright::plan::check_plan)
        .unwrap()
        .controller;
    let effect = controller.effect_of(&name(line)).unwrap();
    let mut carries = effect.carried(Volume::from_ul(ul), controller.tank);
    carries.remove(&Quantity::Alkalinity);
    carries.extend((dkh > 0.0).then_some((Quantity::Alkalinity, dkh)));
    carries
}

fn dose(ledger: &mut Ledger, id: i64, line: &str, (ms, ul): (i64, i64), (left, dkh): (i64, f64)) {
    let date = jiff::tz::Offset::UTC.to_datetime(at(ms).wall).date();
    let intent = Intent {
        id: DoseId(id),
        line: name(line),
        head: name(line),
        reservoir: name(line),
        solution: name(match line {
            "alkalinity" => "soda-ash",
            "calcium" => "calcium-chloride",
            other => other,
        }),
        kind: DoseKind::Plan,
        slot: Some(SlotKey {
            line: name(line),
            date,
            number: 40_000,
        }),
        volume: Volume::from_ul(ul),
        run_time: Millis::new(5_000),
        carries: carries(line, ul, dkh),
        into: Destination::Tank,
        who: Who::Plan,
        live: true,
        at: at(ms),
    };
    ledger.store_intent(&intent).unwrap();
    let outcome = Outcome {
        id: DoseId(id),
        end: DoseEnd::Delivered,
        delivered: Volume::from_ul(ul),
        on_time: Some(Millis::new(5_000)),
        reservoir_left: Volume::from_ul(left),
        cause: String::new(),
        at: at(ms + 5_000),
    };
    ledger.store_outcome(&outcome).unwrap();
}

/// Three weeks in which 0.8 dKH a day were dosed and the readings fell by `fall` dKH a day all the same.
fn three_weeks(state: &Path, fall: f64) -> Ledger {
    let mut ledger = ledger(state);
    let entry = Uptake {
        of: Quantity::Alkalinity,
        uptake: 0.8,
        before: None,
        how: UptakeHow::Start,
        who: owner(),
        at: at(0),
    };
    ledger.store(&[Entry::Uptake(entry)]).unwrap();
    for day in 0..21_i32 {
        let ms = i64::from(day) * DAY;
        if day % 2 == 0 {
            // A scatter that is the same in every run.
            let scatter = [0.03, -0.05, 0.02, 0.0][usize::try_from(day / 2 % 4).unwrap()];
            ledger
                .store(&[alkalinity(ms, 8.4 - fall * f64::from(day) + scatter)])
                .unwrap();
        }
        let given = i64::from(day) + 1;
        let left = 2_000_000 - 75_600 * given;
        dose(
            &mut ledger,
            given,
            "alkalinity",
            (ms + DAY / 2, 75_600),
            (left, 0.8),
        );
    }
    ledger
}

fn run(state: &Path, words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_dosewright"))
        .args(["--config", concat!(env!("CARGO_MANIFEST_DIR"), "/config")])
        .arg("--state")
        .arg(state)
        .args(words)
        .output()
        .unwrap()
}

/// Runs a command with answers on its standard input.
fn answered(command: &mut Command, answers: &str) -> Output {
    let piped = command.stdin(Stdio::piped());
    let mut child = piped
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    // A program that refuses at once, and a dialog that ends early, do not read the rest.
    drop(stdin.write_all(answers.as_bytes()));
    drop(stdin);
    child.wait_with_output().unwrap()
}

fn text(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn json(state: &Path, words: &[&str]) -> Value {
    let output = run(state, words);
    assert!(output.status.success(), "{words:?}: {output:?}");
    serde_json::from_slice(&output.stdout).unwrap()
}

fn near(value: &Value, wanted: f64, tolerance: f64) {
    let value = value.as_f64().unwrap();
    assert!(
        (value - wanted).abs() <= tolerance,
        "{value} is not {wanted}"
    );
}

#[test]
fn a_solution_says_what_one_millilitre_does_to_this_tank() {
    let state = tempfile::tempdir().unwrap();
    let shown = json(state.path(), &["solution", "--json"]);
    let soda = shown["solutions"]
        .as_array()
        .unwrap()
        .iter()
        .find(|s| s["solution"] == "soda-ash")
        .unwrap();
    // Row a3.per_gram.Na2CO3.alk: 18.8701 meq/g (IUPAC/CIAAW atomic weights 2021, tolerance 1e-4); 60 g/L in 300 L.
    near(
        &soda["one_ml_adds"]["alkalinity_meq_per_l"],
        60.0 * 18.8701 / 300.0 / 1000.0,
        1e-6,
    );
    near(&soda["day_adds"]["alkalinity_dkh"], 0.8, 1e-3);
    assert!(
        shown["plan_day"]["balance"]
            .as_str()
            .unwrap()
            .starts_with("balanced")
    );
    // Stoichiometry: each meq of soda brings one mmol of sodium, paired with the chloride of the calcium chloride.
    near(
        &shown["plan_day"]["left_per_year"]["sodium_chloride_g_per_l"],
        0.28532 * 58.44 * 365.0 / 1000.0,
        0.01,
    );
}

#[test]
fn a_recipe_is_made_for_a_wanted_strength_and_refused_when_it_would_not_dissolve() {
    let state = tempfile::tempdir().unwrap();
    let ask = |volume: &str, salt: &str| {
        let words = [
            "solution",
            "recipe",
            "--salt",
            salt,
            "--volume",
            volume,
            "--raises",
            "alkalinity",
            "--by",
            "0.5 dKH",
        ];
        run(state.path(), &words)
    };
    let made = ask("20 mL", "Na2CO3");
    assert!(made.status.success());
    // 0.5 dKH x 0.35665 meq/L x 300 L = 53.498 meq in 20 mL, at 18.870 meq/g.
    assert!(text(&made).starts_with("141.8 g Na2CO3"), "{}", text(&made));
    let refused = ask("20 mL", "NaHCO3");
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("do not stay dissolved"));
}

#[test]
fn a_configured_recipe_that_would_crystallise_is_a_mistake_of_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let demo = concat!(env!("CARGO_MANIFEST_DIR"), "/config");
    let controller = std::fs::read_to_string(format!("{demo}/controller.toml")).unwrap();
    let strong = controller.replace("g-per-l = 60 }", "g-per-l = 170 }");
    assert_ne!(strong, controller);
    std::fs::write(folder.path().join("controller.toml"), strong).unwrap();
    std::fs::copy(format!("{demo}/plan.toml"), folder.path().join("plan.toml")).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_dosewright"))
        .arg("check")
        .arg("--config")
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(78));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        said.contains("170.0 g/L of Na2CO3 do not stay dissolved at 15.0 C"),
        "{said}"
    );
}

#[test]
fn dilution_is_worked_out_for_this_tank() {
    let state = tempfile::tempdir().unwrap();
    let changes = json(
        state.path(),
        &[
            "dilute", "changes", "--change", "30 L", "--times", "4", "--from", "50 mg/L", "--json",
        ],
    );
    // 0.9^4.
    near(&changes["left_percent"], 65.61, 1e-6);
    near(&changes["level_after_mg_per_l"], 32.805, 1e-6);
    let reach = json(
        state.path(),
        &[
            "dilute", "reach", "--change", "30 L", "--from", "50 mg/L", "--to", "20 mg/L", "--json",
        ],
    );
    // ln(0.4) / ln(0.9) = 8.7.
    assert_eq!(reach["changes"], 9);
    let steady = json(
        state.path(),
        &[
            "dilute",
            "steady",
            "--change",
            "30 L",
            "--every-days",
            "7",
            "--gain",
            "1 mg/L",
            "--json",
        ],
    );
    near(&steady["before_change_mg_per_l"], 70.0, 1e-9);
    let words =
        |words: &str| -> Value { json(state.path(), &words.split(' ').collect::<Vec<_>>()) };
    // 8 + 0.9 x (12 - 8); and 0.5 dKH a day taken up for 2 days, a tenth changed: 8 - 1 / 0.1.
    let changes = words("dilute changes --change 30L --times 1 --from 12dKH --new 8dKH --json");
    near(&changes["level_after_dkh"], 11.6, 1e-9);
    let steady =
        words("dilute steady --change 30L --every-days 2 --uptake 0.5dKH --new 18dKH --json");
    near(&steady["before_change_dkh"], 8.0, 1e-9);
    // Half of it a day and half changed each day: before = after / 2, after = before / 2 + 4.
    let steady =
        words("dilute steady --change 150L --every-days 1 --uptake-percent 50 --new 8mg/L --json");
    near(&steady["before_change_mg_per_l"], 8.0 / 3.0, 1e-9);
    near(&steady["after_change_mg_per_l"], 16.0 / 3.0, 1e-9);
    let mixed = "dilute changes --change 30L --times 1 --from 12dKH --new 8mg/L";
    let mixed = run(state.path(), &mixed.split(' ').collect::<Vec<_>>());
    assert_eq!(mixed.status.code(), Some(2), "{mixed:?}");
    let rescue = words(
        "dilute rescue --change 150L --times 3 --from 0.8mg/L --alkalinity 9dKH --new-alkalinity 7dKH --salinity 35 --new-salinity 33 --json",
    );
    let last = &rescue["rounds"][2];
    near(&last["day"], 6.0, 1e-9);
    near(&last["left_percent"], 12.5, 1e-9);
    near(&last["after_mg_per_l"], 0.1, 1e-9);
    near(&last["alkalinity_dkh"], 7.25, 1e-9);
    near(&last["salinity"], 33.25, 1e-9);
    near(&rescue["rounds"][0]["alkalinity_moved_dkh"], -1.0, 1e-9);
    near(&rescue["rounds"][0]["salinity_moved"], -1.0, 1e-9);
    let half = json(
        state.path(),
        &["dilute", "continuous", "--left", "50", "--json"],
    );
    near(&half["exchanged_l"], 300.0 * 2.0_f64.ln(), 1e-6);
    assert_eq!(
        run(
            state.path(),
            &["dilute", "changes", "--change", "400 L", "--times", "1"]
        )
        .status
        .code(),
        Some(1)
    );
}

#[test]
fn saturation_needs_the_scale_of_the_ph_and_gives_an_interval() {
    let state = tempfile::tempdir().unwrap();
    let water = [
        "saturation",
        "--alkalinity",
        "8.0 dKH",
        "--calcium",
        "420 mg/L",
        "--salinity",
        "35",
        "--temperature",
        "25 C",
    ];
    assert_eq!(
        run(state.path(), &[&water[..], &["--ph", "8.2"]].concat())
            .status
            .code(),
        Some(2)
    );
    let omega = |scale: &str| {
        let words = [&water[..], &["--ph", "8.2", "--ph-scale", scale, "--json"]].concat();
        json(state.path(), &words)
    };
    let (nbs, total) = (omega("nbs"), omega("total"));
    // NBS reads about 0.13 above the total scale, so the same number means fewer carbonate ions.
    assert!(nbs["omega_aragonite"].as_f64() < total["omega_aragonite"].as_f64());
    assert!(
        nbs["low"].as_f64() < nbs["omega_aragonite"].as_f64()
            && nbs["omega_aragonite"].as_f64() < nbs["high"].as_f64()
    );
    let lines = nbs["mixing_point"].as_array().unwrap();
    assert!(
        lines.iter().any(|l| l["line"] == "alkalinity")
            && lines.iter().any(|l| l["line"] == "calcium")
    );
}

#[test]
fn a_level_that_falls_under_a_steady_dose_asks_for_more() {
    let mut reef = accept::Reef::new();
    drop(three_weeks(&reef.state(), 0.06));
    reef.start("1");
    let advice = reef.json(&["advise", "--json"]);
    assert_eq!(advice["verdict"], "change", "{advice}");
    near(&advice["water"]["uptake_per_day"], 0.86, 0.02);
    near(&advice["change"]["uptake"]["uptake_per_day"], 0.86, 0.04);
    // The uptake at 0.010582 dKH a mL.
    let uptake = advice["change"]["uptake"]["uptake_per_day"]
        .as_f64()
        .unwrap();
    let volume = &advice["change"]["volumes_ul"]["alkalinity"];
    near(volume, uptake / 0.010_582 * 1000.0, 50.0);
    let shown = text(&reef.run(&["advise"]));
    assert!(shown.lines().count() <= 24, "{shown}");
    assert!(
        shown.lines().all(|line| line.chars().count() <= 80),
        "{shown}"
    );
    assert!(shown.contains("CHANGE: uptake from 0.80 to"), "{shown}");
}

#[test]
fn a_level_that_holds_is_to_be_left_alone() {
    let mut reef = accept::Reef::new();
    drop(three_weeks(&reef.state(), 0.0));
    reef.start("1");
    let advice = reef.json(&["advise", "--json"]);
    assert_eq!(advice["verdict"], "leave-alone", "{advice}");
    let refused = reef.run(&["accept", "--yes"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("nothing to accept"));
}

#[test]
fn a_change_noted_down_stands_in_the_journal_and_locks_nothing() {
    let mut reef = accept::Reef::new();
    let mut ledger = three_weeks(&reef.state(), 0.06);
    let text = "new light".to_owned();
    ledger
        .store(&[told(19 * DAY, Observed::Note { text })])
        .unwrap();
    drop(ledger);
    let changes = reef.json(&["changes", "--json"]);
    assert_eq!(changes[0]["what"], "new light");
    reef.start("1");
    let advice = reef.json(&["advise", "--json"]);
    assert_eq!(advice["verdict"], "change", "{advice}");
}

/// A calcium, an alkalinity that was corrected, what it was corrected to, and a salinity; the numbers of the first three.
fn corrected(state: &Path) -> [i64; 3] {
    let mut ledger = ledger(state);
    let calcium = read(DAY, "Ca", (400.0, 10.0));
    let (wrong, right) = (alkalinity(DAY, 7.0), alkalinity(DAY, 8.0));
    let [first, second, third] = [&calcium, &wrong, &right].map(number_of);
    let back = Entry::TakenBack(TakenBack {
        number: second,
        replaced_by: Some(third),
        why: "wrong syringe".to_owned(),
        who: owner(),
        at: at(DAY),
    });
    ledger.store(&[calcium, wrong]).unwrap();
    ledger.store(&[back, right]).unwrap();
    ledger.store(&[read(DAY, "salinity", (33.0, 0.5))]).unwrap();
    [first, second, third]
}

#[test]
fn readings_are_listed_with_units_scaled_where_that_is_right_and_corrections_keep_the_old_entry() {
    let state = tempfile::tempdir().unwrap();
    let [first, second, third] = corrected(state.path());
    let rows = json(state.path(), &["reading", "list", "--json"]);
    let of = |number: i64| {
        rows.as_array()
            .unwrap()
            .iter()
            .find(|r| r["observation"] == number)
            .unwrap()
            .clone()
    };
    near(
        &of(first)["at_salinity_35_mg_per_l"],
        400.0 * 35.0 / 33.0,
        1e-6,
    );
    assert_eq!(
        (&of(second)["counts"], &of(third)["counts"]),
        (&Value::Bool(false), &Value::Bool(true))
    );
    assert!(
        of(third)["at_salinity_35_mg_per_l"].is_null(),
        "alkalinity that is dosed does not go with salinity"
    );
    let listed = text(&run(state.path(), &["reading", "list"]));
    assert!(
        listed.contains("8.00 dKH (7.80 to 8.20 at 95 %)")
            && listed.contains(&format!("corrected by {third}: wrong syringe")),
        "{listed}"
    );
}

#[test]
fn a_slip_is_questioned_and_stored_when_it_is_meant() {
    let mut reef = accept::Reef::new();
    drop(ledger(&reef.state()));
    reef.start("1");
    let slip = reef.run(&["reading", "add", "Ca", "42 mg/L"]);
    assert_eq!(slip.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&slip.stderr).contains("--sure"));
    assert!(
        reef.run(&["reading", "add", "Ca", "420 mg/L"])
            .status
            .success()
    );
    let meant = reef.run(&["reading", "add", "Ca", "42 mg/L", "--sure"]);
    assert!(meant.status.success(), "{meant:?}");
}

#[test]
fn a_course_is_listed_with_what_was_given_of_it() {
    let state = tempfile::tempdir().unwrap();
    let mut ledger = ledger(state.path());
    let course = Course {
        number: 1,
        what: Departure::Add {
            line: name("iodine"),
            of: Quantity::Element(Element::new("I").unwrap()),
            per_day: 0.0001,
            ends: Ends::Aim,
            standing: Volume::from_ul(2_000),
            extra: Volume::from_ul(500),
        },
        days: 3,
        step: 0,
        since: "2026-10-02".parse().unwrap(),
        state: CourseState::Running,
        live: true,
        note: String::new(),
        who: owner(),
        at: at(DAY / 2),
    };
    ledger.store(&[Entry::Course(course.clone())]).unwrap();
    // Two of its days as planned, the third missed; then it ended by itself.
    dose(
        &mut ledger,
        1,
        "iodine",
        (DAY + DAY / 2, 2_500),
        (1_997_500, 0.0),
    );
    dose(
        &mut ledger,
        2,
        "iodine",
        (2 * DAY + DAY / 2, 2_500),
        (1_995_000, 0.0),
    );
    let ended = Course {
        state: CourseState::Ended,
        step: 3,
        at: at(4 * DAY),
        ..course
    };
    ledger.store(&[Entry::Course(ended)]).unwrap();
    drop(ledger);
    let rows = json(state.path(), &["course", "list", "--json"]);
    assert_eq!(
        (&rows[0]["state"], &rows[0]["given_ul"]),
        (&Value::from("ended"), &Value::from(1_000))
    );
    near(&rows[0]["made"], 0.0002, 1e-12);
    let mut reef = accept::Reef::new();
    reef.start("1");
    let over = reef.run(&[
        "course",
        "raise",
        "iodine",
        "--of",
        "iodine",
        "--by",
        "0.03 mg/L",
        "--at-most",
        "0.01 mg/L",
        "--yes",
    ]);
    assert_eq!(over.status.code(), Some(1));
    assert!(
        String::from_utf8_lossy(&over.stderr).contains("over its limit"),
        "{over:?}"
    );
}

#[test]
fn a_lab_report_is_held_against_natural_seawater_the_one_before_and_what_was_dosed() {
    let state = tempfile::tempdir().unwrap();
    let mut ledger = ledger(state.path());
    let first = [("Ca", 412.0), ("Cu", 0.001), ("Zn", 0.002), ("I", 0.06)];
    ledger.store(&report(DAY, &first)).unwrap();
    let second = [("Ca", 300.0), ("Cu", 0.04), ("Zn", 0.06), ("I", -0.005)];
    ledger.store(&report(30 * DAY, &second)).unwrap();
    drop(ledger);
    let shown = json(state.path(), &["panel", "show", "--json"]);
    let of = |word: &str| {
        shown["rows"]
            .as_array()
            .unwrap()
            .iter()
            .find(|e| e["of"] == word)
            .unwrap()
            .clone()
    };
    let remarks = |word: &str| of(word)["remarks"].to_string();
    assert_eq!(of("calcium")["verdict"], "low");
    // Row a2.rc.Ca: 412.1 mg/kg at salinity 35, 421.7 mg/L at 25 C.
    near(&of("calcium")["natural"], 421.7, 0.5);
    assert!(
        remarks("calcium").contains("fallen")
            && remarks("calcium").contains("course raise calcium --of Ca"),
        "{}",
        remarks("calcium")
    );
    assert!(
        remarks("copper").contains("look for a source"),
        "{}",
        remarks("copper")
    );
    assert!(shown["corrosion"][0].as_str().unwrap().contains("brass"));
    assert_eq!(of("iodine")["below_limit"], true);
    let list = json(state.path(), &["panel", "list", "--json"]);
    assert_eq!(list.as_array().unwrap().len(), 2);
    let csv = state.path().join("report.csv");
    std::fs::write(&csv, "Parameter,Result,Unit\nCa,412,mg/L\n").unwrap();
    let asked = run(
        state.path(),
        &["panel", "add", csv.to_str().unwrap(), "--lab", "south"],
    );
    assert_eq!(asked.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&asked.stderr).contains("Parameter, Result, Unit"));
}
