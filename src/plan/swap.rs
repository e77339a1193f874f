//! Another solution in the bottle of the same line: what it means, and whether it may be.
//!
//! Terms: the *tube* is what stands between bottle and outlet; it holds the old solution and gives it first. Two solutions on one line are
//! not faded: the volume changes at once when the tube is through, so that the effect on the water stays as it was. Lines that follow this
//! one keep their volumes.

use thiserror::Error;

use super::against::UPTAKE_TOLERANCE_DKH_PER_DAY;
use super::limits::{OverLimit, day_within, line_within};
use super::{Schedule, plan_daily_volumes};
use crate::chemistry::{Element, Rises};
use crate::config::{ApartRule, Controller, Line, Plan, Solution};
use crate::quantity::{Alkalinity, Millis, Name, TankVolume, Volume};
use std::sync::Arc;

/// A swap that is wanted.
#[derive(Debug, Clone, PartialEq)]
pub struct SwapWish {
    pub line: Name,
    /// The solution in the new bottle.
    pub to: Name,
    /// What stays equal: an element, or alkalinity when `None`.
    pub by: Option<Element>,
    /// What the tube holds.
    pub tube: Volume,
    /// What the line gives a day now.
    pub standing: Volume,
    /// The solution that its times are placed for: what controller.toml says.
    pub placed: Name,
}

/// A swap worked out.
#[derive(Debug, Clone, PartialEq)]
pub struct SwapShape {
    /// The solution that the line gives now.
    pub from: Name,
    /// What the line gives a day of the new one.
    pub after: Volume,
    /// What the line adds a day before.
    pub rises_before: Rises,
    /// What it adds a day afterwards.
    pub rises_after: Rises,
    /// The most alkalinity over the plan while the tube is through: when a stronger solution comes at once, or when the tube holds twice as
    /// much as said and a weaker one's larger volume begins with the old one still in it.
    pub early: Alkalinity,
}

/// Why there is no such swap.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum SwapError {
    /// No such line in the plan.
    #[error(
        "line {line} gives nothing by plan, so there is nothing to swap; name a line that is dosed now"
    )]
    NotPlanned { line: Name },
    #[error(
        "there is no solution {solution}; describe it in controller.toml and restart first; the solutions are: {known}"
    )]
    NoSolution {
        solution: Name,
        /// Those that there are.
        known: String,
    },
    /// The bottle holds it already.
    #[error("line {line} gives {solution} already")]
    Same { line: Name, solution: Name },
    #[error(
        "a tube of {tube} is none; give what it holds between bottle and outlet, 0.001 mL to 1000 mL"
    )]
    Tube { tube: Volume },
    /// The measure is not in a bottle.
    #[error("solution {solution} carries no {what}; choose another measure with --by")]
    NotCarried {
        solution: Name,
        /// What should stay equal.
        what: String,
    },
    /// The doses would be too small to be metered.
    #[error(
        "line {line} would give {volume} a day in {doses} doses, smaller than its head meters ({smallest}); plan fewer doses a day for it first"
    )]
    TooSmall {
        line: Name,
        /// What it would give a day.
        volume: Volume,
        /// In how many doses.
        doses: u32,
        smallest: Volume,
    },
    /// Another line takes from the same bottle.
    #[error(
        "lines {line} and {other} take from one bottle, so a swap would change both; give each its own bottle, or hold both and write the new solution into the files by hand"
    )]
    Shared { line: Name, other: Name },
    /// Alkalinity would not stay what it is.
    #[error(
        "alkalinity would go from {before:.3} to {after:.3} dKH a day by it; a swap must leave alkalinity within {UPTAKE_TOLERANCE_DKH_PER_DAY} dKH a day of what it is"
    )]
    Alkalinity {
        /// Of this line a day before, dKH.
        before: f64,
        after: f64,
    },
    /// Nobody has said how far apart the new solution must be kept.
    #[error(
        "{from} is kept apart from {other}, and controller.toml does not say how far apart {to} must be; write an [[apart]] for the two, a short one where they may meet, and restart first"
    )]
    ApartUnsaid {
        from: Name,
        to: Name,
        /// A solution of another line.
        other: Name,
    },
    #[error("{0}; use a solution of another strength, or another number of doses a day")]
    Over(#[from] OverLimit),
    /// Times are placed for smaller gaps than the new solution needs.
    #[error(
        "{to} must be kept {gap} apart from {other}, and the times of line {line} keep only {kept}; give {from} the same gap to {other} in controller.toml and restart first, so that times are placed for it"
    )]
    Apart {
        line: Name,
        from: Name,
        to: Name,
        /// A solution of another line.
        other: Name,
        /// What the new one needs.
        gap: Millis,
        /// What the old one needed.
        kept: Millis,
    },
    /// What the tube holds could move alkalinity too much.
    #[error(
        "a tube of {tube} may give up to {early} of alkalinity over the plan while the new solution comes through, over the largest rise of {limit} a day; use a weaker solution"
    )]
    Early {
        tube: Volume,
        early: Alkalinity,
        /// The largest rise a day.
        limit: Alkalinity,
    },
}

/// The same controller with another solution in the bottle of a line.
pub fn with_solution(controller: &Controller, line: &Name, solution: &Name) -> Controller {
    let mut changed = controller.clone();
    for config in &mut changed.lines {
        if config.name == *line {
            config.solution = solution.clone();
        }
    }
    changed
}

/// Works a swap out and holds what comes after it against all limits. `controller` has the solution that the line gives now; `dose_min` is
/// the smallest dose of its head.
///
/// # Errors
/// [`SwapError`], the first that is found.
pub fn shape_swap(
    (controller, plan): (&Controller, &Plan),
    wish: &SwapWish,
    uptake: Option<Alkalinity>,
    dose_min: Volume,
) -> Result<SwapShape, SwapError> {
    let line = &wish.line;
    let not_planned = || SwapError::NotPlanned { line: line.clone() };
    let config = controller.lines.iter().find(|l| l.name == *line);
    let config = config.ok_or_else(not_planned)?;
    if wish.standing <= Volume::ZERO {
        return Err(not_planned());
    }
    if !(Volume::from_ul(1)..=Volume::from_ul(1_000_000)).contains(&wish.tube) {
        return Err(SwapError::Tube { tube: wish.tube });
    }
    if config.solution == wish.to {
        return Err(SwapError::Same {
            line: line.clone(),
            solution: wish.to.clone(),
        });
    }
    let (old, new) = (
        solution(controller, &config.solution)?,
        solution(controller, &wish.to)?,
    );
    let (old_litre, new_litre) = (
        per_litre(old, controller.tank),
        per_litre(new, controller.tank),
    );
    let factor = strength(&config.solution, &old_litre, wish.by.as_ref())?
        / strength(&wish.to, &new_litre, wish.by.as_ref())?;
    let after = wish
        .standing
        .scaled(factor)
        .unwrap_or(Volume::from_ul(i64::MAX));
    check_bottle(controller, config)?;
    check_apart(controller, (line, &wish.placed, &wish.to))?;
    let swapped = with_solution(controller, line, &wish.to);
    check_limits((&swapped, plan), (line, after), uptake, dose_min)?;
    let rises =
        |solution: &Solution, volume| Rises::of(&[(&solution.effect, volume)], controller.tank);
    let (rises_before, rises_after) = (rises(old, wish.standing), rises(new, after));
    let (before_dkh, after_dkh) = (
        rises_before.alkalinity.as_dkh(),
        rises_after.alkalinity.as_dkh(),
    );
    if (after_dkh - before_dkh).abs() > UPTAKE_TOLERANCE_DKH_PER_DAY {
        return Err(SwapError::Alkalinity {
            before: before_dkh,
            after: after_dkh,
        });
    }
    let early = early(
        rises(old, wish.tube).alkalinity,
        rises(new, wish.tube).alkalinity,
        after.as_ml() / wish.standing.as_ml(),
    );
    if let Some(limits) = controller
        .alkalinity
        .as_ref()
        .filter(|l| early > l.max_rise)
    {
        return Err(SwapError::Early {
            tube: wish.tube,
            early,
            limit: limits.max_rise,
        });
    }
    Ok(SwapShape {
        from: config.solution.clone(),
        after,
        rises_before,
        rises_after,
        early,
    })
}

/// The bottle must be this line's alone.
fn check_bottle(controller: &Controller, line: &Line) -> Result<(), SwapError> {
    let shares = |l: &&Line| l.name != line.name && l.reservoir == line.reservoir;
    controller
        .lines
        .iter()
        .find(shares)
        .map_or(Ok(()), |other| {
            Err(SwapError::Shared {
                line: line.name.clone(),
                other: other.name.clone(),
            })
        })
}

/// What a tube of these two contents can add over the plan; `factor` is by how much the volume grows.
fn early(old: Alkalinity, new: Alkalinity, factor: f64) -> Alkalinity {
    let stronger = new.minus(old);
    let larger = old.times(factor - 1.0);
    let most = if stronger > larger { stronger } else { larger };
    if most > Alkalinity::ZERO {
        most
    } else {
        Alkalinity::ZERO
    }
}

fn solution<'a>(controller: &'a Controller, name: &Name) -> Result<&'a Solution, SwapError> {
    controller.solutions.get(name).ok_or_else(|| {
        let known: Vec<&str> = controller.solutions.keys().map(Name::as_str).collect();
        SwapError::NoSolution {
            solution: name.clone(),
            known: known.join(", "),
        }
    })
}

/// How much of the measure is in a litre of a solution.
fn strength(name: &Name, litre: &Rises, by: Option<&Element>) -> Result<f64, SwapError> {
    Some(litre.measure(by))
        .filter(|amount| *amount > 0.0 && amount.is_finite())
        .ok_or_else(|| SwapError::NotCarried {
            solution: name.clone(),
            what: by.map_or("alkalinity", Element::symbol).to_owned(),
        })
}

/// What a whole litre adds, so that the strength keeps all its figures.
fn per_litre(solution: &Solution, tank: TankVolume) -> Rises {
    Rises::of(&[(&solution.effect, Volume::from_ul(1_000_000))], tank)
}

fn check_limits(
    (controller, plan): (&Controller, &Plan),
    (line, after): (&Name, Volume),
    uptake: Option<Alkalinity>,
    dose_min: Volume,
) -> Result<(), SwapError> {
    let schedule = Schedule::new(Arc::new(controller.clone()), Arc::new(plan.clone()));
    let doses = schedule
        .doses(line)
        .ok_or_else(|| SwapError::NotPlanned { line: line.clone() })?;
    let smallest = after.split(doses.max(1)).into_iter().min();
    if smallest.is_none_or(|dose| dose < dose_min || dose <= Volume::ZERO) {
        return Err(SwapError::TooSmall {
            line: line.clone(),
            volume: after,
            doses,
            smallest: dose_min,
        });
    }
    line_within(controller, line, after, doses)?;
    let mut daily = plan_daily_volumes(plan);
    daily.insert(line.clone(), after);
    Ok(day_within(controller, &daily, uptake)?)
}

/// Slots stay where the old solution had them, so the new one must need no larger gap to anything.
fn check_apart(
    controller: &Controller,
    (line, from, to): (&Name, &Name, &Name),
) -> Result<(), SwapError> {
    let gap_to = |solution: &Name, other: &Name| {
        let concerns = |rule: &&ApartRule| {
            (rule.first == *solution && rule.second == *other)
                || (rule.first == *other && rule.second == *solution)
        };
        let gaps = controller
            .apart
            .iter()
            .filter(concerns)
            .map(|rule| rule.gap);
        gaps.max().unwrap_or(Millis::ZERO)
    };
    for other in controller.lines.iter().filter(|l| l.name != *line) {
        let (kept, gap) = (gap_to(from, &other.solution), gap_to(to, &other.solution));
        if gap == Millis::ZERO && kept > Millis::ZERO {
            return Err(SwapError::ApartUnsaid {
                from: from.clone(),
                to: to.clone(),
                other: other.solution.clone(),
            });
        }
        if gap > kept {
            return Err(SwapError::Apart {
                line: line.clone(),
                from: from.clone(),
                to: to.clone(),
                other: other.solution.clone(),
                gap,
                kept,
            });
        }
    }
    Ok(())
}
