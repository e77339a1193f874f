//! Times on record that were wrong.

use crate::quantity::said;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};

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
    pub fn spans(&self, wall: Timestamp) -> bool {
        self.from <= wall && wall <= self.to
    }
}

said! {
    WrongTime: it => "the clock was wrong from {:.0} to {:.0} on record", it.from, it.to;
}
