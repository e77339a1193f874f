//! A thousand controllers on one broker of this machine: `cargo bench --bench fleet`. `CONTROLLERS=100` makes it a smaller fleet.
//!
//! Each controller is the program's own MQTT client task with the state of a reef of five lines; the daemons round them are left out, for
//! they would be measured, not the broker. Broker, controllers and display share the machine, so the figures are lower bounds.
#![expect(clippy::print_stdout, reason = "a report for people")]
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    clippy::indexing_slicing,
    reason = "what cannot be measured must fail loudly"
)]

#[path = "../mqtt/support.rs"]
#[expect(
    dead_code,
    reason = "shared with the tests of the client, which use the rest"
)]
mod support;

use std::collections::BTreeSet;
use std::fs;
use std::sync::Arc;
use std::time::Duration;

use dosewright::mqtt::Settings;
use dosewright::quantity::Volume;
use support::{Broker, Rig, Watcher, identity, snapshot, start_as};
use tokio::time::Instant;

const LINES: [&str; 5] = ["alkalinity", "calcium", "magnesium", "trace", "iodine"];

/// Longest wait for anything here.
const PATIENCE: Duration = Duration::from_mins(5);

/// How long the fleet publishes as fast as it is allowed.
const BUSY: Duration = Duration::from_secs(30);

fn main() {
    let controllers = std::env::var("CONTROLLERS").map_or(1_000, |n| n.parse().unwrap());
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(fleet(controllers));
}

fn millis(since: Instant) -> u128 {
    since.elapsed().as_millis()
}

/// Resident memory of the broker, MiB.
fn memory(broker: &Broker) -> f64 {
    let status = fs::read_to_string(format!(
        "/proc/{}/status",
        broker.child.as_ref().unwrap().id()
    ))
    .unwrap();
    let line = status.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    let kib: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kib / 1024.0
}

fn start(port: u16, number: usize) -> Rig {
    let seed = u64::try_from(number).unwrap();
    // Default settings: pauses, back-off and jitter are those that are shipped.
    let settings = Settings::new("127.0.0.1", port);
    let identity = identity(&format!("machine-{number}"), seed);
    let mut state = snapshot(&LINES);
    state.name = support::name(&format!("reef-{number}"));
    start_as(settings, &identity, state)
}

/// Waits until the display has the newest "online" of every controller.
async fn all_online(display: &mut Watcher, rigs: &[Rig]) {
    let mut missing: BTreeSet<String> = rigs.iter().map(|r| r.topics.status()).collect();
    let until = Instant::now() + PATIENCE;
    while !missing.is_empty() {
        let next = tokio::time::timeout_at(until, display.messages.recv()).await;
        let Ok(Some(message)) = next else {
            panic!("{} controllers are not seen online", missing.len());
        };
        if missing.contains(&message.topic) && message.json()["state"] == "online" {
            missing.remove(&message.topic);
        }
    }
}

/// Waits until the display has seen every state topic of every controller again.
async fn all_states(display: &mut Watcher, rigs: &[Rig]) -> usize {
    let parts = [
        "controller",
        "water",
        "alarms",
        "head/head-1",
        "reservoir/bottle-a",
    ];
    let lines = LINES.map(|l| format!("line/{l}"));
    let mut missing: BTreeSet<String> = rigs
        .iter()
        .flat_map(|rig| {
            let of = |part: &str| rig.topics.of(part);
            let all: Vec<String> = parts
                .iter()
                .map(|p| of(p))
                .chain(lines.iter().map(|l| of(l)))
                .collect();
            all
        })
        .collect();
    let wanted = missing.len();
    let mut online: BTreeSet<String> = rigs.iter().map(|r| r.topics.status()).collect();
    let until = Instant::now() + PATIENCE;
    while !(missing.is_empty() && online.is_empty()) {
        let next = tokio::time::timeout_at(until, display.messages.recv()).await;
        let Ok(Some(message)) = next else {
            panic!(
                "{} states and {} controllers are missing",
                missing.len(),
                online.len()
            );
        };
        missing.remove(&message.topic);
        if message.json()["state"] == "online" {
            online.remove(&message.topic);
        }
    }
    wanted
}

async fn fleet(controllers: usize) {
    let mut broker = Broker::start().await;
    let port = broker.port;
    println!(
        "broker without a client: {:.1} MiB resident",
        memory(&broker)
    );
    let mut display = Watcher::join(port, &["dosewright/#"]).await;
    let begun = Instant::now();
    let rigs: Vec<Rig> = (0..controllers).map(|number| start(port, number)).collect();
    all_online(&mut display, &rigs).await;
    println!(
        "{controllers} controllers connected, described and online: {} ms",
        millis(begun)
    );
    println!("broker with them: {:.1} MiB resident", memory(&broker));

    // Each controller has a new state four times a second; it publishes a topic once a second at most.
    display.drain();
    let (begun, mut seen, mut tick) = (Instant::now(), 0_usize, 0_i64);
    while begun.elapsed() < BUSY {
        tick += 1;
        for rig in &rigs {
            let mut state = snapshot(&LINES);
            for line in &mut state.lines {
                line.delivered_24h = Some(Volume::from_ul(12_345 + tick));
            }
            rig.state.send_replace(Some(Arc::new(state)));
        }
        tokio::time::sleep(Duration::from_millis(250)).await;
        seen += display.drain().len();
    }
    let seconds = begun.elapsed().as_secs_f64();
    let seen = f64::from(u32::try_from(seen).unwrap());
    println!(
        "busy for {seconds:.0} s: {:.0} messages a second reached the display ({:.2} per controller)",
        seen / seconds,
        seen / seconds / f64::from(u32::try_from(controllers).unwrap())
    );
    println!("broker then: {:.1} MiB resident", memory(&broker));

    broker.down();
    display.drain();
    broker.up().await;
    let begun = Instant::now();
    let states = all_states(&mut display, &rigs).await;
    println!(
        "after a restart of the broker the display has all {states} states and {controllers} controllers online: {} ms",
        millis(begun)
    );
}
