//! The lines that courses move: what they carry, how often they dose, and why one cannot be moved.

use thiserror::Error;

use super::limits::OverLimit;
use crate::chemistry::Quantity;
use crate::config::{Controller, Plan, Times};
use crate::quantity::{Name, Volume, i64_from_f64};

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
        "it is not stated whether {solution} of line {line} carries {what}, so nothing can be worked out by it; change its daily-ml in plan.toml instead"
    )]
    NotStated {
        line: Name,
        solution: Name,
        what: Quantity,
    },
    #[error(
        "a changeover goes from one line to another; another solution in the same bottle is none"
    )]
    SameLine,
    #[error(
        "line {line} gives nothing by plan, so there is nothing to change over from; name the line that is dosed now"
    )]
    NothingToFade { line: Name },
    #[error(
        "line {line} must stand in plan.toml with its times and `share-of-uptake = 0`, so that they are kept free for it; then `dosewright reload`"
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
        "on day {day} {of} would be given {} below uptake, over the largest fall of {} a day; lower by less a day",
        of.unit().sum(*fall),
        of.unit().sum(*limit)
    )]
    Fall {
        day: u32,
        of: Quantity,
        fall: f64,
        limit: f64,
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
        let (own, what) = (line.clone(), of.clone());
        let not_carried = || match controller.solution_of(line) {
            Some(solution) if solution.may_carry(of) => CourseError::NotStated {
                line: own,
                solution: solution.name.clone(),
                what,
            },
            Some(_) | None => CourseError::NotCarried { line: own, what },
        };
        let per_ml = per_ml(controller, line, of).ok_or_else(not_carried)?;
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
    let per_ml = controller.effect_of(line)?.rise_per_ml(of, controller.tank);
    (per_ml > 0.0 && per_ml.is_finite()).then_some(per_ml)
}

pub(super) fn volume_of(amount: f64, per_ml: f64) -> Option<Volume> {
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

/// Doses on every day; `None` for a line that does not dose every day.
pub(super) fn doses_a_day(times: &Times) -> Option<u32> {
    match times {
        Times::Spread { doses, .. } => Some(*doses),
        Times::At(at) => u32::try_from(at.len()).ok(),
        Times::Cron(_) => None,
    }
}
