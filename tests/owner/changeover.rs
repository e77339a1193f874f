//! A changeover with the real binary in virtual time: begun, carried out, complete. A swapped bottle, put into both files.

use std::fs;

use serde_json::Value;

use super::accept::Reef;
use super::ledger;

const CONTROLLER: &str = include_str!("../support/second_line.toml");

const PLAN: &str =
    "\n[line.bicarbonate]\ndaily-ml = 102.8 # what it will give\ndoses = 24\nstandby = true\n";

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

/// What a swap of the first line needs beside the second line: soda ash is kept apart from magnesium too.
const APART: &str = "[[apart]]\nfirst = \"bicarbonate\"\nsecond = \"magnesium-mix\"\ngap-min = 1\n";

fn with_a_swap() -> Reef {
    let reef = with_a_second_line();
    let path = reef.config().join("controller.toml");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, format!("{text}{APART}")).unwrap();
    reef
}

fn state(reef: &Reef, group: &str) -> String {
    let list = reef.json(&[group, "list", "--json"]);
    let newest = list.as_array().unwrap().last().unwrap().clone();
    newest["state"].as_str().unwrap().to_owned()
}

#[test]
fn a_changeover_is_shown_day_by_day_carried_out_and_stays_until_the_plan_file_says_it() {
    let mut reef = with_a_second_line();
    reef.start("3600");
    let begun = reef.run(&[
        "course",
        "changeover",
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
    let now = |reef: &Reef| state(reef, "course");
    assert!(
        (0..20_000).any(|_| now(&reef) == "complete"),
        "{}",
        now(&reef)
    );
    let before = reef.plan();
    let status: Value = serde_json::from_slice(&reef.run(&["status", "--json"]).stdout).unwrap();
    let words = status["courses"][0]["words"].as_str().unwrap();
    assert!(
        words.contains("is complete") && words.contains("`daily-ml = 102.721`"),
        "{words}"
    );
    assert_eq!(reef.plan(), before, "the owner's file is the owner's");
    // The owner may write what is in force into the file: the course is over then, and nothing changes.
    let agreed = before
        .replacen(
            "daily-ml = 102.8 # what it will give\ndoses = 24\nstandby = true\n",
            "daily-ml = 102.721\ndoses = 24\n",
            1,
        )
        .replacen(
            "[line.alkalinity]\n",
            "[line.alkalinity]\nstandby = true\n",
            1,
        );
    fs::write(reef.config().join("plan.toml"), agreed).unwrap();
    let reloaded = reef.run(&["reload"]);
    assert!(reloaded.status.success(), "{reloaded:?}");
    assert_eq!(now(&reef), "ended");
    let changes = reef.run(&["changes"]);
    let changes = String::from_utf8_lossy(&changes.stdout).into_owned();
    assert!(
        changes.contains("changeover from alkalinity to bicarbonate: step 2 of 2"),
        "{changes}"
    );
    let books = reef.run(&["ledger", "check"]);
    assert!(books.status.success(), "{books:?}");
}

#[test]
fn a_swapped_bottle_is_shown_with_what_is_left_in_the_tube_and_a_refused_one_is_not() {
    let reef = with_a_swap();
    let swap = |to: &str, more: &[&str]| {
        let mut words = vec![
            "changeover",
            "swap",
            "alkalinity",
            "--to",
            to,
            "--tube",
            "6.3 mL",
        ];
        words.extend(more);
        reef.run(&words)
    };
    let shown = swap("bicarbonate", &["--preview", "--json"]);
    let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
    assert_eq!(shown["daily_ul_after"].as_i64().unwrap() / 10, 10_272);
    // 6.3 of 75.6 mL a day are two hours.
    let hours = shown["hours_until_new_solution"].as_f64().unwrap();
    assert!((hours - 2.0).abs() < 1e-6, "{hours}");
    assert_eq!(shown["drift_mg_per_l_per_day"], serde_json::json!({}));
    let text = swap("bicarbonate", &["--preview"]);
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    for wanted in [
        "102.72",
        "dosewright hold alkalinity",
        "line calcium follows and stays at 75.6 mL a day",
    ] {
        assert!(text.contains(wanted), "{wanted} is not in {text}");
    }
    let none = swap("iodine", &["--preview"]);
    assert_eq!(none.status.code(), Some(1), "{none:?}");
    // A cap of 90 mL a day does not let 102.72 mL through, and what is refused is not explained as if it were not.
    let path = reef.config().join("controller.toml");
    let edited = fs::read_to_string(&path).unwrap();
    fs::write(
        &path,
        edited.replacen("daily-cap-ml = 150", "daily-cap-ml = 90", 1),
    )
    .unwrap();
    let over = swap("bicarbonate", &["--preview"]);
    assert_eq!(over.status.code(), Some(1), "{over:?}");
    assert!(over.stdout.is_empty(), "{over:?}");
    assert!(
        String::from_utf8_lossy(&over.stderr).contains("over its limit of 90.0 mL"),
        "{over:?}"
    );
}

#[test]
fn a_swapped_bottle_is_followed_by_the_daemon_and_put_into_both_files() {
    let mut reef = with_a_swap();
    reef.start("3600");
    let run = |reef: &Reef, words: &[&str]| {
        let done = reef.run(words);
        assert!(done.status.success(), "{done:?}");
        String::from_utf8_lossy(&done.stdout).into_owned()
    };
    let swap = [
        "changeover",
        "swap",
        "alkalinity",
        "--to",
        "bicarbonate",
        "--tube",
        "6.3 mL",
        "--yes",
    ];
    let refused = reef.run(&swap);
    assert!(
        String::from_utf8_lossy(&refused.stderr).contains("not on hold"),
        "{refused:?}"
    );
    run(&reef, &["hold", "alkalinity", "--reason", "bottle swap"]);
    assert!(run(&reef, &swap).contains("dosewright resume alkalinity"));
    let early = reef.run(&["changeover", "finish", "--yes"]);
    assert_eq!(early.status.code(), Some(1), "{early:?}");
    run(&reef, &["resume", "alkalinity"]);
    let state = |reef: &Reef| state(reef, "changeover");
    assert!(
        (0..20_000).any(|_| state(&reef) == "through"),
        "{}",
        state(&reef)
    );
    let advice = reef.run(&["advise"]);
    let advice = String::from_utf8_lossy(&advice.stdout).into_owned();
    assert!(
        advice.contains("LEAVE IT ALONE for now: bottle swap 1"),
        "{advice}"
    );
    let done = run(&reef, &["changeover", "finish", "--yes"]);
    assert!(done.contains("restart the daemon"), "{done}");
    assert_eq!(
        state(&reef),
        "through",
        "only a start reads controller.toml"
    );
    let controller = fs::read_to_string(reef.config().join("controller.toml")).unwrap();
    let line = controller.split("[line.alkalinity]").nth(1).unwrap();
    let line = line.split("\n[").next().unwrap();
    assert!(line.contains("solution = \"bicarbonate\""), "{line}");
    let plan = reef.plan();
    assert!(
        plan.contains("daily-ml = 102.7") && plan.contains("ratio = 0.736"),
        "{plan}"
    );
    run(&reef, &["check"]);
    reef.restart("3600");
    assert_eq!(state(&reef), "ended");
    run(&reef, &["ledger", "check"]);
    let changes = run(&reef, &["changes"]);
    assert!(
        changes.contains("bottle swap 1 on line alkalinity"),
        "{changes}"
    );
}
