//! State messages: each topic is a part of the status, with the mode and the moment that it belongs to.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Map, Value, json};

use super::topics::Topics;
use crate::config::Mode;
use crate::engine::Status;
use crate::quantity::{Known, Name, Second, Volume};

/// Parts of the status with topics of their own; what is left is the controller's.
pub(super) const LISTS: [(&str, &str); 3] = [
    ("lines", "line"),
    ("reservoirs", "reservoir"),
    ("heads", "head"),
];
pub(super) const WATER: &str = "water";
pub(super) const ALARMS: &str = "alarms";
/// What stands in every state message.
pub(super) const COMMON: [&str; 2] = ["mode", "at"];

/// All state messages of one moment with their topics, the availability message left out.
pub fn messages(status: &Status, topics: &Topics) -> Vec<(String, Value)> {
    let mut whole = object(json!(status));
    let common: Vec<(String, Value)> = COMMON
        .iter()
        .filter_map(|key| Some(((*key).to_owned(), whole.get(*key)?.clone())))
        .collect();
    let with_common = |mut part: Map<String, Value>| {
        part.extend(common.iter().cloned());
        Value::Object(part)
    };
    let mut out = Vec::new();
    for (key, topic) in LISTS {
        let Some(Value::Array(parts)) = whole.remove(key) else {
            continue;
        };
        for part in parts.into_iter().map(object) {
            let name = part.get("name").and_then(Value::as_str).unwrap_or_default();
            out.push((topics.of(&format!("{topic}/{name}")), with_common(part)));
        }
    }
    if let Some(water) = whole.remove(WATER) {
        out.push((topics.of(WATER), with_common(object(water))));
    }
    if let Some(entry) = whole.remove_entry(ALARMS) {
        out.push((topics.of(ALARMS), with_common(Map::from_iter([entry]))));
    }
    out.push((topics.of("controller"), Value::Object(whole)));
    out
}

#[derive(Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Presence {
    Online,
    /// The last will says so.
    Offline,
}

#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Availability<'a> {
    pub(super) state: Presence,
    pub(super) mode: Mode,
    /// Differs from start to start; tells two controllers with one id apart.
    pub(super) instance: &'a str,
}

/// One line of the journal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct EventLine {
    /// Its number; the same event always has the same one.
    pub id: i64,
    #[serde(with = "Second")]
    pub at: Timestamp,
    /// What happened, for programs.
    pub code: String,
    /// The line concerned.
    pub line: Option<Name>,
    pub text: String,
    pub who: String,
}

#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct EventMessage<'a> {
    pub(super) mode: Mode,
    #[serde(flatten)]
    pub(super) line: &'a EventLine,
    /// Events that were not published before this one; they are in the ledger.
    pub(super) dropped_before: u64,
}

/// The answer to a command.
#[derive(Debug, Serialize, JsonSchema)]
pub(super) struct Reply {
    pub(super) mode: Mode,
    /// Of the command, if it could be read.
    pub(super) id: Option<String>,
    pub(super) command: String,
    /// Whether it was obeyed.
    pub(super) accepted: bool,
    /// Why not, for programs; null when accepted.
    pub(super) code: Option<String>,
    /// What was done, or why not.
    pub(super) text: String,
    /// For the second step of a dose. As text: not every JSON reader keeps 64 bits of a number.
    pub(super) token: Option<String>,
    pub(super) line: Option<Name>,
    pub(super) solution: Option<Name>,
    /// Whether that solution burns skin and eyes.
    pub(super) caustic: Option<bool>,
    #[serde(rename = "volume_ml", with = "Known")]
    pub(super) volume: Option<Volume>,
    pub(super) run_time_s: Option<f64>,
    /// More than three times the line's usual dose.
    pub(super) unusual: Option<bool>,
    /// Number of a dose that was started.
    pub(super) dose: Option<i64>,
    /// Refusals before this one that were not answered because there were too many.
    pub(super) suppressed: u64,
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) | Value::Array(_) => {
            Map::new()
        }
    }
}
