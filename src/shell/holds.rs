//! The rules of the hold file, so that a stop survives a power cut also when the ledger cannot be written.
//!
//! What is in it is in force at the next start, beside what the ledger says. A file that cannot be understood means: everything
//! is held; it is overwritten in place, so a sum tells a half-written one. Only the newest of several waiting sets is written,
//! because each set is all there is. Holds that somebody else has put in meanwhile are taken up, never overwritten.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::config::fingerprint;
use crate::record::Hold;

/// A write that failed is tried again after this time: a full disk has room again once the ledger has given up its reserve.
const RETRY_SOON: Duration = Duration::from_millis(200);
/// And from then on this often.
const RETRY_EVERY: Duration = Duration::from_secs(5);

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct HoldFile {
    holds: Vec<Hold>,
    /// Of the holds as they are written.
    sum: String,
}

/// Enough to tell a torn write.
fn sum(holds: &[Hold]) -> Result<String, serde_json::Error> {
    serde_json::to_string(holds).map(|text| fingerprint(&text))
}

/// What a hold file says.
///
/// # Errors
/// Why it is none: the caller must then hold everything.
pub fn parse_holds(text: &str) -> Result<Vec<Hold>, String> {
    let file: HoldFile = serde_json::from_str(text).map_err(|e| e.to_string())?;
    let right = sum(&file.holds).map_err(|e| e.to_string())?;
    if file.sum == right {
        Ok(file.holds)
    } else {
        Err("its sum is wrong; it was half written, or written by hand".to_owned())
    }
}

/// What a hold file must say.
///
/// # Errors
/// When a time has no text.
pub fn hold_text(holds: &[Hold]) -> Result<String, serde_json::Error> {
    let file = HoldFile {
        holds: holds.to_vec(),
        sum: sum(holds)?,
    };
    serde_json::to_string_pretty(&file)
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
