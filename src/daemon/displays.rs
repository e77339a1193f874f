//! The shell's end of MQTT: snapshots and event lines go out, commands come in. Nothing here waits for the broker.
//!
//! A snapshot is handed over some time after something happened, so that a burst of events makes one message; the client takes
//! the newest. Totals are kept here, because the engine knows only 24 hours.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::AbortHandle;

use super::clock::{ShellClock, machine_now};
use super::options::ledger_path;
use crate::config::Controller;
use crate::engine::{Effect, Status};
use crate::ledger::Ledger;
use crate::mqtt::{
    EventLine, Health, Identity, RemoteCommand, Running, Seams, Settings, Snapshot, spawn,
};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseId, History, Outcome, Reading};

mod lines;

/// Least time between two snapshots, in real time.
const SHOW_EVERY: Millis = Millis::new(250);
/// Events that wait for the client task; it takes them at once unless it is busy.
const EVENTS_WAITING: usize = 256;
/// Commands that wait for the event loop; more are answered as busy.
const COMMANDS_WAITING: usize = 16;

/// What the displays are told beside the engine's status.
pub(super) struct Told {
    pub(super) armed: bool,
    pub(super) fingerprint: String,
    pub(super) zone: TimeZone,
    pub(super) totals: Totals,
}

pub(super) struct Displays {
    state: watch::Sender<Option<Arc<Snapshot>>>,
    events: broadcast::Sender<Arc<EventLine>>,
    commands: mpsc::Receiver<RemoteCommand>,
    health: watch::Receiver<Health>,
    task: AbortHandle,
    told: Told,
    event_last: i64,
    /// Something happened since the last snapshot.
    changed: bool,
    shown: Option<Millis>,
}

/// Starts the client task. Must be called within a runtime.
pub(super) fn start(
    settings: Settings,
    identity: Identity,
    clock: ShellClock,
    told: Told,
) -> (Displays, Running) {
    let (state, state_seen) = watch::channel(None);
    let (events, events_seen) = broadcast::channel(EVENTS_WAITING);
    let (commands_in, commands) = mpsc::channel(COMMANDS_WAITING);
    let seams = Seams {
        state: state_seen,
        events: events_seen,
        commands: commands_in,
        clock: Arc::new(move || clock.now()),
    };
    let running = spawn(settings, identity, seams);
    let displays = Displays {
        state,
        events,
        commands,
        health: running.health.clone(),
        task: running.task.abort_handle(),
        told,
        event_last: 0,
        changed: true,
        shown: None,
    };
    (displays, running)
}

/// Who this controller is on the broker.
pub(super) fn identity(controller: &Controller, state: &Path) -> Identity {
    Identity {
        machine_id: machine_id(state),
        name: controller.name.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
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
        if let Some(displays) = displays
            && let Some(command) = displays.commands.recv().await
        {
            return command;
        }
        std::future::pending().await
    }

    /// How the connection is, in one line.
    pub(super) fn health(&self) -> String {
        self.health.borrow().text()
    }

    /// Whether the task has ended, which it does by itself only when it panics.
    pub(super) fn is_gone(&self) -> bool {
        self.task.is_finished()
    }

    /// There is something new to show.
    pub(super) fn changed(&mut self) {
        self.changed = true;
    }

    /// Whether a snapshot is due.
    pub(super) fn is_due(&self) -> bool {
        let rested = |at: Millis| crate::pump::elapsed().minus(at) >= SHOW_EVERY;
        self.changed && self.shown.is_none_or(rested)
    }

    /// Hands a snapshot over.
    pub(super) fn show(&mut self, status: Status) {
        self.changed = false;
        self.shown = Some(crate::pump::elapsed());
        let day_began = status
            .clock_unsure
            .is_none()
            .then(|| day_began(status.now.wall, &self.told.zone))
            .flatten();
        let snapshot = Snapshot {
            armed: self.told.armed,
            fingerprint: self.told.fingerprint.clone(),
            day_began,
            delivered_lifetime: self.told.totals.delivered.clone(),
            readings: self.told.totals.readings.values().cloned().collect(),
            status,
        };
        self.state.send_replace(Some(Arc::new(snapshot)));
    }

    /// Takes note of an effect, and tells the displays of it if it is an event to people.
    pub(super) fn effect(&mut self, effect: &Effect) {
        let lines = lines::events(effect, &self.told.totals.open);
        self.told.totals.effect(effect);
        for mut line in lines {
            // Rises for ever, across restarts too, because it begins with the time; fits a double exactly.
            let by_time = line.at.as_millisecond().saturating_mul(1000);
            self.event_last = by_time.max(self.event_last.saturating_add(1));
            line.id = self.event_last;
            // Nobody listens when the task is gone, which is noticed elsewhere.
            drop(self.events.send(Arc::new(line)));
        }
    }
}

/// First instant of the local day.
fn day_began(wall: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let day = wall.to_zoned_datetime(zone.clone()).start_of_day().ok()?;
    Some(day.timestamp())
}

/// What adds up over the life of the ledger, and the last reading of each quantity.
#[derive(Debug, Default)]
pub(super) struct Totals {
    /// A line that is missing is unknown.
    delivered: BTreeMap<Name, Volume>,
    readings: BTreeMap<String, Reading>,
    /// Doses without an outcome, with their lines, and whether they count here.
    open: BTreeMap<DoseId, (Name, bool)>,
    live: bool,
}

impl Totals {
    /// From what the ledger knows at start, before anything is written in this session.
    pub(super) fn at_start(
        delivered: Option<BTreeMap<Name, Volume>>,
        controller: &Controller,
        history: &History,
        live: bool,
    ) -> Self {
        let delivered = delivered.map_or_else(BTreeMap::new, |sums| {
            let sum = |name: &Name| sums.get(name).copied().unwrap_or_default();
            controller
                .lines
                .iter()
                .map(|l| (l.name.clone(), sum(&l.name)))
                .collect()
        });
        let mut totals = Self {
            delivered,
            live,
            ..Self::default()
        };
        for intent in &history.open {
            let counts = intent.live == live;
            totals.open.insert(intent.id, (intent.line.clone(), counts));
        }
        for reading in &history.readings {
            totals.reading(reading);
        }
        totals
    }

    fn effect(&mut self, effect: &Effect) {
        match effect {
            Effect::StoreIntent(intent) => {
                let counts = intent.live == self.live;
                let line = intent.line.clone();
                self.open.insert(intent.id, (line, counts));
            }
            Effect::StoreOutcome(outcome) => self.outcome(outcome),
            Effect::Store { entries, .. } => {
                for entry in entries {
                    if let crate::record::Entry::Reading(reading) = entry {
                        self.reading(reading);
                    }
                }
            }
            Effect::StartPump { .. }
            | Effect::StopPump { .. }
            | Effect::SaveHolds { .. }
            | Effect::Reply { .. }
            | Effect::Exit { .. } => {}
        }
    }

    fn outcome(&mut self, outcome: &Outcome) {
        if let Some((line, true)) = self.open.remove(&outcome.id)
            && let Some(sum) = self.delivered.get_mut(&line)
        {
            *sum = sum.saturating_add(outcome.delivered);
        }
    }

    fn reading(&mut self, reading: &Reading) {
        let key = reading.measured.to_string();
        let newer = |old: &Reading| reading.taken >= old.taken;
        if self.readings.get(&key).is_none_or(newer) {
            self.readings.insert(key, reading.clone());
        }
    }
}

#[cfg(test)]
mod tests;
