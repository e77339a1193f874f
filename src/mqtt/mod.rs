//! State over MQTT for displays, and the few commands that the owner allows from there.
//!
//! Terms: the *id* of a controller comes from its machine and never changes; its *tree* is `BASE/ID/...`; a *state* topic is
//! retained and always holds the newest state; an *event* is not retained and has a number; the *hub* is a home-automation
//! program that reads the discovery message and shows everything without settings of its own.
//!
//! Deliberately absent: nothing here can hold up dosing (every hand-over is tried, never waited for), nothing stores a
//! password, no command starts a pump unless the owner allowed that very command, and no switch skips the certificate check.
//! This module does not know the daemon, the ledger or the socket: the shell hands it snapshots and takes its commands.

mod answer;
mod backoff;
mod board;
mod check;
mod client;
pub(crate) mod command;
mod connection;
mod credentials;
mod desk;
mod discovery;
mod entity;
mod health;
mod outgoing;
mod payload;
mod schema;
mod session;
mod settings;
mod topics;
mod worker;

use std::sync::Arc;

use tokio::sync::oneshot;

use crate::engine::{Answer, Command, Denial, Now};

pub use check::{Finding, Report, Verdict, check};
pub use client::{Running, spawn};
pub use credentials::{Credentials, CredentialsError};
pub use discovery::description;
pub use health::Health;
pub use payload::{EventLine, messages};
pub use schema::schema;
pub use settings::{Settings, Timing};
pub use topics::Topics;
pub use worker::Seams;

/// Who this controller is.
#[derive(Debug, Clone)]
pub struct Identity {
    /// The machine's own id (`/etc/machine-id`). It is not published; the controller's id is worked out from it.
    pub machine_id: String,
    /// Any number that differs from process to process: it spreads reconnects and tells two instances apart.
    pub seed: u64,
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
