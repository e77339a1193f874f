//! Whether a day's volumes stay within every limit, asked before something begins. The guard holds each dose to them all the same.

use thiserror::Error;

use super::DailyVolumes;
use crate::chemistry::{Element, Rises, SolutionEffect};
use crate::config::Controller;
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
    /// The limit of an element.
    #[error(
        "{element} would rise by {rise:.4} mg/L a day with everything planned, over its limit of {limit:.4} mg/L a day"
    )]
    Element {
        element: String,
        rise: f64,
        limit: f64,
    },
    /// The ramp of alkalinity.
    #[error(
        "{:.3} dKH of alkalinity a day would be planned, over uptake and the largest rise ({:.3} dKH a day)",
        planned.as_dkh(),
        limit.as_dkh()
    )]
    Ramp {
        planned: Alkalinity,
        /// Uptake plus the largest rise.
        limit: Alkalinity,
    },
}

/// What a line gives.
pub(super) fn effect_of<'a>(controller: &'a Controller, line: &Name) -> Option<&'a SolutionEffect> {
    let config = controller.lines.iter().find(|l| l.name == *line)?;
    let solution = controller.solutions.get(&config.solution)?;
    Some(&solution.effect)
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
    if volume.saturating_add(largest) > config.daily_cap {
        return Err(over(volume, "a day", config.daily_cap));
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

/// What a day of all lines adds.
pub fn rises_of_day(controller: &Controller, daily: &DailyVolumes) -> Rises {
    let lines = controller.lines.iter();
    let parts: Vec<_> = lines
        .filter_map(|l| Some((effect_of(controller, &l.name)?, *daily.get(&l.name)?)))
        .collect();
    Rises::of(&parts, controller.tank)
}

/// Whether all lines together may give these volumes a day: elements, and the ramp of alkalinity when an uptake is given.
///
/// # Errors
/// [`OverLimit::Element`], [`OverLimit::Ramp`].
pub(super) fn day_within(
    controller: &Controller,
    daily: &DailyVolumes,
    uptake: Option<Alkalinity>,
) -> Result<(), OverLimit> {
    let rises = rises_of_day(controller, daily);
    let element = |element: &Element| rises.measure(Some(element));
    within(controller, rises.alkalinity, element, uptake)
}

/// Whether 24 h may add this much: alkalinity when an uptake is given, and of each element that has a limit so many mg/L.
///
/// # Errors
/// [`OverLimit::Element`], [`OverLimit::Ramp`].
pub(super) fn within(
    controller: &Controller,
    alkalinity: Alkalinity,
    rise_of: impl Fn(&Element) -> f64,
    uptake: Option<Alkalinity>,
) -> Result<(), OverLimit> {
    for (element, limit) in &controller.element_rise_max {
        let (rise, limit) = (rise_of(element), limit.as_mg_per_l());
        if rise > limit + 1e-9 {
            return Err(OverLimit::Element {
                element: element.symbol().to_owned(),
                rise,
                limit,
            });
        }
    }
    if let (Some(limits), Some(uptake)) = (&controller.alkalinity, uptake) {
        let limit = uptake.plus(limits.max_rise);
        if alkalinity.as_meq_per_l() > limit.as_meq_per_l() + 1e-9 {
            return Err(OverLimit::Ramp {
                planned: alkalinity,
                limit,
            });
        }
    }
    Ok(())
}
