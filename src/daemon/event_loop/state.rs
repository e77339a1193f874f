//! Everything the loop works with.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::signal::unix::Signal;
use tokio::sync::mpsc;

use super::asker::Asker;
use super::outside::Outside;
use crate::config::Controller;
use crate::control::Incoming;
use crate::daemon::arming::Acceptance;
use crate::daemon::belongings::Belongings;
use crate::daemon::happening::Happening;
use crate::daemon::heart::{Heart, LoopBeat};
use crate::pump::InputWatch;
use crate::quantity::Millis;
use crate::shell::Core;

/// Signals the loop listens to.
#[derive(Debug)]
pub(in crate::daemon) struct Signals {
    pub(in crate::daemon) terminate: Signal,
    pub(in crate::daemon) interrupt: Signal,
    pub(in crate::daemon) hangup: Signal,
}

/// What keeps a live daemon honest.
pub(in crate::daemon) struct Guards {
    /// All heads hang on one cut-off, so a fault of one is a fault of all.
    pub(in crate::daemon) common_supply: bool,
    /// Whether outputs are really driven.
    pub(in crate::daemon) live: bool,
    pub(in crate::daemon) acceptance: Acceptance,
    pub(in crate::daemon) inputs: Option<InputWatch>,
    pub(in crate::daemon) heart: Heart,
    pub(in crate::daemon) beat: LoopBeat,
}

/// Where things come in, beside the displays.
pub(in crate::daemon) struct Inbox<'a> {
    pub(in crate::daemon) happenings: mpsc::UnboundedReceiver<Happening>,
    pub(in crate::daemon) requests: mpsc::Receiver<Incoming>,
    /// Outlive the loop: one that comes while everything is started anew is not lost.
    pub(in crate::daemon) signals: &'a mut Signals,
}

pub(in crate::daemon) struct EventLoop<'a> {
    pub(in crate::daemon) core: Core<Asker>,
    pub(in crate::daemon) outside: Outside,
    pub(in crate::daemon) inbox: Inbox<'a>,
    pub(in crate::daemon) guards: Guards,
    pub(in crate::daemon) belongings: Belongings,
    pub(in crate::daemon) config_folder: PathBuf,
    pub(in crate::daemon) controller: Arc<Controller>,
    /// Tries whether a ledger that could not be opened can be now.
    pub(in crate::daemon) ledger_opens: Box<dyn Fn() -> bool>,
    pub(in crate::daemon) under_voltage_file: Option<PathBuf>,
    /// When the clocks were last compared, in real time.
    pub(in crate::daemon) looked: Millis,
    /// When a ledger at fault was last tried, in real time.
    pub(in crate::daemon) probed: Millis,
    /// Until then, what is under way may end.
    pub(in crate::daemon) stop_until: Option<tokio::time::Instant>,
}
