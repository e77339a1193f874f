//! A broker of our own, a sample tank, a stand-in for the shell, and somebody who watches the broker.

use std::fs;
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command as Process, Stdio};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use dosewright::chemistry::{Measurand, Quantity};
use dosewright::config::{Mode, Origin, RemoteKind};
use dosewright::engine::{
    Answer, BreakStatus, ClockStatus, Command, CorridorStatus, DaemonStatus, Denial,
    EstimateStatus, HeadStatus, InputStatus, LastDose, LedgerStatus, LineState, LineStatus,
    NextDose, Now, ReadingStatus, ReservoirStatus, SlotStatus, Status, TrustSource, WaterStatus,
};
use dosewright::mqtt::{
    Clock, EventLine, Health, Identity, RemoteCommand, Running, Seams, Settings, Topics, spawn,
};
use dosewright::quantity::{Alkalinity, FlowRate, Millis, Name, Volume};
use dosewright::record::{
    Corridor, CorridorGrant, Found, Observation, Observed, Reading, Stamp, Who,
};
use jiff::Timestamp;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, PublishOptions, QoS};
use serde_json::Value;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::time::{Instant, timeout_at};

/// Far longer than anything here takes.
pub(crate) const DEADLINE: Duration = Duration::from_secs(20);

pub(crate) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

pub(crate) fn when(text: &str) -> Timestamp {
    text.parse().unwrap()
}

// ---- a sample tank ----

pub(crate) fn identity(machine: &str, seed: u64) -> Identity {
    Identity {
        machine_id: machine.to_owned(),
        seed,
    }
}

pub(crate) fn line(text: &str) -> LineStatus {
    LineStatus {
        tube: None,
        uptake_from: Some(Origin::File),
        name: name(text),
        solution: name("carbonate"),
        reservoir: name("bottle-a"),
        state: LineState::Waiting,
        reason: None,
        running: None,
        delivered_today: Some(Volume::from_ul(4_000)),
        today_since: Some(when("2026-11-24T23:00:00Z")),
        delivered_24h: Some(Volume::from_ul(12_345)),
        delivered_lifetime: Some(Volume::from_ul(9_876_543)),
        planned: Volume::from_ul(24_000),
        plan_standing: Volume::from_ul(24_000),
        delivered_of_plan_percent: Some(51.4),
        daily_cap: Volume::from_ul(40_000),
        dose_cap: Volume::from_ul(5_000),
        hourly_cap: Volume::from_ul(6_000),
        hour_left: Some(Volume::from_ul(6_000)),
        cap_left: Some(Volume::from_ul(27_655)),
        next_slot: Some(SlotStatus {
            at: when("2026-11-25T11:00:00Z"),
            volume: Volume::from_ul(1000),
        }),
        last_dose: Some(LastDose {
            at: when("2026-11-25T09:00:00Z"),
            volume: Volume::from_ul(1000),
            age_s: 3600,
        }),
        last_refusal: None,
    }
}

pub(crate) fn snapshot(lines: &[&str]) -> Status {
    Status {
        mode: Mode::DryRun,
        at: when("2026-11-25T10:00:00Z"),
        name: name("reef"),
        daemon: DaemonStatus {
            version: "0.1.0".to_owned(),
            controller_fingerprint: "c0ffee".to_owned(),
            plan_fingerprint: "decade".to_owned(),
            time_zone: "Europe/Berlin".to_owned(),
            armed: false,
            not_live_because: None,
            warp: None,
            mqtt: None,
        },
        held: false,
        holds: Vec::new(),
        clock: ClockStatus {
            trusted: true,
            by: Some(TrustSource::Kernel),
            reason: None,
        },
        ledger: LedgerStatus {
            writable: true,
            reason: None,
        },
        courses: Vec::new(),
        next_dose: lines.first().map(|l| NextDose {
            line: name(l),
            at: when("2026-11-25T11:00:00Z"),
            volume: Volume::from_ul(1000),
        }),
        inputs: vec![InputStatus {
            name: name("float-a"),
            safe: true,
        }],
        lines: lines.iter().map(|l| line(l)).collect(),
        heads: vec![head()],
        reservoirs: vec![ReservoirStatus {
            solution: name("soda-ash"),
            solution_from: Origin::Ledger,
            name: name("bottle-a"),
            left: Some(Volume::from_ul(1_480_000)),
            usable: Some(Volume::from_ul(1_430_000)),
            capacity: Volume::from_ul(2_000_000),
            reserve: Volume::from_ul(50_000),
            days_left: Some(59.6),
            low: Some(false),
        }],
        water: water(),
        jobs: Vec::new(),
        alarms: Vec::new(),
    }
}

fn head() -> HeadStatus {
    HeadStatus {
        name: name("head-1"),
        bench: None,
        rate: Some(FlowRate::from_ml_per_min(48.7)),
        offset: Some(Volume::from_ul(20)),
        dose_min: Some(Volume::from_ul(2_496)),
        dose_max: Some(Volume::from_ul(10_000)),
        run_min: Some(Millis::from_secs(2)),
        run_max: Some(Millis::from_secs(24)),
        tolerance_percent: Some(5.0),
        meters_nothing: None,
        calibration_method: Some("weighed".to_owned()),
        calibration_age_s: Some(86_400),
        run_since_calibration_s: Some(3600),
        thread_priority: None,
    }
}

fn estimate() -> EstimateStatus {
    EstimateStatus {
        unit: "dKH".to_owned(),
        level: Some(8.2),
        level_low: Some(7.9),
        level_high: Some(8.5),
        uptake_per_day: Some(1.18),
        uptake_low_per_day: Some(1.05),
        uptake_high_per_day: Some(1.31),
        reading_age_s: Some(14_400),
        readings: 9,
        questioned: None,
        scatter: Some(1.1),
        liveliness: None,
        broke: Some(BreakStatus {
            since: when("2026-11-18T06:00:00Z"),
            seen: when("2026-11-21T06:00:00Z"),
            before_per_day: 0.95,
            after_per_day: 1.2,
            changes: vec!["2026-11-17T08:00:00Z: new lamp".to_owned()],
        }),
    }
}

fn once_read() -> EstimateStatus {
    EstimateStatus {
        unit: "mg/L".to_owned(),
        level: Some(421.0),
        ..EstimateStatus::default()
    }
}

fn water() -> WaterStatus {
    let dkh = |value| Some(Alkalinity::from_dkh(value));
    let stamp = Stamp {
        wall: when("2026-11-25T06:05:00Z"),
        elapsed: Millis::from_secs(100),
        trusted: true,
    };
    let reading = |of: &str, found| {
        let observation = Observation {
            number: 12,
            what: Observed::Reading(Reading {
                of: Measurand::new(of, None).unwrap(),
                found,
                step: None,
                as_read: String::new(),
            }),
            panel: None,
            method: "drop test".to_owned(),
            happened: when("2026-11-25T06:00:00Z"),
            who: Who::Local { uid: 1000 },
            at: stamp,
        };
        let shown = ReadingStatus {
            reading: observation,
            age_s: 14_400,
        };
        (of.to_owned(), shown)
    };
    let value = |value, uncertainty| Found::Value { value, uncertainty };
    WaterStatus {
        starts_not_in_force: Vec::new(),
        notes: Vec::new(),
        uptake: dkh(1.2),
        planned: dkh(1.2),
        in_force: dkh(1.2),
        allowed: dkh(1.7),
        allowed_in_hour: dkh(0.1),
        allowed_because: Some("uptake plus the largest allowed rise".to_owned()),
        corridors: vec![CorridorStatus {
            corridor: Corridor {
                grant: CorridorGrant {
                    of: Quantity::Alkalinity,
                    middle: 1.2,
                    added: 1.2,
                    follows: 1.2,
                    share: 0.1,
                    until: "2026-12-31".parse().unwrap(),
                },
                granted: "2026-11-01".parse().unwrap(),
                ended: None,
                live: true,
                who: Who::Local { uid: 1000 },
                at: stamp,
            },
            waits: Some("the newest alkalinity reading does not fit".to_owned()),
            words: "corridor of alkalinity: 1.08 dKH to 1.32 dKH a day until 2026-12-31".to_owned(),
        }],
        estimates: [
            ("alkalinity".to_owned(), estimate()),
            ("calcium".to_owned(), once_read()),
        ]
        .into(),
        readings: [
            reading("alkalinity", value(8.1, 0.1)),
            reading("calcium", value(420.0, 8.0)),
            reading("iron", Found::Below(0.002)),
        ]
        .into(),
    }
}

// ---- the broker ----

pub(crate) fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port()
}

pub(crate) struct Broker {
    dir: tempfile::TempDir,
    pub(crate) port: u16,
    pub(crate) child: Option<Child>,
}

impl Broker {
    /// An open broker with a store of its own.
    pub(crate) async fn start() -> Self {
        Self::with("allow_anonymous true\n", |_| {}).await
    }

    /// A broker with settings of its own; `prepare` may put files beside them.
    pub(crate) async fn with(config: &str, prepare: impl FnOnce(&Path)) -> Self {
        let mut broker = Self {
            dir: tempfile::tempdir().unwrap(),
            port: free_port(),
            child: None,
        };
        prepare(broker.dir.path());
        let path = broker.dir.path().display().to_string();
        let user = run("id", &["-un"], broker.dir.path());
        let text = format!(
            "user {}\nlistener {} 127.0.0.1\npersistence true\npersistence_location {path}/\nmax_queued_messages 100000\nlog_dest none\n{}",
            user.trim(),
            broker.port,
            config.replace("DIR", &path),
        );
        fs::write(broker.file("conf"), text).unwrap();
        broker.up().await;
        broker
    }

    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    /// Starts it and waits until it answers.
    pub(crate) async fn up(&mut self) {
        let program = [
            "/usr/sbin/mosquitto",
            "/usr/local/sbin/mosquitto",
            "/usr/bin/mosquitto",
        ]
        .into_iter()
        .find(|p| Path::new(p).exists())
        .expect("these tests need mosquitto: apt-get install mosquitto");
        let child = Process::new(program)
            .arg("-c")
            .arg(self.file("conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.child = Some(child);
        let until = Instant::now() + DEADLINE;
        while tokio::net::TcpStream::connect(("127.0.0.1", self.port))
            .await
            .is_err()
        {
            assert!(Instant::now() < until, "the broker does not come up");
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    }

    /// Ends it. Its store stays.
    pub(crate) fn down(&mut self) {
        if let Some(mut child) = self.child.take() {
            rustix::process::kill_process(pid(&child), rustix::process::Signal::TERM).unwrap();
            child.wait().unwrap();
        }
    }

    /// Throws its store away.
    pub(crate) fn wipe(&self) {
        let store = self.file("mosquitto.db");
        if store.exists() {
            fs::remove_file(store).unwrap();
        }
    }

    pub(crate) fn freeze(&self) {
        self.signal(rustix::process::Signal::STOP);
    }

    pub(crate) fn thaw(&self) {
        self.signal(rustix::process::Signal::CONT);
    }

    fn signal(&self, signal: rustix::process::Signal) {
        if let Some(child) = &self.child {
            rustix::process::kill_process(pid(child), signal).unwrap();
        }
    }
}

fn pid(child: &Child) -> rustix::process::Pid {
    rustix::process::Pid::from_raw(i32::try_from(child.id()).unwrap()).unwrap()
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some(child) = &mut self.child {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }
}

pub(crate) fn run(program: &str, args: &[&str], dir: &Path) -> String {
    let out = Process::new(program)
        .args(args)
        .current_dir(dir)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{program} {args:?}: {}",
        String::from_utf8_lossy(&out.stderr)
    );
    String::from_utf8(out.stdout).unwrap()
}

// ---- the shell's side ----

pub(crate) type Obeyed = Arc<Mutex<Vec<(Command, String, Instant)>>>;

pub(crate) struct Rig {
    pub(crate) running: Running,
    pub(crate) state: watch::Sender<Option<Arc<Status>>>,
    pub(crate) events: broadcast::Sender<Arc<EventLine>>,
    pub(crate) obeyed: Obeyed,
    pub(crate) topics: Topics,
    pub(crate) offset_ms: Arc<AtomicI64>,
}

/// Settings for a broker on this machine, with pauses that a test can wait for.
pub(crate) fn settings(port: u16) -> Settings {
    let mut s = Settings::new("127.0.0.1", port);
    s.broker.keep_alive = Duration::from_secs(5);
    s.timing.connect = Duration::from_secs(1);
    s.timing.back_off_first = Duration::from_millis(50);
    s.timing.back_off_max = Duration::from_millis(500);
    s.timing.back_off_refused = Duration::from_secs(1);
    s
}

pub(crate) fn all_commands(mut settings: Settings) -> Settings {
    settings.broker.commands = RemoteKind::ALL.into_iter().collect();
    settings
}

/// A clock that a test can push forward.
#[expect(
    clippy::disallowed_methods,
    reason = "the tests stand in for the daemon's clock"
)]
pub(crate) fn clock(offset_ms: Arc<AtomicI64>) -> Clock {
    Arc::new(move || {
        let more = offset_ms.load(Ordering::SeqCst);
        Now {
            wall: Timestamp::from_millisecond(Timestamp::now().as_millisecond() + more).unwrap(),
            elapsed: dosewright::pump::elapsed().plus(Millis::new(more)),
        }
    })
}

pub(crate) fn start(settings: Settings, machine: &str) -> Rig {
    start_as(settings, &identity(machine, 7), snapshot(&["alk", "cal"]))
}

pub(crate) fn start_as(settings: Settings, identity: &Identity, first: Status) -> Rig {
    let offset_ms = Arc::new(AtomicI64::new(0));
    let clock = clock(Arc::clone(&offset_ms));
    start_with_clock(settings, identity, first, clock, offset_ms)
}

pub(crate) fn start_with_clock(
    settings: Settings,
    identity: &Identity,
    first: Status,
    clock: Clock,
    offset_ms: Arc<AtomicI64>,
) -> Rig {
    let (state, state_rx) = watch::channel(Some(Arc::new(first)));
    let (events, events_rx) = broadcast::channel(64);
    let (commands, mut core) = mpsc::channel::<RemoteCommand>(64);
    let obeyed: Obeyed = Arc::default();
    let log = Arc::clone(&obeyed);
    tokio::spawn(async move {
        while let Some(c) = core.recv().await {
            let answer: Result<Answer, Denial> = Ok(Answer::Done {
                text: "done".to_owned(),
            });
            log.lock()
                .unwrap()
                .push((c.command, c.sender, Instant::now()));
            c.reply.send(answer).unwrap();
        }
    });
    let topics = settings.topics(&identity.machine_id);
    let seams = Seams {
        state: state_rx,
        events: events_rx,
        holds: commands.clone(),
        commands,
        clock,
    };
    let running = spawn(settings, identity, seams);
    Rig {
        running,
        state,
        events,
        obeyed,
        topics,
        offset_ms,
    }
}

impl Rig {
    pub(crate) fn pass(&self, seconds: i64) {
        self.offset_ms.fetch_add(seconds * 1000, Ordering::SeqCst);
    }

    /// An instant on the rig's clock, so many seconds ago.
    pub(crate) fn ago(&self, seconds: i64) -> String {
        let wall = clock(Arc::clone(&self.offset_ms))().wall;
        Timestamp::from_millisecond(wall.as_millisecond() - seconds * 1000)
            .unwrap()
            .to_string()
    }

    pub(crate) fn count(&self) -> usize {
        self.obeyed.lock().unwrap().len()
    }

    pub(crate) async fn health(&self, wanted: impl FnMut(&Health) -> bool) -> Health {
        let mut health = self.running.health.clone();
        let found = tokio::time::timeout(DEADLINE, health.wait_for(wanted)).await;
        let Ok(seen) = found else {
            panic!("health stays {:?}", self.running.health.borrow());
        };
        seen.unwrap().clone()
    }

    pub(crate) async fn confirmed(&self) {
        self.health(|h| h.confirmed).await;
    }
}

// ---- somebody on the broker ----

#[derive(Debug, Clone)]
pub(crate) struct Message {
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
    pub(crate) retain: bool,
}

impl Message {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.payload).unwrap_or(Value::Null)
    }
}

pub(crate) struct Watcher {
    pub(crate) client: AsyncClient,
    pub(crate) messages: mpsc::UnboundedReceiver<Message>,
    task: tokio::task::JoinHandle<()>,
}

impl Drop for Watcher {
    fn drop(&mut self) {
        self.task.abort();
    }
}

impl Watcher {
    pub(crate) async fn join(port: u16, filters: &[&str]) -> Self {
        Self::join_with(
            MqttOptions::new(format!("watcher-{}", free_port()), ("127.0.0.1", port)),
            filters,
        )
        .await
    }

    pub(crate) async fn join_with(mut options: MqttOptions, filters: &[&str]) -> Self {
        options.set_max_packet_size(4 << 20, 4 << 20);
        let (client, mut events) = AsyncClient::builder(options).capacity(256).build();
        let mut network = events.network_options();
        network.set_tcp_nodelay(true);
        events.set_network_options(network);
        let (tx, messages) = mpsc::unbounded_channel();
        let (ready_tx, mut ready) = mpsc::unbounded_channel();
        let filters: Vec<String> = filters.iter().map(|f| (*f).to_owned()).collect();
        let again = client.clone();
        let task = tokio::spawn(async move {
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        for filter in &filters {
                            again
                                .try_subscribe(filter.as_str(), QoS::AtLeastOnce)
                                .unwrap();
                        }
                        if filters.is_empty() {
                            ready_tx.send(()).unwrap();
                        }
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => drop(ready_tx.send(())),
                    Ok(Event::Incoming(Packet::Publish(p))) => {
                        let message = Message {
                            topic: String::from_utf8(p.topic.to_vec()).unwrap(),
                            payload: p.payload.to_vec(),
                            retain: p.retain,
                        };
                        if tx.send(message).is_err() {
                            return;
                        }
                    }
                    Ok(_) => {}
                    Err(_) => tokio::time::sleep(Duration::from_millis(20)).await,
                }
            }
        });
        tokio::time::timeout(DEADLINE, ready.recv())
            .await
            .expect("the watcher cannot join");
        Self {
            client,
            messages,
            task,
        }
    }

    pub(crate) async fn send(&self, topic: &str, payload: impl Into<Vec<u8>>, retain: bool) {
        let options = PublishOptions::new(QoS::AtLeastOnce).retain(retain);
        self.client
            .publish(topic, payload.into(), options)
            .await
            .unwrap();
    }

    /// The first message that is wanted; panics when none comes.
    pub(crate) async fn wait(
        &mut self,
        what: &str,
        mut wanted: impl FnMut(&Message) -> bool,
    ) -> Message {
        let until = Instant::now() + DEADLINE;
        loop {
            let next = timeout_at(until, self.messages.recv()).await;
            let message = next.unwrap_or_else(|_| panic!("no {what} came")).unwrap();
            if wanted(&message) {
                return message;
            }
        }
    }

    pub(crate) async fn on(&mut self, topic: &str) -> Message {
        self.wait(topic, |m| m.topic == topic).await
    }

    pub(crate) async fn reply(&mut self, topics: &Topics, code: Option<&str>) -> Value {
        let topic = topics.reply();
        let found = self
            .wait(&format!("reply {code:?}"), |m| {
                m.topic == topic && m.json()["code"].as_str() == code
            })
            .await;
        found.json()
    }

    pub(crate) async fn state(&mut self, topics: &Topics, state: &str) -> Message {
        let topic = topics.status();
        self.wait(&format!("status {state}"), |m| {
            m.topic == topic && m.json()["state"] == state
        })
        .await
    }

    /// Everything that has come so far.
    pub(crate) fn drain(&mut self) -> Vec<Message> {
        let mut out = Vec::new();
        while let Ok(message) = self.messages.try_recv() {
            out.push(message);
        }
        out
    }

    /// Waits until everything sent before has come: a mark of our own comes back.
    pub(crate) async fn mark(&mut self, port: u16, mark: &str) -> Vec<Message> {
        let other = Watcher::join(port, &[]).await;
        other.send(mark, "mark", false).await;
        let mut seen = Vec::new();
        self.wait("mark", |m| {
            seen.push(m.clone());
            m.topic == mark
        })
        .await;
        seen
    }
}
