//! What the animals take up: the value in force, told or accepted.

use std::fmt;

use std::collections::BTreeMap;

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::config::{Plan, StartUptake};
use crate::quantity::{local, worded};

/// An uptake that is in force from now on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Uptake {
    pub of: Quantity,
    /// In the quantity's unit.
    #[serde(rename = "uptake_per_day")]
    pub uptake: f64,
    /// `None` for the first of all.
    #[serde(rename = "before_per_day")]
    pub before: Option<f64>,
    pub how: UptakeHow,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

worded! {
    /// Where an uptake comes from.
    pub enum UptakeHow {
        /// The starting value of plan.toml, when nothing else was known yet.
        Start = "start",
        /// In the owner's words.
        Told = "told",
        /// Advice that the owner put into force.
        Accepted = "accepted",
        /// A step within a corridor that the owner granted.
        Corridor = "corridor",
    }
}

impl Uptake {
    /// `0.80 dKH`, `5.70 mg/L`.
    pub fn amount(&self) -> String {
        amount(&self.of, self.uptake)
    }

    /// The same of what was in force before.
    pub fn amount_before(&self) -> Option<String> {
        self.before.map(|before| amount(&self.of, before))
    }
}

/// `0.80 dKH`, `0.00120 mg/L`.
pub fn amount(of: &Quantity, value: f64) -> String {
    let places = if value.abs() < 0.1 { 5 } else { 2 };
    format!("{value:.places$} {}", of.unit())
}

/// Starting values of plan.toml that are not in force any more, in words.
pub fn starts_not_in_force(
    plan: &Plan,
    recorded: &BTreeMap<Quantity, Uptake>,
    zone: &TimeZone,
) -> Vec<String> {
    let words = plan.starts.iter().filter_map(|(of, start)| {
        let known = recorded.get(of)?;
        let said = match start {
            StartUptake::PerDay(value) if (value - known.uptake).abs() < 1e-9 => return None,
            StartUptake::PerDay(value) => format!("{value} {}", of.unit()),
            StartUptake::WithAlkalinity => "tied to alkalinity".to_owned(),
        };
        Some(format!(
            "uptake of {of}: {} a day is in force ({}, {}), not the start of plan.toml ({said})",
            known.amount(),
            known.how.as_str(),
            local(known.at.wall, zone)
        ))
    });
    words.collect()
}

impl fmt::Display for Uptake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let before = self.amount_before().unwrap_or_else(|| "none".to_owned());
        let (of, now, how) = (&self.of, self.amount(), self.how.as_str());
        write!(
            f,
            "uptake of {of} is {now} a day now ({how}), {before} before"
        )
    }
}
