//! What is told of the water and set right afterwards, through the running daemon.

use std::fs;

use serde_json::Value;

use super::accept::Reef;
use super::ledger;

fn reef() -> Reef {
    let mut reef = Reef::new();
    drop(ledger(&reef.state()));
    reef.start("2");
    reef
}

fn refused(reef: &Reef, words: &[&str], why: &str) {
    let output = reef.run(words);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(!output.status.success() && said.contains(why), "{output:?}");
}

/// What was added by hand, as the record has it: solution or none, and what it adds.
fn additions(reef: &Reef) -> Vec<Value> {
    let all = reef.json(&["changes", "--json"]);
    let by_hand = |change: &&Value| change["kind"] == "by-hand";
    all.as_array()
        .unwrap()
        .iter()
        .filter(by_hand)
        .cloned()
        .collect()
}

fn add<'a>(words: &[&'a str]) -> Vec<&'a str> {
    [&["changes", "add", "by-hand"][..], words].concat()
}

#[test]
fn what_was_added_by_hand_is_told_corrected_and_taken_back() {
    let reef = reef();
    refused(&reef, &add(&["soda", "20 mL"]), "soda");
    refused(&reef, &add(&["magnesium", "1 dKH"]), "mg/L");
    assert_eq!(additions(&reef), Vec::<Value>::new());
    reef.json(&[&add(&["soda-ash", "20 mL"])[..], &["--json"]].concat());
    reef.json(&[&add(&["magnesium", "15 mg/L"])[..], &["--json"]].concat());
    let told = additions(&reef);
    let [soda, magnesium] = &told[..] else {
        panic!("{told:?}");
    };
    let what = |change: &Value| change["what"].as_str().unwrap().to_owned();
    assert!(
        what(soda).contains("20.0 mL of soda-ash") && what(soda).contains("dKH"),
        "{soda}"
    );
    assert!(what(magnesium).contains("magnesium"), "{magnesium}");
    let number = soda["number"].to_string();
    let correct = ["changes", "correct", &number, "--reason", "half of it"];
    let half = ["by-hand", "soda-ash", "10 mL"];
    reef.json(&[&correct[..], &half, &["--json"]].concat());
    let told: Vec<String> = additions(&reef).iter().map(what).collect();
    assert!(
        told.len() == 2 && told.iter().any(|t| t.contains("10.0 mL of soda-ash")),
        "{told:?}"
    );
    refused(&reef, &[&correct[..], &half].concat(), &number);
    let number = magnesium["number"].to_string();
    reef.json(&[
        "changes",
        "take-back",
        &number,
        "--reason",
        "never",
        "--json",
    ]);
    assert_eq!(additions(&reef).len(), 1);
}

#[test]
fn a_lab_report_is_corrected_and_taken_back() {
    let reef = reef();
    let write = |name: &str, calcium: &str| {
        let path = reef.config().join(name);
        let rows = format!("Parameter;Result;Unit\nCa;{calcium};mg/L\nMg;1300;mg/L\n");
        fs::write(&path, rows).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let (wrong, right) = (write("wrong.csv", "520"), write("right.csv", "420"));
    let lab = ["--lab", "north", "--sure", "--json"];
    let columns = ["--columns", "element=Parameter,value=Result,unit=Unit"];
    reef.run(&[&["panel", "add", &wrong][..], &columns, &lab].concat());
    let reports = || reef.json(&["panel", "list", "--json"]);
    let calcium = || {
        let all = reef.json(&["reading", "list", "--json"]);
        let all = all.as_array().unwrap().clone().into_iter();
        all.filter(|r| r["of"] == "calcium").collect::<Vec<_>>()
    };
    let first = reports()[0]["number"].to_string();
    let correct = [
        "panel",
        "correct",
        &first,
        &right,
        "--reason",
        "a slip of the lab",
    ];
    // The columns of the lab are remembered, and the time is that of the old report.
    reef.json(&[&correct[..], &lab].concat());
    let left = reports();
    assert_eq!(left.as_array().unwrap().len(), 1, "{left}");
    assert_ne!(left[0]["number"].to_string(), first);
    let show = reef.json(&["panel", "show", "--json"]).to_string();
    assert!(show.contains("420") && !show.contains("520"), "{show}");
    // The old row is kept, marked.
    let rows = calcium();
    assert_eq!(rows.len(), 2, "{rows:?}");
    assert_eq!(rows[0]["happened"], rows[1]["happened"], "{rows:?}");
    refused(&reef, &[&correct[..], &lab[..3]].concat(), &first);
    let second = left[0]["number"].to_string();
    reef.json(&[
        "panel",
        "take-back",
        &second,
        "--reason",
        "another tank",
        "--json",
    ]);
    assert_eq!(reports(), Value::Array(Vec::new()));
    assert_eq!(calcium().len(), 2);
}

#[test]
fn nutrients_stand_in_the_status_with_their_age_and_what_was_not_found_as_that() {
    let reef = reef();
    reef.json(&["reading", "add", "phosphate", "<0.02 mg/L", "--json"]);
    reef.json(&["reading", "add", "nitrate", "5 mg/L", "--json"]);
    let output = reef.run(&["status"]);
    let status = String::from_utf8_lossy(&output.stdout).into_owned();
    for shown in [
        "phosphate: < 0.02 mg/L (below what the test can find",
        "nitrate: 5.000 mg/L +- 0.2500 mg/L; tested 0.0 d ago",
    ] {
        assert!(status.contains(shown), "{status}");
    }
}

#[test]
fn a_job_of_the_owners_is_told_done_outlives_a_restart_and_is_in_the_journal() {
    let mut reef = reef();
    let due = |reef: &Reef, name: &str| {
        let jobs = reef.json(&["done", "--json"]);
        let mut jobs = jobs.as_array().unwrap().iter();
        jobs.find(|job| job["name"] == name).unwrap()["due"].clone()
    };
    assert_eq!(due(&reef, "carbon"), true);
    refused(
        &reef,
        &["done", "skimmer"],
        "the jobs are: lab-panel, carbon",
    );
    let said = reef.run(&["done", "carbon", "--note", "one cup"]);
    assert!(
        String::from_utf8_lossy(&said.stdout).contains("job carbon done"),
        "{said:?}"
    );
    assert_eq!(due(&reef, "carbon"), false);
    let csv = reef.config().join("report.csv");
    fs::write(&csv, "element,value,unit\nCa,420,mg/L\n").unwrap();
    let add = [
        "panel",
        "add",
        csv.to_str().unwrap(),
        "--lab",
        "north",
        "--columns",
    ];
    let added = reef.run(&[&add[..], &["element=element,value=value,unit=unit"]].concat());
    assert!(added.status.success(), "{added:?}");
    reef.kill();
    reef.start("2");
    assert_eq!(
        (due(&reef, "carbon"), due(&reef, "lab-panel")),
        (false.into(), false.into())
    );
    let changes = reef.json(&["changes", "--json"]);
    let mut changes = changes.as_array().unwrap().iter();
    assert!(changes.any(|c| c["kind"] == "job" && c["what"] == "job carbon done"));
    let shown = reef.run(&["status"]);
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    assert!(shown.contains("job carbon: due 20"), "{shown}");
}

#[test]
fn a_time_is_typed_as_the_owners_clock_shows_it() {
    let reef = reef();
    let when = |at: &str| {
        let told = reef.run(&["reading", "add", "KH", "8,1 dKH", "--at", at, "--sure"]);
        assert!(told.status.success(), "{at}: {told:?}");
        let rows = reef.json(&["reading", "list", "--json"]);
        rows.as_array().unwrap().last().unwrap()["happened"].clone()
    };
    // Berlin is two hours ahead of UTC in September; the record begins on 2026-10-01, which is its today.
    assert_eq!(when("2026-09-29 18:00"), "2026-09-29T16:00:00Z");
    assert_eq!(when("yesterday 18:00"), "2026-09-30T16:00:00Z");
    refused(
        &reef,
        &[
            "reading",
            "add",
            "NO3",
            "5 mg/L",
            "--at",
            "2025-10-26 02:30",
        ],
        "comes twice",
    );
    refused(&reef, &["reading", "add", "Ca", "420 ppm"], "ppm");
}
