//! An uptake to begin with: two tests, a dose that keeps the level still, mixes that nobody has stated.

use std::fs;

use serde_json::Value;

use super::accept::Reef;
use super::{DAY, Found, answered, ledger, near, reading, told};

const TWO_TESTS: [&str; 7] = [
    "uptake",
    "alkalinity",
    "--from",
    "8.4 dKH",
    "--to",
    "7.8 dKH",
    "--after=1 d",
];

fn words(more: &[&'static str]) -> Vec<&'static str> {
    TWO_TESTS.iter().chain(more).copied().collect()
}

fn line<'a>(shown: &'a Value, name: &str) -> &'a Value {
    let lines = shown["lines"].as_array().unwrap();
    lines.iter().find(|l| l["line"] == name).unwrap()
}

#[test]
fn two_tests_show_an_uptake_its_interval_and_what_each_line_would_give_without_a_daemon() {
    let reef = Reef::new();
    let shown = reef.json(&words(&["--kit", "0.15 dKH", "--json"]));
    near(&shown["per_day"], 0.6, 1e-9);
    // sqrt(2) x 0.15 a day, 1.96 of it each way; with a third test tomorrow 0.15 / sqrt(2), in three days 0.15 / sqrt(26/3).
    near(&shown["standard_error"], 0.212_132, 1e-6);
    near(&shown["low"], 0.184_221, 1e-5);
    near(&shown["high"], 1.015_779, 1e-5);
    near(&shown["further_tests"][0]["half_width"], 0.207_889, 1e-5);
    near(&shown["further_tests"][1]["half_width"], 0.099_866, 1e-5);
    // 60 g/L of Na2CO3 (18.8701 meq/g, atomic weights of 2021) in 300 L: 1 mL is 3.774 ueq/L, and 1 dKH is 0.35663 meq/L.
    let ml = 0.6 * 0.356_63 * 300.0 / (60.0 * 18.8701) * 1000.0;
    let soda = line(&shown, "alkalinity");
    near(&soda["daily_ul"], ml * 1000.0, 30.0);
    near(&soda["bottle_days"], 1_100.0 / ml, 0.05);
    // What is tied to alkalinity goes with it.
    near(&line(&shown, "calcium")["daily_ul"], 75_621.0 * 0.75, 60.0);
    assert_eq!(shown["lines"].as_array().unwrap().len(), 2);
    let said = reef.run(&words(&["--kit", "0.15 dKH"]));
    assert!(said.status.success(), "{said:?}");
    let said = String::from_utf8_lossy(&said.stdout).into_owned();
    for text in [
        "(8.40 - 7.80) dKH / 1.00 days = 0.600 dKH a day",
        "uptake of alkalinity: 0.60 dKH a day, 0.18 to 1.02 at 95 %",
        "a further test in 3 days would make it +- 0.10 dKH in place of +- 0.42 dKH",
        "line alkalinity: 56.701 mL a day by it, 75.601 mL now",
        "a full bottle lasts 19.4 days",
        "no daemon runs, so nothing was put into force",
    ] {
        assert!(said.contains(text), "{text}: {said}");
    }
    // With what was given between the tests: 60 mL are 0.635 dKH.
    let given = reef.json(&words(&["--given", "60 mL", "--of", "soda-ash", "--json"]));
    near(&given["per_day"], 1.23, 0.006);
    for (wrong, code) in [
        (words(&["--given", "60 mL", "--of", "iodine"]), 2),
        (words(&["--given", "60 mL"]), 2),
        (vec!["uptake", "alkalinity"], 2),
        (
            vec![
                "uptake",
                "alkalinity",
                "--from",
                "7.8 dKH",
                "--to",
                "8.4 dKH",
                "--after",
                "1 d",
            ],
            1,
        ),
        (
            vec![
                "uptake",
                "alkalinity",
                "--from",
                "8.4 dKH",
                "--to",
                "7.8 dKH",
                "--after",
                "2 h",
            ],
            1,
        ),
        (words(&["--yes"]), 69),
    ] {
        let output = reef.run(&wrong);
        assert_eq!(output.status.code(), Some(code), "{wrong:?}: {output:?}");
    }
}

#[test]
fn a_dose_that_keeps_the_level_still_is_put_into_force_once_it_is_agreed_to() {
    let mut reef = Reef::new();
    drop(ledger(&reef.state()));
    reef.start("1");
    let still = [
        "uptake",
        "alkalinity",
        "--stands-still-at",
        "60 mL",
        "--of",
        "soda-ash",
    ];
    let ask = |answer: &str| answered(reef.command().args(still), answer);
    let uptake = || {
        reef.json(&["uptake", "--json"])[0]["per_day"]
            .as_f64()
            .unwrap()
    };
    let no = ask("no\n");
    assert_eq!(no.status.code(), Some(1), "{no:?}");
    assert!((uptake() - 0.8).abs() < 1e-9);
    let yes = ask("yes\n");
    assert!(yes.status.success(), "{yes:?}");
    // 60 of the 75.6 mL that are 0.80 dKH.
    assert!((uptake() - 0.63).abs() < 1e-9);
    let said = String::from_utf8_lossy(&yes.stdout).into_owned();
    for text in [
        "60.0 mL of soda-ash add 0.635 dKH to 300.0 L a day, and the level stands still, so that is taken up",
        "uptake of alkalinity becomes 0.63 dKH a day, before 0.80 dKH",
    ] {
        assert!(said.contains(text), "{text}: {said}");
    }
    // The second one must settle, as any.
    let again = reef.run(&[&still[..], &["--yes"][..]].concat());
    assert_eq!(again.status.code(), Some(1), "{again:?}");
    assert!(
        String::from_utf8_lossy(&again.stderr).contains("must settle"),
        "{again:?}"
    );
}

#[test]
fn the_two_newest_readings_on_record_will_do_and_what_was_added_by_hand_counts() {
    let reef = Reef::new();
    let mut ledger = ledger(&reef.state());
    for (day, dkh) in [(0, 9.9), (1, 8.4), (3, 7.8)] {
        ledger.store(&[super::alkalinity(day * DAY, dkh)]).unwrap();
    }
    let newest = ["uptake", "alkalinity", "--newest", "--json"];
    near(&reef.json(&newest)["per_day"], 0.3, 1e-9);
    // A reading of something else is none of it.
    let calcium = reading(
        "Ca",
        Found::Value {
            value: 400.0,
            uncertainty: 5.0,
        },
    );
    ledger.store(&[told(4 * DAY, calcium)]).unwrap();
    near(&reef.json(&newest)["per_day"], 0.3, 1e-9);
    let few = reef.run(&["uptake", "calcium", "--newest"]);
    assert_eq!(few.status.code(), Some(1), "{few:?}");
    let changed = dosewright::record::Observed::WaterChange {
        litres: 30.0,
        held: super::Carried::new(),
    };
    ledger.store(&[told(2 * DAY, changed)]).unwrap();
    let refused = reef.run(&["uptake", "alkalinity", "--newest"]);
    assert_eq!(refused.status.code(), Some(1), "{refused:?}");
}

/// Whether it was given live is on record with each dose, whatever the file says today (the sample is a dry run).
#[test]
fn what_doses_gave_between_the_two_newest_readings_counts_by_the_record() {
    let reef = Reef::new();
    let mut ledger = ledger(&reef.state());
    ledger.store(&[super::alkalinity(0, 8.4)]).unwrap();
    super::dose(
        &mut ledger,
        1,
        "alkalinity",
        (DAY, 60_000),
        (1_000_000, 0.6),
    );
    ledger.store(&[super::alkalinity(2 * DAY, 8.0)]).unwrap();
    let newest = ["uptake", "alkalinity", "--newest", "--json"];
    near(&reef.json(&newest)["per_day"], 0.5, 1e-9);
}

/// The check says of every line what it gives a day and what that adds, and of a mix that nobody has stated that it cannot.
#[test]
fn the_check_says_millilitres_and_effect_a_day_of_every_line_and_what_cannot_be_said() {
    let reef = Reef::new();
    let file = reef.config().join("controller.toml");
    let text = fs::read_to_string(&file).unwrap();
    let stated = "per-litre = { Mn-mg = 4, Fe-mg = 3, Zn-mg = 2, Co-mg = 0.05 }";
    let mixed = text.replacen(stated, "per-litre = { Fe-mg = 3 }\nunstated = true", 1);
    assert_ne!(mixed, text);
    fs::write(&file, mixed).unwrap();
    let shown = reef.json(&["check", "--json"]);
    let soda = line(&shown, "alkalinity");
    near(&soda["plan_daily_ul"], 75_601.0, 1.0);
    near(&soda["adds_per_day"]["alkalinity"], 0.8, 1e-4);
    assert_eq!(soda["unstated"], false);
    // 1.5 mL of 3 mg/L in 300 L.
    let mix = line(&shown, "trace");
    near(&mix["adds_per_day"]["iron"], 0.000_015, 1e-9);
    assert_eq!(mix["unstated"], true);
    let said = String::from_utf8_lossy(&reef.run(&["check", "--all"]).stdout).into_owned();
    for words in [
        "that adds alkalinity 0.8000 dKH",
        "that adds Fe 0.0000150 mg/L; what else it carries is not stated",
        "no rise of it by this bottle is guarded: only the caps of its line limit it",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    let solution = reef.run(&["solution", "trace-mix"]);
    assert!(
        String::from_utf8_lossy(&solution.stdout).contains("what else it carries is not stated")
    );
    // An uptake that the mix may take part in says so.
    let uptake = reef.run(&words(&[]));
    let uptake = String::from_utf8_lossy(&uptake.stdout).into_owned();
    assert!(
        uptake.contains(
            "it is not stated whether that carries alkalinity: what it adds cannot be estimated"
        ),
        "{uptake}"
    );
}
