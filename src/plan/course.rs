//! The shape of a course, and whether a line may carry it.
//!
//! Terms: the *extra* is the volume that a course adds to each day of a line. Checked here so that a course is refused before it
//! starts instead of slot by slot; the guard counts every dose all the same.

use thiserror::Error;

use super::limits::{OverLimit, day_within, line_within};
use super::plan_daily_volumes;
use crate::config::{Controller, Plan, Times};
use crate::quantity::{Alkalinity, Name, Volume, i64_from_f64};

/// Why there is no such course.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CourseError {
    /// A number that makes no sense.
    #[error("{what} is {value}; give more than 0")]
    Value { what: &'static str, value: f64 },
    #[error(
        "at that step it would take {days:.0} days, more than a year; raise by less, or by more a day"
    )]
    TooLong { days: f64 },
    /// No such line in controller.toml, or none in the plan.
    #[error(
        "line {line} has no plan, and a course is given with its planned doses; plan a small daily volume first"
    )]
    NotPlanned { line: Name },
    /// The line does not dose every day.
    #[error("line {line} doses by a cron expression, not every day; a course needs a daily plan")]
    NotDaily { line: Name },
    #[error("{over}; raise by less a day, or use a stronger solution")]
    Over {
        #[from]
        over: OverLimit,
    },
}

/// A course worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CourseShape {
    pub days: u32,
    /// Extra volume a day; equal on all days.
    pub extra: Volume,
    /// Rise a day, in the unit of `by`.
    pub rise_per_day: f64,
}

/// The course that raises by `by` in equal days of at most `at_most`, with a solution of which 1 mL raises by `per_ml`; all in one unit.
///
/// # Errors
/// [`CourseError::Value`], [`CourseError::TooLong`].
pub fn shape_course(by: f64, at_most: f64, per_ml: f64) -> Result<CourseShape, CourseError> {
    for (what, value) in [
        ("the rise", by),
        ("the most a day", at_most),
        ("what 1 mL of the line's solution adds of it", per_ml),
    ] {
        if !(value > 0.0 && value.is_finite()) {
            return Err(CourseError::Value { what, value });
        }
    }
    // A hair is taken off so that an exact number of days is not rounded up to one more.
    let days = (by / at_most - 1e-9).ceil().max(1.0);
    let count = i64_from_f64(days)
        .and_then(|d| u32::try_from(d).ok())
        .filter(|d| *d <= 365)
        .ok_or(CourseError::TooLong { days })?;
    let rise_per_day = by / days;
    // Rounded down to the microlitre: at most what was asked for.
    let extra = Volume::from_ul(1_000_000)
        .scaled(rise_per_day / per_ml / 1000.0)
        .filter(|extra| *extra > Volume::ZERO)
        .ok_or(CourseError::Value {
            what: "the extra volume a day in mL",
            value: rise_per_day / per_ml,
        })?;
    Ok(CourseShape {
        days: count,
        extra,
        rise_per_day,
    })
}

/// Whether `line` may give `extra` a day on top of the plan, with every course on it counted in `extra`.
///
/// # Errors
/// Any [`CourseError`] but those of [`shape_course`].
pub fn check_course(
    controller: &Controller,
    plan: &Plan,
    line: &Name,
    extra: Volume,
    uptake: Option<Alkalinity>,
) -> Result<(), CourseError> {
    let not_planned = || CourseError::NotPlanned { line: line.clone() };
    let config = controller
        .lines
        .iter()
        .find(|l| l.name == *line)
        .ok_or_else(not_planned)?;
    let planned = plan
        .lines
        .iter()
        .find(|l| l.line == *line)
        .ok_or_else(not_planned)?;
    if super::waits(plan, line) {
        return Err(not_planned());
    }
    let mut daily = plan_daily_volumes(plan);
    let volume = daily.get_mut(line).ok_or_else(not_planned)?;
    *volume = volume.saturating_add(extra);
    let volume = *volume;
    let doses =
        doses_a_day(&planned.times).ok_or_else(|| CourseError::NotDaily { line: line.clone() })?;
    line_within(controller, line, volume, doses)?;
    let carries = controller
        .solutions
        .get(&config.solution)
        .is_some_and(|s| s.effect.carries_alkalinity());
    // A course of something else need not answer for the alkalinity that is planned without it.
    Ok(day_within(controller, &daily, uptake.filter(|_| carries))?)
}

/// Whether a line doses on every day; false for one that is not planned.
pub fn doses_daily(plan: &Plan, line: &Name) -> bool {
    let planned = plan.lines.iter().find(|l| l.line == *line);
    planned.is_some_and(|l| doses_a_day(&l.times).is_some())
}

/// Doses on every day; `None` for a line that does not dose every day.
pub(super) fn doses_a_day(times: &Times) -> Option<u32> {
    match times {
        Times::Spread { doses, .. } => Some(*doses),
        Times::At(at) => u32::try_from(at.len()).ok(),
        Times::Cron(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_course_is_split_into_equal_days_of_at_most_the_step() {
        // 0.03 mg/L at most 0.01 a day, 1 mL adds 0.005 mg/L: three days of 2 mL.
        let shape = shape_course(0.03, 0.01, 0.005).unwrap();
        assert_eq!((shape.days, shape.extra), (3, Volume::from_ul(2_000)));
        // A little more takes a fourth day, each smaller.
        let shape = shape_course(0.031, 0.01, 0.005).unwrap();
        assert_eq!((shape.days, shape.extra), (4, Volume::from_ul(1_550)));
        assert!(shape.rise_per_day <= 0.01);
    }

    #[test]
    fn a_course_of_nothing_or_of_years_is_none() {
        assert!(matches!(
            shape_course(0.0, 0.01, 0.005),
            Err(CourseError::Value { .. })
        ));
        assert!(matches!(
            shape_course(1.0, f64::NAN, 0.005),
            Err(CourseError::Value { .. })
        ));
        assert!(matches!(
            shape_course(1.0, 0.01, 0.0),
            Err(CourseError::Value { .. })
        ));
        assert!(matches!(
            shape_course(10.0, 0.01, 0.005),
            Err(CourseError::TooLong { .. })
        ));
    }
}
