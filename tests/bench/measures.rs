//! Measures the released program against the numbers it promises, and says how each was got: `cargo bench --bench measures`.
//!
//! Needs some minutes, most of them for making a ledger of a million doses and for a minute of idling. `cargo bench --bench measures -- million` does one part:
//! hold, idle, messages, doses or million.
#![expect(clippy::print_stdout, reason = "a report for people")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "what cannot be measured must fail loudly"
)]

#[path = "../e2e/rig.rs"]
#[expect(
    dead_code,
    reason = "shared with the end-to-end tests, which use the rest"
)]
mod rig;
#[path = "../support/mod.rs"]
mod support;

use std::fs;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};
use std::time::Duration;

use dosewright::control::{Client, Request};
use dosewright::daemon::ShellClock;
use dosewright::engine;
use dosewright::record::HoldScope;
use rig::Rig;
use rustix::process::Signal;
use rustix::time::{ClockId, clock_gettime};

/// Every line of the report: what, the value, its bound, and how it was measured.
struct Report {
    missed: u32,
}

impl Report {
    fn line(&mut self, what: &str, value: f64, unit: &str, most: Option<f64>, how: &str) {
        let verdict = match most {
            None => String::new(),
            Some(most) if value <= most => format!("at most {most} {unit}: met"),
            Some(most) => {
                self.missed += 1;
                format!("at most {most} {unit}: MISSED")
            }
        };
        println!("{what:44} {value:10.4} {unit:4} {verdict}\n    {how}");
    }
}

type Part = fn(&mut Report);

fn main() -> ExitCode {
    let mut report = Report { missed: 0 };
    let parts: [(&str, Part); 5] = [
        ("hold", hold),
        ("idle", idle),
        ("messages", idle_messages),
        ("doses", doses),
        ("million", million),
    ];
    let args = std::env::args().skip(1);
    // `--bench` is cargo's own.
    let asked: Vec<String> = args.filter(|arg| !arg.starts_with('-')).collect();
    for (name, part) in parts {
        if asked.is_empty() || asked.iter().any(|asked| asked == name) {
            part(&mut report);
        }
    }
    if report.missed == 0 {
        ExitCode::SUCCESS
    } else {
        println!("{} bounds missed", report.missed);
        ExitCode::FAILURE
    }
}

/// The kernel's clock since boot, in milliseconds with microseconds: the clock that the daemon's books carry too.
fn boot_ms() -> f64 {
    let now = clock_gettime(ClockId::Boottime);
    Duration::new(
        now.tv_sec.unsigned_abs(),
        u32::try_from(now.tv_nsec).unwrap(),
    )
    .as_secs_f64()
        * 1000.0
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn worst(values: &[f64]) -> f64 {
    values.iter().copied().fold(0.0, f64::max)
}

/// From the start of the command to the moment at which the daemon, told by the head's thread that its output is off, stamps the
/// end of the dose. That moment is later than the edge itself, so the number is an upper bound (stamps are whole milliseconds).
fn hold(report: &mut Report) {
    let rig = Rig::new();
    let daemon = rig.start_real();
    let (mut begun, mut asked) = (Vec::new(), Vec::new());
    for round in 1..=51 {
        rig.ok(&["dose", "fast", "60 mL", "--yes", "--repeat", "60 mL"]);
        rig::wait_for("flow", || {
            rig::ul(&rig.line("fast")["running"]["so_far_ml"]).filter(|ul| *ul > 0)
        });
        let before = boot_ms();
        if round % 2 == 1 {
            rig.ok(&["hold"]);
            begun.push((round, before));
        } else {
            let request = Request::Command(engine::Command::Hold {
                scope: HoldScope::All,
                reason: "bench".into(),
                length: None,
            });
            Client::connect(rig.state()).unwrap().ask(&request).unwrap();
            asked.push((round, before));
        }
        rig.ended(round);
        rig.ok(&["resume"]);
    }
    let rows = rig.rows("dose");
    let latency = |rounds: &[(i64, f64)]| -> Vec<f64> {
        let one = |(number, before): &(i64, f64)| {
            let row = rows.iter().find(|r| r["number"] == *number).unwrap();
            row["ended_elapsed_ms"].as_f64().unwrap() - before
        };
        rounds.iter().map(one).collect()
    };
    daemon.stop();
    let (command, socket) = (latency(&begun), latency(&asked));
    report.line(
        "hold: command started to output off, median",
        median(command.clone()),
        "ms",
        Some(20.0),
        "before spawning `dosewright hold` to the stamp of the outcome, an upper bound; 26 holds",
    );
    report.line(
        "hold: the same, worst",
        worst(&command),
        "ms",
        None,
        "of the same 26",
    );
    report.line(
        "hold: request sent to output off, median",
        median(socket),
        "ms",
        None,
        "the same over the socket, without a new process; 25 holds",
    );
}

/// A number of /proc/PID/FILE, by its key.
fn of_proc(pid: u32, file: &str, key: &str) -> f64 {
    let text = fs::read_to_string(format!("/proc/{pid}/{file}")).unwrap();
    let line = text.lines().find(|l| l.starts_with(key)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

/// Time on a processor of all threads, in milliseconds.
fn cpu_ms(pid: u32) -> f64 {
    let tasks = fs::read_dir(format!("/proc/{pid}/task")).unwrap();
    let one = |task: fs::DirEntry| -> f64 {
        let text = fs::read_to_string(task.path().join("schedstat")).unwrap_or_default();
        text.split_whitespace()
            .next()
            .and_then(|ns| ns.parse::<f64>().ok())
            .unwrap_or(0.0)
            / 1e6
    };
    tasks.flatten().map(one).sum()
}

fn demo() -> Rig {
    let rig = Rig::new();
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    for file in ["controller.toml", "plan.toml"] {
        rig.write(file, &fs::read_to_string(config.join(file)).unwrap());
    }
    rig
}

/// The daemon of the demo reef in real time, with a trusted clock, nothing due.
fn idle(report: &mut Report) {
    let rig = demo();
    let daemon = rig.start_real();
    for _ in 0..50 {
        rig.status();
    }
    rig::pause(Duration::from_secs(2));
    let before = (boot_ms(), cpu_ms(daemon.pid()));
    rig::pause(Duration::from_mins(1));
    let after = (boot_ms(), cpu_ms(daemon.pid()));
    let share = 100.0 * (after.1 - before.1) / (after.0 - before.0);
    let rss = of_proc(daemon.pid(), "status", "VmRSS:") / 1024.0;
    let own = of_proc(daemon.pid(), "status", "RssAnon:") / 1024.0;
    report.line(
        "idle: resident memory",
        rss,
        "MiB",
        Some(8.0),
        "VmRSS of the demo reef's daemon after 50 status requests and a minute",
    );
    report.line(
        "idle: of that not backed by the program file",
        own,
        "MiB",
        None,
        "RssAnon",
    );
    report.line(
        "idle: share of one core",
        share,
        "%",
        Some(0.1),
        "run time of all threads by /proc/PID/task/*/schedstat over 60 s",
    );
    daemon.stop();
}

/// Messages of an idle controller on a broker of its own, counted by somebody who subscribes to all of it. Needs mosquitto and
/// mosquitto-clients.
fn idle_messages(report: &mut Report) {
    const MINUTES: u32 = 4;
    let folder = tempfile::tempdir().unwrap();
    let port = std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let config = folder.path().join("mosquitto.conf");
    fs::write(
        &config,
        format!("listener {port} 127.0.0.1\nallow_anonymous true\n"),
    )
    .unwrap();
    let mut broker = Command::new("mosquitto")
        .arg("-c")
        .arg(&config)
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let rig = demo();
    let text =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/controller.toml"))
            .unwrap()
            .replace(
                "[mqtt]\nenabled = false",
                &format!("[mqtt]\nport = {port}\nenabled = true"),
            )
            .replace("host = \"localhost\"", "host = \"127.0.0.1\"");
    rig.write("controller.toml", &text);
    let daemon = rig.start_real();
    rig::pause(Duration::from_secs(20));
    let seconds = (MINUTES * 60).to_string();
    let seen = Command::new("mosquitto_sub")
        .args([
            "-p",
            &port.to_string(),
            "-t",
            "dosewright/#",
            "-R",
            "-F",
            "%t",
            "-W",
            &seconds,
        ])
        .output()
        .unwrap();
    let seen = rig::text(&seen.stdout).lines().count();
    report.line(
        "idle: messages a minute",
        f64::from(u32::try_from(seen).unwrap()) / f64::from(MINUTES),
        "/min",
        Some(6.0),
        "all of the demo reef's topics over 4 minutes in which nothing happens, by mosquitto_sub",
    );
    daemon.stop();
    broker.kill().unwrap();
    broker.wait().unwrap();
}

/// What doses cost the card. The state folder lies in the build folder, because a file system in memory counts no writes.
fn doses(report: &mut Report) {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let rig = Rig::with_state(&folder.path().join("state"));
    let daemon = rig.start(&["--warp", "3600"]);
    let at = |count: usize| {
        // Looked at seldom: a reader keeps the write-ahead log from being started anew.
        rig::wait_for("doses", || {
            rig::pause(Duration::from_secs(1));
            (rig.doses().len() >= count).then_some(())
        });
        let begun = rig.doses().len();
        let (disk, calls) = (
            of_proc(daemon.pid(), "io", "write_bytes:"),
            of_proc(daemon.pid(), "io", "wchar:"),
        );
        (f64::from(u32::try_from(begun).unwrap()), disk, calls)
    };
    let (from, to) = (at(50), at(650));
    let given = to.0 - from.0;
    let size = fs::metadata(rig.ledger()).unwrap().len();
    daemon.stop();
    report.line(
        "dose: written to disk",
        (to.1 - from.1) / given / 1024.0,
        "KiB",
        Some(32.0),
        "write_bytes of /proc/PID/io over 600 doses, checkpoints included",
    );
    report.line(
        "dose: written by calls",
        (to.2 - from.2) / given / 1024.0,
        "KiB",
        None,
        "wchar, which includes the log lines",
    );
    let rows = rig.doses().len();
    report.line(
        "dose: kept in the ledger",
        f64::from(u32::try_from(size).unwrap()) / f64::from(u32::try_from(rows).unwrap()) / 1024.0,
        "KiB",
        None,
        "size of the file by rows",
    );
}

fn million(report: &mut Report) {
    let count = std::env::var("DOSES")
        .ok()
        .map_or(1_000_000, |n| n.parse().unwrap());
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let mut rig = demo();
    rig.move_state(&folder.path().join("state"));
    fs::create_dir(rig.state()).unwrap();
    let now = ShellClock::Real.now().wall.as_millisecond();
    let end = now - support::EPOCH_MS - 600_000;
    // Live, and with readings: the estimate of the water is rebuilt from them.
    support::generate_as(&rig.ledger(), count, end, true);
    support::read_weekly(&rig.ledger(), end);
    let mut ready = Vec::new();
    for round in 0..8 {
        let before = boot_ms();
        let mut daemon = rig.launch(&[]);
        rig.answers(&mut daemon);
        ready.push(boot_ms() - before);
        if round == 7 {
            status(report, &rig, &daemon);
        }
        daemon.signal(Signal::TERM);
        daemon.end();
    }
    let status = rig.tell(&["ledger", "check"]);
    println!("{}", rig::text(&status.stdout));
    let how = format!(
        "from spawning the daemon to its first answer, {count} live doses and half a year of weekly readings; 8 starts, file in the page cache; the first may wait for the making of the file to reach the disk"
    );
    report.line(
        "million: start to ready, median",
        median(ready.clone()),
        "ms",
        Some(100.0),
        &how,
    );
    report.line(
        "million: start to ready, worst",
        worst(&ready),
        "ms",
        None,
        "of the same 8",
    );
}

fn status(report: &mut Report, rig: &Rig, daemon: &rig::Daemon) {
    let once = |_| {
        let before = boot_ms();
        rig.ok(&["status"]);
        boot_ms() - before
    };
    let times: Vec<f64> = (0..50).map(once).collect();
    report.line(
        "million: `dosewright status`, median",
        median(times.clone()),
        "ms",
        Some(20.0),
        "from spawning the command to its end; 50 times",
    );
    report.line(
        "million: the same, worst",
        worst(&times),
        "ms",
        None,
        "of the same 50",
    );
    let rss = of_proc(daemon.pid(), "status", "VmRSS:") / 1024.0;
    report.line(
        "million: resident memory",
        rss,
        "MiB",
        None,
        "VmRSS after that",
    );
}
