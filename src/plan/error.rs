//! Why a day's slots cannot be placed.

use std::fmt;

use jiff::civil::{Date, Time};
use thiserror::Error;

use crate::quantity::{Millis, Name};

/// What two doses must respect towards each other.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Need {
    /// Their solutions precipitate with each other.
    Apart {
        /// Solution of the first line named.
        first: Name,
        /// Solution of the second line named.
        second: Name,
        /// Time from the end of one to the start of the other.
        gap: Millis,
    },
    /// Both lines use one head.
    OneHead { head: Name },
    /// Both lines draw from one bottle.
    OneReservoir { reservoir: Name },
    /// Doses of one line follow each other.
    OneLine {
        /// Time set aside for one dose.
        duration: Millis,
    },
    /// The supply runs only so many heads together.
    HeadsAtOnce { max: u32 },
}

impl fmt::Display for Need {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Apart { first, second, gap } => {
                write!(
                    f,
                    "solutions {first:?} and {second:?} must be kept {gap} apart"
                )
            }
            Self::OneHead { head } => {
                write!(f, "both use head {head:?}, which runs one dose at a time")
            }
            Self::OneReservoir { reservoir } => {
                write!(
                    f,
                    "both draw from reservoir {reservoir:?}, one dose at a time"
                )
            }
            Self::OneLine { duration } => write!(f, "{duration} are set aside for each dose"),
            Self::HeadsAtOnce { max } => write!(f, "at most {max} heads run at once"),
        }
    }
}

/// Why slots cannot be placed. Times are local civil times, cut to the second.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum PlacementError {
    /// The plan names a line, or the line a head, that the controller does not have.
    #[error(
        "line {line:?} of the plan is not among the controller's lines, or its head is missing; add it there or take it out of the plan"
    )]
    UnknownLine { line: Name },
    /// Two fixed times are too close.
    #[error(
        "on {date} line {first:?} is due at {first_time} and line {second:?} at {second_time}, but {need}; \
         move {second:?} to {free} or later, or let one of them be spread over a window"
    )]
    FixedTimesClash {
        /// The local date on which it was found first.
        date: Date,
        first: Name,
        first_time: Time,
        second: Name,
        second_time: Time,
        /// What they must respect.
        need: Need,
        /// First time at which the second would be clear of the first.
        free: Time,
    },
    /// A movable slot finds no free time before its line's next one.
    #[error(
        "on {date} line {line:?} finds no time for its dose of {time} before {before}: line {blocker:?} is in the way, and {need}; \
         plan fewer doses or a wider window for one of the two, or windows that do not overlap"
    )]
    NoRoom {
        /// The local date on which it was found first.
        date: Date,
        line: Name,
        /// When its dose was to be.
        time: Time,
        /// Before which time it had to start.
        before: Latest,
        /// The line in the way at last.
        blocker: Name,
        /// What they must respect.
        need: Need,
    },
    /// A movable slot would reach into the next day.
    #[error(
        "on {date} line {line:?} has a dose at {time} that must start by {latest}, so that it ends, with {gap} to keep apart, before the day does; \
         end its window earlier or plan fewer doses"
    )]
    PastDayEnd {
        /// The local date on which it was found first.
        date: Date,
        line: Name,
        /// When its dose was to be.
        time: Time,
        latest: Time,
        /// The largest gap that concerns its solution.
        gap: Millis,
    },
    /// A date beyond what the calendar holds.
    #[error("{date} is beyond the calendar; check the clock")]
    NoSuchDate { date: Date },
    /// Slots of too long a time were asked for at once.
    #[error("slots of {days} days were asked for at once; at most {max} days are given")]
    SpanTooLong {
        days: i64,
        /// Days given at most.
        max: i64,
    },
}

/// Until when a dose must start.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Latest {
    /// Its line's next dose is due at this time.
    NextDose(Time),
    /// The day ends, less the time for the dose and its gap: this time.
    DayEnd(Time),
}

impl fmt::Display for Latest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NextDose(time) => write!(f, "its next one at {time}"),
            Self::DayEnd(time) => write!(f, "{time}, the latest for this day"),
        }
    }
}

impl PlacementError {
    /// Whether the other one says the same of the same lines, on whatever date and time: it is then reported once.
    pub fn same_rule(&self, other: &Self) -> bool {
        let pair = |e: &Self| match e {
            Self::UnknownLine { line } | Self::PastDayEnd { line, .. } => {
                Some((line.clone(), line.clone()))
            }
            Self::FixedTimesClash { first, second, .. }
            | Self::NoRoom {
                line: first,
                blocker: second,
                ..
            } => Some((first.min(second).clone(), first.max(second).clone())),
            Self::NoSuchDate { .. } | Self::SpanTooLong { .. } => None,
        };
        std::mem::discriminant(self) == std::mem::discriminant(other) && pair(self) == pair(other)
    }
}
