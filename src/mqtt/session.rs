//! One connection from its first packet to its last.

use std::collections::VecDeque;
use std::sync::Arc;

use rumqttc::{Event, Packet, Publish, QoS, SubscribeFilterInput, ValidatedTopicFilter};
use serde_json::Value;
use tokio::sync::oneshot;
use tokio::time::{Duration, Instant, sleep_until};

use super::board::PAYLOAD_BYTES_MAX;
use super::connection::{Connection, Fault, FaultKind, will};
use super::desk::{Outcome, Received};
use super::discovery::{description, removal};
use super::worker::Worker;
use crate::config::RemoteKind;
use crate::engine::Status;

/// State is rebuilt no oftener than this, however often the engine moves.
const REBUILD_EVERY: Duration = Duration::from_millis(100);
/// Without any news, state is looked at this often, for what ages.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Our "online" is repeated no oftener than this when somebody says that we are offline.
const ONLINE_EVERY: Duration = Duration::from_secs(2);
/// After a hub has started, everything is repeated within this time; spread, so that controllers do not speak all at once.
const HUB_SPREAD: Duration = Duration::from_secs(4);
/// A connection this old with nobody else on our topics is ours.
const SETTLED: Duration = Duration::from_mins(5);
/// Leftover topics that are cleared after one connect.
const LEFTOVERS_MAX: usize = 256;

/// How a session ended.
#[derive(Debug)]
pub(super) enum End {
    /// We were told to stop, and have said goodbye if we could.
    Stopped,
    /// The connection is gone, or never came.
    Lost {
        fault: Fault,
        /// Since when we had been connected; `None` if never.
        connected: Option<Instant>,
    },
}

/// Where the beginning of a connection stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stage {
    /// The broker has not answered.
    Connecting,
    /// Asked for our subscriptions. Nothing is published before they stand, so that our own messages come back after
    /// everything that the broker had kept (the client library may send a message before an earlier subscription).
    Subscribing { until: Instant },
    /// Subscribed; states go out, then "online".
    Greeting,
    /// "online" has gone out; what the broker had kept for us is being looked at until our own message comes back.
    Sorting { until: Instant },
    /// All is said; changes go out.
    Steady,
}

/// What a description depends on beside the settings.
type Described = (Vec<String>, usize);

pub(super) struct Session<'a> {
    pub(super) worker: &'a mut Worker,
    pub(super) connection: Connection,
    pub(super) stage: Stage,
    connected: Option<Instant>,
    /// Retained messages to send once: descriptions, and empty ones that clear a topic.
    pub(super) outbox: VecDeque<(String, String)>,
    old_description: Option<Value>,
    leftovers: Vec<String>,
    described: Option<Described>,
    rebuilt: Instant,
    rebuild_at: Instant,
    pub(super) online_at: Option<Instant>,
    /// When "online" is said again.
    online_again_at: Option<Instant>,
    /// When everything is said again, for a hub that has started.
    repeat_at: Option<Instant>,
}

impl<'a> Session<'a> {
    /// Begins to connect.
    ///
    /// # Errors
    /// When a file of the settings cannot be used.
    pub(super) fn open(worker: &'a mut Worker) -> Result<Self, Fault> {
        let client_id = worker.settings.client_id(&worker.topics);
        let will = will(&worker.topics.status(), &worker.availability(false));
        let connection = Connection::open(&worker.settings, &client_id, Some(will))?;
        let now = Instant::now();
        Ok(Self {
            worker,
            connection,
            stage: Stage::Connecting,
            connected: None,
            outbox: VecDeque::new(),
            old_description: None,
            leftovers: Vec::new(),
            described: None,
            rebuilt: now,
            rebuild_at: now,
            online_at: None,
            online_again_at: None,
            repeat_at: None,
        })
    }

    /// Lives until the connection is lost or we are stopped.
    pub(super) async fn run(mut self, stop: &mut oneshot::Receiver<()>) -> End {
        let mut more_events = true;
        let mut more_state = true;
        loop {
            let wake = self.wake_at();
            let has_room = self.worker.desk.has_room();
            tokio::select! {
                _ = &mut *stop => {
                    self.goodbye().await;
                    return End::Stopped;
                }
                () = self.worker.desk.room(), if !has_room => {}
                report = self.connection.reports.recv(), if has_room => match report {
                    Some(Ok(event)) => self.happened(event),
                    Some(Err(fault)) => return End::Lost { fault, connected: self.connected },
                    None => return End::Lost { fault: ended(), connected: self.connected },
                },
                changed = self.worker.state.changed(), if more_state => {
                    more_state = changed.is_ok();
                    self.rebuild_at = self.rebuild_at.min(self.rebuilt + REBUILD_EVERY);
                }
                event = self.worker.events.recv(), if more_events => {
                    more_events = self.worker.take_event(event);
                }
                Some(done) = self.worker.pending.join_next(), if !self.worker.pending.is_empty() => {
                    self.worker.take_answer(done);
                }
                () = sleep_until(wake) => {}
            }
            self.go_on();
        }
    }

    fn wake_at(&self) -> Instant {
        let mut at = self.rebuild_at;
        if let Stage::Sorting { until } | Stage::Subscribing { until } = self.stage {
            at = at.min(until);
        }
        for other in [self.online_again_at, self.repeat_at].into_iter().flatten() {
            at = at.min(other);
        }
        at
    }

    /// What time brings, and everything that can be sent now.
    fn go_on(&mut self) {
        if self.stage == Stage::Connecting {
            self.rebuild_at = Instant::now() + LOOK_EVERY;
            return;
        }
        let now = Instant::now();
        if let Stage::Subscribing { until } = self.stage {
            if now < until {
                self.rebuild_at = self.rebuild_at.max(until);
                return;
            }
            self.stage = Stage::Greeting;
        }
        let rebuild = now >= self.rebuild_at;
        if rebuild {
            self.rebuild(now);
        }
        if self.repeat_at.is_some_and(|at| now >= at) {
            self.repeat_at = None;
            self.described = None;
            self.worker.board.all_dirty();
            self.say_online(now);
        }
        if self.online_again_at.is_some_and(|at| now >= at) {
            self.online_again_at = None;
            self.say_online(now);
        }
        if let Stage::Sorting { until } = self.stage
            && now >= until
        {
            self.sorted();
        }
        if self.stage == Stage::Steady && (rebuild || self.described.is_none()) {
            self.describe();
        }
        if self
            .connected
            .is_some_and(|at| now.duration_since(at) >= SETTLED)
        {
            self.worker.settled();
        }
        self.pump(now);
    }

    pub(super) fn rebuild(&mut self, now: Instant) {
        self.rebuilt = now;
        self.rebuild_at = now + LOOK_EVERY;
        if let Some(snapshot) = self.worker.snapshot() {
            for topic in self.worker.refresh(&snapshot) {
                self.outbox.push_back((topic, String::new()));
            }
        }
    }

    fn happened(&mut self, event: Event) {
        match event {
            Event::Incoming(Packet::ConnAck(_)) => self.greet(),
            Event::Incoming(Packet::SubAck(_)) => {
                if let Stage::Subscribing { .. } = self.stage {
                    self.stage = Stage::Greeting;
                    self.rebuild_at = Instant::now();
                }
            }
            Event::Incoming(Packet::Publish(publish)) => self.received(&publish),
            Event::Incoming(_) | Event::Outgoing(_) => {}
        }
    }

    fn greet(&mut self) {
        let now = Instant::now();
        self.connected = Some(now);
        self.stage = Stage::Subscribing {
            until: now + self.worker.settings.timing.connect,
        };
        self.worker.board.all_dirty();
        if std::mem::take(&mut self.worker.wipe_commands) {
            for kind in RemoteKind::ALL {
                let topic = self.worker.topics.command(kind);
                self.publish(&topic, "", true);
            }
        }
        self.subscribe();
        self.rebuild(now);
        self.worker.connected();
    }

    fn subscribe(&mut self) {
        let topics = &self.worker.topics;
        let mut filters: Vec<String> = RemoteKind::ALL.iter().map(|k| topics.command(*k)).collect();
        filters.push(topics.status());
        filters.push(topics.hub_status().to_owned());
        filters.push(topics.discovery().to_owned());
        filters.extend(topics.families());
        let inputs: Vec<SubscribeFilterInput> = filters
            .into_iter()
            .filter_map(|f| ValidatedTopicFilter::new(f).ok())
            .map(|f| SubscribeFilterInput::validated(f, QoS::AtLeastOnce))
            .collect();
        // The queue of a new connection is empty, so this cannot be refused for want of room.
        if let Err(error) = self.connection.client.try_subscribe_many(inputs) {
            tracing::error!(%error, "MQTT subscriptions could not be asked for");
        }
    }

    fn received(&mut self, publish: &Publish) {
        let Ok(topic) = std::str::from_utf8(&publish.topic) else {
            return;
        };
        if let Some(kind) = self.worker.topics.command_kind(topic) {
            self.commanded(kind, topic, publish);
        } else if topic == self.worker.topics.status() {
            self.status_seen(publish);
        } else if topic == self.worker.topics.hub_status() {
            if !publish.retain && publish.payload.as_ref() == b"online" {
                let spread = self.worker.back_off.up_to(HUB_SPREAD);
                self.repeat_at = Some(Instant::now() + Duration::from_secs(1) + spread);
            }
        } else if topic == self.worker.topics.discovery() {
            if publish.retain && publish.payload.len() <= PAYLOAD_BYTES_MAX {
                self.old_description = serde_json::from_slice(&publish.payload).ok();
            }
        } else if self.worker.topics.is_family_member(topic)
            && publish.retain
            && !publish.payload.is_empty()
            && !self.worker.board.has(topic)
            && self.leftovers.len() < LEFTOVERS_MAX
        {
            self.leftovers.push(topic.to_owned());
        }
    }

    fn commanded(&mut self, kind: RemoteKind, topic: &str, publish: &Publish) {
        if publish.payload.is_empty() {
            // What clears a topic says nothing.
            return;
        }
        if publish.retain {
            self.outbox.push_back((topic.to_owned(), String::new()));
        }
        let message = Received {
            kind,
            payload: &publish.payload,
            retained: publish.retain,
        };
        match self.worker.desk.receive(&message) {
            Outcome::Reply(reply) => self.worker.queue_reply(reply),
            Outcome::Silent => {}
            Outcome::HandedOver(waiting) => self.worker.await_answer(waiting),
        }
    }

    /// Somebody said on our own topic whether we are there.
    fn status_seen(&mut self, publish: &Publish) {
        let Ok(message) = serde_json::from_slice::<Value>(&publish.payload) else {
            return;
        };
        let text = |key: &str| message.get(key).and_then(Value::as_str).unwrap_or_default();
        let ours = text("instance") == self.worker.instance;
        let online = text("state") == "online";
        if ours && online && !publish.retain {
            self.worker.confirmed();
            if let Stage::Sorting { .. } = self.stage {
                self.sorted();
            }
            return;
        }
        // Kept from before our first connect, it is from an earlier run of ours. Else somebody else lives here.
        let rival = !ours
            && if publish.retain {
                self.worker.reconnected
            } else {
                online
            };
        if rival {
            let id = self.worker.topics.id().to_owned();
            self.worker.taken(format!(
                "client id in use: another dosewright publishes as {id}; was its card copied? give that machine a new machine id"
            ));
        }
        if !publish.retain && !online {
            self.say_online(Instant::now());
        }
    }

    /// Says that we are there, after somebody said that we are not: a late last will of a connection that is long gone.
    fn say_online(&mut self, now: Instant) {
        if let Stage::Greeting | Stage::Subscribing { .. } = self.stage {
            return;
        }
        if let Some(next) = self
            .online_at
            .map(|at| at + ONLINE_EVERY)
            .filter(|next| *next > now)
        {
            self.online_again_at = Some(next);
            return;
        }
        let payload = self.worker.availability(true);
        if self.publish(&self.worker.topics.status(), &payload, true) {
            self.online_at = Some(now);
        } else {
            self.online_again_at = Some(now + ONLINE_EVERY);
        }
    }

    /// All that the broker had kept for us has been seen.
    fn sorted(&mut self) {
        self.stage = Stage::Steady;
        for topic in std::mem::take(&mut self.leftovers) {
            self.outbox.push_back((topic, String::new()));
        }
        if !self.worker.settings.broker.discovery && self.old_description.take().is_some() {
            let topic = self.worker.topics.discovery().to_owned();
            self.outbox.push_back((topic, String::new()));
        }
        let mut filters = self.worker.topics.families().to_vec();
        filters.push(self.worker.topics.discovery().to_owned());
        for filter in filters {
            // Refused for want of room, it costs some echoes of our own messages until the next connect, nothing more.
            if self.connection.client.try_unsubscribe(filter).is_err() {
                tracing::debug!("MQTT unsubscribe was not taken");
            }
        }
    }

    /// Describes us to hubs, when something about the description has changed.
    fn describe(&mut self) {
        if !self.worker.settings.broker.discovery {
            return;
        }
        let Some(snapshot) = self.worker.state.borrow().clone() else {
            return;
        };
        let key = described(&snapshot);
        if self.described.as_ref() == Some(&key) {
            return;
        }
        self.described = Some(key);
        let worker = &self.worker;
        let new = description(&snapshot, &worker.settings, &worker.topics);
        let topic = worker.topics.discovery().to_owned();
        if let Some(message) = self
            .old_description
            .as_ref()
            .and_then(|old| removal(old, &new))
        {
            self.outbox.push_back((topic.clone(), message.to_string()));
        }
        self.outbox.push_back((topic, new.to_string()));
        self.old_description = Some(new);
    }
}

fn described(status: &Arc<Status>) -> Described {
    let mut names: Vec<String> = status
        .lines
        .iter()
        .map(|l| format!("line {}", l.name))
        .collect();
    names.extend(
        status
            .reservoirs
            .iter()
            .map(|r| format!("reservoir {}", r.name)),
    );
    names.extend(status.heads.iter().map(|h| format!("head {}", h.name)));
    let known = status
        .lines
        .iter()
        .filter(|l| l.delivered_lifetime.is_some());
    (names, known.count())
}

fn ended() -> Fault {
    Fault {
        kind: FaultKind::Other,
        text: "the MQTT client ended without a word".to_owned(),
    }
}
