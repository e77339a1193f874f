//! Courses: finite departures from the plan.

use std::fmt;

use jiff::civil::Date;
use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::chemistry::Quantity;
use crate::quantity::{Name, Volume};

/// A finite extra: so much of one thing over so many days on one line, on top of its standing volume; then it ends by itself.
///
/// Each change of it is written down whole; the newest row of a number is what counts.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Course {
    /// Its number, counted up from 1.
    #[serde(rename = "course")]
    pub number: i64,
    /// Whether it has an aim or a review date.
    pub kind: CourseKind,
    /// The line that gives it.
    pub line: Name,
    #[serde(rename = "measured")]
    pub raises: Quantity,
    /// By how much a day: meq/L for alkalinity, mg/L otherwise.
    pub rise_per_day: f64,
    /// Extra volume on each local day in force.
    #[serde(rename = "extra_ul")]
    pub extra: Volume,
    /// The line's standing volume when this row was written, to tell the extra from it in the record.
    #[serde(rename = "standing_ul")]
    pub standing: Volume,
    /// First local date in force.
    #[serde(rename = "first_date")]
    pub first: Date,
    /// Days in force from `first` on.
    pub days: u32,
    pub state: CourseState,
    /// In the owner's words.
    pub note: String,
    /// Who wanted this change.
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

/// What a course is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CourseKind {
    /// So much in all, then it is over.
    Once,
    /// So much a day for what is used up all the time; over on its review date unless a new reading confirms it before.
    TopUp,
}

/// Whether a course runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CourseState {
    /// It is given on its dates.
    Running,
    /// Nothing is given until it is resumed; its days wait.
    Paused,
    /// Over, by itself or by hand.
    Ended,
}

impl Course {
    /// Days of it that lie before the end of `today`.
    pub fn days_begun(&self, today: Date) -> u32 {
        let since = (today - self.first).get_days();
        u32::try_from(since.saturating_add(1))
            .unwrap_or(0)
            .min(self.days)
    }

    /// Last local date on which it gives anything.
    pub fn last(&self) -> Date {
        let after = i64::from(self.days.saturating_sub(1));
        self.first
            .checked_add(jiff::Span::new().days(after))
            .unwrap_or(Date::MAX)
    }

    /// Whether it is in force on a local date.
    pub fn in_force_on(&self, today: Date) -> bool {
        self.state == CourseState::Running
            && today >= self.first
            && (today - self.first).get_days() < i32::try_from(self.days).unwrap_or(i32::MAX)
    }

    /// Whether all its days lie before a local date.
    pub fn is_over_on(&self, today: Date) -> bool {
        self.state == CourseState::Running && today >= self.first && !self.in_force_on(today)
    }
}

impl fmt::Display for CourseKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}

impl fmt::Display for CourseState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.serialize(f)
    }
}
