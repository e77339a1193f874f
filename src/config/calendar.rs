//! Cron expressions, evaluated on the bare calendar. The only file that knows the crates `cron` and `chrono`.
//!
//! The crate fires a local time twice on the day summer time ends and not at all on the day it begins when it is given a
//! zoned clock, so it is asked about a calendar without zones; the plan then maps each local time to an instant by its own
//! rule. It counts Sunday as 1, so weekday numbers are refused and names asked for.

use chrono::{Datelike, NaiveDate, TimeZone, Timelike, Utc};
use jiff::civil::{Date, Time};
use std::str::FromStr;
use thiserror::Error;

/// A checked cron expression.
#[derive(Debug, Clone)]
pub struct CronTimes {
    text: String,
    schedule: Box<cron::Schedule>,
}

/// Why a cron expression is refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum CronError {
    /// Not five or six fields.
    #[error(
        "a cron expression has five fields (minute hour day-of-month month weekday) or six (second first); this one has {found}"
    )]
    Fields {
        /// Number of fields found.
        found: usize,
    },
    /// A number in the weekday field.
    #[error(
        "write weekdays by name (Mon, Tue, Wed, Thu, Fri, Sat, Sun); numbers mean different days in different programs"
    )]
    WeekdayNumber,
    /// Both the day of the month and the weekday are restricted.
    #[error(
        "restrict the day of the month or the weekday, not both; programs disagree on whether that means \"and\" or \"or\""
    )]
    BothDays,
    /// Not understood.
    #[error("not a cron expression: {why}")]
    Syntax {
        /// What the parser said.
        why: String,
    },
    /// No such day in the next five years.
    #[error("this never comes within five years")]
    Never,
    /// Too many on one day.
    #[error("this comes {found} times on one day; at most {max} doses a day are allowed")]
    TooOften {
        /// How often.
        found: usize,
        /// The limit.
        max: usize,
    },
}

impl CronTimes {
    /// Most doses of one line on one day: one in three minutes (our rule).
    pub const TIMES_A_DAY_MAX: usize = 480;

    /// Reads an expression of five fields (minute first) or six (second first).
    ///
    /// # Errors
    /// Any [`CronError`].
    pub fn new(text: &str) -> Result<Self, CronError> {
        let fields: Vec<&str> = text.split_whitespace().collect();
        let with_seconds = match fields.len() {
            5 => format!("0 {}", fields.join(" ")),
            6 => fields.join(" "),
            found => return Err(CronError::Fields { found }),
        };
        let weekday = fields.last().copied().unwrap_or_default();
        if weekday.contains(|c: char| c.is_ascii_digit()) {
            return Err(CronError::WeekdayNumber);
        }
        let month_day = fields
            .get(fields.len().saturating_sub(3))
            .copied()
            .unwrap_or_default();
        let open = |field: &str| field == "*" || field == "?";
        if !open(weekday) && !open(month_day) {
            return Err(CronError::BothDays);
        }
        let schedule = cron::Schedule::from_str(&with_seconds)
            .map_err(|e| CronError::Syntax { why: e.to_string() })?;
        let times = Self {
            text: text.to_owned(),
            schedule: Box::new(schedule),
        };
        times.check_density()?;
        Ok(times)
    }

    /// The text as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Local times of this expression on one local date, in order, at most one more than [`Self::TIMES_A_DAY_MAX`].
    pub fn on(&self, date: Date) -> Vec<Time> {
        let Some(first) = bare(date) else {
            return Vec::new();
        };
        // `after` is exclusive, so it starts one second before midnight.
        let start = first - chrono::TimeDelta::seconds(1);
        self.schedule
            .after(&start)
            .take_while(|at| at.date_naive() == first.date_naive())
            .take(Self::TIMES_A_DAY_MAX + 1)
            .filter_map(|at| {
                let part = |v: u32| i8::try_from(v).ok();
                Time::new(part(at.hour())?, part(at.minute())?, part(at.second())?, 0).ok()
            })
            .collect()
    }

    /// Looks at the first day it comes, within five years from a fixed date: the check must not depend on when it is made.
    fn check_density(&self) -> Result<(), CronError> {
        let start = Utc
            .with_ymd_and_hms(2024, 1, 1, 0, 0, 0)
            .single()
            .ok_or(CronError::Never)?;
        let first = self.schedule.after(&start).next().ok_or(CronError::Never)?;
        if first.year() > 2028 {
            return Err(CronError::Never);
        }
        let date = civil(first.date_naive()).ok_or(CronError::Never)?;
        let found = self.on(date).len();
        if found > Self::TIMES_A_DAY_MAX {
            Err(CronError::TooOften {
                found,
                max: Self::TIMES_A_DAY_MAX,
            })
        } else {
            Ok(())
        }
    }
}

/// Midnight of a date on the bare calendar; UTC only carries the fields.
fn bare(date: Date) -> Option<chrono::DateTime<Utc>> {
    let (month, day) = (
        u32::try_from(date.month()).ok()?,
        u32::try_from(date.day()).ok()?,
    );
    Utc.with_ymd_and_hms(i32::from(date.year()), month, day, 0, 0, 0)
        .single()
}

fn civil(date: NaiveDate) -> Option<Date> {
    Date::new(
        i16::try_from(date.year()).ok()?,
        i8::try_from(date.month()).ok()?,
        i8::try_from(date.day()).ok()?,
    )
    .ok()
}
