//! What a course makes of a day's volumes, and whether all limits leave room for it on every day and in every 24 h across a midnight.
//!
//! Checked here so that a course is refused before it begins instead of slot by slot; the guard counts every dose all the same.

use std::collections::BTreeMap;

use jiff::Span;
use jiff::civil::Date;

use super::carrier::{Carrier, CourseError};
use super::hours::BusiestHour;
use super::limits::{day_within, line_within, rise_of_day, within};
use super::midnight::{Crossing, across_midnights};
use super::shift::ShiftShape;
use super::{DailyVolumes, Schedule};
use crate::config::{Controller, Plan, Uptakes};
use crate::quantity::{Alkalinity, Name, Volume, i64_from_f64};

/// Longest course with an aim, days.
pub const AIM_DAYS_MAX: u32 = 365;

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
            within(self.controller, |of| crossing.rise_of(of), self.uptake)
                .map_err(|over| CourseError::OverMidnight { day, over, way })?;
        }
        self.hold_hours()?;
        Ok(crossings)
    }

    /// Holds the busiest hour of every day and of the midnight before it against the limits that the owner sets.
    fn hold_hours(&self) -> Result<(), CourseError> {
        let (controller, plan) = (self.controller.clone(), self.plan.clone());
        let of_lines = controller.lines.iter().any(|l| l.hourly_cap.is_some());
        let mut of_water = controller.water.values();
        if !of_lines && of_water.all(|l| l.max_rise_per_hour.is_none()) {
            return Ok(());
        }
        let mut schedule = Schedule::new(controller.into(), &plan);
        let mut before = Vec::new();
        for (day, daily) in (0..).zip(&self.days) {
            let date = self.today.checked_add(Span::new().days(i64::from(day)));
            // A day that cannot be placed is not dosed.
            let slots = date.map(|date| schedule.day(date, daily).unwrap_or_default());
            let after = slots.unwrap_or_default();
            let mut busiest = BusiestHour::default();
            busiest.see(self.controller, [before, after.clone()].concat());
            let over = |over| CourseError::Over {
                day,
                over,
                way: self.way,
            };
            if day > 0 {
                busiest.within(self.controller).map_err(over)?;
            }
            before = after;
        }
        Ok(())
    }
}

/// Whether so much may be taken off lines that would give `daily` without it: of the carrier's line no more than is there and nothing that
/// its head cannot meter, and of no quantity that has a band more below uptake than may be.
///
/// # Errors
/// [`CourseError::MoreThanGiven`], [`CourseError::TooSmall`], [`CourseError::Fall`].
pub fn hold_fall(
    (controller, uptakes): (&Controller, &Uptakes),
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
    for (of, limits) in &controller.water {
        let (Some(limits), off) = (&limits.tracked, rise_of_day(controller, less, of)) else {
            continue;
        };
        let given = rise_of_day(controller, daily, of);
        let fall = uptakes.get(of).copied().unwrap_or(given) - given + off;
        if off > 0.0 && fall > limits.max_fall + 1e-9 {
            return Err(CourseError::Fall {
                day,
                of: of.clone(),
                fall,
                limit: limits.max_fall,
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chemistry::Quantity;
    use crate::config::tests::{CONTROLLER, PLAN, check_with, edited};
    use crate::plan::carrier::volume_of;
    use crate::plan::plan_daily_volumes;

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

    #[test]
    fn what_a_course_takes_off_is_held_to_the_largest_fall_of_each_quantity_with_a_band() {
        let band = "[water.calcium]\nband-low-mg-per-l = 400\nband-high-mg-per-l = 450\nalarm-low-mg-per-l = 350\n\
            alarm-high-mg-per-l = 500\nmax-fall-mg-per-l-per-day = 2\ndrift-mg-per-l-per-day = 1\n\
            uptake-change-max-mg-per-l-per-day = 3\n";
        let controller = edited(CONTROLLER, "[water.calcium]\n", band);
        let loaded = check_with(&controller, PLAN, &crate::plan::check_plan).unwrap();
        let (controller, plan) = (&loaded.controller, &loaded.plan);
        let (line, of) = (
            Name::new("calcium").unwrap(),
            Quantity::from_word("Ca").unwrap(),
        );
        let carrier = Carrier::of((controller, plan), (&line, &of), Volume::ZERO).unwrap();
        let daily = plan_daily_volumes(plan);
        let fall = |mg_per_l: f64| {
            let less = BTreeMap::from([(line.clone(), carrier.volume_of(mg_per_l).unwrap())]);
            hold_fall((controller, &plan.uptakes), (1, &daily), &less, &carrier)
        };
        assert_eq!(fall(1.99), Ok(()));
        let error = fall(2.01).unwrap_err();
        assert!(matches!(error, CourseError::Fall { .. }), "{error}");
        assert_eq!(
            error.to_string(),
            "on day 1 calcium would be given 2.0100 mg/L below uptake, over the largest fall of 2.0000 mg/L a day; lower by less a day"
        );
    }
}
