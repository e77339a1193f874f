//! State over MQTT for displays, and the few commands that the owner allows from there.
//!
//! Terms: the *id* of a controller comes from its machine and never changes; its *tree* is `BASE/ID/...`; a *state* topic is
//! retained and always holds the newest state; an *event* is not retained and has a number; the *hub* is a home-automation
//! program that reads the discovery message and shows everything without settings of its own.
//!
//! Deliberately absent: nothing here can hold up dosing (every hand-over is tried, never waited for), nothing stores a
//! password, no command starts a pump unless the owner allowed that very command, and no switch skips the certificate check.
//! This module does not know the daemon, the ledger or the socket: the shell hands it snapshots and takes its commands.

mod backoff;
mod board;
mod check;
mod client;
mod command;
mod connection;
mod credentials;
mod desk;
mod discovery;
mod entity;
mod health;
mod payload;
mod schema;
mod session;
mod settings;
mod topics;

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use tokio::sync::oneshot;

use crate::engine::{Answer, Command, Denial, Now, Status};
use crate::quantity::{Name, Volume};
use crate::record::Reading;

pub use check::{Finding, Report, Verdict, check};
pub use client::{Running, Seams, spawn};
pub use credentials::{Credentials, CredentialsError};
pub use discovery::description;
pub use entity::{ALLOWED, Allowed, TABLE_SOURCE};
pub use health::Health;
pub use payload::messages;
pub use schema::schema;
pub use settings::{Settings, Timing};
pub use topics::Topics;

/// Who this controller is.
#[derive(Debug, Clone)]
pub struct Identity {
    /// The machine's own id (`/etc/machine-id`). It is not published; the controller's id is worked out from it.
    pub machine_id: String,
    /// The controller's name, as displays show it.
    pub name: Name,
    pub version: String,
    /// Any number that differs from process to process: it spreads reconnects and tells two instances apart.
    pub seed: u64,
}

/// Everything that is published, at one moment.
#[derive(Debug, Clone)]
pub struct Snapshot {
    pub status: Status,
    /// Whether the owner has accepted the cautions for this hardware.
    pub armed: bool,
    /// Fingerprint of the configuration in force.
    pub fingerprint: String,
    /// First instant of the present local day, at which the daily volumes began at zero; `None` when the clock is unsure.
    pub day_began: Option<Timestamp>,
    /// Volume that each line has delivered over the life of the ledger; a line that is missing is published as unknown.
    pub delivered_lifetime: BTreeMap<Name, Volume>,
    /// The last reading of each quantity.
    pub readings: Vec<Reading>,
}

/// One line of the journal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EventLine {
    /// Its number; the same event always has the same one.
    pub id: i64,
    pub at: Timestamp,
    pub code: String,
    pub line: Option<Name>,
    pub text: String,
    pub who: String,
}

/// A command that passed every check here, for the engine to judge.
#[derive(Debug)]
pub struct RemoteCommand {
    pub command: Command,
    /// Who asked, as far as the broker tells.
    pub sender: String,
    /// Where the answer goes.
    pub reply: oneshot::Sender<Result<Answer, Denial>>,
}

pub type Clock = Arc<dyn Fn() -> Now + Send + Sync>;
