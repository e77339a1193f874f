//! Lasting stops.

use std::fmt;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::config::ALL_LINES;
use crate::quantity::{Millis, Name};

/// How every answer begins that asks for a hold in vain, so that nobody walks away from a pump that runs.
pub const NOTHING_IS_HELD: &str = "NOTHING IS HELD";

/// What a hold stops. Written as the line's name; as nothing (`null`) for all.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(from = "Option<Name>", into = "Option<Name>")]
pub enum HoldScope {
    All,
    Line(Name),
}

impl HoldScope {
    /// `None` for all.
    pub const fn line(&self) -> Option<&Name> {
        match self {
            Self::All => None,
            Self::Line(line) => Some(line),
        }
    }

    /// The command that lifts a hold of this scope.
    pub fn lifted_by(&self) -> String {
        match self {
            Self::All => "dosewright resume".to_owned(),
            Self::Line(line) => format!("dosewright resume {line}"),
        }
    }
}

impl fmt::Display for HoldScope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::All => f.write_str("all dosing"),
            Self::Line(line) => write!(f, "line {line}"),
        }
    }
}

impl From<Option<Name>> for HoldScope {
    fn from(line: Option<Name>) -> Self {
        line.filter(|l| l.as_str() != ALL_LINES)
            .map_or(Self::All, Self::Line)
    }
}

impl From<HoldScope> for Option<Name> {
    fn from(scope: HoldScope) -> Self {
        match scope {
            HoldScope::All => None,
            HoldScope::Line(line) => Some(line),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Hold {
    #[serde(rename = "line")]
    pub scope: HoldScope,
    pub reason: String,
    pub who: Who,
    /// When, by the wall clock.
    pub since: Timestamp,
    /// When it ends by itself, by the wall clock as it was trusted then; without one only a resume lifts it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub until: Option<Timestamp>,
}

impl Hold {
    /// A hold with an end is no longer than this; a longer one is meant to be lifted by hand. Ours.
    pub const LENGTH_MAX: Millis = Millis::from_mins(30 * 24 * 60);

    /// When one of this length that begins at `since` ends by itself. There is no end by a clock that may be wrong.
    pub fn end(
        since: Timestamp,
        length: Option<Millis>,
        clock_is_trusted: bool,
    ) -> Option<Timestamp> {
        let length =
            jiff::SignedDuration::from_millis(length.filter(|_| clock_is_trusted)?.as_ms());
        since.checked_add(length).ok()
    }
}

/// A hold was set or lifted. The newest word on a scope counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HoldChange {
    #[serde(rename = "line")]
    pub scope: HoldScope,
    pub action: HoldAction,
    /// Since when it holds; `None` when it was lifted.
    pub since: Option<Timestamp>,
    /// When it ends by itself, see [`Hold::until`].
    #[serde(default)]
    pub until: Option<Timestamp>,
    /// `None` when it was lifted.
    pub reason: Option<String>,
    /// Who set or lifted it.
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldAction {
    Set,
    Lifted,
}

impl HoldAction {
    /// The word for the log and the displays.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Set => "hold-set",
            Self::Lifted => "hold-lifted",
        }
    }
}

impl HoldChange {
    pub fn set(hold: Hold, at: Stamp) -> Self {
        Self {
            scope: hold.scope,
            action: HoldAction::Set,
            since: Some(hold.since),
            until: hold.until,
            reason: Some(hold.reason),
            who: hold.who,
            at,
        }
    }

    pub const fn lifted(scope: HoldScope, who: Who, at: Stamp) -> Self {
        Self {
            scope,
            action: HoldAction::Lifted,
            since: None,
            until: None,
            reason: None,
            who,
            at,
        }
    }

    /// The hold that is in force by this; `None` when it was lifted.
    pub fn hold(self) -> Option<Hold> {
        let in_force = self.action == HoldAction::Set;
        in_force.then(|| Hold {
            scope: self.scope,
            reason: self.reason.unwrap_or_default(),
            who: self.who,
            since: self.since.unwrap_or(self.at.wall),
            until: self.until,
        })
    }
}

impl fmt::Display for HoldChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.reason {
            Some(reason) => write!(f, "{} on hold: {reason}", self.scope),
            None => write!(f, "hold on {} lifted", self.scope),
        }
    }
}
