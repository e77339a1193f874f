//! The standing plan turned into slots: which line, which instant, how much.
//!
//! Terms: a *nominal* time is where a dose would be if its line were alone; *fixed* lines (times given, or a cron
//! expression) keep it, *movable* ones (spread over a window) take the earliest free time from
//! there on. A *local day* runs from the first instant of a date to the first instant of the next one.
//!
//! Pure and deterministic: the same plan and day give the same slots in every run. This module knows nothing of what was
//! dosed, of holds or of limits; the guard looks at every dose again when it is due.

mod against;
mod carrier;
mod check;
mod course;
mod daytime;
mod error;
mod hours;
mod layout;
mod limits;
mod midnight;
mod place;
mod schedule;
mod shift;
#[cfg(test)]
mod tests;
mod uptake;
mod uptake_check;

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use crate::config::Plan;
use crate::quantity::{Name, Volume};

pub use against::{UPTAKE_TOLERANCE_DKH_PER_DAY, busiest_hour, check_plan, planned_alkalinity};
pub use carrier::{Carrier, CourseError, extra_a_day};
pub use check::{LineFacts, PlacementReport, check_placement, placement_report};
pub use course::{AIM_DAYS_MAX, Outlook, departed, equal_days, hold_fall};
pub use error::{Latest, Need, PlacementError};
pub use hours::BusiestHour;
pub use limits::{OverLimit, bottle_within, rises_of_day};
pub use midnight::{Crossing, across_midnights};
pub use schedule::Schedule;
pub use shift::{SHIFT_DAYS_MAX, ShiftDay, ShiftShape};
pub use uptake::{
    is_tied, planned_rise, unseen, uptake_from, volume_with, with_uptake, worked_out,
};
pub use uptake_check::UPTAKE_DOUBTFUL_DKH_PER_DAY;

/// What makes a slot the one it is. A key is settled (dosed, refused or missed) at most once, ever.
///
/// The number is the slot's planned second of the local day before any staggering, counted as elapsed seconds since the
/// local day began. It is not an ordinal, so an edit of the number of doses does not give an old key to a new slot.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct SlotKey {
    pub line: Name,
    /// The local date the slot belongs to.
    #[serde(rename = "slot_date")]
    pub date: Date,
    /// Planned elapsed second of that local day, 0 to 90,000.
    #[serde(rename = "slot_second")]
    pub number: u32,
}

/// One planned time and volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slot {
    pub key: SlotKey,
    /// The instant it is due, after staggering.
    pub at: Timestamp,
    pub volume: Volume,
}

/// Volume of each line per local day.
pub type DailyVolumes = BTreeMap<Name, Volume>;

/// The plan's own daily volumes, as they were worked out.
pub fn plan_daily_volumes(plan: &Plan) -> DailyVolumes {
    let each = plan.lines.iter();
    each.map(|planned| (planned.line.clone(), planned.daily_volume))
        .collect()
}

/// Whether a line stands in the plan with its times and gives nothing: it waits for a changeover to bring it in.
pub fn waits(plan: &Plan, line: &Name) -> bool {
    let planned = plan.lines.iter().find(|l| l.line == *line);
    planned.is_some_and(|l| l.gives.waits())
}
