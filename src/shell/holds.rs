//! The rules of the hold file, so that a stop survives a power cut also when the ledger cannot be written.
//!
//! What is in it is in force at the next start, beside what the ledger says. A file that cannot be understood means: everything
//! is held. Only the newest of several waiting sets is written, because each set is all there is.

use std::time::Duration;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::quantity::Name;
use crate::record::{Hold, HoldScope, Who};

/// A write that failed is tried again after this time: a full disk has room again once the ledger has given up its reserve.
const RETRY_SOON: Duration = Duration::from_millis(200);
/// And from then on this often.
const RETRY_EVERY: Duration = Duration::from_secs(5);

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredHold {
    line: Option<String>,
    reason: String,
    who: String,
    since: Timestamp,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredHolds {
    holds: Vec<StoredHold>,
}

/// What a hold file says.
///
/// # Errors
/// Why it is none: the caller must then hold everything.
pub fn parse_holds(text: &str) -> Result<Vec<Hold>, String> {
    let stored: StoredHolds = serde_json::from_str(text).map_err(|e| e.to_string())?;
    stored
        .holds
        .into_iter()
        .map(|hold| {
            let scope = match &hold.line {
                None => HoldScope::All,
                Some(name) => HoldScope::Line(Name::new(name).map_err(|e| e.to_string())?),
            };
            Ok(Hold {
                scope,
                reason: hold.reason,
                who: who_from(&hold.who),
                since: hold.since,
            })
        })
        .collect()
}

/// What a hold file must say; `None` when nothing is held and there must be no file.
///
/// # Errors
/// When a time has no text.
pub fn hold_text(holds: &[Hold]) -> Result<Option<String>, serde_json::Error> {
    if holds.is_empty() {
        return Ok(None);
    }
    let stored = StoredHolds {
        holds: holds
            .iter()
            .map(|hold| StoredHold {
                line: match &hold.scope {
                    HoldScope::All => None,
                    HoldScope::Line(line) => Some(line.to_string()),
                },
                reason: hold.reason.clone(),
                who: who_text(&hold.who),
                since: hold.since,
            })
            .collect(),
    };
    serde_json::to_string_pretty(&stored).map(Some)
}

fn who_text(who: &Who) -> String {
    match who {
        Who::Plan => "plan".to_owned(),
        Who::Daemon => "daemon".to_owned(),
        Who::Local { uid } => format!("uid {uid}"),
        Who::Remote { name } => format!("remote {name}"),
    }
}

fn who_from(text: &str) -> Who {
    match text.split_once(' ') {
        Some(("uid", number)) => number.parse().map_or(Who::Daemon, |uid| Who::Local { uid }),
        Some(("remote", name)) => Who::Remote {
            name: name.to_owned(),
        },
        Some(_) | None if text == "plan" => Who::Plan,
        Some(_) | None => Who::Daemon,
    }
}

/// A set of holds to be written, numbered so that the asker can be answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Order {
    pub number: u64,
    pub holds: Vec<Hold>,
}

/// Which order has been carried out, together with all before it, and how that went.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HoldsWritten {
    pub number: u64,
    /// Or why it is not on disk.
    pub result: Result<(), String>,
}

/// Which set is written next, and when.
#[derive(Debug, Default)]
pub struct HoldOrders {
    newest: Option<Order>,
    failures: u32,
}

impl HoldOrders {
    /// Takes the place of what still waits.
    pub fn order(&mut self, order: Order) {
        self.newest = Some(order);
        self.failures = 0;
    }

    /// What is to be written now, or once the patience is over.
    pub fn next(&self) -> Option<&Order> {
        self.newest.as_ref()
    }

    /// How long to wait for a newer order before the next attempt; `None` is for as long as it takes.
    pub fn patience(&self) -> Option<Duration> {
        self.newest.as_ref()?;
        Some(match self.failures {
            0 => Duration::ZERO,
            1 => RETRY_SOON,
            _ => RETRY_EVERY,
        })
    }

    /// How an attempt went; gives what is to be told of it.
    pub fn written(&mut self, result: Result<(), String>) -> Option<HoldsWritten> {
        let number = self.newest.as_ref()?.number;
        // The first failure may pass in a moment, and the later ones say nothing new.
        let is_told = result.is_ok() || self.failures == 1;
        if result.is_ok() {
            self.newest = None;
            self.failures = 0;
        } else {
            self.failures = self.failures.saturating_add(1);
        }
        is_told.then_some(HoldsWritten { number, result })
    }
}
