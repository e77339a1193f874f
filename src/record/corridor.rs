//! Corridors: how far and how long the standing addition follows the estimate without the owner being asked.

use std::fmt;

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use super::uptake::amount;
use crate::chemistry::Quantity;

/// Every number of a corridor, as it is shown and granted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CorridorGrant {
    #[serde(rename = "quantity")]
    pub of: Quantity,
    /// The uptake that was in force when it was granted, in the quantity's unit.
    #[serde(rename = "middle_per_day")]
    pub middle: f64,
    /// What the plan added by it.
    #[serde(rename = "added_per_day")]
    pub added: f64,
    /// What of that goes by the uptake.
    #[serde(rename = "follows_per_day")]
    pub follows: f64,
    /// Part of what is added, either way.
    pub share: f64,
    /// The local date with which it ends by itself.
    #[schemars(with = "String")]
    pub until: Date,
}

/// Written down when it is granted and when it ends; the newest row of a quantity counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Corridor {
    #[serde(flatten)]
    pub grant: CorridorGrant,
    #[schemars(with = "String")]
    pub granted: Date,
    /// Why it is over; null while it is not.
    pub ended: Option<String>,
    /// Whether it was granted while outputs were driven. What was granted in a dry run is not in force otherwise, nor the other way round.
    pub live: bool,
    /// Who granted it, or ended it.
    #[schemars(with = "String")]
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

impl CorridorGrant {
    /// The least and the most that the plan may add a day, in words.
    pub fn edges(&self) -> (String, String) {
        let edge = |sign: f64| amount(&self.of, self.added * (1.0 + sign * self.share));
        (edge(-1.0), edge(1.0))
    }
}

impl fmt::Display for Corridor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let CorridorGrant { of, until, .. } = &self.grant;
        let (low, high) = self.grant.edges();
        write!(f, "corridor of {of}: {low} to {high} a day until {until}")?;
        match &self.ended {
            Some(why) => write!(f, "; it has ended: {why}"),
            None => Ok(()),
        }
    }
}
