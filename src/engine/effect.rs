//! What goes out.

use serde::{Deserialize, Serialize};

use super::wish::Proposal;
use crate::guard::{DosePermit, Refusal};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseId, Entry, Hold, Intent, Outcome};

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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "answer", rename_all = "kebab-case")]
pub enum Answer {
    Done {
        /// What was done, with numbers and units.
        text: String,
    },
    /// What would be done, to be confirmed.
    Proposal(Box<Proposal>),
    /// A dose by hand was started.
    DoseStarted {
        #[serde(rename = "dose")]
        id: DoseId,
        line: Name,
        #[serde(rename = "volume_ul")]
        volume: Volume,
        /// How long it takes.
        #[serde(rename = "run_time_ms")]
        run_time: Millis,
    },
}

impl Answer {
    pub fn done(text: impl Into<String>) -> Self {
        Self::Done { text: text.into() }
    }

    /// In words, a line or several.
    pub fn text(&self) -> String {
        match self {
            Self::Done { text } => text.clone(),
            Self::Proposal(proposal) => proposal.text.join("\n"),
            Self::DoseStarted {
                id,
                line,
                volume,
                run_time,
            } => format!(
                "dose {} of {volume} on line {line} has started and takes {run_time}",
                id.0
            ),
        }
    }
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
