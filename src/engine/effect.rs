//! What goes out.

use crate::guard::{DosePermit, Refusal};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseId, DoseKind, Entry, Hold, Intent, Outcome};

/// Names a waiting asker; the shell makes them up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(pub u64);

/// Something to be done, in the order given.
#[derive(Debug)]
#[must_use = "an effect that is dropped is a decision that never happened"]
pub enum Effect {
    /// Store and sync an intent; answer with `IntentStored` or `IntentFailed`.
    StoreIntent(Intent),
    /// Run the head of this permit; answer with `RunEnded`.
    StartPump {
        head: Name,
        /// The leave to do so.
        permit: DosePermit,
    },
    /// Switch a head off now.
    StopPump {
        head: Name,
        /// Why, for the log.
        why: String,
    },
    /// Store the end of a dose.
    StoreOutcome(Outcome),
    /// Store entries that belong together, all or none; when they are on disk, give this answer.
    Store {
        entries: Vec<Entry>,
        /// Who waits for it, and for what.
        reply: Option<(Ticket, Answer)>,
    },
    /// Write all holds in force to their own file; when they are on disk, give this answer.
    SaveHolds {
        holds: Vec<Hold>,
        /// Who waits for it, and for what.
        reply: Option<(Ticket, Answer)>,
    },
    Reply {
        ticket: Ticket,
        answer: Result<Answer, Denial>,
    },
    /// The daemon must end, and all outputs be forced off: something in it can no longer be relied on.
    Exit { why: String },
}

/// A yes, with what came of it.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    Done {
        /// What was done, with numbers and units.
        text: String,
    },
    /// A dose by hand as it would be given.
    DosePrepared {
        /// To be given back within a minute.
        token: u64,
        line: Name,
        solution: Name,
        /// Whether it burns skin and eyes.
        caustic: bool,
        volume: Volume,
        /// How long it takes.
        run_time: Millis,
        kind: DoseKind,
        /// More than three times the line's usual dose: the volume must be repeated.
        unusual: bool,
    },
    /// A dose by hand was started.
    DoseStarted {
        id: DoseId,
        line: Name,
        volume: Volume,
        /// How long it takes.
        run_time: Millis,
    },
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Denial {
    /// Short stable code, for programs.
    pub code: String,
    /// In words, with what to do.
    pub text: String,
}

impl Denial {
    /// A denial from its two parts.
    pub fn new(code: &str, text: impl Into<String>) -> Self {
        Self {
            code: code.to_owned(),
            text: text.into(),
        }
    }
}

impl From<&Refusal> for Denial {
    fn from(refusal: &Refusal) -> Self {
        Self::new(refusal.code(), refusal.to_string())
    }
}
