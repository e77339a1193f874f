//! A changeover with the real binary in virtual time: begun, carried out, over once the owner has put it into the plan file.

use std::fs;

use serde_json::Value;

use super::accept::Reef;
use super::ledger;

const CONTROLLER: &str = include_str!("../support/second_line.toml");

const PLAN: &str = "\n[line.bicarbonate]\nshare-of-uptake = 0\nof = \"alkalinity\"\ndoses = 24\n";

fn with_a_second_line() -> Reef {
    let reef = Reef::new();
    for (file, more) in [("controller.toml", CONTROLLER), ("plan.toml", PLAN)] {
        let path = reef.config().join(file);
        let text = fs::read_to_string(&path).unwrap();
        // 102.7 mL a day and a dose more must fit into the cap of the first line, alkalinity.
        let text = text.replacen("daily-cap-ml = 100", "daily-cap-ml = 150", 1);
        fs::write(&path, format!("{text}{more}")).unwrap();
    }
    drop(ledger(&reef.state()));
    reef
}

fn step(reef: &Reef) -> (i64, String) {
    let list = reef.json(&["changeover", "list", "--json"]);
    let newest = list.as_array().unwrap().last().unwrap().clone();
    (
        newest["step"].as_i64().unwrap_or(0),
        newest["state"].as_str().unwrap().to_owned(),
    )
}

#[test]
fn a_changeover_is_shown_day_by_day_carried_out_and_stays_in_force_until_the_plan_says_it() {
    let mut reef = with_a_second_line();
    reef.start("3600");
    let begun = reef.run(&[
        "changeover",
        "start",
        "alkalinity",
        "bicarbonate",
        "--days",
        "2",
        "--yes",
    ]);
    let shown = String::from_utf8_lossy(&begun.stdout).into_owned();
    assert!(begun.status.success(), "{begun:?}");
    // 75.6 mL of 60 g/L Na2CO3 (105.988 g/mol, two equivalents) are worth 102.72 mL of 70 g/L NaHCO3 (84.007 g/mol).
    for wanted in [
        "37.8 mL",
        "51.361 mL",
        "102.722 mL",
        "0.800 dKH",
        // Both carry one sodium for each equivalent; what a microlitre makes is not called a drift.
        "nothing else changes",
    ] {
        assert!(shown.contains(wanted), "{wanted} is not in {shown}");
    }
    let refused = reef.run(&["accept", "--yes"]);
    assert!(
        String::from_utf8_lossy(&refused.stderr).contains("one thing at a time"),
        "{refused:?}"
    );
    // Two virtual days and a bit: some seconds; the record says when.
    assert!(
        (0..20_000).any(|_| step(&reef).1 == "complete"),
        "{:?}",
        step(&reef)
    );
    let status: Value = serde_json::from_slice(&reef.run(&["status", "--json"]).stdout).unwrap();
    assert!(
        status["changeover"]
            .as_str()
            .unwrap()
            .contains("stays in force until plan.toml says it itself"),
        "{status}"
    );
    let plan = reef
        .plan()
        .replacen("share-of-uptake = 1.0\n", "share-of-uptake = 0.0\n", 1)
        .replace("share-of-uptake = 0\n", "share-of-uptake = 1\n");
    fs::write(reef.config().join("plan.toml"), plan).unwrap();
    let done = reef.run(&["reload"]);
    assert!(done.status.success(), "{done:?}");
    assert_eq!(step(&reef).1, "ended");
    let checked = reef.run(&["check"]);
    assert!(checked.status.success(), "{checked:?}");
    let books = reef.run(&["ledger", "check"]);
    assert!(books.status.success(), "{books:?}");
}
