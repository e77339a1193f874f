//! What goes over the socket, one JSON object on a line: an envelope round the engine's own commands and answers.

use serde::{Deserialize, Serialize};

use crate::chemistry::Quantity;
use crate::config::Right;
use crate::engine::{Answer, Command, Confirm, Denial};
use crate::quantity::Words;

/// A request, told apart by its `request`. Variants without values have braces, because a unit variant would take any key.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "request", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Everything there is to show.
    Status {},
    /// What to do about a water quantity.
    Advise {
        #[serde(rename = "quantity")]
        of: Quantity,
    },
    /// The plan file was edited.
    Reload {},
    /// The owner accepts that outputs are driven.
    Arm {
        /// What the asker was shown: configuration and board.
        fingerprint: Words,
        /// The sentence as typed.
        sentence: Words,
    },
    /// Outputs are no longer to be driven.
    Disarm {},
    /// A confirmation by somebody who stands beside the run: it ends when this connection does, or is silent for 5 s.
    ConfirmAttended(Confirm),
    /// What the engine is asked.
    Command(Command),
}

impl Request {
    /// What whoever asks must be allowed to do.
    pub const fn right(&self) -> Right {
        match self {
            Self::Status {} | Self::Advise { .. } => Right::Look,
            Self::Reload {} => Right::Propose,
            Self::Arm { .. } => Right::Arm,
            // Whoever may stop may stop for good.
            Self::Disarm {} => Right::Hold,
            Self::ConfirmAttended(confirm) => confirm.right(),
            Self::Command(command) => command.right(),
        }
    }
}

impl From<Command> for Request {
    fn from(command: Command) -> Self {
        Self::Command(command)
    }
}

/// Code of a denial: the daemon is on its way out, and did nothing of what was asked.
pub const STOPPING: &str = "stopping";
/// Code of a denial: nobody knows what became of what was asked.
pub const NO_ANSWER: &str = "no-answer";

/// A response, one JSON object on one line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Response {
    /// Whether it was done.
    pub ok: bool,
    /// Short stable code of the reason when it was not; absent otherwise.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub code: Option<String>,
    /// In words, with numbers and units.
    pub text: String,
    /// The status, or the engine's answer where there is more to it than its text.
    #[serde(skip_serializing_if = "serde_json::Value::is_null", default)]
    pub data: serde_json::Value,
}

impl From<Result<Answer, Denial>> for Response {
    fn from(answer: Result<Answer, Denial>) -> Self {
        let answer = match answer {
            Err(denial) => return Self::denied(&denial.code, denial.text),
            Ok(answer) => answer,
        };
        let data = match &answer {
            Answer::Done { .. } => serde_json::Value::Null,
            Answer::Proposal(_) | Answer::DoseStarted { .. } => {
                serde_json::to_value(&answer).unwrap_or_default()
            }
        };
        Self::done(answer.text(), data)
    }
}

impl Response {
    pub fn done(text: impl Into<String>, data: serde_json::Value) -> Self {
        Self {
            ok: true,
            code: None,
            text: text.into(),
            data,
        }
    }

    /// A no, with its reason.
    pub fn denied(code: &str, text: impl Into<String>) -> Self {
        Self {
            ok: false,
            code: Some(code.to_owned()),
            text: text.into(),
            data: serde_json::Value::Null,
        }
    }
}
