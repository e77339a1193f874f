//! Water changes of the record, lab reports over a season, corrections of what is kept as facts, top-ups.

use dosewright::chemistry::Quantity;
use dosewright::record::{Entry, Observed};

use super::accept::Reef;
use super::{DAY, dose, json, ledger, near, report, three_weeks, told};

fn change(ms: i64, litres: f64, held: &[(&str, f64)]) -> Entry {
    let held = held
        .iter()
        .map(|(of, level)| (Quantity::from_word(of).unwrap(), *level));
    let held = held.collect();
    told(ms, Observed::WaterChange { litres, held })
}

/// 60 of 300 L changed on day 9.5.
#[test]
fn a_water_change_of_known_content_is_no_uptake_and_one_of_unknown_content_says_less() {
    let with = |held: &[(&str, f64)]| {
        let mut reef = Reef::new();
        let mut ledger = three_weeks(&reef.state(), 0.0);
        let change = change(19 * DAY / 2, 60.0, held);
        ledger.store(&[change]).unwrap();
        drop(ledger);
        reef.start("1");
        let water = reef.json(&["advise", "--json"])["water"].clone();
        let changes = String::from_utf8(reef.run(&["changes"]).stdout).unwrap();
        let of = |key: &str| water[key].as_f64().unwrap();
        let width = of("uptake_high_per_day") - of("uptake_low_per_day");
        (of("uptake_per_day"), width, changes)
    };
    // The readings stay at 8.4 dKH all the same, so new water of 8.4 dKH moves nothing.
    let (uptake, narrow, changes) = with(&[("alkalinity", 8.4)]);
    assert!((uptake - 0.8).abs() < 0.02, "{uptake}");
    assert!(
        changes.contains("water change of 60 L, new water with alkalinity 8.40 dKH"),
        "{changes}"
    );
    // New water of 5.9 dKH would have taken 0.5 dKH; with readings level, the animals took up less by that.
    let (less, _, _) = with(&[("alkalinity", 5.9)]);
    assert!((0.7..0.79).contains(&less), "{less}");
    // Of unknown content it is taken to be like the old, but known less well.
    let (unknown, wider, changes) = with(&[]);
    assert!(
        (unknown - 0.8).abs() < 0.03 && wider > narrow,
        "{unknown} {wider} {narrow}"
    );
    assert!(changes.contains("is not on record"), "{changes}");
}

#[test]
fn lab_reports_over_a_season_show_a_trend_and_water_changes_are_in_the_account() {
    let state = tempfile::tempdir().unwrap();
    let mut ledger = ledger(state.path());
    for (month, (strontium, zinc)) in
        (0..).zip([(8.4, 0.02), (7.4, 0.02), (6.4, 0.02), (5.4, 0.015)])
    {
        let rows = [("Sr", strontium), ("Zn", zinc)];
        ledger
            .store(&report((1 + 30 * month) * DAY, &rows))
            .unwrap();
    }
    // A third of the water, new water without zinc: 20 less a third is 13.3, so 15 ug/L is within what the reports can tell.
    ledger
        .store(&[change(70 * DAY, 100.0, &[("Zn", 0.0)])])
        .unwrap();
    drop(ledger);
    let shown = json(state.path(), &["panel", "show", "--json"]);
    let of = |word: &str| {
        let all = shown["rows"].as_array().unwrap().iter();
        let mut of = all.filter(|e| e["of"] == word);
        of.next().unwrap()["remarks"].to_string()
    };
    // 1 mg/L in 30 days is 1.01 in a month of 30.44.
    assert!(
        of("strontium").contains("over 4 reports falling by 1.0")
            && of("strontium").contains("mg/L a month"),
        "{}",
        of("strontium")
    );
    assert!(
        of("zinc").contains("the water was changed once"),
        "{}",
        of("zinc")
    );
}

#[test]
fn a_salinity_is_corrected_without_losing_the_old_entry() {
    let mut reef = Reef::new();
    drop(ledger(&reef.state()));
    reef.start("1");
    let added = reef.run(&["reading", "add", "salinity", "32"]);
    assert!(added.status.success(), "{added:?}");
    let wrong = reef.run(&["reading", "correct", "999", "35", "--reason", "x"]);
    assert_eq!(wrong.status.code(), Some(2), "{wrong:?}");
    let rows = reef.json(&["reading", "list", "--json"]);
    let number = rows[0]["observation"].to_string();
    let first = [
        "reading",
        "correct",
        &number,
        "35",
        "--reason",
        "dirty prism",
    ];
    let done = reef.run(&first);
    assert!(done.status.success(), "{done:?}");
    let rows = reef.json(&["reading", "list", "--json"]);
    let rows = rows.as_array().unwrap();
    assert_eq!(rows.len(), 2);
    assert_eq!(
        (rows[0]["counts"] == true, rows[1]["counts"] == true),
        (false, true)
    );
    assert_eq!(rows[0]["happened"], rows[1]["happened"]);
    near(&rows[1]["value"], 35.0, 1e-9);
    let again = reef.run(&first);
    assert_eq!(again.status.code(), Some(1), "{again:?}");
}

#[test]
fn a_top_up_is_shown_begun_listed_and_confirmed_by_a_new_result_only() {
    let mut reef = Reef::new();
    let mut ledger = ledger(&reef.state());
    // Something of each line must be there, or the demo's bottles are taken to be full.
    dose(&mut ledger, 1, "iodine", (DAY, 1_000), (1_999_000, 0.0));
    drop(ledger);
    reef.start("1");
    let raise = |by, at_most| {
        let words = ["course", "raise", "iodine", "--of", "I", "--by", by];
        reef.run(&[&words[..], &["--at-most", at_most, "--yes"]].concat())
    };
    let over = raise("0.03 mg/L", "0.01 mg/L");
    assert_eq!(over.status.code(), Some(1));
    assert!(
        String::from_utf8_lossy(&over.stderr).contains("over its limit"),
        "{over:?}"
    );
    assert!(
        over.stdout.is_empty(),
        "what is refused is not explained as if it were not"
    );
    let begun = reef.run(&[
        "course",
        "top-up",
        "iodine",
        "--of",
        "I",
        "--per-day",
        "0.1 ug/L",
        "--review-days",
        "30",
        "--yes",
    ]);
    let shown = String::from_utf8_lossy(&begun.stdout).into_owned();
    assert!(
        begun.status.success() && shown.contains("stops after these days unless a new reading"),
        "{begun:?}"
    );
    let none = reef.run(&["course", "confirm", "1"]);
    assert_eq!(none.status.code(), Some(1), "{none:?}");
    assert!(
        String::from_utf8_lossy(&none.stderr).contains("there is no reading or lab report"),
        "{none:?}"
    );
    let list = reef.json(&["course", "list", "--json"]);
    assert_eq!(
        (&list[0]["what"]["ends"], &list[0]["state"]),
        (&"review".into(), &"running".into())
    );
    let read = reef.run(&[
        "reading",
        "add",
        "I",
        "0.055 mg/L",
        "--uncertainty",
        "0.005 mg/L",
    ]);
    assert!(read.status.success(), "{read:?}");
    let done = reef.run(&["course", "confirm", "1", "--review-days", "60"]);
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(
        done.status.success() && said.contains("iodine 0.055"),
        "{done:?}"
    );
    let list = reef.json(&["course", "list", "--json"]);
    assert_eq!(list[0]["days"], 60);
}

#[test]
fn a_water_change_is_told_once_and_then_nothing_rises_until_a_test() {
    let mut reef = Reef::new();
    drop(three_weeks(&reef.state(), 0.0));
    reef.start("1");
    let over = reef.run(&["changes", "add", "water", "400 L"]);
    assert_eq!(over.status.code(), Some(1), "{over:?}");
    let told = reef.run(&[
        "changes",
        "add",
        "water",
        "30 L",
        "--new",
        "alkalinity=8.0 dKH,Ca=420 mg/L",
    ]);
    assert!(told.status.success(), "{told:?}");
    let status: serde_json::Value =
        serde_json::from_slice(&reef.run(&["status", "--json"]).stdout).unwrap();
    let why = status["water"]["allowed_because"].as_str().unwrap();
    assert!(
        why.contains("uptake only: there is no alkalinity reading to go by"),
        "{why}"
    );
    let listed = reef.json(&["changes", "--json"]);
    assert!(
        listed.to_string().contains("new water with alkalinity 8"),
        "{listed}"
    );
}
