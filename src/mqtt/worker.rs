//! What outlives a connection: what is to be published, what is obeyed, how long to stay away.

use std::collections::VecDeque;
use std::sync::Arc;

use serde_json::{Value, json};
use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, sleep_until, timeout};

use super::backoff::BackOff;
use super::board::Board;
use super::connection::{Fault, FaultKind};
use super::desk::{Answered, Desk, Waiting};
use super::health::Health;
use super::payload::{Availability, Presence, messages};
use super::settings::Settings;
use super::topics::Topics;
use super::{Clock, EventLine, Identity, RemoteCommand};
use crate::config::Mode;
use crate::engine::{Denial, Status};
use crate::quantity::Millis;
use crate::shell::Seldom;

/// Events kept while nobody listens; older ones are dropped and counted, they are in the ledger.
const EVENTS_MAX: usize = 100;
/// Answers kept while nobody listens.
const REPLIES_MAX: usize = 32;
/// Connections closed by the broker within [`TAKEN_WITHIN`] that look like another client with our id.
const TAKEN_COUNT: usize = 6;
const TAKEN_WITHIN: Millis = Millis::from_mins(1);

/// What the shell gives.
pub struct Seams {
    /// The newest snapshot; nothing is published before the first.
    pub state: watch::Receiver<Option<Arc<Status>>>,
    /// New lines of the journal.
    pub events: broadcast::Receiver<Arc<EventLine>>,
    pub commands: mpsc::Sender<RemoteCommand>,
    /// Holds, which wait behind nothing else.
    pub holds: mpsc::Sender<RemoteCommand>,
    pub clock: Clock,
}

pub(super) struct Worker {
    pub(super) settings: Arc<Settings>,
    pub(super) topics: Topics,
    pub(super) instance: String,
    pub(super) board: Board,
    pub(super) desk: Desk,
    pub(super) state: watch::Receiver<Option<Arc<Status>>>,
    pub(super) events: broadcast::Receiver<Arc<EventLine>>,
    pub(super) event_queue: VecDeque<Arc<EventLine>>,
    pub(super) events_dropped: u64,
    pub(super) replies: VecDeque<Value>,
    pub(super) pending: JoinSet<Answered>,
    pub(super) back_off: BackOff,
    /// Command topics are wiped before they are subscribed to: something too long may be kept there.
    pub(super) wipe_commands: bool,
    /// Whether this process had said "online" before its present connection.
    pub(super) reconnected: bool,
    was_connected: bool,
    clock: Clock,
    health: watch::Sender<Health>,
    closed_at: VecDeque<Millis>,
    faults: Seldom,
}

impl Worker {
    pub(super) fn new(
        settings: Settings,
        identity: &Identity,
        seams: Seams,
        health: watch::Sender<Health>,
    ) -> Self {
        let topics = settings.topics(&identity.machine_id);
        let settings = Arc::new(settings);
        let timing = &settings.timing;
        let now = (seams.clock)();
        Self {
            instance: format!("{:016x}", identity.seed),
            board: Board::default(),
            desk: Desk::new(
                Arc::clone(&settings),
                Arc::clone(&seams.clock),
                seams.commands,
                seams.holds,
            ),
            state: seams.state,
            events: seams.events,
            event_queue: VecDeque::new(),
            events_dropped: 0,
            replies: VecDeque::new(),
            pending: JoinSet::new(),
            back_off: BackOff::new(timing.back_off_first, timing.back_off_max, identity.seed),
            wipe_commands: false,
            reconnected: false,
            was_connected: false,
            clock: seams.clock,
            health: {
                health.send_modify(|h| h.since = Some(now.wall));
                health
            },
            closed_at: VecDeque::new(),
            faults: Seldom::default(),
            settings,
            topics,
        }
    }

    /// Decides how long to stay away, and says what is wrong.
    pub(super) fn lost(&mut self, fault: &Fault, connected: Option<Instant>, began: Instant) {
        let now = (self.clock)();
        let timing = self.settings.timing.clone();
        if connected.is_some_and(|at| at.elapsed() >= timing.settled) {
            self.back_off.reset(timing.back_off_first);
        }
        match fault.kind {
            FaultKind::Refused => self.back_off.at_least(timing.back_off_refused),
            FaultKind::TooLong => self.wipe_commands = true,
            FaultKind::Closed if connected.is_some() => self.closed_at.push_back(now.elapsed),
            FaultKind::Closed | FaultKind::Other => {
                // A broker that is away is no rival.
                if connected.is_none() {
                    self.closed_at.clear();
                }
            }
        }
        self.closed_at
            .retain(|at| now.elapsed.minus(*at) < TAKEN_WITHIN);
        if self.closed_at.len() >= TAKEN_COUNT {
            let id = self.settings.client_id(&self.topics);
            self.taken(format!(
                "client id in use: the broker closed {TAKEN_COUNT} connections within a minute, as it does when another client logs in as {id}"
            ));
        }
        if self.health.borrow().id_in_use.is_some() && connected.is_some() {
            self.back_off.at_least(timing.back_off_taken);
            self.closed_at.clear();
        }
        let refused = self.desk.refused();
        let dropped = self.events_dropped;
        self.health.send_modify(|h| {
            if h.connected || h.since.is_none() {
                h.since = Some(now.wall);
            }
            h.connected = false;
            h.confirmed = false;
            h.failures = h.failures.saturating_add(1);
            h.last_error = Some(fault.text.clone());
            h.commands_refused = refused;
            h.events_dropped = dropped;
        });
        self.log_fault(&fault.text, began);
    }

    /// Another client uses our id or topics.
    pub(super) fn taken(&mut self, text: String) {
        let new = self.health.borrow().id_in_use.is_none();
        if new {
            tracing::error!(reason = text, "MQTT client id in use");
        }
        self.health.send_modify(|h| h.id_in_use = Some(text));
    }

    fn log_fault(&mut self, text: &str, began: Instant) {
        if let Some(not_logged) = self.faults.now((self.clock)().elapsed) {
            tracing::warn!(
                reason = text,
                lasted_s = began.elapsed().as_secs(),
                not_logged,
                "MQTT not connected; dosing goes on"
            );
        }
    }

    /// Waits before the next attempt, keeping the newest of everything. Whether it was stopped meanwhile.
    pub(super) async fn pause(&mut self, stop: &mut oneshot::Receiver<()>) -> bool {
        let until = Instant::now() + self.back_off.pause();
        loop {
            tokio::select! {
                _ = &mut *stop => return true,
                () = sleep_until(until) => return false,
                event = self.events.recv() => if !self.take_event(event) {
                    // No more events will come; only time and the stop are left.
                    return tokio::select! { _ = stop => true, () = sleep_until(until) => false };
                },
                Some(done) = self.pending.join_next(), if !self.pending.is_empty() => self.take_answer(done),
            }
        }
    }

    pub(super) fn snapshot(&mut self) -> Option<Arc<Status>> {
        self.state.borrow_and_update().clone()
    }

    /// Puts the newest state on the board. Gives back state topics that are no longer ours.
    pub(super) fn refresh(&mut self, status: &Status) -> Vec<String> {
        self.desk.observe(status.mode, status.clock.trusted);
        let now = Instant::now();
        let controller = self.topics.of("controller");
        let all = messages(status, &self.topics);
        let gone = self
            .board
            .retain(|t| all.iter().any(|(topic, _)| topic == t));
        for (topic, message) in all {
            let refresh = if topic == controller {
                self.settings.timing.heartbeat
            } else {
                self.settings.timing.refresh
            };
            self.board.set(topic, &message, refresh, now);
        }
        gone
    }

    pub(super) fn mode(&self) -> Mode {
        self.state
            .borrow()
            .as_ref()
            .map_or(Mode::DryRun, |s| s.mode)
    }

    pub(super) fn availability(&self, online: bool) -> String {
        let state = if online {
            Presence::Online
        } else {
            Presence::Offline
        };
        let mode = self.mode();
        let instance = &self.instance;
        json!(Availability {
            state,
            mode,
            instance
        })
        .to_string()
    }

    /// Queues an event; the oldest goes when there are too many. `false` when no more can come.
    pub(super) fn take_event(
        &mut self,
        event: Result<Arc<EventLine>, broadcast::error::RecvError>,
    ) -> bool {
        match event {
            Ok(line) => {
                if self.event_queue.len() >= EVENTS_MAX {
                    self.event_queue.pop_front();
                    self.events_dropped = self.events_dropped.saturating_add(1);
                }
                self.event_queue.push_back(line);
                true
            }
            Err(broadcast::error::RecvError::Lagged(count)) => {
                self.events_dropped = self.events_dropped.saturating_add(count);
                true
            }
            Err(broadcast::error::RecvError::Closed) => false,
        }
    }

    /// Waits for an answer beside everything else.
    pub(super) fn await_answer(&mut self, waiting: Waiting) {
        let patience = self.settings.timing.answer;
        self.pending.spawn(async move {
            let answer = match timeout(patience, waiting.answer).await {
                Ok(Ok(answer)) => answer,
                Ok(Err(_)) => Err(Denial::new(
                    "stopping",
                    "the controller is stopping and gave no answer",
                )),
                Err(_) => Err(Denial::new(
                    "no-answer",
                    format!(
                        "no answer within {} s; look at the state before asking again",
                        patience.as_secs()
                    ),
                )),
            };
            Answered {
                kind: waiting.kind,
                id: waiting.id,
                answer,
            }
        });
    }

    /// Queues the answer to a command.
    pub(super) fn take_answer(&mut self, done: Result<Answered, tokio::task::JoinError>) {
        if let Ok(done) = done {
            let reply = self.desk.answered(&done);
            self.queue_reply(reply);
        }
    }

    /// Queues a reply; the oldest goes when there are too many.
    pub(super) fn queue_reply(&mut self, reply: Value) {
        if self.replies.len() >= REPLIES_MAX {
            self.replies.pop_front();
        }
        self.replies.push_back(reply);
    }

    /// The broker has let us in.
    pub(super) fn connected(&mut self) {
        let now = (self.clock)();
        self.reconnected = self.was_connected;
        self.was_connected = true;
        self.health.send_modify(|h| {
            h.connected = true;
            h.confirmed = false;
            h.since = Some(now.wall);
        });
        tracing::info!(
            broker = self.settings.broker.host,
            port = self.settings.broker.port,
            "MQTT connected"
        );
    }

    /// Our own "online" came back.
    pub(super) fn confirmed(&mut self) {
        self.health.send_modify(|h| h.confirmed = true);
    }

    /// The connection has been quiet and good for long: nobody fights for our id any more.
    pub(super) fn settled(&mut self) {
        let refused = self.desk.refused();
        let dropped = self.events_dropped;
        self.health.send_if_modified(|h| {
            let changed = h.id_in_use.is_some()
                || h.commands_refused != refused
                || h.events_dropped != dropped;
            h.id_in_use = None;
            h.commands_refused = refused;
            h.events_dropped = dropped;
            changed
        });
    }
}
