//! A refill with another solution, with the real binary: asked for what is not said, shown, put into force, and kept over a restart.

use std::fs;

use super::accept::Reef;
use super::ledger;

const STRONGER: &str = "\n[solution.soda-ash-80]\nsalts = [{ salt = \"Na2CO3\", g-per-l = 80 }]\ncaustic = true\n\
    [[apart]]\nfirst = \"soda-ash-80\"\nsecond = \"calcium-chloride\"\ngap-min = 15\n\
    [[apart]]\nfirst = \"soda-ash-80\"\nsecond = \"magnesium-mix\"\ngap-min = 15\n";

fn with_two_strengths() -> Reef {
    let reef = Reef::new();
    let path = reef.config().join("controller.toml");
    let text = fs::read_to_string(&path).unwrap().replacen(
        "solutions = \"soda-ash\"",
        "solutions = [\"soda-ash\", \"soda-ash-80\"]",
        1,
    );
    fs::write(&path, format!("{text}{STRONGER}")).unwrap();
    reef
}

fn refused(reef: &Reef, words: &[&str], why: &str) {
    let output = reef.run(words);
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains(why), "{why} is not in {said}");
}

/// What is in force of the alkalinity line, by the daemon or by the files and the ledger.
fn line(reef: &Reef, command: &str) -> serde_json::Value {
    // The exit code of status says whether there are alarms.
    let output = reef.run(&[command, "--json"]);
    let all: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let mut lines = all["lines"].as_array().unwrap().iter();
    let key = if command == "check" { "line" } else { "name" };
    lines.find(|l| l[key] == "alkalinity").unwrap().clone()
}

#[test]
fn a_stronger_bottle_is_told_shown_and_kept_over_a_restart() {
    let mut reef = with_two_strengths();
    let before = line(&reef, "check");
    assert_eq!(
        (&before["solution"], &before["solution_from"]),
        (&"soda-ash".into(), &"file".into())
    );
    let notes = reef.json(&["check", "--json"])["notes"].to_string();
    assert!(notes.contains("no ledger to read"), "{notes}");
    drop(ledger(&reef.state()));
    reef.start("2");
    let stronger = ["refill", "alkalinity", "full", "--solution", "soda-ash-80"];
    let with = |more: &[&'static str]| [&stronger[..], more].concat();
    refused(&reef, &with(&["--yes", "--emptied"]), "--tube");
    refused(&reef, &with(&["--yes", "--tube", "6 mL"]), "--emptied");
    refused(
        &reef,
        &[
            "refill",
            "alkalinity",
            "full",
            "--solution",
            "soda",
            "--yes",
        ],
        "may hold soda-ash or soda-ash-80",
    );
    // Nobody says yes.
    refused(
        &reef,
        &with(&["--emptied", "--tube", "6 mL"]),
        "nothing was written down",
    );
    assert_eq!(line(&reef, "status")["tube"], serde_json::Value::Null);
    let done = reef.run(&with(&["--emptied", "--tube", "6 mL", "--yes"]));
    let shown = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{done:?}");
    for wanted in [
        "75.601 mL a day until its tube is through, 56.701 mL a day afterwards",
        "6.0 mL of soda-ash, which goes first",
        "the largest step in the water",
        "the bottle lasts",
        "CAUTION: this solution is caustic",
    ] {
        assert!(shown.contains(wanted), "{wanted} is not in {shown}");
    }
    for _ in 0..2 {
        let status = line(&reef, "status");
        assert_eq!(status["tube"]["solution"], "soda-ash", "{status}");
        let checked = line(&reef, "check");
        assert_eq!(
            (&checked["solution"], &checked["solution_from"]),
            (&"soda-ash-80".into(), &"ledger".into())
        );
        reef.kill();
        reef.start("2");
    }
    let text = String::from_utf8_lossy(&reef.run(&["check", "--all"]).stdout).into_owned();
    assert!(
        text.contains("as its last refill tells; its tube still holds"),
        "{text}"
    );
    assert!(text.contains("all of an uptake of 0.800 dKH"), "{text}");
}
