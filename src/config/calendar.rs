//! Cron expressions, evaluated on the bare calendar. The only file that knows the crate `cron`.
//!
//! The crate fires a local time twice on the day summer time ends and not at all on the day it begins when it is given a
//! zoned clock, and it searches year by year for the next time. So it only reads the text here: dates and times are matched
//! field by field, which has no search, no zone and no last year, and the plan maps each local time to an instant by its
//! own rule. It counts Sunday as 1, so weekday numbers are refused and names asked for.

use std::str::FromStr;
use std::sync::Arc;

use cron::TimeUnitSpec;
use jiff::civil::{Date, Time};
use thiserror::Error;

/// A checked cron expression.
#[derive(Debug, Clone)]
pub struct CronTimes {
    text: String,
    schedule: Arc<cron::Schedule>,
    /// Times of day, in order; the same on every day on which it comes.
    times: Arc<[Time]>,
}

/// Why a cron expression is refused.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum CronError {
    /// Not five or six fields.
    #[error(
        "a cron expression has five fields (minute hour day-of-month month weekday) or six (second first); this one has {found}{hint}"
    )]
    Fields {
        /// Number of fields found.
        found: usize,
        /// What to do about it, or nothing.
        hint: &'static str,
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
    #[error("not a cron expression: {why}")]
    Syntax {
        /// What the parser said.
        why: String,
    },
    /// No such day in any year.
    #[error("this never comes: no month it names has such a day; check day-of-month and month")]
    Never,
    /// Too many on one day.
    #[error("this comes {found} times on one day; at most {max} doses a day are allowed")]
    TooOften { found: usize, max: usize },
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
            found => {
                return Err(CronError::Fields {
                    found,
                    hint: fields_hint(found),
                });
            }
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
        let schedule = cron::Schedule::from_str(&with_seconds).map_err(|e| CronError::Syntax {
            why: last_line(&e.to_string()),
        })?;
        if !ever_comes(&schedule) {
            return Err(CronError::Never);
        }
        let times = times_of_day(&schedule)?;
        Ok(Self {
            text: text.to_owned(),
            schedule: Arc::new(schedule),
            times,
        })
    }

    /// The text as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Local times of this expression on a day on which it comes, in order, at most [`Self::TIMES_A_DAY_MAX`].
    pub fn times(&self) -> &[Time] {
        &self.times
    }

    /// Local times of this expression on one local date, in order: all of [`Self::times`], or none.
    pub fn on(&self, date: Date) -> &[Time] {
        if comes_on(&self.schedule, date) {
            &self.times
        } else {
            &[]
        }
    }

    /// Whether it comes on every day of every year.
    pub fn is_daily(&self) -> bool {
        let days = &self.schedule;
        days.months().is_all() && days.days_of_month().is_all() && days.days_of_week().is_all()
    }
}

fn fields_hint(found: usize) -> &'static str {
    match found {
        7 => "; a year cannot be given, a plan stands until it is changed",
        4 => "; is the minute missing? `0 */4 * * *` is every four hours",
        _ => "",
    }
}

/// The parser repeats the text, with the seconds that were put before it, and a pointer into it; the reason comes last.
fn last_line(message: &str) -> String {
    let line = message.lines().last().unwrap_or_default();
    line.trim().trim_end_matches('.').to_owned()
}

fn comes_on(schedule: &cron::Schedule, date: Date) -> bool {
    let has = |unit: &dyn Fn(u32) -> bool, value: i8| u32::try_from(value).is_ok_and(unit);
    has(&|v| schedule.months().includes(v), date.month())
        && has(&|v| schedule.days_of_month().includes(v), date.day())
        && has(
            &|v| schedule.days_of_week().includes(v),
            date.weekday().to_sunday_one_offset(),
        )
}

/// Whether any date fits. A leap year has every day of the year, and every weekday in every month, and only one of the two
/// may be restricted; so one leap year tells for all years, and the answer does not depend on when it is asked.
fn ever_comes(schedule: &cron::Schedule) -> bool {
    jiff::civil::date(2024, 1, 1)
        .series(jiff::Span::new().days(1))
        .take_while(|date| date.year() == 2024)
        .any(|date| comes_on(schedule, date))
}

/// All times of day, after counting them: sixty in each field are 86,400.
fn times_of_day(schedule: &cron::Schedule) -> Result<Arc<[Time]>, CronError> {
    let (hours, minutes, seconds) = (schedule.hours(), schedule.minutes(), schedule.seconds());
    let found = hours.iter().count() * minutes.iter().count() * seconds.iter().count();
    if found > CronTimes::TIMES_A_DAY_MAX {
        return Err(CronError::TooOften {
            found,
            max: CronTimes::TIMES_A_DAY_MAX,
        });
    }
    let part = |v: u32| i8::try_from(v).ok();
    let mut times = Vec::with_capacity(found);
    for hour in hours.iter() {
        for minute in minutes.iter() {
            for second in seconds.iter() {
                if let (Some(h), Some(m), Some(s)) = (part(hour), part(minute), part(second)) {
                    times.extend(Time::new(h, m, s, 0));
                }
            }
        }
    }
    Ok(times.into())
}

#[cfg(test)]
mod tests;
