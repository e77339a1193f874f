//! Whether a day's volumes stay within every limit, asked before something begins. The guard holds each dose to them all the same.

use thiserror::Error;

use super::DailyVolumes;
use super::layout::doses_on_a_day;
use crate::chemistry::{Quantity, Rises};
use crate::config::{Controller, Plan};
use crate::quantity::{Alkalinity, Millis, Name, Volume};

/// What a day would be over.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum OverLimit {
    /// A cap of a line.
    #[error("line {line} would give {volume} {what}, over its limit of {limit}")]
    Cap {
        line: Name,
        /// What it would give.
        volume: Volume,
        /// In a day or in a dose.
        what: &'static str,
        limit: Volume,
    },
    /// The longest run of a head.
    #[error(
        "a dose of line {line} would be {volume}, which takes about {seconds:.0} s, over its head's longest run of {limit}"
    )]
    RunTime {
        line: Name,
        volume: Volume,
        /// How long that takes at the nominal rate, s.
        seconds: f64,
        /// The head's longest run.
        limit: Millis,
    },
    /// The largest rise of a water quantity in an hour, in its unit.
    #[error(
        "{} of {of} would be added in the busiest hour with everything planned, over its limit of {}",
        of.unit().sum(*planned),
        of.unit().sum(*limit)
    )]
    RiseInHour {
        of: Quantity,
        planned: f64,
        limit: f64,
    },
    /// The largest rise of a water quantity, in its unit.
    #[error(
        "{} of {of} a day would be added with everything planned, over its limit of {} a day (uptake and the largest rise)",
        of.unit().sum(*planned),
        of.unit().sum(*limit)
    )]
    Rise {
        of: Quantity,
        planned: f64,
        /// Uptake plus the largest rise.
        limit: f64,
    },
}

/// Whether a line may give `volume` a day in `doses` doses. A line that is not known is over nothing.
///
/// # Errors
/// [`OverLimit::Cap`], [`OverLimit::RunTime`].
pub(super) fn line_within(
    controller: &Controller,
    line: &Name,
    volume: Volume,
    doses: u32,
) -> Result<(), OverLimit> {
    let Some(config) = controller.lines.iter().find(|l| l.name == *line) else {
        return Ok(());
    };
    let over = |volume: Volume, what, limit| OverLimit::Cap {
        line: line.clone(),
        volume,
        what,
        limit,
    };
    let largest = volume
        .split(doses.max(1))
        .into_iter()
        .max()
        .unwrap_or(volume);
    // As for a plan: the day and one dose more must fit, or the edge of a day would block the first slot of the next.
    let with_next = volume.saturating_add(largest);
    let (total, what) = if volume > config.daily_cap {
        (volume, "a day")
    } else {
        (with_next, "in a day and the first dose of the next")
    };
    if total > config.daily_cap {
        return Err(over(total, what, config.daily_cap));
    }
    if largest > config.dose_cap {
        return Err(over(largest, "in one dose", config.dose_cap));
    }
    let Some(head) = controller.heads.get(&config.head) else {
        return Ok(());
    };
    let seconds = largest.as_ml() / head.nominal_rate.as_ml_per_min() * 60.0;
    if seconds > head.run_max.as_secs() {
        return Err(OverLimit::RunTime {
            line: line.clone(),
            volume: largest,
            seconds,
            limit: head.run_max,
        });
    }
    Ok(())
}

/// Whether the lines of a bottle, and all lines together, may give a day's volumes; `dose_min` is what a line's head meters.
///
/// # Errors
/// Which cap, head or limit does not allow it, in words.
pub fn bottle_within(
    (controller, plan): (&Controller, &Plan),
    (bottle, daily): (&Name, &DailyVolumes),
    uptake: Option<Alkalinity>,
    dose_min: &dyn Fn(&Name) -> Volume,
) -> Result<(), String> {
    let said = |over: OverLimit| over.to_string();
    for line in controller.drawing_on(bottle) {
        let planned = plan.lines.iter().find(|l| l.line == line.name);
        let volume = daily.get(&line.name).copied().unwrap_or_default();
        let Some(planned) = planned.filter(|_| volume > Volume::ZERO) else {
            continue;
        };
        let doses = doses_on_a_day(&planned.times);
        line_within(controller, &line.name, volume, doses).map_err(said)?;
        let smallest = dose_min(&line.name);
        if volume.split(doses).into_iter().min() < Some(smallest) {
            return Err(format!(
                "line {} would give {volume} a day in {doses} doses, smaller than its head meters ({smallest}); {}",
                line.name,
                fewer_doses(volume, smallest, line.dose_cap)
            ));
        }
    }
    day_within(controller, daily, uptake).map_err(said)
}

/// In how many doses a day so much could be metered, in words.
fn fewer_doses(volume: Volume, smallest: Volume, dose_cap: Volume) -> String {
    let most = volume.as_ul().checked_div(smallest.as_ul()).unwrap_or(0);
    let most = u32::try_from(most).unwrap_or(0);
    match volume.split(most).into_iter().max() {
        None => "no number of doses a day would do: use a weaker solution".to_owned(),
        Some(dose) if dose > dose_cap => format!(
            "in {most} doses a day, the most that it could meter, each would be {dose}, over its dose-cap-ml: use a weaker solution"
        ),
        Some(_) => format!(
            "plan at most {most} doses a day for it (doses in plan.toml), then `dosewright reload`"
        ),
    }
}

/// What a day of all lines adds.
pub fn rises_of_day(controller: &Controller, daily: &DailyVolumes) -> Rises {
    let lines = controller.lines.iter();
    let parts: Vec<_> = lines
        .filter_map(|l| Some((controller.effect_of(&l.name)?, *daily.get(&l.name)?)))
        .collect();
    Rises::of(&parts, controller.tank)
}

/// The same of one quantity, in its unit.
pub(super) fn rise_of_day(controller: &Controller, daily: &DailyVolumes, of: &Quantity) -> f64 {
    let parts = daily.iter().filter_map(|(line, volume)| {
        let effect = controller.effect_of(line)?;
        Some(effect.rise(of, *volume, controller.tank))
    });
    parts.sum()
}

/// Whether all lines together may give these volumes a day; of alkalinity only when an uptake is given.
///
/// # Errors
/// [`OverLimit::Rise`].
pub(super) fn day_within(
    controller: &Controller,
    daily: &DailyVolumes,
    uptake: Option<Alkalinity>,
) -> Result<(), OverLimit> {
    within(controller, |of| rise_of_day(controller, daily, of), uptake)
}

/// Whether 24 h may add so much of each quantity that has limits, in its unit; of alkalinity only when an uptake is given.
///
/// # Errors
/// [`OverLimit::Rise`].
pub(super) fn within(
    controller: &Controller,
    rise_of: impl Fn(&Quantity) -> f64,
    uptake: Option<Alkalinity>,
) -> Result<(), OverLimit> {
    for (of, limits) in &controller.water {
        let uptake = match (of.needs_uptake(), uptake) {
            (true, Some(uptake)) => uptake.as_dkh(),
            (true, None) => continue,
            // No uptake of an element is established.
            (false, _) => 0.0,
        };
        let (planned, limit) = (rise_of(of), uptake + limits.max_rise);
        if planned > limit + 1e-9 {
            return Err(OverLimit::Rise {
                of: of.clone(),
                planned,
                limit,
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::tests::{CONTROLLER, PLAN, check_with};
    use crate::quantity::name;

    /// Line iodine of the sample, with a cap of 4 mL a day and 1.5 mL a dose, in four doses.
    #[test]
    fn the_volume_that_is_shown_is_the_one_that_is_over_the_cap() {
        let loaded = check_with(CONTROLLER, PLAN, &crate::plan::check_plan).unwrap();
        let said = |ul: i64| {
            let within = line_within(&loaded.controller, &name("iodine"), Volume::from_ul(ul), 4);
            within.map_or_else(|over| over.to_string(), |()| "within".to_owned())
        };
        assert_eq!(said(3_200), "within", "with one dose more exactly the cap");
        assert_eq!(
            said(3_800),
            "line iodine would give 4.75 mL in a day and the first dose of the next, over its limit of 4.0 mL"
        );
        assert_eq!(
            said(4_001),
            "line iodine would give 4.001 mL a day, over its limit of 4.0 mL"
        );
    }
}
