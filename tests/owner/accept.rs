//! Advice put into force with a running daemon: the plan file, the record and what is planned from then on.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use dosewright::record::Entry;
use serde_json::Value;

use super::{DAY, dose, three_weeks};

/// A copy of the demo's files beside a state folder, and a daemon on both.
pub(crate) struct Reef {
    folder: tempfile::TempDir,
    daemon: Option<Child>,
}

impl Drop for Reef {
    fn drop(&mut self) {
        self.kill();
    }
}

impl Reef {
    /// Ends the daemon as a power cut would.
    pub(crate) fn kill(&mut self) {
        if let Some(mut daemon) = self.daemon.take() {
            daemon.kill().unwrap();
            daemon.wait().unwrap();
        }
    }
}

impl Reef {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = folder.path().join("config");
        fs::create_dir(&config).unwrap();
        fs::create_dir(folder.path().join("state")).unwrap();
        for file in ["controller.toml", "plan.toml"] {
            let from = Path::new(env!("CARGO_MANIFEST_DIR"))
                .join("config")
                .join(file);
            fs::copy(from, config.join(file)).unwrap();
        }
        Self {
            folder,
            daemon: None,
        }
    }

    pub(crate) fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    pub(crate) fn config(&self) -> PathBuf {
        self.folder.path().join("config")
    }

    pub(crate) fn plan(&self) -> String {
        fs::read_to_string(self.folder.path().join("config/plan.toml")).unwrap()
    }

    pub(crate) fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_dosewright"));
        command
            .arg("--config")
            .arg(self.folder.path().join("config"))
            .arg("--state")
            .arg(self.state());
        command
    }

    pub(crate) fn run(&self, words: &[&str]) -> Output {
        self.command().args(words).output().unwrap()
    }

    pub(crate) fn json(&self, words: &[&str]) -> Value {
        let output = self.run(words);
        assert!(output.status.success(), "{words:?}: {output:?}");
        serde_json::from_slice(&output.stdout).unwrap()
    }

    /// Starts the daemon in virtual time and waits until it answers.
    pub(crate) fn start(&mut self, warp: &str) {
        let daemon = self
            .command()
            .args(["run", "--warp", warp])
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.daemon = Some(daemon);
        // The exit code says whether there are alarms; that it answers is all that counts here.
        let answers = || !self.run(&["status", "--json"]).stdout.is_empty();
        assert!((0..2_000).any(|_| answers()), "the daemon does not answer");
    }
}

impl Reef {
    /// Daily volume that the daemon plans for a line, mL.
    fn planned_ml(&self, line: &str) -> f64 {
        let status: Value =
            serde_json::from_slice(&self.run(&["status", "--json"]).stdout).unwrap();
        let lines = status["lines"].as_array().unwrap();
        let line = lines.iter().find(|l| l["name"] == line).unwrap();
        line["plan_standing_ml_per_day"].as_f64().unwrap()
    }
}

fn calcium(ms: i64, mg_per_l: f64) -> Entry {
    super::read(ms, "Ca", (mg_per_l, 3.0))
}

/// Three weeks of calcium: 75.6 mL given and a reading on each day.
fn calcium_of_three_weeks(reef: &Reef, mg_per_l: impl Fn(f64) -> f64) {
    let mut ledger = three_weeks(&reef.state(), 0.0);
    for day in 0..21_i32 {
        let ms = i64::from(day) * DAY;
        let given = i64::from(day) + 1;
        ledger
            .store(&[calcium(ms, mg_per_l(f64::from(day)))])
            .unwrap();
        let left = 2_000_000 - 75_600 * given;
        dose(
            &mut ledger,
            100 + given,
            "calcium",
            (ms + DAY / 4, 75_600),
            (left, 0.0),
        );
    }
}

/// The demo's calcium with the band that stands there as an example.
fn with_a_band_of_calcium(reef: &Reef) {
    let file = reef.config().join("controller.toml");
    let text = fs::read_to_string(&file).unwrap();
    let (before, after) = text.split_once("[water.calcium]").unwrap();
    let (calcium, after) = after.split_once("[water.magnesium]").unwrap();
    let calcium = calcium.replace("# ", "");
    let text = format!("{before}[water.calcium]{calcium}[water.magnesium]{after}");
    fs::write(&file, text).unwrap();
}

/// The uptake in force of a quantity.
fn uptake(reef: &Reef, of: &str) -> f64 {
    let list = reef.json(&["uptake", "--json"]);
    let mut rows = list.as_array().unwrap().iter();
    let row = rows.find(|row| row["of"] == of).unwrap();
    row["per_day"].as_f64().unwrap()
}

#[test]
fn accepted_advice_is_dosed_at_once_and_the_files_stay_the_owners() {
    let mut reef = Reef::new();
    drop(three_weeks(&reef.state(), 0.08));
    let before = reef.plan();
    let none = reef.run(&["accept", "--yes"]);
    assert_eq!(none.status.code(), Some(69), "{none:?}");
    reef.start("1");
    let shown = reef.run(&["accept", "--yes"]);
    let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
    assert!(shown.contains("uptake of alkalinity is"), "{shown}");
    assert!(shown.contains("which ends by itself"), "{shown}");
    let uptake = uptake(&reef, "alkalinity");
    assert!((uptake - 0.88).abs() < 0.04, "{uptake}");
    assert_eq!(reef.plan(), before);
    // 75.6 mL a day are 0.80 dKH in the demo's tank.
    let ml = 75.6 * uptake / 0.8;
    assert!((reef.planned_ml("alkalinity") - ml).abs() < 0.06);
    assert!((reef.planned_ml("calcium") - ml).abs() < 0.1, "tied to it");
    let courses = reef.json(&["course", "list", "--json"]);
    assert_eq!(courses[0]["state"], "running", "{courses}");
    let named = reef.run(&["check"]);
    let named = String::from_utf8_lossy(&named.stdout).into_owned();
    assert!(named.contains("note: uptake of alkalinity:"), "{named}");
    let again = reef.run(&["accept", "--yes"]);
    assert_eq!(again.status.code(), Some(1), "{again:?}");
    assert!(
        String::from_utf8_lossy(&again.stderr).contains("leave it alone"),
        "{again:?}"
    );
}

#[test]
fn accepted_calcium_changes_the_line_that_goes_by_it_and_nothing_else() {
    let mut reef = Reef::new();
    with_a_band_of_calcium(&reef);
    // 75.6 mL of 22.68 g/L of calcium in 300 L are 5.716 mg/L a day (CaCl2.2H2O 147.014 g/mol, Ca 40.078 g/mol); the readings fall
    // by 1.4 mg/L a day all the same.
    calcium_of_three_weeks(&reef, |day| 428.0 - 1.4 * day);
    reef.start("1");
    let done = reef.run(&["accept", "calcium", "--yes"]);
    assert!(done.status.success(), "{done:?}");
    let per_day = uptake(&reef, "calcium");
    assert!((per_day - 7.1).abs() < 0.3, "{per_day}");
    let wanted = 75.6 * per_day / 5.716;
    assert!((reef.planned_ml("calcium") - wanted).abs() < 0.15);
    assert!((reef.planned_ml("alkalinity") - 75.6).abs() < 0.01);
    let list = reef.json(&["uptake", "--json"]);
    assert!(list.to_string().contains("accepted"), "{list}");
}

#[test]
fn an_estimate_far_from_the_plan_is_followed_by_the_largest_step_at_a_time() {
    let mut reef = Reef::new();
    with_a_band_of_calcium(&reef);
    // A rise of 4 mg/L a day: most of what is given is not taken up.
    calcium_of_three_weeks(&reef, |day| 380.0 + 4.0 * day);
    reef.start("1");
    let shown = reef.run(&["accept", "calcium", "--yes"]);
    assert!(shown.status.success(), "{shown:?}");
    // The example allows 3 mg/L a day at once.
    let left = 75.6 * (5.716 - 3.0) / 5.716;
    assert!((reef.planned_ml("calcium") - left).abs() < 0.1);
}

/// What was given in the past carried what the bottle held then, whatever the file says of it today.
#[test]
fn a_stronger_recipe_in_the_file_changes_nothing_of_what_was_taken_up_before() {
    let mut reef = Reef::new();
    with_a_band_of_calcium(&reef);
    // 5.716 mg/L of calcium given a day (see above), and a fall of 1.6 mg/L a day all the same.
    calcium_of_three_weeks(&reef, |day| 430.0 - 1.6 * day);
    reef.start("1");
    let before = reef.json(&["advise", "Ca", "--json"]);
    super::near(&before["water"]["uptake_per_day"], 7.316, 0.5);
    reef.kill();
    let file = reef.config().join("controller.toml");
    let text = fs::read_to_string(&file).unwrap();
    let stronger = text.replace("g-per-l = 83.2", "g-per-l = 166.4");
    assert_ne!(stronger, text);
    fs::write(&file, stronger).unwrap();
    reef.start("1");
    let after = reef.json(&["advise", "Ca", "--json"]);
    let uptake = |advice: &Value| advice["water"]["uptake_per_day"].as_f64().unwrap();
    assert!((uptake(&after) - uptake(&before)).abs() < 0.01, "{after}");
}
