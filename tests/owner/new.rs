//! The first hour: both files from answers, by dialog and by file.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use super::answered;

fn new(folder: &Path, more: &[&str], typed: &str) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dosewright"));
    answered(command.arg("new").arg(folder).args(more), typed)
}

fn said(output: &Output) -> String {
    let [out, err] = [&output.stdout, &output.stderr].map(|text| String::from_utf8_lossy(text));
    format!("{out}{err}")
}

const ANSWERS: &str = "litres = 300
time-zone = \"Europe/Berlin\"
bottles = [\"alkalinity\", \"calcium\", \"trace\"]
trace.holds = \"unknown\"
trace.size = \"250 mL\"
trace.gives = \"2 mL\"
uptake = \"0.8 dKH\"
";

/// The files of a reef of 300 L, as they are on record; what is written for people is read by people when this changes.
#[test]
fn answers_make_the_files_on_record_which_pass_check_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let answers = folder.path().join("answers.toml");
    fs::write(&answers, ANSWERS).unwrap();
    let reef = folder.path().join("reef");
    let made = new(&reef, &["--answers", answers.to_str().unwrap()], "");
    let told = said(&made);
    assert!(made.status.success(), "{told}");
    for words in [
        // 60 g/L of Na2CO3 are 1132.2 meq/L: 75.6 mL in 300 L are 0.2853 meq/L, 0.80 dKH.
        "0.80 dKH a day, and 1 mL adds 0.0106 dKH to 300.0 L: 75.6 mL a day in 24 doses of 3.15 mL; a bottle of 1000.0 mL lasts 12 days",
        "alkalinity and calcium precipitate where they meet, or may: they are kept 15 min apart",
        "alkalinity and trace precipitate",
        "no rule was broken",
        "in its band every day",
    ] {
        assert!(told.contains(words), "{words} is not in {told}");
    }
    for file in ["controller.toml", "plan.toml"] {
        let record = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("tests/golden/new")
            .join(file);
        let text = fs::read_to_string(reef.join(file)).unwrap();
        if std::env::var_os("GOLDEN").is_some() {
            fs::create_dir_all(record.parent().unwrap()).unwrap();
            fs::write(&record, &text).unwrap();
        }
        assert_eq!(text, fs::read_to_string(&record).unwrap(), "{file}");
    }
    let check = Command::new(env!("CARGO_BIN_EXE_dosewright"))
        .args(["check", "--config"])
        .arg(&reef)
        .output()
        .unwrap();
    assert!(check.status.success(), "{check:?}");
    let again = new(&reef, &["--answers", answers.to_str().unwrap()], "");
    assert!(said(&again).contains("nothing is overwritten"), "{again:?}");
}

#[test]
fn the_dialog_asks_nothing_twice_takes_what_is_usual_and_works_out_an_uptake_from_two_tests() {
    let folder = tempfile::tempdir().unwrap();
    let reef = folder.path().join("reef");
    let typed = [
        "three hundred", // asked again
        "300 L",
        "", // the bottles
        "", // soda ash
        "", // its size
        "10 mL raise 100 L by 6 mg/L Ca",
        "2 L",
        "8,4 dKH 2026-11-20 18:00, 7.6 dKH 2026-11-21 18:00",
        "", // band
        "", // target
        "", // rate
        "GPIO17, GPIO27",
        "high",
    ];
    let typed = typed.join("\n") + "\n";
    let made = new(&reef, &["--answer", "time-zone=Europe/Berlin"], &typed);
    let told = said(&made);
    assert!(made.status.success(), "{told}");
    assert!(
        told.contains("8.40 - 7.60 dKH in 1.00 days are 0.8 dKH a day"),
        "{told}"
    );
    assert!(
        !told.contains("time zone does it"),
        "an answer that was given is asked for: {told}"
    );
    for question in ["How many litres", "uptake a day"] {
        let times = told.matches(question).count();
        assert!(times <= 2, "{question} {times} times: {told}");
    }
    let controller = fs::read_to_string(reef.join("controller.toml")).unwrap();
    for words in [
        "output = \"GPIO27\"",
        "[board]",
        "raises = \"Ca\", by = \"6 mg/L\"",
        "gap-min = 15",
    ] {
        assert!(controller.contains(words), "{words} is not in {controller}");
    }
}

#[test]
fn nothing_is_written_when_an_answer_is_missing_wrong_or_one_too_many() {
    let folder = tempfile::tempdir().unwrap();
    let answers = folder.path().join("answers.toml");
    let reef = folder.path().join("reef");
    for (text, why) in [
        (
            ANSWERS.replace("uptake = \"0.8 dKH\"", ""),
            "ended without an answer",
        ),
        (ANSWERS.replace("0.8 dKH", "80 dKH"), "out of range"),
        (ANSWERS.replace("0.8 dKH", "8 dKH"), "no uptake of a reef"),
        (ANSWERS.replace("Europe/Berlin", "Berlin"), "no time zone"),
        (format!("ph = 8.2\n{ANSWERS}"), "no question asks for ph"),
        // More than any line may give.
        (
            ANSWERS.replace("2 mL\"", "9 L\""),
            "these answers do not go together",
        ),
    ] {
        fs::write(&answers, &text).unwrap();
        let refused = new(&reef, &["--answers", answers.to_str().unwrap()], "");
        let told = said(&refused);
        assert!(
            !refused.status.success() && told.contains(why),
            "{why}: {told}"
        );
        assert!(!reef.exists(), "{why}");
    }
}
