//! The shape of a changeover: one line fades out while another fades in, at equal effect on one thing.
//!
//! Terms: a *step* is one local day's move, from 0 (all of it from the old line) to the number of days (all of it from the new one).
//! Other things that the two solutions carry differently move along; what they do is shown, not hidden. Nothing here remembers at which
//! step the tank is.

use super::carrier::{Carrier, CourseError};
use super::{DailyVolumes, waits};
use crate::chemistry::Quantity;
use crate::config::{Controller, Plan};
use crate::quantity::{Name, Volume, f64_from_i64, i64_from_f64};

/// Longest changeover, days. Ours: a bottle seldom lasts longer.
pub const SHIFT_DAYS_MAX: u32 = 92;

/// Volumes of one local day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ShiftDay {
    pub from: Volume,
    pub to: Volume,
}

/// A changeover worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct ShiftShape {
    pub from: Carrier,
    pub to: Carrier,
    /// What the line that fades out gives a day by plan.
    pub standing: Volume,
    pub days: u32,
}

impl ShiftShape {
    /// As plan and solutions have it now, without the checks of a beginning: the guard holds every dose to the limits anyway.
    ///
    /// # Errors
    /// [`CourseError`] when a line has gone, or carries nothing of the quantity any more.
    pub fn of(
        (controller, plan): (&Controller, &Plan),
        standing: &DailyVolumes,
        (from, to, of): (&Name, &Name, &Quantity),
        days: u32,
        dose_min: &dyn Fn(&Name) -> Volume,
    ) -> Result<Self, CourseError> {
        let given = standing.get(from).copied();
        let standing = given
            .filter(|volume| *volume > Volume::ZERO)
            .ok_or_else(|| CourseError::NothingToFade { line: from.clone() })?;
        let side = |line: &Name| Carrier::of((controller, plan), (line, of), dose_min(line));
        Ok(Self {
            from: side(from)?,
            to: side(to)?,
            standing,
            days,
        })
    }

    /// The same for one that is to begin: two lines, the new one waiting, with doses that its head can meter in the end.
    ///
    /// # Errors
    /// [`CourseError`], the first that is found.
    pub fn to_begin(
        (controller, plan): (&Controller, &Plan),
        standing: &DailyVolumes,
        (from, to, of): (&Name, &Name, &Quantity),
        days: u32,
        dose_min: &dyn Fn(&Name) -> Volume,
    ) -> Result<Self, CourseError> {
        if from == to {
            return Err(CourseError::SameLine);
        }
        if !(1..=SHIFT_DAYS_MAX).contains(&days) {
            let longest = SHIFT_DAYS_MAX;
            return Err(CourseError::Days { days, longest });
        }
        if !waits(plan, to) {
            return Err(CourseError::NotWaiting { line: to.clone() });
        }
        let shape = Self::of((controller, plan), standing, (from, to, of), days, dose_min)?;
        let full = shape.instead_of(Volume::ZERO);
        if full == Volume::ZERO || shape.to.is_too_small(full) {
            return Err(shape.to.too_small(full));
        }
        Ok(shape)
    }

    /// Volumes at a step. The effect of both together is never above that of the old line's standing volume, and below it by less than a
    /// microlitre of the new line has. Where one side's doses would be smaller than its head meters, it gives nothing and the other all.
    pub fn at(&self, step: u32) -> ShiftDay {
        if step == 0 {
            return ShiftDay {
                from: self.standing,
                to: Volume::ZERO,
            };
        }
        let whole = self.standing.as_ul();
        let days = i64::from(self.days.max(1));
        let left = days.saturating_sub(i64::from(step)).max(0);
        // Rounded down: what is cut off here the new line gives.
        let from = Volume::from_ul(whole.saturating_mul(left) / days);
        let day = ShiftDay {
            from,
            to: self.instead_of(from),
        };
        if self.to.is_too_small(day.to) {
            return ShiftDay {
                from: self.standing,
                to: Volume::ZERO,
            };
        }
        if self.from.is_too_small(day.from) {
            return ShiftDay {
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn side(line: &str, per_ml: f64, doses: u32, dose_min: i64) -> Carrier {
        Carrier {
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
        let shape = ShiftShape {
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
        let shape = ShiftShape {
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
            let shape = ShiftShape {
                from: side("a", from, 1, smallest),
                to: side("b", to, 1, smallest),
                standing: Volume::from_ul(standing),
                days: 1,
            };
            assert_eq!(shape.instead_of(Volume::ZERO), Volume::from_ul(full));
            assert!(shape.to.is_too_small(Volume::from_ul(full)));
        }
    }

    proptest! {
        #[test]
        fn the_effect_of_both_is_that_of_the_plan_on_every_day(
            standing in 1_000_i64..500_000, from in 0.001..5.0_f64, to in 0.001..5.0_f64, days in 1_u32..92, doses in 1_u32..48, smallest in 0_i64..2_000,
        ) {
            let shape = ShiftShape {
                from: side("a", from, doses, smallest),
                to: side("b", to, doses, smallest),
                standing: Volume::from_ul(standing),
                days,
            };
            // What could never be metered is refused before it begins.
            let full = shape.instead_of(Volume::ZERO);
            prop_assume!(full > Volume::ZERO && !shape.to.is_too_small(full));
            let effect = |day: ShiftDay| f64_from_i64(day.from.as_ul()) * from + f64_from_i64(day.to.as_ul()) * to;
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
