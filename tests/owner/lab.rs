//! Lab reports with a daemon, and what is weighed in for the plan.

use std::fs;

use super::accept::Reef;
use super::{DAY, json, ledger, near, read, run, text};

/// Words of a printed command, quotes taken off.
fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (index, part) in line.split('"').enumerate() {
        if index % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

#[test]
fn the_daemon_accepts_the_very_course_that_a_report_proposes() {
    let mut reef = Reef::new();
    let csv = reef.config().join("report.csv");
    fs::write(
        &csv,
        "Parameter,Result,Unit\nCalcium,340,mg/L\nIodine,9,ug/L\n",
    )
    .unwrap();
    reef.start("1");
    let told = reef.run(&[
        "panel",
        "add",
        csv.to_str().unwrap(),
        "--lab",
        "north",
        "--columns",
        "element=Parameter,value=Result,unit=Unit",
        "--sure",
    ]);
    assert!(told.status.success(), "{told:?}");
    // The bottle of iodine is too weak for that much, and says so; the usual 25 mg/L of calcium a day are over the limits.
    let proposed = |reef: &mut Reef| {
        let shown = text(&reef.run(&["panel", "show"]));
        assert!(shown.contains("line iodine cannot give that: "), "{shown}");
        let lines = shown.lines().map(str::trim);
        let proposed = lines.filter(|l| l.starts_with("dosewright course"));
        proposed.map(words).collect::<Vec<_>>()
    };
    let raise = |reef: &mut Reef, words: &[String], at_most: Option<&'static str>| {
        let mut words: Vec<&str> = words.iter().skip(1).map(String::as_str).collect();
        let last = words.len() - 1;
        words[last] = at_most.unwrap_or(words[last]);
        reef.run(&[&words[..], &["--yes"]].concat())
    };
    let first = proposed(&mut reef);
    assert_eq!(first.len(), 1, "{first:?}");
    let usual = raise(&mut reef, &first[0], Some("25 mg/L"));
    assert_eq!(usual.status.code(), Some(1), "{usual:?}");
    let begun = raise(&mut reef, &first[0], None);
    assert!(begun.status.success(), "{first:?}: {begun:?}");
    // The same beside it would be as much as was too much before.
    let again = raise(&mut reef, &first[0], None);
    assert_eq!(again.status.code(), Some(1), "{again:?}");
    for beside in proposed(&mut reef) {
        let begun = raise(&mut reef, &beside, None);
        assert!(begun.status.success(), "{beside:?}: {begun:?}");
    }
}

#[test]
fn what_a_lab_means_by_a_word_is_asked_once_and_remembered() {
    let mut reef = Reef::new();
    let csv = reef.config().join("report.csv");
    fs::write(&csv, "a title\nParameter;Result;Unit;LOD\nCalcium;412,5;mg/L;1\nKupfer;n.n.;ug/L;0,5\nKH;8,1;dKH;\n").unwrap();
    reef.start("1");
    let add = ["panel", "add", csv.to_str().unwrap(), "--lab", "north"];
    let columns = [
        "--columns",
        "element=Parameter,value=Result,unit=Unit,limit=LOD",
    ];
    let asked = reef.run(&[&add[..], &columns].concat());
    assert_eq!(asked.status.code(), Some(2), "{asked:?}");
    let said = String::from_utf8_lossy(&asked.stderr).into_owned();
    assert!(said.contains("n.n.=not-found"), "{said}");
    let told = reef.run(&[&add[..], &columns, &["--word", "n.n.=not-found"]].concat());
    assert!(told.status.success(), "{told:?}");
    let again = reef.run(&add);
    assert!(again.status.success(), "{again:?}");
    let shown = reef.json(&["panel", "show", "--json"]);
    let rows = shown["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 3, "{shown}");
    let of = |word: &str| rows.iter().find(|row| row["of"] == word).unwrap();
    assert_eq!(of("copper")["below_limit"], true);
    // The owner's band of alkalinity, and 2 % where the lab states nothing.
    assert_eq!(of("alkalinity")["band_by"], "yours");
    near(&of("alkalinity")["high"], 8.1 * (1.0 + 1.96 * 0.02), 1e-6);
}

#[test]
fn what_the_plan_needs_is_weighed_for_so_many_days_with_a_list_and_its_cautions() {
    let state = tempfile::tempdir().unwrap();
    let month = json(
        state.path(),
        &["solution", "batch", "--days", "30", "--json"],
    );
    // 0.8 dKH x 0.356652 x 300 L are 85.596 meq a day, 75.60 mL of 60 g/L at 18.870 meq/g; 30 of them and 100 mL are 2.368 L.
    near(&month["shopping_list_g"]["Na2CO3"], 142.08, 0.05);
    let batch = ["solution", "batch", "soda-ash", "--volume", "5 L"];
    let made = text(&run(state.path(), &batch));
    assert!(made.contains("300.0 g Na2CO3"), "{made}");
    assert!(
        made.contains("CAUTION Na2CO3") && made.contains("safety data sheet"),
        "{made}"
    );
    let words = text(&run(state.path(), &["solution", "batch", "soda-ash"]));
    assert!(
        words.contains("fill it to 2368") && words.contains("full it lasts 14 days"),
        "{words}"
    );
}

#[test]
fn a_bottle_is_filled_to_last_until_a_date() {
    let state = tempfile::tempdir().unwrap();
    let mut ledger = ledger(state.path());
    ledger
        .store(&[read(DAY, "alkalinity", (8.0, 0.1))])
        .unwrap();
    drop(ledger);
    let until = |days: i64| {
        let date = super::at(DAY).wall + jiff::SignedDuration::from_hours(24 * days);
        let date = date.to_string();
        let words = [
            "solution",
            "batch",
            "soda-ash",
            "--until",
            &date[..10],
            "--json",
        ];
        run(state.path(), &words)
    };
    let ten: serde_json::Value = serde_json::from_slice(&until(10).stdout).unwrap();
    assert_eq!(ten["days"], 10);
    near(
        &ten["shopping_list_g"]["Na2CO3"],
        (756.0 + 100.0) * 0.06,
        0.02,
    );
    assert_eq!(until(0).status.code(), Some(2));
}

#[test]
fn the_salt_that_two_parts_leave_is_made_sea_salt_by_a_third() {
    let state = tempfile::tempdir().unwrap();
    let third = ["solution", "third-part", "--daily", "20 mL"];
    let made = json(state.path(), &[&third[..], &["--json"]].concat());
    // 85.596 mmol a day at 58.44 g/mol over 30.4375 days; of it 28.2371 / 466.645 are magnesium sulphate (246.47 g/mol), in 20 mL.
    near(&made["sodium_chloride_g_per_month"], 152.25, 0.2);
    near(&made["g_per_l"]["MgSO4.7H2O"], 63.83, 0.1);
    let words = text(&run(state.path(), &third));
    assert!(
        words.contains("Millero") && words.contains("CAUTION"),
        "{words}"
    );
    let weak = ["solution", "third-part", "--daily", "1 mL"];
    assert_eq!(run(state.path(), &weak).status.code(), Some(1));
}
