//! What comes in.

use std::sync::Arc;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ask::Command;
use super::effect::Ticket;
use crate::config::Plan;
use crate::quantity::{Millis, Name};
use crate::record::{DoseId, Hold, Who};

/// The time, on both clocks, as the shell read them together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// The wall clock. May step.
    pub wall: Timestamp,
    /// The elapsed clock of this boot. Counts through suspend, never steps.
    pub elapsed: Millis,
}

impl Now {
    /// Whole seconds of wall time since an instant; none before it.
    pub fn age_s(&self, since: Timestamp) -> i64 {
        let wall_ms = self.wall.as_millisecond();
        wall_ms.saturating_sub(since.as_millisecond()).max(0) / 1000
    }

    /// Where a wall time lies on the elapsed clock, as the two stand now.
    pub fn elapsed_at(&self, wall: Timestamp) -> Millis {
        let ago = self
            .wall
            .as_millisecond()
            .saturating_sub(wall.as_millisecond());
        self.elapsed.minus(Millis::new(ago))
    }
}

#[derive(Debug)]
pub enum Event {
    /// A deadline was reached, or the shell looked at the clocks.
    Tick,
    /// The wall clock is known to be set.
    ClockKnown(TrustSource),
    /// The wall clock is not known to be set.
    ClockUnknown {
        /// What is missing, in words.
        why: String,
    },
    /// The last write to the ledger worked and nothing waits to be written.
    LedgerHealthy,
    /// The ledger cannot be written.
    LedgerFault {
        /// What is wrong, in words.
        why: String,
    },
    /// What is on hold is on disk again.
    HoldFileHealthy,
    /// What is on hold is in force and cannot be written to its file.
    HoldFileFault { why: String },
    /// Holds that somebody has put into the hold file while this daemon did not answer.
    HoldsFound(Vec<Hold>),
    /// An intent is on disk.
    IntentStored(DoseId),
    /// An intent could not be stored.
    IntentFailed { id: DoseId, why: String },
    /// A head has stopped, and its driver has seen it stop.
    RunEnded {
        /// Which dose it ran for.
        id: DoseId,
        report: RunReport,
    },
    /// A head does not obey: it could not be switched off, or does not answer.
    PumpFault { head: Name, why: String },
    /// A plan was read again and found good.
    PlanReplaced {
        plan: Arc<Plan>,
        /// Who waits for the answer.
        ticket: Option<Ticket>,
        who: Who,
    },
    /// A contact was read.
    Input {
        input: Name,
        /// Whether it shows its safe level; `None` when it could not be read.
        safe: Option<bool>,
    },
    /// The board's under-voltage flag.
    UnderVoltage(bool),
    Command {
        /// Who waits for the answer.
        ticket: Ticket,
        who: Who,
        command: Command,
        /// Random bits of the system for the token of a proposal; `None` when it gave none.
        nonce: Option<u128>,
    },
    /// The daemon is being stopped: no new dose, all heads off.
    Stopping,
}

/// Who says that the wall clock is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TrustSource {
    /// The kernel's clock is synchronised.
    Kernel,
    /// The owner's word, for this boot.
    Owner,
    /// Virtual time, which is right by definition.
    Virtual,
}

/// What a driver measured.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RunReport {
    /// Time between switching on and switching off; zero when it was never on.
    pub on_time: Millis,
    pub end: RunEnd,
}

/// Why a run ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunEnd {
    /// It ran its time.
    Completed,
    Stopped,
    Failed {
        why: String,
    },
}
