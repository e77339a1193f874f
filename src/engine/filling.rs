//! A refill as it is told, and what one with another solution comes to.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::chemistry::Quantity;
use crate::quantity::{Name, Volume, Words, positive};

/// What a bottle holds now.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NewRefill {
    pub reservoir: Name,
    pub level: RefillLevel,
    /// What is in it; as before when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub solution: Option<Name>,
    /// What the tube of each of its lines still holds of the solution from before.
    #[serde(rename = "tube_ul", default, skip_serializing_if = "Option::is_none")]
    pub tube: Option<Volume>,
    /// Nothing of what the books say it held is in it any more.
    #[serde(default)]
    pub emptied: bool,
    #[serde(default)]
    pub note: Words,
}

/// How a refill is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RefillLevel {
    Full,
    #[serde(rename = "to_ul", deserialize_with = "positive")]
    To(Volume),
    /// By this much more.
    #[serde(rename = "add_ul", deserialize_with = "positive")]
    Add(Volume),
}

/// Every number of a refill with another solution.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RefillFigures {
    pub reservoir: Name,
    pub solution: Name,
    pub solution_before: Name,
    #[serde(rename = "level_ul")]
    pub level: Volume,
    /// By the books; `None` when nobody has told.
    #[serde(rename = "before_ul")]
    pub before: Option<Volume>,
    #[serde(rename = "tube_ul")]
    pub tube: Volume,
    pub lines: Vec<LineChange>,
    /// The most by which the water would be off if a tube held none of what was told of it, in each quantity's unit.
    pub steps: BTreeMap<Quantity, f64>,
    /// How long the bottle lasts then; `None` when no plan draws on it.
    pub lasts_days: Option<f64>,
}

/// What a line gives by plan and courses, before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineChange {
    pub line: Name,
    #[serde(rename = "before_ul_per_day")]
    pub before: Volume,
    #[serde(rename = "after_ul_per_day")]
    pub after: Volume,
    #[serde(rename = "daily_cap_ul")]
    pub daily_cap: Volume,
    #[serde(rename = "dose_cap_ul")]
    pub dose_cap: Volume,
}
