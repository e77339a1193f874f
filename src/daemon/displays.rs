//! The shell's end of MQTT: states and event lines go out, commands come in. Nothing here waits for the broker.
//!
//! A status is handed over some time after something happened, so that a burst of events makes one message; the client takes
//! the newest.

use std::path::Path;
use std::sync::Arc;

use jiff::tz::TimeZone;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::AbortHandle;

use super::clock::{ShellClock, machine_now};
use super::lines;
use super::options::ledger_path;
use super::totals::Totals;
use crate::engine::{Effect, Status};
use crate::ledger::Ledger;
use crate::mqtt::{EventLine, Health, Identity, RemoteCommand, Running, Seams, Settings, spawn};
use crate::quantity::Millis;

/// Least time between two states, in real time.
const SHOW_EVERY: Millis = Millis::new(250);
/// Events that wait for the client task; it takes them at once unless it is busy.
const EVENTS_WAITING: usize = 256;
/// Commands that wait for the event loop; more are answered as busy. As many holds; while they wait, nothing is read from the broker.
const COMMANDS_WAITING: usize = 16;

pub(super) struct Displays {
    state: watch::Sender<Option<Arc<Status>>>,
    events: broadcast::Sender<Arc<EventLine>>,
    commands: mpsc::Receiver<RemoteCommand>,
    holds: mpsc::Receiver<RemoteCommand>,
    health: watch::Receiver<Health>,
    task: AbortHandle,
    event_last: i64,
    /// Something happened since the last state.
    changed: bool,
    shown: Option<Millis>,
}

/// Starts the client task. Must be called within a runtime.
pub(super) fn start(
    settings: Settings,
    identity: &Identity,
    clock: ShellClock,
) -> (Displays, Running) {
    let (state, state_seen) = watch::channel(None);
    let (events, events_seen) = broadcast::channel(EVENTS_WAITING);
    let (commands_in, commands) = mpsc::channel(COMMANDS_WAITING);
    let (holds_in, holds) = mpsc::channel(COMMANDS_WAITING);
    let seams = Seams {
        state: state_seen,
        events: events_seen,
        commands: commands_in,
        holds: holds_in,
        clock: Arc::new(move || clock.now()),
    };
    let running = spawn(settings, identity, seams);
    let displays = Displays {
        state,
        events,
        commands,
        holds,
        health: running.health.clone(),
        task: running.task.abort_handle(),
        event_last: 0,
        changed: true,
        shown: None,
    };
    (displays, running)
}

/// Who this controller is on the broker.
pub(super) fn identity(state: &Path) -> Identity {
    Identity {
        machine_id: machine_id(state),
        seed: seed(),
    }
}

/// The machine's own id; on a system without one the id of the ledger, which is as lasting as the record.
pub fn machine_id(state: &Path) -> String {
    let text = std::fs::read_to_string("/etc/machine-id").unwrap_or_default();
    let id = text.trim();
    if !id.is_empty() && id != "uninitialized" {
        return id.to_owned();
    }
    Ledger::open_to_read(&ledger_path(state))
        .and_then(|ledger| ledger.installation())
        .unwrap_or_else(|_| "unknown".to_owned())
}

/// Differs from process to process and from machine to machine, as far as clocks and numbers of processes do.
fn seed() -> u64 {
    let now = machine_now();
    let wall = u64::try_from(now.wall.as_nanosecond() & i128::from(i64::MAX)).unwrap_or(0);
    wall ^ u64::from(std::process::id()).rotate_left(40)
}

impl Displays {
    /// The next command; never, when none can come any more.
    pub(super) async fn command(displays: Option<&mut Self>) -> RemoteCommand {
        let Some(Self {
            holds, commands, ..
        }) = displays
        else {
            return std::future::pending().await;
        };
        tokio::select! {
            biased;
            Some(hold) = holds.recv() => hold,
            Some(command) = commands.recv() => command,
            else => std::future::pending().await,
        }
    }

    /// How the connection is, in one line.
    pub(super) fn health(&self, zone: &TimeZone) -> String {
        self.health.borrow().text(zone)
    }

    /// Whether the task has ended, which it does by itself only when it panics.
    pub(super) fn is_gone(&self) -> bool {
        self.task.is_finished()
    }

    /// There is something new to show.
    pub(super) fn changed(&mut self) {
        self.changed = true;
    }

    /// Whether a state is due.
    pub(super) fn is_due(&self) -> bool {
        let rested = |at: Millis| crate::pump::elapsed().minus(at) >= SHOW_EVERY;
        self.changed && self.shown.is_none_or(rested)
    }

    /// Hands a state over.
    pub(super) fn show(&mut self, mut status: Status) {
        // Whoever reads it over MQTT sees how the connection is; in words it would be that of a moment ago.
        status.daemon.mqtt = None;
        self.changed = false;
        self.shown = Some(crate::pump::elapsed());
        self.state.send_replace(Some(Arc::new(status)));
    }

    /// Tells the displays of an effect if it is an event to people.
    pub(super) fn effect(&mut self, effect: &Effect, totals: &Totals, zone: &TimeZone) {
        for mut line in lines::events(effect, totals.open(), zone) {
            // Rises for ever, across restarts too, because it begins with the time; fits a double exactly.
            let by_time = line.at.as_millisecond().saturating_mul(1000);
            self.event_last = by_time.max(self.event_last.saturating_add(1));
            line.id = self.event_last;
            // Nobody listens when the task is gone, which is noticed elsewhere.
            drop(self.events.send(Arc::new(line)));
        }
    }
}

#[cfg(test)]
mod tests;
