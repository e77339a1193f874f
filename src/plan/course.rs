//! What a course makes of a day's volumes, and whether all limits leave room for it on every day and in every 24 h across a midnight.
//!
//! Checked here so that a course is refused before it begins instead of slot by slot; the guard counts every dose all the same.

use std::collections::BTreeMap;

use jiff::civil::Date;
use thiserror::Error;

use super::DailyVolumes;
use super::limits::{OverLimit, day_within, effect_of, line_within, rises_of_day, within};
use super::midnight::{Crossing, across_midnights};
use super::shift::ShiftShape;
use crate::chemistry::{Quantity, Rises};
use crate::config::{Controller, Plan, Times};
use crate::quantity::{Alkalinity, Name, Volume, i64_from_f64};

/// Longest course with an aim, days.
pub const AIM_DAYS_MAX: u32 = 365;

/// Why there is no such course.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CourseError {
    /// A number that makes no sense.
    #[error("{what} is {value}; give more than 0")]
    Value { what: &'static str, value: f64 },
    #[error(
        "at that step it would take {days:.0} days, more than a year; change it by less, or by more a day"
    )]
    TooLong { days: f64 },
    #[error("{days} days are no length of such a course; give 1 to {longest}")]
    Days { days: u32, longest: u32 },
    #[error(
        "line {line} has no plan, and a course is given with its planned doses; plan a small daily volume first"
    )]
    NotPlanned { line: Name },
    #[error("line {line} does not dose every day; a course needs a daily plan")]
    NotDaily { line: Name },
    #[error("1 mL of line {line} adds no {what}; name another line or another thing")]
    NotCarried { line: Name, what: Quantity },
    #[error(
        "a changeover goes from one line to another; another solution in the same bottle is none"
    )]
    SameLine,
    #[error(
        "line {line} gives nothing by plan, so there is nothing to change over from; name the line that is dosed now"
    )]
    NothingToFade { line: Name },
    #[error(
        "line {line} must stand in plan.toml with its times and `daily-ml = 0`, so that they are kept free for it; then `dosewright reload`"
    )]
    NotWaiting { line: Name },
    #[error(
        "line {line} would give {volume} a day in {doses} doses, smaller than its head meters ({smallest}); plan fewer doses a day for it"
    )]
    TooSmall {
        line: Name,
        volume: Volume,
        doses: u32,
        smallest: Volume,
    },
    #[error(
        "on day {day} line {line} gives {volume}, and {less} less cannot be taken off it; lower by less a day"
    )]
    MoreThanGiven {
        day: u32,
        line: Name,
        volume: Volume,
        less: Volume,
    },
    #[error(
        "on day {day} alkalinity would be given {:.3} dKH below uptake, over the largest fall of {:.3} dKH a day; lower by less a day",
        fall.as_dkh(),
        limit.as_dkh()
    )]
    Fall {
        day: u32,
        fall: Alkalinity,
        limit: Alkalinity,
    },
    #[error("on day {day}: {over}; {way}")]
    Over {
        day: u32,
        over: OverLimit,
        way: &'static str,
    },
    #[error(
        "in the 24 h across the midnight before day {day}: {over}; {way}, or plan the doses of these lines at like hours"
    )]
    OverMidnight {
        day: u32,
        over: OverLimit,
        way: &'static str,
    },
}

/// A line that gives something, as plan and solutions have it now.
#[derive(Debug, Clone, PartialEq)]
pub struct Carrier {
    pub line: Name,
    /// What 1 mL adds to the tank, in the quantity's unit.
    pub per_ml: f64,
    pub doses: u32,
    /// The smallest dose that its head is asked for.
    pub dose_min: Volume,
}

impl Carrier {
    /// What `line` gives of a quantity.
    ///
    /// # Errors
    /// [`CourseError::NotPlanned`], [`CourseError::NotDaily`], [`CourseError::NotCarried`].
    pub fn of(
        (controller, plan): (&Controller, &Plan),
        (line, of): (&Name, &Quantity),
        dose_min: Volume,
    ) -> Result<Self, CourseError> {
        let planned = plan.lines.iter().find(|l| l.line == *line);
        let planned = planned.ok_or_else(|| CourseError::NotPlanned { line: line.clone() })?;
        let doses = doses_a_day(&planned.times)
            .ok_or_else(|| CourseError::NotDaily { line: line.clone() })?;
        let per_ml = per_ml(controller, line, of).ok_or_else(|| CourseError::NotCarried {
            line: line.clone(),
            what: of.clone(),
        })?;
        Ok(Self {
            line: line.clone(),
            per_ml,
            doses,
            dose_min,
        })
    }

    /// Volume that adds `amount` at most, down to the microlitre; negative for less.
    pub fn volume_of(&self, amount: f64) -> Option<Volume> {
        volume_of(amount, self.per_ml)
    }

    /// Whether a day's volume makes doses that its head cannot meter.
    pub(super) fn is_too_small(&self, volume: Volume) -> bool {
        let smallest = volume.split(self.doses.max(1)).into_iter().min();
        volume > Volume::ZERO && smallest.is_none_or(|dose| dose < self.dose_min)
    }

    pub(super) fn too_small(&self, volume: Volume) -> CourseError {
        CourseError::TooSmall {
            line: self.line.clone(),
            volume,
            doses: self.doses,
            smallest: self.dose_min,
        }
    }
}

/// What 1 mL of a line adds to the tank of a quantity, in its unit; `None` for nothing.
fn per_ml(controller: &Controller, line: &Name, of: &Quantity) -> Option<f64> {
    // A whole litre, so that what 1 mL adds keeps all its figures.
    let litre = Volume::from_ul(1_000_000);
    let rises = Rises::of(&[(effect_of(controller, line)?, litre)], controller.tank);
    let per_litre = match of {
        Quantity::Alkalinity => rises.alkalinity.as_dkh(),
        Quantity::Element(element) => rises.element(element).as_mg_per_l(),
    };
    Some(per_litre / 1000.0).filter(|per_ml| *per_ml > 0.0 && per_ml.is_finite())
}

fn volume_of(amount: f64, per_ml: f64) -> Option<Volume> {
    let ul = amount / per_ml * 1000.0;
    // A hair is put on before it is cut off, so that an exact number stays itself.
    i64_from_f64((ul + 1e-6_f64.copysign(ul)).trunc()).map(Volume::from_ul)
}

/// What so much of a quantity a day is of a line's volume, with what is in the bottle now; `None` when the line carries none of it.
pub fn extra_a_day(
    controller: &Controller,
    line: &Name,
    of: &Quantity,
    per_day: f64,
) -> Option<Volume> {
    volume_of(per_day, per_ml(controller, line, of)?)
}

/// The equal days of at most `at_most` that make `by`, and how much of it each of them makes. Both are sizes, more than 0.
///
/// # Errors
/// [`CourseError::Value`], [`CourseError::TooLong`].
pub fn equal_days(by: f64, at_most: f64) -> Result<(u32, f64), CourseError> {
    for (what, value) in [("the change", by), ("the most a day", at_most)] {
        if !(value > 0.0 && value.is_finite()) {
            return Err(CourseError::Value { what, value });
        }
    }
    // A hair is taken off so that an exact number of days is not rounded up to one more.
    let days = (by / at_most - 1e-9).ceil().max(1.0);
    let count = i64_from_f64(days)
        .and_then(|d| u32::try_from(d).ok())
        .filter(|d| *d <= AIM_DAYS_MAX)
        .ok_or(CourseError::TooLong { days })?;
    Ok((count, by / days))
}

/// A day's volumes: the standing ones, the step of a changeover in place of them, and what additions put on or take off.
pub fn departed(
    standing: &DailyVolumes,
    shift: Option<(&ShiftShape, u32)>,
    extra: &BTreeMap<Name, Volume>,
) -> DailyVolumes {
    let mut daily = standing.clone();
    if let Some((shape, step)) = shift {
        let day = shape.at(step);
        daily.insert(shape.from.line.clone(), day.from);
        daily.insert(shape.to.line.clone(), day.to);
    }
    for (line, extra) in extra {
        // What gives nothing (it has left the plan, waits, or has faded out) carries no course either.
        if let Some(volume) = daily.get_mut(line).filter(|v| **v > Volume::ZERO) {
            *volume = volume.saturating_add(*extra).or_zero();
        }
    }
    daily
}

/// The days to come as far as courses bear on them.
#[derive(Debug)]
pub struct Outlook<'a> {
    pub controller: &'a Controller,
    pub plan: &'a Plan,
    /// Established uptake; `None` when the alkalinity that is planned is not asked about.
    pub uptake: Option<Alkalinity>,
    /// Date of the first of `days`; the second is the first day of the course.
    pub today: Date,
    /// The most that each day may give.
    pub days: Vec<DailyVolumes>,
    /// What to do where it is too much.
    pub way: &'static str,
}

impl Outlook<'_> {
    /// Holds every day from the second on, and every 24 h across the midnights before them, against all limits; returns what those bring.
    /// `lines` are those that the course moves.
    ///
    /// # Errors
    /// [`CourseError::Over`], [`CourseError::OverMidnight`].
    pub fn hold(&self, lines: &[Carrier]) -> Result<Vec<Crossing>, CourseError> {
        let way = self.way;
        for (day, daily) in (1..).zip(self.days.iter().skip(1)) {
            let over = |over| CourseError::Over { day, over, way };
            for carrier in lines {
                let volume = daily.get(&carrier.line).copied().unwrap_or(Volume::ZERO);
                line_within(self.controller, &carrier.line, volume, carrier.doses).map_err(over)?;
            }
            day_within(self.controller, daily, self.uptake).map_err(over)?;
        }
        let crossings = across_midnights(self.controller, self.plan, (self.today, &self.days));
        for crossing in &crossings {
            let day = crossing.day;
            within(
                self.controller,
                crossing.alkalinity,
                |element| crossing.rise_of(element),
                self.uptake,
            )
            .map_err(|over| CourseError::OverMidnight { day, over, way })?;
        }
        Ok(crossings)
    }
}

/// Whether so much may be taken off lines that would give `daily` without it: of the carrier's line no more than is there and nothing that
/// its head cannot meter, and of alkalinity no more below uptake than may be.
///
/// # Errors
/// [`CourseError::MoreThanGiven`], [`CourseError::TooSmall`], [`CourseError::Fall`].
pub fn hold_fall(
    (controller, uptake): (&Controller, Option<Alkalinity>),
    (day, daily): (u32, &DailyVolumes),
    less: &BTreeMap<Name, Volume>,
    carrier: &Carrier,
) -> Result<(), CourseError> {
    let line = &carrier.line;
    let volume = daily.get(line).copied().unwrap_or(Volume::ZERO);
    let off = less.get(line).copied().unwrap_or(Volume::ZERO);
    let left = volume.saturating_sub(off);
    if left < Volume::ZERO {
        return Err(CourseError::MoreThanGiven {
            day,
            line: line.clone(),
            volume,
            less: off,
        });
    }
    if carrier.is_too_small(left) {
        return Err(carrier.too_small(left));
    }
    let off = rises_of_day(controller, less).alkalinity;
    let (Some(limits), true) = (&controller.alkalinity, off.as_meq_per_l() > 0.0) else {
        return Ok(());
    };
    let given = rises_of_day(controller, daily).alkalinity;
    let fall = uptake.unwrap_or(given).minus(given).plus(off);
    if fall.as_meq_per_l() > limits.max_fall.as_meq_per_l() + 1e-9 {
        return Err(CourseError::Fall {
            day,
            fall,
            limit: limits.max_fall,
        });
    }
    Ok(())
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
        let (days, per_day) = equal_days(0.03, 0.01).unwrap();
        assert_eq!(
            (days, volume_of(per_day, 0.005)),
            (3, Some(Volume::from_ul(2_000)))
        );
        // A little more takes a fourth day, each smaller.
        let (days, per_day) = equal_days(0.031, 0.01).unwrap();
        assert_eq!(
            (days, volume_of(per_day, 0.005)),
            (4, Some(Volume::from_ul(1_550)))
        );
        assert!(per_day <= 0.01);
    }

    #[test]
    fn neither_more_nor_less_is_ever_rounded_up() {
        assert_eq!(volume_of(0.01, 0.003), Some(Volume::from_ul(3_333)));
        assert_eq!(volume_of(-0.01, 0.003), Some(Volume::from_ul(-3_333)));
    }

    #[test]
    fn a_course_of_nothing_or_of_years_is_none() {
        assert!(matches!(
            equal_days(0.0, 0.01),
            Err(CourseError::Value { .. })
        ));
        assert!(matches!(
            equal_days(1.0, f64::NAN),
            Err(CourseError::Value { .. })
        ));
        assert!(matches!(
            equal_days(10.0, 0.01),
            Err(CourseError::TooLong { .. })
        ));
    }
}
