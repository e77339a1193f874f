//! One line fading out while another fades in.

use std::fmt;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::plan::ChangeoverWish;
use crate::quantity::Name;

/// One line fading out while another fades in. Each change of it is written down whole; the newest row of a number counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Changeover {
    /// Its number, counted up from 1.
    #[serde(rename = "changeover")]
    pub number: i64,
    /// The line that fades out.
    #[serde(rename = "from_line")]
    pub from: Name,
    /// The line that fades in.
    #[serde(rename = "to_line")]
    pub to: Name,
    #[serde(rename = "measured")]
    pub by: Quantity,
    /// Steps from the one to the other.
    pub days: u32,
    /// The step in force, 0 to `days`.
    pub step: u32,
    /// The local date on which that step came into force, or was last looked at.
    #[serde(rename = "on_date")]
    pub on: Date,
    /// What becomes of it.
    pub state: ChangeoverState,
    /// In the owner's words.
    pub note: String,
    /// Who wanted this change.
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl Changeover {
    /// What was wished for.
    pub fn wish(&self) -> ChangeoverWish {
        ChangeoverWish {
            from: self.from.clone(),
            to: self.to.clone(),
            by: self.by.element().cloned(),
            days: self.days,
        }
    }

    /// Whether it is in force: until plan and water agree again.
    pub const fn is_under_way(&self) -> bool {
        !matches!(self.state, ChangeoverState::Ended)
    }
}

impl fmt::Display for Changeover {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "changeover {} from {} to {}: step {} of {}, {}",
            self.number, self.from, self.to, self.step, self.days, self.state
        )
    }
}

/// What becomes of a changeover.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ChangeoverState {
    /// A step further on each day.
    Forward,
    /// A step back on each day.
    Back,
    /// It stays at its step, on the way forward.
    Paused,
    /// It stays at its step, on the way back.
    PausedBack,
    /// The new line gives all of it; the plan file does not say so yet.
    Complete,
    /// Over: plan and water agree again.
    Ended,
}

impl fmt::Display for ChangeoverState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}
