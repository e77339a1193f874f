//! Times on record that were wrong.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::quantity::local;

/// The wall clock was trusted and wrong: what was written before this with a time from `from` to `to` was written at another time, and
/// nobody knows at which.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WrongTime {
    pub from: Timestamp,
    pub to: Timestamp,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl WrongTime {
    pub fn words(&self, zone: &TimeZone) -> String {
        let [from, to] = [self.from, self.to].map(|at| local(at, zone));
        format!("the clock was wrong from {from} to {to} on record")
    }

    pub fn spans(&self, wall: Timestamp) -> bool {
        self.from <= wall && wall <= self.to
    }
}
