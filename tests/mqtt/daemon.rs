//! The real daemon on a real broker: what displays see of it, what it obeys, and what it leaves behind when it goes.

use std::fs::{self, File};
use std::path::PathBuf;
use std::process::{Child, Command as Process, Stdio};
use std::time::Duration;

use dosewright::chemistry::Quantity;
use dosewright::control::{Client, Request};
use dosewright::engine::{Answer, Command, Tell, Wish};
use dosewright::pump::elapsed;
use dosewright::quantity::{Name, Volume};
use dosewright::record::{DoseKind, Found, HoldScope, Observed, Reading};
use rustix::process::{Signal, kill_process};
use serde_json::{Value, json};
use tokio::time::Instant;

use crate::support::{Broker, DEADLINE, Message, Watcher, free_port};

/// `fast` delivers 1 mL a second. No alkalinity, so no ramp limit comes into play.
const CONTROLLER: &str = r#"
name = "test-reef"
mode = "dry-run"
time-zone = "UTC"
[tank]
volume-l = 1000
[head.fast]
nominal-rate-ml-per-min = 60
run-max-s = 600
dose-min-ml = 0.5
output = "GPIO27"
active = "high"
[reservoir.fast]
solutions = "fast"
capacity-ml = 100000
reserve-ml = 100
[solution.fast]
per-litre = { Fe-mg = 1 }
caustic = false
[line.fast]
head = "fast"
reservoir = "fast"
daily-cap-ml = 5000
dose-cap-ml = 500
"#;

/// The program under test: the one that was built with the tests, or one named by `DOSEWRIGHT_PROGRAM`, for example a released one.
fn program() -> PathBuf {
    std::env::var_os("DOSEWRIGHT_PROGRAM")
        .map_or_else(|| env!("CARGO_BIN_EXE_dosewright").into(), PathBuf::from)
}

struct Reef {
    folder: tempfile::TempDir,
    child: Child,
}

impl Reef {
    /// Starts a daemon whose `[mqtt]` has these lines; waits until it answers and trusts its clock.
    async fn start(mqtt: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let config = folder.path().join("config");
        fs::create_dir(&config).unwrap();
        fs::write(
            config.join("controller.toml"),
            format!("{CONTROLLER}{mqtt}"),
        )
        .unwrap();
        fs::write(config.join("plan.toml"), "").unwrap();
        let log = File::create(folder.path().join("log")).unwrap();
        let child = Process::new(program())
            .arg("--config")
            .arg(&config)
            .arg("--state")
            .arg(folder.path().join("state"))
            .arg("run")
            .env_remove("DOSEWRIGHT_LOG")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        let reef = Self { folder, child };
        let until = Instant::now() + DEADLINE;
        while Client::connect(&reef.state()).is_err() {
            assert!(Instant::now() < until, "no daemon\n{}", reef.log());
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        reef.ask(&Command::TrustClock {}.into());
        reef
    }

    async fn on(broker: &Broker) -> Self {
        Self::start(&mqtt(broker.port)).await
    }

    fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    fn log(&self) -> String {
        fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    fn ask(&self, request: &Request) -> Value {
        let response = Client::connect(&self.state())
            .unwrap()
            .ask(request)
            .unwrap();
        assert!(response.ok, "{}\n{}", response.text, self.log());
        response.data
    }

    fn status(&self) -> Value {
        self.ask(&Request::Status {})
    }

    /// Begins a dose by hand.
    fn dose(&self, volume_ul: i64) {
        let volume = Volume::from_ul(volume_ul);
        let wish = Wish::Dose {
            line: Name::new("fast").unwrap(),
            volume,
            kind: DoseKind::Hand,
        };
        let prepared = self.ask(&Command::Prepare(wish).into());
        let Answer::Proposal(proposal) = serde_json::from_value(prepared).unwrap() else {
            panic!("no proposal");
        };
        self.ask(&Command::Confirm(proposal.confirm(Some(volume))).into());
    }

    /// Waits until the line's dose flows.
    async fn flows(&self) {
        let until = Instant::now() + DEADLINE;
        while self.status()["lines"][0]["running"]["so_far_ml"].as_f64() <= Some(0.0) {
            assert!(Instant::now() < until, "no flow\n{}", self.log());
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    /// All doses of the ledger, once that many have ended.
    async fn ended(&self, count: usize) -> Vec<Value> {
        let until = Instant::now() + DEADLINE;
        loop {
            let doses = self.doses();
            if doses.iter().filter(|d| d["outcome"] != "open").count() >= count {
                return doses;
            }
            assert!(
                Instant::now() < until,
                "no end of dose {count}: {doses:?}\n{}",
                self.log()
            );
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }

    fn doses(&self) -> Vec<Value> {
        let printed = Process::new(program())
            .arg("--state")
            .arg(self.state())
            .args(["ledger", "list", "dose", "--newest", "1000", "--json"])
            .output()
            .unwrap();
        serde_json::from_slice(&printed.stdout).unwrap()
    }

    /// Everything that the ledger says was delivered, in mL.
    fn booked_ml(&self) -> Value {
        let doses = self.doses();
        let ul: i64 = doses
            .iter()
            .filter_map(|d| d["delivered_ul"].as_i64())
            .sum();
        json!(Volume::from_ul(ul).as_ml())
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.id()).unwrap();
        kill_process(rustix::process::Pid::from_raw(pid).unwrap(), signal).unwrap();
    }
}

impl Drop for Reef {
    fn drop(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }
}

fn mqtt(port: u16) -> String {
    format!("[mqtt]\nenabled = true\nhost = \"127.0.0.1\"\nport = {port}\nkeep-alive-s = 5\n")
}

fn ends(message: &Message, end: &str) -> bool {
    message.topic.ends_with(end)
}

async fn status_is(watcher: &mut Watcher, state: &str) -> Message {
    watcher
        .wait(state, |m| ends(m, "/status") && m.json()["state"] == state)
        .await
}

/// What a display that joins now gets from the broker.
async fn kept(broker: &Broker, end: &str) -> Message {
    let mut late = Watcher::join(broker.port, &["dosewright/#"]).await;
    late.wait(end, |m| m.retain && ends(m, end)).await
}

#[tokio::test]
async fn the_daemons_state_is_kept_on_the_broker_and_its_events_and_readings_arrive() {
    let broker = Broker::start().await;
    let reef = Reef::on(&broker).await;
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    status_is(&mut watcher, "online").await;
    reef.dose(1000);
    let event = watcher
        .wait("the dose's event", |m| {
            ends(m, "/event") && m.json()["code"] == "dose-delivered"
        })
        .await;
    assert_eq!(event.json()["line"], "fast");
    assert_eq!(event.json()["mode"], "dry-run");
    assert!(!event.retain);
    // What is shown may be ahead of the disk.
    reef.ended(1).await;
    let booked = reef.booked_ml();
    let mut late = Watcher::join(broker.port, &["dosewright/+/line/fast"]).await;
    late.wait("the dose's line", |m| {
        m.json()["delivered_lifetime_ml"] == booked && m.json()["delivered_24h_ml"] == booked
    })
    .await;
    let calcium = Observed::Reading(Reading {
        of: Quantity::from_word("Ca").unwrap().into(),
        found: Found::Value {
            value: 421.0,
            uncertainty: 8.0,
        },
        step: None,
        as_read: String::new(),
    });
    reef.ask(
        &Command::Tell(Tell {
            items: vec![calcium],
            lab: None,
            method: "drop test".into(),
            happened: None,
            replaces: None,
            sure: false,
        })
        .into(),
    );
    watcher
        .wait("the reading", |m| {
            ends(m, "/water") && m.json().to_string().contains("421")
        })
        .await;
    let controller = kept(&broker, "/controller").await.json();
    assert_eq!(controller["name"], "test-reef");
    assert_eq!(controller["clock"]["trusted"], true);
    let status = reef.status();
    let daemon = &controller["daemon"];
    assert_eq!(daemon["armed"], false);
    assert!(daemon["controller_fingerprint"].is_string());
    assert_eq!(
        daemon["controller_fingerprint"],
        status["daemon"]["controller_fingerprint"]
    );
    let words = status["daemon"]["mqtt"].as_str().unwrap().to_owned();
    assert!(words.starts_with("connected since"), "{words}");
}

#[tokio::test]
async fn totals_go_on_after_a_restart_of_the_daemon() {
    let broker = Broker::start().await;
    let mut reef = Reef::on(&broker).await;
    reef.dose(1000);
    reef.ended(1).await;
    reef.dose(300_000);
    reef.flows().await;
    // Killed in a dose: it counts in full.
    reef.child.kill().unwrap();
    reef.child.wait().unwrap();
    let config = reef.folder.path().join("config");
    reef.child = Process::new(program())
        .arg("--config")
        .arg(&config)
        .arg("--state")
        .arg(reef.state())
        .arg("run")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut watcher = Watcher::join(broker.port, &["dosewright/+/line/fast"]).await;
    let line = watcher
        .wait("the total", |m| {
            m.json()["delivered_lifetime_ml"].as_f64() > Some(300.0)
        })
        .await;
    // The killed dose counts in full; what the first one gave is by its measured time.
    reef.ended(2).await;
    let all = reef.booked_ml();
    assert!(all.as_f64() >= Some(301.0), "{all}");
    assert_eq!(line.json()["delivered_lifetime_ml"], all);
}

#[tokio::test]
async fn everything_that_a_daemon_publishes_has_the_published_shape() {
    let broker = Broker::start().await;
    let mut reef = Reef::on(&broker).await;
    // A dose whose end nobody sees is an alarm after the restart.
    reef.dose(300_000);
    reef.flows().await;
    reef.child.kill().unwrap();
    reef.child.wait().unwrap();
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    reef.child = Process::new(program())
        .arg("--config")
        .arg(reef.folder.path().join("config"))
        .arg("--state")
        .arg(reef.state())
        .arg("run")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut seen = Vec::new();
    let alarm = |m: &Message| ends(m, "/alarms") && m.json().to_string().contains("dose-uncertain");
    watcher
        .wait("the alarm", |m| {
            seen.push(m.clone());
            alarm(m)
        })
        .await;
    let topic = seen.last().unwrap().topic.replace("/alarms", "/cmd/");
    // One that is obeyed, one that is not allowed, one that is no command at all.
    for (kind, text) in [("hold", "{}"), ("resume", "{}"), ("hold", "stop!")] {
        watcher.send(&format!("{topic}{kind}"), text, false).await;
        watcher
            .wait("the reply", |m| {
                seen.push(m.clone());
                ends(m, "/reply")
            })
            .await;
    }
    watcher
        .wait("the hold's event", |m| {
            seen.push(m.clone());
            ends(m, "/event") || seen.iter().any(|s| ends(s, "/event"))
        })
        .await;
    let mut kinds = std::collections::BTreeSet::new();
    for message in seen.iter().filter(|m| !m.topic.contains("/cmd/")) {
        let rest = message.topic.splitn(3, '/').nth(2).unwrap();
        super::shapes::fits_schema(rest, &message.json());
        kinds.insert(rest.split('/').next().unwrap());
    }
    for kind in ["status", "controller", "line", "alarms", "event", "reply"] {
        assert!(kinds.contains(kind), "{kind} was not seen: {kinds:?}");
    }
}

#[tokio::test]
async fn a_hold_from_the_broker_switches_a_running_head_off_at_once() {
    const ROUNDS: usize = 11;
    let broker = Broker::start().await;
    let reef = Reef::on(&broker).await;
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    let online = status_is(&mut watcher, "online").await;
    let topic = online.topic.replace("/status", "/cmd/hold");
    let mut asked = Vec::new();
    for round in 1..=ROUNDS {
        reef.dose(300_000);
        reef.flows().await;
        asked.push(elapsed());
        watcher.send(&topic, "{}", false).await;
        watcher
            .wait("the hold", |m| {
                ends(m, "/controller") && m.json()["held"] == true
            })
            .await;
        let doses = reef.ended(round).await;
        assert_eq!(doses.last().unwrap()["outcome"], "interrupted");
        let holds = reef.status()["holds"].clone();
        assert!(
            holds[0]["who"].as_str().unwrap().ends_with("by remote"),
            "{holds}"
        );
        reef.ask(
            &Command::Resume {
                scope: HoldScope::All,
            }
            .into(),
        );
        watcher
            .wait("the resume", |m| {
                ends(m, "/controller") && m.json()["held"] == false
            })
            .await;
    }
    let mut doses = reef.doses();
    doses.sort_by_key(|d| d["number"].as_i64());
    let mut took: Vec<i64> = doses
        .iter()
        .zip(&asked)
        .map(|(dose, asked)| dose["ended_elapsed_ms"].as_i64().unwrap() - asked.as_ms())
        .collect();
    took.sort_unstable();
    println!("hold on the broker to output off, ms: {took:?}");
    // The measure is for a released program on a quiet machine; a debug build beside other tests gets more.
    let released = std::env::var_os("DOSEWRIGHT_PROGRAM").is_some() || !cfg!(debug_assertions);
    let most = if released { 30 } else { 100 };
    assert!(took[ROUNDS / 2] <= most, "{took:?}");
}

#[tokio::test]
async fn a_hold_is_never_refused_for_its_clock_and_each_id_is_obeyed_once() {
    let broker = Broker::start().await;
    let reef = Reef::on(&broker).await;
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    let online = status_is(&mut watcher, "online").await;
    let topic = online.topic.replace("/status", "/cmd/hold");
    let resume: Request = Command::Resume {
        scope: HoldScope::All,
    }
    .into();
    // No pause after the resume: what the displays were last shown is then one change old.
    for round in 0..30 {
        let hold = format!(r#"{{"id":"h{round}","sent":"2001-01-01T00:00:00Z"}}"#);
        watcher.send(&topic, hold, false).await;
        let answer = watcher.wait("the answer", |m| ends(m, "/reply")).await;
        assert_eq!(answer.json()["accepted"], true, "{}", answer.json());
        assert_eq!(reef.status()["held"], true);
        reef.ask(&resume);
    }
    watcher.send(&topic, r#"{"id":"h0"}"#, false).await;
    let answer = watcher.wait("the answer", |m| ends(m, "/reply")).await;
    assert_eq!(answer.json()["accepted"], true, "{}", answer.json());
    assert_eq!(
        reef.status()["held"],
        false,
        "a repeated message undid a resume"
    );
    watcher.send(&topic, r#"{"line":"alll"}"#, false).await;
    let answer = watcher.wait("the answer", |m| ends(m, "/reply")).await;
    assert!(
        answer.json()["text"]
            .as_str()
            .unwrap()
            .starts_with("NOTHING IS HELD")
    );
    watcher.send(&topic, r#"{"line":"all"}"#, false).await;
    watcher.wait("the answer", |m| ends(m, "/reply")).await;
    assert_eq!(reef.status()["holds"][0]["line"], Value::Null);
}

#[tokio::test]
async fn an_ordered_stop_and_a_kill_both_leave_offline_on_the_broker_and_the_heads_off() {
    let broker = Broker::start().await;
    let mut reef = Reef::on(&broker).await;
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    status_is(&mut watcher, "online").await;
    reef.dose(300_000);
    reef.flows().await;
    watcher
        .wait("the running dose", |m| {
            ends(m, "/line/fast") && m.json()["state"] == "dosing"
        })
        .await;
    reef.signal(Signal::TERM);
    assert_eq!(reef.child.wait().unwrap().code(), Some(0), "{}", reef.log());
    assert_eq!(kept(&broker, "/status").await.json()["state"], "offline");
    assert_ne!(
        kept(&broker, "/line/fast").await.json()["state"],
        "dosing",
        "the last word about the line is older than the stop"
    );
    assert_eq!(reef.doses()[0]["outcome"], "interrupted");

    let mut reef = Reef::on(&broker).await;
    status_is(&mut watcher, "online").await;
    reef.child.kill().unwrap();
    reef.child.wait().unwrap();
    status_is(&mut watcher, "offline").await;
    assert_eq!(kept(&broker, "/status").await.json()["state"], "offline");
}

/// How much longer than meant each of three doses of about 1 mL, which is 1 s, ran, in ms, sorted.
async fn too_long(reef: &Reef) -> Vec<i64> {
    for round in 1..=3 {
        // Not twice the same: that is taken for a slip of the hand.
        reef.dose(1000 + i64::try_from(round).unwrap());
        reef.ended(round).await;
    }
    let more = |d: &Value| d["on_time_ms"].as_i64().unwrap() - d["volume_ul"].as_i64().unwrap();
    let mut times: Vec<i64> = reef.doses().iter().map(more).collect();
    times.sort_unstable();
    times
}

#[tokio::test]
async fn a_dead_broker_a_frozen_one_and_none_at_all_make_the_same_doses() {
    let without = too_long(&Reef::start("").await).await;
    let dead = Reef::start(&mqtt(free_port())).await;
    let dead_times = too_long(&dead).await;
    let words = dead.status()["daemon"]["mqtt"].as_str().unwrap().to_owned();
    assert!(words.starts_with("not connected"), "{words}");
    let broker = Broker::start().await;
    let frozen = Reef::on(&broker).await;
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    status_is(&mut watcher, "online").await;
    broker.freeze();
    let frozen_times = too_long(&frozen).await;
    broker.thaw();
    println!(
        "on-times above what was meant, ms: without {without:?}, dead {dead_times:?}, frozen {frozen_times:?}"
    );
    for times in [without, dead_times, frozen_times] {
        assert!((0..30).contains(&times[1]), "{times:?}");
    }
}

#[tokio::test]
async fn a_mistake_in_the_mqtt_table_is_found_by_check_and_keeps_the_daemon_from_starting() {
    let folder = tempfile::tempdir().unwrap();
    let text = format!("{CONTROLLER}[mqtt]\nenabled = true\nhost = \"mqtt://hub\"\nport = 70000\n");
    fs::write(folder.path().join("controller.toml"), text).unwrap();
    fs::write(folder.path().join("plan.toml"), "").unwrap();
    for command in ["check", "run"] {
        let said = Process::new(program())
            .arg("--config")
            .arg(folder.path())
            .arg("--state")
            .arg(folder.path().join("state"))
            .arg(command)
            .output()
            .unwrap();
        assert_eq!(said.status.code(), Some(78));
        let words = String::from_utf8(said.stderr).unwrap();
        let line = |n: usize| format!("controller.toml:{}:", CONTROLLER.lines().count() + n);
        assert!(
            words.contains(&line(3)) && words.contains("mqtt.host"),
            "{words}"
        );
        assert!(
            words.contains(&line(4)) && words.contains("mqtt.port"),
            "{words}"
        );
    }
}

#[tokio::test]
async fn mqtt_check_beside_a_running_daemon_says_that_all_works_and_schema_names_every_topic() {
    let broker = Broker::start().await;
    let reef = Reef::on(&broker).await;
    let mut watcher = Watcher::join(broker.port, &["dosewright/#"]).await;
    status_is(&mut watcher, "online").await;
    let tell = |args: &[&str]| {
        let said = Process::new(program())
            .arg("--config")
            .arg(reef.folder.path().join("config"))
            .arg("--state")
            .arg(reef.state())
            .args(args)
            .output()
            .unwrap();
        let words = String::from_utf8(said.stdout).unwrap();
        (
            said.status.code(),
            serde_json::from_str::<Value>(&words).unwrap_or(Value::Null),
        )
    };
    let (code, report) = tell(&["mqtt", "check", "--json"]);
    assert_eq!((code, &report["ok"]), (Some(0), &json!(true)), "{report}");
    assert_eq!(
        reef.status()["daemon"]["mqtt"].as_str().unwrap().get(..9),
        Some("connected")
    );
    let (code, schema) = tell(&["schema", "displays"]);
    assert_eq!(code, Some(0));
    let words = schema.to_string();
    for topic in [
        "status",
        "controller",
        "line/",
        "reservoir/",
        "head/",
        "water",
        "alarms",
        "event",
        "reply",
    ] {
        assert!(words.contains(topic), "{topic}");
    }
}
