//! The shape of a changeover: one line fades out while another fades in, at equal effect on the water.
//!
//! Terms: the *measure* is what must stay equal, alkalinity or an element; a *step* is one local day's move, from 0 (all of it from the
//! old line) to the number of days (all of it from the new one). Other things that the two solutions carry differently move along; what
//! they do is shown, not hidden. Nothing here remembers at which step the tank is.

use jiff::civil::Date;
use thiserror::Error;

use super::course::doses_a_day;
use super::limits::{OverLimit, day_within, line_within, within};
use super::midnight::{across_midnights, volumes};
use super::{plan_daily_volumes, waits};
use crate::chemistry::{Element, Rises};
use crate::config::{Controller, Plan};
use crate::quantity::{Alkalinity, Name, Volume, f64_from_i64, i64_from_f64};

/// Longest changeover, days. Ours: a bottle seldom lasts longer.
pub const CHANGEOVER_DAYS_MAX: u32 = 92;

/// A changeover that is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangeoverWish {
    /// The line that fades out.
    pub from: Name,
    /// The line that fades in.
    pub to: Name,
    /// What stays equal: an element, or alkalinity when `None`.
    pub by: Option<Element>,
    /// Over how many days.
    pub days: u32,
}

/// One side of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Side {
    pub line: Name,
    /// What 1 mL adds to the tank of the measure: meq/L for alkalinity, mg/L otherwise.
    pub per_ml: f64,
    pub doses: u32,
    /// The smallest dose that its head is asked for.
    pub dose_min: Volume,
}

/// Volumes of one local day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ChangeoverDay {
    /// Of the line that fades out.
    pub from: Volume,
    /// Of the line that fades in.
    pub to: Volume,
}

/// A changeover worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangeoverShape {
    /// The line that fades out.
    pub from: Side,
    /// The line that fades in.
    pub to: Side,
    /// What the line that fades out gives a day by plan.
    pub standing: Volume,
    pub days: u32,
}

/// Why there is no such changeover.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum ChangeoverError {
    /// From a line to itself.
    #[error(
        "a changeover goes from one line to another; for another solution on the same line change the bottle and tell it with `dosewright refill`"
    )]
    SameLine,
    /// Too long, or none.
    #[error("{days} days are no length of a changeover; give 1 to {CHANGEOVER_DAYS_MAX}")]
    Days { days: u32 },
    /// The old line gives nothing.
    #[error(
        "line {line} gives nothing by plan, so there is nothing to change over from; name the line that is dosed now"
    )]
    NotPlanned { line: Name },
    /// The new line gives something already, or has no times.
    #[error(
        "line {line} must stand in plan.toml with its times and `daily-ml = 0`, so that they are kept free for it; then `dosewright reload`"
    )]
    NotWaiting { line: Name },
    /// A line that does not dose every day.
    #[error("line {line} does not dose every day; a changeover needs a daily plan on both lines")]
    NotDaily { line: Name },
    /// The measure is not in a bottle.
    #[error("1 mL of line {line} adds no {what}; choose another measure with --by")]
    NotCarried {
        line: Name,
        /// What should stay equal.
        what: String,
    },
    /// The new line's doses would be too small to be metered.
    #[error(
        "line {line} would give {volume} a day in {doses} doses, smaller than its head meters ({smallest}); plan fewer doses a day for it"
    )]
    TooSmall {
        line: Name,
        /// What it would give a day in the end.
        volume: Volume,
        /// In how many doses.
        doses: u32,
        smallest: Volume,
    },
    /// Over a limit in 24 h that two days share.
    #[error(
        "in the 24 h across the midnight before day {day}: {over}; take more days for it, or plan the doses of both lines at like hours"
    )]
    OverMidnight {
        /// Which day, from 1.
        day: u32,
        over: OverLimit,
    },
    #[error(
        "on day {day}: {over}; use a solution of another strength, or plan other doses for its line"
    )]
    Over {
        /// Which day, from 1.
        day: u32,
        over: OverLimit,
    },
}

impl ChangeoverShape {
    /// Volumes at a step. The effect of both together is never above that of the old line's standing volume, and below it by less than a
    /// microlitre of the new line has. Where one side's doses would be smaller than its head meters, it gives nothing and the other all.
    pub fn at(&self, step: u32) -> ChangeoverDay {
        if step == 0 {
            return ChangeoverDay {
                from: self.standing,
                to: Volume::ZERO,
            };
        }
        let whole = self.standing.as_ul();
        let days = i64::from(self.days.max(1));
        let left = days.saturating_sub(i64::from(step)).max(0);
        // Rounded down: what is cut off here the new line gives.
        let from = Volume::from_ul(whole.saturating_mul(left) / days);
        let day = ChangeoverDay {
            from,
            to: self.instead_of(from),
        };
        if too_small(day.to, &self.to) {
            return ChangeoverDay {
                from: self.standing,
                to: Volume::ZERO,
            };
        }
        if too_small(day.from, &self.from) {
            return ChangeoverDay {
                from: Volume::ZERO,
                to: self.instead_of(Volume::ZERO),
            };
        }
        day
    }

    /// What the new line gives so that both together have the standing effect, rounded down.
    fn instead_of(&self, from: Volume) -> Volume {
        let missing = self.standing.saturating_sub(from).or_zero();
        let ul = f64_from_i64(missing.as_ul()) * self.from.per_ml / self.to.per_ml;
        // A hair is put on before it is rounded down, so that an exact number stays itself.
        i64_from_f64((ul + 1e-6).floor()).map_or(Volume::ZERO, Volume::from_ul)
    }
}

fn too_small(volume: Volume, side: &Side) -> bool {
    let smallest = volume.split(side.doses.max(1)).into_iter().min();
    volume > Volume::ZERO && smallest.is_none_or(|dose| dose < side.dose_min)
}

/// Works a changeover out and holds every day of it against all limits, and so every 24 h across its midnights, the first of which ends
/// `today`. `extra` is what courses add to a line; `dose_min` the smallest dose
/// that a line's head can be asked for.
///
/// # Errors
/// [`ChangeoverError`], the first that is found.
pub fn shape_changeover(
    (controller, plan): (&Controller, &Plan),
    wish: &ChangeoverWish,
    (uptake, today): (Option<Alkalinity>, Date),
    extra: &dyn Fn(&Name) -> Volume,
    dose_min: &dyn Fn(&Name) -> Volume,
) -> Result<ChangeoverShape, ChangeoverError> {
    if wish.from == wish.to {
        return Err(ChangeoverError::SameLine);
    }
    if !(1..=CHANGEOVER_DAYS_MAX).contains(&wish.days) {
        return Err(ChangeoverError::Days { days: wish.days });
    }
    if !waits(plan, &wish.to) {
        return Err(ChangeoverError::NotWaiting {
            line: wish.to.clone(),
        });
    }
    let shape = shape_under_way((controller, plan), wish, dose_min)?;
    let full = shape.instead_of(Volume::ZERO);
    if full == Volume::ZERO || too_small(full, &shape.to) {
        return Err(ChangeoverError::TooSmall {
            line: wish.to.clone(),
            volume: full,
            doses: shape.to.doses,
            smallest: shape.to.dose_min,
        });
    }
    for step in 1..=wish.days {
        check_day(controller, plan, (&shape, step), uptake, extra)?;
    }
    for crossing in across_midnights(controller, plan, (&shape, today), extra) {
        let day = crossing.day;
        within(controller, |of| crossing.rise_of(of), uptake)
            .map_err(|over| ChangeoverError::OverMidnight { day, over })?;
    }
    Ok(shape)
}

/// The shape of a changeover that is under way, as plan and solutions have it now: without the checks of its beginning, for the guard holds
/// every dose to the limits anyway.
///
/// # Errors
/// [`ChangeoverError`] when a line has gone, or carries nothing of the measure any more.
pub fn shape_under_way(
    (controller, plan): (&Controller, &Plan),
    wish: &ChangeoverWish,
    dose_min: &dyn Fn(&Name) -> Volume,
) -> Result<ChangeoverShape, ChangeoverError> {
    let standing = plan_daily_volumes(plan)
        .get(&wish.from)
        .copied()
        .filter(|volume| *volume > Volume::ZERO)
        .ok_or_else(|| ChangeoverError::NotPlanned {
            line: wish.from.clone(),
        })?;
    let by = wish.by.as_ref();
    let side = |line: &Name| side(controller, plan, (line, by), dose_min(line));
    Ok(ChangeoverShape {
        from: side(&wish.from)?,
        to: side(&wish.to)?,
        standing,
        days: wish.days,
    })
}

/// One side as plan and solutions have it now.
fn side(
    controller: &Controller,
    plan: &Plan,
    (line, by): (&Name, Option<&Element>),
    dose_min: Volume,
) -> Result<Side, ChangeoverError> {
    let config = controller.lines.iter().find(|l| l.name == *line);
    let planned = plan.lines.iter().find(|l| l.line == *line);
    let (Some(config), Some(planned)) = (config, planned) else {
        return Err(ChangeoverError::NotPlanned { line: line.clone() });
    };
    let doses = doses_a_day(&planned.times)
        .ok_or_else(|| ChangeoverError::NotDaily { line: line.clone() })?;
    // A whole litre, so that what 1 mL adds keeps all its figures.
    let effect = controller
        .solutions
        .get(&config.solution)
        .map(|s| &s.effect);
    let litre = effect.map(|e| Rises::of(&[(e, Volume::from_ul(1_000_000))], controller.tank));
    let per_ml = litre.map_or(0.0, |rises| rises.measure(by) / 1000.0);
    if !(per_ml > 0.0 && per_ml.is_finite()) {
        return Err(ChangeoverError::NotCarried {
            line: line.clone(),
            what: by.map_or("alkalinity", Element::symbol).to_owned(),
        });
    }
    Ok(Side {
        line: line.clone(),
        per_ml,
        doses,
        dose_min,
    })
}

fn check_day(
    controller: &Controller,
    plan: &Plan,
    (shape, day): (&ChangeoverShape, u32),
    uptake: Option<Alkalinity>,
    extra: &dyn Fn(&Name) -> Volume,
) -> Result<(), ChangeoverError> {
    let daily = volumes(plan, shape, day, extra);
    for side in [&shape.from, &shape.to] {
        let volume = daily.get(&side.line).copied().unwrap_or(Volume::ZERO);
        line_within(controller, &side.line, volume, side.doses)
            .map_err(|over| ChangeoverError::Over { day, over })?;
    }
    day_within(controller, &daily, uptake).map_err(|over| ChangeoverError::Over { day, over })
}

/// What the day's addition of each element changes by once the new line gives all of it, mg/L a day; nothing where it stays the same.
pub fn drift_per_day(controller: &Controller, shape: &ChangeoverShape) -> Vec<(Element, f64)> {
    let rises = |line: &Name, volume: Volume| {
        let config = controller.lines.iter().find(|l| l.name == *line)?;
        let effect = &controller.solutions.get(&config.solution)?.effect;
        Some(Rises::of(&[(effect, volume)], controller.tank))
    };
    let last = shape.at(shape.days);
    let (Some(before), Some(after)) = (
        rises(&shape.from.line, shape.standing),
        rises(&shape.to.line, last.to),
    ) else {
        return Vec::new();
    };
    after.more_than(&before)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn side(line: &str, per_ml: f64, doses: u32, dose_min: i64) -> Side {
        Side {
            line: Name::new(line).unwrap(),
            per_ml,
            doses,
            dose_min: Volume::from_ul(dose_min),
        }
    }

    /// Sodium carbonate, 105.988 g/mol with two equivalents, against sodium hydrogen carbonate, 84.007 g/mol with one (IUPAC 2021
    /// abridged atomic weights): 60 g/L of the first are 1.1322 meq/mL, 80 g/L of the second 0.9523 meq/mL, so 75.6 mL of the first are
    /// worth 89.881 mL of the second.
    #[test]
    fn soda_to_bicarbonate_is_worked_out_by_equivalents() {
        let (soda, bicarbonate) = (60.0 * 2.0 / 105.988, 80.0 / 84.007);
        let shape = ChangeoverShape {
            from: side("soda", soda, 24, 500),
            to: side("bicarbonate", bicarbonate, 24, 500),
            standing: Volume::from_ul(75_600),
            days: 4,
        };
        let days: Vec<(i64, i64)> = (0..=4)
            .map(|step| shape.at(step))
            .map(|d| (d.from.as_ul(), d.to.as_ul()))
            .collect();
        assert_eq!(
            days,
            [
                (75_600, 0),
                (56_700, 22_470),
                (37_800, 44_940),
                (18_900, 67_411),
                (0, 89_881)
            ]
        );
    }

    #[test]
    fn a_share_too_small_to_be_metered_is_given_by_the_other_line() {
        let shape = ChangeoverShape {
            from: side("soda", 1.0, 24, 500),
            to: side("bicarbonate", 1.0, 24, 500),
            standing: Volume::from_ul(75_600),
            days: 10,
        };
        // A tenth of 75.6 mL in 24 doses is 0.315 mL each, below 0.5 mL.
        assert_eq!(shape.at(1).to, Volume::ZERO);
        assert_eq!(shape.at(1).from, Volume::from_ul(75_600));
        assert_eq!(shape.at(2).to, Volume::from_ul(15_120));
        assert_eq!(shape.at(9).from, Volume::ZERO);
        assert_eq!(shape.at(9).to, Volume::from_ul(75_600));
    }

    /// Two pairs that no head could meter in the end: what refuses them before they begin.
    #[test]
    fn a_new_line_that_could_never_be_metered_is_seen_before_it_begins() {
        let strong = (0.001_124_139_452_219_905, 3.428_522_258_368_871_3);
        for (standing, (from, to), smallest, full) in
            [(1_000, (0.001, 0.001), 1_001, 1_000), (3_050, strong, 2, 1)]
        {
            let shape = ChangeoverShape {
                from: side("a", from, 1, smallest),
                to: side("b", to, 1, smallest),
                standing: Volume::from_ul(standing),
                days: 1,
            };
            assert_eq!(shape.instead_of(Volume::ZERO), Volume::from_ul(full));
            assert!(too_small(Volume::from_ul(full), &shape.to));
        }
    }

    proptest! {
        #[test]
        fn the_effect_of_both_is_that_of_the_plan_on_every_day(
            standing in 1_000_i64..500_000, from in 0.001..5.0_f64, to in 0.001..5.0_f64, days in 1_u32..92, doses in 1_u32..48, smallest in 0_i64..2_000,
        ) {
            let shape = ChangeoverShape {
                from: side("a", from, doses, smallest),
                to: side("b", to, doses, smallest),
                standing: Volume::from_ul(standing),
                days,
            };
            // What could never be metered is refused before it begins.
            let full = shape.instead_of(Volume::ZERO);
            prop_assume!(full > Volume::ZERO && !too_small(full, &shape.to));
            let effect = |day: ChangeoverDay| f64_from_i64(day.from.as_ul()) * from + f64_from_i64(day.to.as_ul()) * to;
            let whole = f64_from_i64(standing) * from;
            let mut before = shape.at(0);
            prop_assert_eq!(before.from.as_ul(), standing);
            for step in 0..=days {
                let day = shape.at(step);
                prop_assert!(effect(day) <= whole + 2e-6 * to, "step {}: {} over {}", step, effect(day), whole);
                prop_assert!(effect(day) >= whole - to - 1e-6, "step {}: {} below {}", step, effect(day), whole);
                prop_assert!(day.from <= before.from && day.to >= before.to, "step {} goes back", step);
                before = day;
            }
            prop_assert!(before.from == Volume::ZERO && before.to == full, "something of the old line is left");
        }
    }
}
