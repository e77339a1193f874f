//! Another solution in the bottle of a line.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::dose::DoseId;
use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::quantity::{Name, Volume};

/// Another solution in the bottle of a line. Each change of it is written down whole; the newest row counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BottleSwap {
    /// Its number, counted up from 1.
    #[serde(rename = "swap")]
    pub number: i64,
    pub line: Name,
    #[serde(rename = "from_solution")]
    pub from: Name,
    /// The solution in the new bottle.
    #[serde(rename = "to_solution")]
    pub to: Name,
    #[serde(rename = "measured")]
    pub by: Quantity,
    /// What the tube held of the old solution when the bottle was swapped.
    #[serde(rename = "tube_ul")]
    pub tube: Volume,
    /// What the line gave a day of the old one.
    #[serde(rename = "before_ul")]
    pub before: Volume,
    /// What it gives a day of the new one.
    #[serde(rename = "after_ul")]
    pub after: Volume,
    /// Lines that followed it, with what they gave a day: they are to stay there.
    #[serde(rename = "followers_ul")]
    pub followers: Vec<(Name, Volume)>,
    /// The last dose of all before the swap: what the line gave since went through the tube.
    pub dose_last: DoseId,
    /// Whether outputs were driven: one of a dry run is a rehearsal.
    pub live: bool,
    /// What becomes of it.
    pub state: SwapState,
    /// In the owner's words.
    pub note: String,
    /// Who wanted this change.
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl BottleSwap {
    /// Whether it is in force: until both files say what is so.
    pub const fn is_under_way(&self) -> bool {
        !matches!(self.state, SwapState::Ended)
    }

    /// What the outlet gives: solution, and volume a day.
    pub const fn in_force(&self) -> (&Name, Volume) {
        match self.state {
            SwapState::Tube => (&self.from, self.before),
            SwapState::Through | SwapState::Ended => (&self.to, self.after),
        }
    }
}

impl fmt::Display for BottleSwap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "bottle swap {} on line {} from {} at {} a day to {} at {} a day, {}",
            self.number, self.line, self.from, self.before, self.to, self.after, self.state
        )
    }
}

/// What becomes of a swapped bottle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SwapState {
    /// The tube still gives the old solution.
    Tube,
    /// The new solution is through; the files do not say so yet.
    Through,
    /// Over: the files say what is so.
    Ended,
}

impl fmt::Display for SwapState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}
