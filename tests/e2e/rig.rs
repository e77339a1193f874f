//! A tank of its own for each test: folders, two config files, the daemon, and what can be asked of it.

use std::fs::{self, File, OpenOptions};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::time::Duration;

use dosewright::control::{Client, Request, Response};
use dosewright::pump::elapsed;
use dosewright::quantity::Millis;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

/// Longest wait for anything; a machine that is busy with something else must not fail a test.
const PATIENCE: Millis = Millis::from_secs(120);
/// How often a condition is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(5);

/// Two heads with the rate that makes sums easy: `slow` runs 60 s for 1 mL, `fast` delivers 1 mL a second (1 uL a millisecond).
/// No alkalinity, so no ramp limit comes into play.
pub(crate) const CONTROLLER: &str = r#"
name = "test-reef"
mode = "dry-run"
time-zone = "UTC"
[tank]
volume-l = 1000
[supply]
heads-at-once = 2
[head.slow]
nominal-rate-ml-per-min = 1
run-max-s = 600
dose-min-ml = 0.5
output = "GPIO17"
active = "high"
[head.fast]
nominal-rate-ml-per-min = 60
run-max-s = 600
dose-min-ml = 0.5
output = "GPIO27"
active = "high"
[reservoir.slow]
solutions = "slow"
capacity-ml = 100000
reserve-ml = 100
[reservoir.fast]
solutions = "fast"
capacity-ml = 100000
reserve-ml = 100
[solution.slow]
per-litre = { Mn-mg = 1 }
caustic = false
[solution.fast]
per-litre = { Fe-mg = 1 }
caustic = false
[line.slow]
head = "slow"
reservoir = "slow"
daily-cap-ml = 510
dose-cap-ml = 5
[line.fast]
head = "fast"
reservoir = "fast"
daily-cap-ml = 5000
dose-cap-ml = 500
"#;

/// A dose of 1 mL every three minutes.
pub(crate) const PLAN: &str = "[line.slow]\ndaily-ml = 480\ndoses = 480\n";

/// What a full bottle holds.
pub(crate) const BOTTLE_UL: i64 = 100_000_000;

/// Waits until `look` finds something. `what` is for the message when it never does.
pub(crate) fn wait_for<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let until = elapsed().plus(PATIENCE);
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(elapsed() < until, "waited {PATIENCE} in vain for: {what}");
        pause(LOOK_EVERY);
    }
}

/// Lets time pass: to spread the moments at which something is done to the daemon, never for it to have done something.
pub(crate) fn pause(time: Duration) {
    let until = elapsed().plus(Millis::new(i64::try_from(time.as_millis()).unwrap()));
    loop {
        std::thread::park_timeout(time);
        if elapsed() >= until {
            return;
        }
    }
}

/// A spread of numbers that is the same in every run.
pub(crate) struct Spread(u64);

impl Spread {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// From 0 to below `below`.
    pub(crate) fn below(&mut self, below: u64) -> u64 {
        // Knuth's MMIX multiplier; the upper bits are the good ones.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % below
    }
}

/// The program under test: the one that was built with the tests, or one named by `DOSEWRIGHT_PROGRAM`, for example an installed one.
pub(crate) fn binary() -> &'static str {
    static PROGRAM: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    PROGRAM.get_or_init(|| {
        std::env::var("DOSEWRIGHT_PROGRAM")
            .unwrap_or_else(|_| env!("CARGO_BIN_EXE_dosewright").to_owned())
    })
}

/// Folders and files of one test.
pub(crate) struct Rig {
    folder: tempfile::TempDir,
    state: PathBuf,
}

impl Rig {
    pub(crate) fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        fs::create_dir(folder.path().join("config")).unwrap();
        let state = folder.path().join("state");
        let rig = Self { folder, state };
        rig.write("controller.toml", CONTROLLER);
        rig.write("plan.toml", PLAN);
        rig
    }

    /// The same, with the state folder somewhere else.
    pub(crate) fn with_state(state: &Path) -> Self {
        let mut rig = Self::new();
        rig.move_state(state);
        rig
    }

    /// From now on the state is somewhere else.
    pub(crate) fn move_state(&mut self, state: &Path) {
        self.state = state.to_path_buf();
    }

    pub(crate) fn folder(&self) -> &Path {
        self.folder.path()
    }

    pub(crate) fn state(&self) -> &Path {
        &self.state
    }

    pub(crate) fn ledger(&self) -> PathBuf {
        dosewright::daemon::ledger_path(&self.state)
    }

    pub(crate) fn socket(&self) -> PathBuf {
        dosewright::control::socket_path(&self.state)
    }

    pub(crate) fn log_file(&self) -> PathBuf {
        self.folder.path().join("log")
    }

    /// Everything the daemons of this rig have logged.
    pub(crate) fn log(&self) -> String {
        fs::read_to_string(self.log_file()).unwrap_or_default()
    }

    pub(crate) fn write(&self, file: &str, text: &str) {
        fs::write(self.folder.path().join("config").join(file), text).unwrap();
    }

    fn command(&self) -> Command {
        let mut command = Command::new(binary());
        self.place(&mut command);
        command
    }

    /// Adds the folders to a command line.
    pub(crate) fn place(&self, command: &mut Command) {
        command
            .arg("--config")
            .arg(self.folder.path().join("config"));
        command.arg("--state").arg(&self.state);
        command.env_remove("DOSEWRIGHT_LOG");
    }

    /// Runs a command to its end.
    pub(crate) fn tell(&self, args: &[&str]) -> Output {
        let mut command = self.command();
        command.args(args).stdin(Stdio::null());
        command.output().unwrap()
    }

    /// Runs a command that must succeed, and returns what it printed.
    pub(crate) fn ok(&self, args: &[&str]) -> String {
        let output = self.tell(args);
        assert!(
            output.status.success(),
            "{args:?}: {}\n{}\n{}",
            output.status,
            text(&output.stderr),
            self.log_tail()
        );
        text(&output.stdout)
    }

    fn log_tail(&self) -> String {
        let log = self.log();
        let lines: Vec<&str> = log.lines().rev().take(30).collect();
        lines.into_iter().rev().collect::<Vec<_>>().join("\n")
    }

    /// Starts the daemon without waiting for anything.
    pub(crate) fn launch(&self, args: &[&str]) -> Daemon {
        let mut command = self.command();
        command.arg("run").args(args);
        self.launch_command(command)
    }

    /// Starts a daemon from a prepared command, its log going where all go.
    pub(crate) fn launch_command(&self, mut command: Command) -> Daemon {
        let log: File = OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.log_file())
            .unwrap();
        let child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        Daemon { child }
    }

    /// Starts the daemon and waits until it answers.
    pub(crate) fn start(&self, args: &[&str]) -> Daemon {
        let mut daemon = self.launch(args);
        self.answers(&mut daemon);
        daemon
    }

    /// Waits until the daemon answers.
    pub(crate) fn answers(&self, daemon: &mut Daemon) {
        wait_for("the daemon's answer", || {
            if let Some(status) = daemon.child.try_wait().unwrap() {
                panic!("the daemon ended: {status}\n{}", self.log_tail());
            }
            self.try_status()
        });
    }

    /// Starts the daemon in real time, with a clock that it trusts.
    pub(crate) fn start_real(&self) -> Daemon {
        let daemon = self.start(&[]);
        self.ok(&["clock", "trust"]);
        daemon
    }

    pub(crate) fn ask(&self, request: &Request) -> Option<Response> {
        Client::connect(&self.state).ok()?.ask(request).ok()
    }

    pub(crate) fn try_status(&self) -> Option<Value> {
        let response = self.ask(&Request::Status {})?;
        response.ok.then_some(response.data)
    }

    /// The status; waited for, because a daemon that starts anew is away for a moment.
    pub(crate) fn status(&self) -> Value {
        let until = elapsed().plus(Millis::from_secs(20));
        loop {
            if let Some(status) = self.try_status() {
                return status;
            }
            assert!(elapsed() < until, "no status\n{}", self.log_tail());
            pause(LOOK_EVERY);
        }
    }

    /// One line of the status.
    pub(crate) fn line(&self, name: &str) -> Value {
        let status = self.status();
        let lines = status["lines"].as_array().unwrap();
        lines.iter().find(|l| l["name"] == name).unwrap().clone()
    }

    /// Waits until a line is dosing; its status then.
    pub(crate) fn dosing(&self, name: &str) -> Value {
        wait_for("a running dose", || {
            let line = self.line(name);
            (line["state"] == "dosing" && line["running"].is_object()).then_some(line)
        })
    }

    /// Rows of a table of the ledger.
    pub(crate) fn rows(&self, table: &str) -> Vec<Value> {
        let printed = self.ok(&["ledger", "list", table, "--newest", "100000", "--json"]);
        serde_json::from_str(&printed).unwrap()
    }

    /// All doses, by number.
    pub(crate) fn doses(&self) -> Vec<Dose> {
        self.rows("dose").iter().map(Dose::read).collect()
    }

    /// Those that somebody asked for: a slot of the plan falls due every three minutes of real time.
    pub(crate) fn doses_by_hand(&self) -> Vec<Dose> {
        let all = self.doses().into_iter();
        all.filter(|dose| dose.slot.is_none()).collect()
    }

    /// The row of one dose once it has an outcome.
    pub(crate) fn ended(&self, number: i64) -> Dose {
        wait_for("the outcome of a dose", || {
            let dose = self.doses().into_iter().find(|d| d.number == number)?;
            (!dose.outcome.is_empty()).then_some(dose)
        })
    }

    /// The books as the program checks them, and once more by hand: every bottle lost what its doses gave.
    pub(crate) fn books_are_right(&self) -> Vec<Dose> {
        self.ok(&["ledger", "check"]);
        let doses = self.doses();
        // Gaps are in order: a number whose intent could not be stored is not used again.
        let numbers: Vec<i64> = doses.iter().map(|d| d.number).collect();
        assert!(numbers.is_sorted_by(|a, b| a < b), "{numbers:?}");
        for bottle in ["slow", "fast"] {
            let mine = || {
                doses
                    .iter()
                    .filter(|d| d.line == bottle && !d.outcome.is_empty())
            };
            let gone: i64 = mine().map(|d| d.delivered_ul).sum();
            if let Some(left) = mine().max_by_key(|d| d.outcome_order).map(|d| d.left_ul) {
                assert_eq!(left, BOTTLE_UL - gone, "bottle {bottle}");
            }
        }
        doses
    }
}

/// A row of the doses.
#[derive(Debug, Clone)]
pub(crate) struct Dose {
    pub(crate) number: i64,
    pub(crate) line: String,
    /// Line, date and second of the day; `None` for doses by hand.
    pub(crate) slot: Option<(String, String, i64)>,
    pub(crate) volume_ul: i64,
    /// Empty while the dose is open.
    pub(crate) outcome: String,
    pub(crate) outcome_order: i64,
    pub(crate) delivered_ul: i64,
    pub(crate) on_time_ms: Option<i64>,
    pub(crate) left_ul: i64,
    pub(crate) cause: String,
    pub(crate) at: String,
}

impl Dose {
    fn read(row: &Value) -> Self {
        let text = |key: &str| row[key].as_str().unwrap_or_default().to_owned();
        let whole = |key: &str| row[key].as_i64().unwrap_or_default();
        let slot = row["slot_date"]
            .as_str()
            .map(|date| (text("line"), date.to_owned(), whole("slot_second")));
        Self {
            number: row["number"].as_i64().unwrap(),
            line: text("line"),
            slot,
            volume_ul: row["volume_ul"].as_i64().unwrap(),
            outcome: Some(text("outcome"))
                .filter(|o| o != "open")
                .unwrap_or_default(),
            outcome_order: whole("outcome_order"),
            delivered_ul: whole("delivered_ul"),
            on_time_ms: row["on_time_ms"].as_i64(),
            left_ul: whole("reservoir_left_ul"),
            cause: text("cause"),
            at: text("at"),
        }
    }
}

/// A daemon that is killed when the test is over.
pub(crate) struct Daemon {
    child: Child,
}

impl Daemon {
    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    pub(crate) fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(i32::try_from(self.child.id()).unwrap()).unwrap();
        kill_process(pid, signal).unwrap();
    }

    /// SIGKILL, and gone.
    pub(crate) fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Waits for the end.
    pub(crate) fn end(&mut self) -> ExitStatus {
        wait_for("the daemon's end", || self.child.try_wait().unwrap())
    }

    pub(crate) fn is_running(&mut self) -> bool {
        self.child.try_wait().unwrap().is_none()
    }

    /// SIGTERM, and an orderly end.
    pub(crate) fn stop(mut self) {
        self.signal(Signal::TERM);
        let status = self.end();
        assert_eq!(status.code(), Some(0), "{status}");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Already gone is fine.
        drop(self.child.kill());
        drop(self.child.wait());
    }
}

/// Bytes of a program's output.
pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Says on the test's output why a part was left out. Shown with `--nocapture`, and counted by nobody.
pub(crate) fn skipped(why: &str) {
    println!("SKIPPED: {why}");
}

/// A small file system of its own, unmounted when dropped. `None` when the test may not mount.
pub(crate) struct SmallDisk {
    folder: tempfile::TempDir,
}

impl SmallDisk {
    pub(crate) fn mount(kib: u32) -> Option<Self> {
        let folder = tempfile::tempdir().unwrap();
        let options = format!("size={kib}k");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &options, "tmpfs"])
            .arg(folder.path())
            .output()
            .is_ok_and(|o| o.status.success());
        mounted.then_some(Self { folder })
    }

    pub(crate) fn path(&self) -> &Path {
        self.folder.path()
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Lazily: a daemon that is being killed may still have files open.
        let unmounted = Command::new("umount")
            .arg("-l")
            .arg(self.folder.path())
            .status();
        drop(unmounted);
    }
}

/// A disk on which the kernel can be told to find an error, whereupon it takes no writes any more, as a worn card does. A mount cannot be
/// made read-only by hand while a daemon has files open on it.
pub(crate) struct FailingDisk {
    folder: tempfile::TempDir,
}

impl FailingDisk {
    /// `None` where that is not allowed, or the kernel cannot.
    pub(crate) fn mount() -> Option<Self> {
        let disk = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        fs::create_dir(disk.path()).unwrap();
        let image = File::create(disk.image()).unwrap();
        image.set_len(16 * 1024 * 1024).unwrap();
        let mut format = Command::new("mkfs.ext4");
        let made = format.arg("-q").arg(disk.image()).status();
        let made = made.is_ok_and(|s| s.success());
        (made && disk.attach() && disk.trigger().is_some_and(|t| t.exists())).then_some(disk)
    }

    /// Mounts it, again after [`Self::detach`].
    pub(crate) fn attach(&self) -> bool {
        let mut mount = Command::new("mount");
        mount.args(["-o", "loop,errors=remount-ro"]);
        mount.arg(self.image()).arg(self.path());
        mount.output().is_ok_and(|o| o.status.success())
    }

    /// As a power cut does.
    pub(crate) fn detach(&self) {
        wait_for("the end of the mount", || {
            let unmounted = Command::new("umount").arg(self.path()).output();
            unmounted.is_ok_and(|o| o.status.success()).then_some(())
        });
    }

    /// From now on it takes no writes.
    pub(crate) fn fail(&self) {
        fs::write(self.trigger().unwrap(), "worn out").unwrap();
        wait_for("a disk that takes no writes", || {
            let written = fs::write(self.path().join("probe"), "x");
            written.is_err().then_some(())
        });
    }

    fn trigger(&self) -> Option<PathBuf> {
        let mounts = fs::read_to_string("/proc/mounts").ok()?;
        let at = self.path();
        let of_it = |line: &&str| line.split(' ').nth(1) == at.to_str();
        let device = mounts.lines().find(of_it)?.split(' ').next()?;
        let device = Path::new(device).file_name()?;
        let folder = Path::new("/sys/fs/ext4").join(device);
        Some(folder.join("trigger_fs_error"))
    }

    fn image(&self) -> PathBuf {
        self.folder.path().join("image")
    }

    pub(crate) fn path(&self) -> PathBuf {
        self.folder.path().join("disk")
    }
}

impl Drop for FailingDisk {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("-l").arg(self.path()).output());
    }
}

/// Microlitres of a volume that is shown in mL; `None` when it is unknown.
pub(crate) fn ul(shown: &Value) -> Option<i64> {
    let volume = dosewright::quantity::Volume::from_ml(shown.as_f64()?)?;
    Some(volume.as_ul())
}
