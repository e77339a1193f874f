//! A changeover with the real binary in virtual time: begun, carried out, put into the plan file.

use std::fs;

use serde_json::Value;

use super::accept::Reef;
use super::ledger;

const CONTROLLER: &str = r#"
[head.bicarbonate]
nominal-rate-ml-per-min = 30
run-max-s = 30
dose-min-ml = 0.5
output = "GPIO13"
active = "high"
[reservoir.bicarbonate]
capacity-ml = 5000
reserve-ml = 150
low-warning-days = 7
[solution.bicarbonate]
salts = [{ salt = "NaHCO3", g-per-l = 70 }]
caustic = false
[line.bicarbonate]
head = "bicarbonate"
reservoir = "bicarbonate"
solution = "bicarbonate"
daily-cap-ml = 150
dose-cap-ml = 12
[[apart]]
first = "bicarbonate"
second = "calcium-chloride"
gap-min = 5
"#;

const PLAN: &str =
    "\n[line.bicarbonate]\ndaily-ml = 102.8 # what it will give\ndoses = 12\nstandby = true\n";

fn with_a_second_line() -> Reef {
    let reef = Reef::new();
    for (file, more) in [("controller.toml", CONTROLLER), ("plan.toml", PLAN)] {
        let path = reef.config().join(file);
        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, format!("{text}{more}")).unwrap();
    }
    drop(ledger(&reef.state()));
    reef
}

fn step(reef: &Reef) -> (i64, String) {
    let list = reef.json(&["changeover", "list", "--json"]);
    let newest = list.as_array().unwrap().last().unwrap().clone();
    (
        newest["step"].as_i64().unwrap(),
        newest["state"].as_str().unwrap().to_owned(),
    )
}

#[test]
fn a_changeover_is_shown_day_by_day_carried_out_and_put_into_the_plan_file() {
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
        "51.36 mL",
        "102.721 mL",
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
            .contains("changeover finish"),
        "{status}"
    );
    let before = reef.plan();
    let done = reef.run(&["changeover", "finish", "--yes"]);
    assert!(done.status.success(), "{done:?}");
    let after = reef.plan();
    assert!(
        after.contains("daily-ml = 102.7 # what it will give"),
        "{after}"
    );
    assert!(after.contains("standby = false") && after.contains("standby = true"));
    assert_eq!(after.lines().count(), before.lines().count() + 1);
    assert_eq!(step(&reef).1, "ended");
    let checked = reef.run(&["check"]);
    assert!(checked.status.success(), "{checked:?}");
    let books = reef.run(&["ledger", "check"]);
    assert!(books.status.success(), "{books:?}");
}

#[test]
fn a_swapped_bottle_is_worked_out_with_what_is_left_in_the_tube() {
    let reef = with_a_second_line();
    let shown = reef.json(&[
        "changeover",
        "swap",
        "alkalinity",
        "--to",
        "bicarbonate",
        "--tube",
        "6.3 mL",
        "--json",
    ]);
    assert_eq!(shown["daily_ul_after"].as_i64().unwrap() / 10, 10_272);
    // 6.3 of 75.6 mL a day are two hours.
    let hours = shown["hours_until_new_solution"].as_f64().unwrap();
    assert!((hours - 2.0).abs() < 1e-6, "{hours}");
    // Of 102.72 mL: 7.19 g NaHCO3 hold 1.968 g Na; of 75.6 mL: 4.536 g Na2CO3 hold the same 85.6 meq and 1.968 g Na.
    let sodium = &shown["drift_mg_per_l_per_day"]["Na"];
    assert!(
        sodium.is_null() || sodium.as_f64().unwrap().abs() < 1e-3,
        "{shown}"
    );
    let text = reef.run(&[
        "changeover",
        "swap",
        "alkalinity",
        "--to",
        "bicarbonate",
        "--tube",
        "6.3 mL",
    ]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(
        text.contains("dosewright hold alkalinity") && text.contains("102.7"),
        "{text}"
    );
    let none = reef.run(&[
        "changeover",
        "swap",
        "alkalinity",
        "--to",
        "iodine",
        "--tube",
        "6 mL",
    ]);
    assert_eq!(none.status.code(), Some(1), "{none:?}");
}
