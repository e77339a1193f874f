//! Courses: departures from the plan.

use std::fmt;

use jiff::civil::Date;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::quantity::{Ml, Name, Volume, worded};

/// A departure from the plan, on whole local days. Each change of it is written down whole; the newest row of a number counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Course {
    /// Counted up from 1.
    #[serde(rename = "course")]
    pub number: i64,
    pub what: Departure,
    /// Days of an addition; steps of a changeover.
    pub days: u32,
    /// Days of an addition that were over before `since`; the step of a changeover that is in force.
    pub step: u32,
    /// First local date of the days that are left of an addition; date on which a changeover's step was last looked at.
    #[schemars(with = "String")]
    pub since: Date,
    pub state: CourseState,
    /// Whether it was begun while outputs were driven. What was begun in a dry run is not in force otherwise, nor the other way round.
    pub live: bool,
    /// In the owner's words.
    pub note: String,
    #[schemars(with = "String")]
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Departure {
    /// More or less of one thing each day, with the doses of one line.
    Add {
        line: Name,
        of: Quantity,
        /// In the quantity's unit; negative for less.
        per_day: f64,
        ends: Ends,
        /// The line's volume a day without it and what it adds to that, as they were when the row was written: what tells its part of
        /// a day's doses afterwards. What is given follows from `per_day` and what is in the bottle.
        #[serde(rename = "standing_ml", with = "Ml")]
        standing: Volume,
        #[serde(rename = "extra_ml", with = "Ml")]
        extra: Volume,
    },
    /// One line fades out while another fades in, at equal effect on one thing.
    Shift { from: Name, to: Name, of: Quantity },
}

/// When an addition ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Ends {
    /// So much in all, then it is over.
    Aim,
    /// For what is used up all the time; over on its review date unless a new reading confirms it before.
    Review,
}

worded! {
    /// Running, paused and ended are of every course; the others of changeovers.
    pub enum CourseState {
        Running = "running",
        /// A step back on each day.
        Back = "back",
        /// Stays as it is; an addition gives nothing meanwhile, and its days wait.
        Paused = "paused",
        /// Stays at its step, on the way back.
        PausedBack = "paused-back",
        /// The new line gives all of it; the plan file does not say so yet.
        Complete = "complete",
        Ended = "ended",
    }
}

impl Departure {
    /// The thing that is added, or kept equal.
    pub const fn of(&self) -> &Quantity {
        match self {
            Self::Add { of, .. } | Self::Shift { of, .. } => of,
        }
    }

    /// The line it is about: the one that fades in, of a changeover.
    pub const fn line(&self) -> &Name {
        match self {
            Self::Add { line, .. } => line,
            Self::Shift { to, .. } => to,
        }
    }

    pub const fn is_shift(&self) -> bool {
        matches!(self, Self::Shift { .. })
    }
}

impl fmt::Display for Departure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Add {
                line,
                of,
                per_day,
                ends,
                ..
            } => {
                let what = match ends {
                    Ends::Review => "top-up",
                    Ends::Aim if *per_day < 0.0 => "lowering",
                    Ends::Aim => "raise",
                };
                write!(f, "{what} of {of} on line {line}")
            }
            Self::Shift { from, to, .. } => write!(f, "changeover from {from} to {to}"),
        }
    }
}

impl Course {
    pub fn is_top_up(&self) -> bool {
        matches!(
            self.what,
            Departure::Add {
                ends: Ends::Review,
                ..
            }
        )
    }

    /// Days of an addition that lie before the end of `today`.
    pub fn days_begun(&self, today: Date) -> u32 {
        let here = (today - self.since).get_days().saturating_add(1);
        self.step
            .saturating_add(u32::try_from(here).unwrap_or(0))
            .min(self.days)
    }

    /// Last local date on which an addition gives anything.
    pub fn last(&self) -> Date {
        let left = i64::from(self.days.saturating_sub(self.step));
        self.since
            .checked_add(jiff::Span::new().days(left.saturating_sub(1)))
            .unwrap_or(Date::MAX)
    }

    /// Whether an addition is in force on a local date.
    pub fn in_force_on(&self, date: Date) -> bool {
        self.state == CourseState::Running
            && self.step < self.days
            && (self.since..=self.last()).contains(&date)
    }

    /// Whether an addition gives on a local date or after it, should nobody touch it.
    pub fn gives_from(&self, date: Date) -> bool {
        self.in_force_on(date.max(self.since))
    }

    /// Whether all days of an addition lie before a local date.
    pub fn is_over_on(&self, date: Date) -> bool {
        self.state == CourseState::Running && date >= self.since && !self.in_force_on(date)
    }
}

impl fmt::Display for Course {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let counted = if self.what.is_shift() { "step" } else { "day" };
        write!(
            f,
            "course {}, {}: {counted} {} of {}, {}",
            self.number,
            self.what,
            self.step,
            self.days,
            self.state.as_str()
        )
    }
}
