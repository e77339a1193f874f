//! From what the animals take up to what each line gives a day.
//!
//! Terms: an *uptake in force* is what the ledger has, else the plan's starting value; one that is tied to alkalinity follows it by the
//! calcification ratio until it has one of its own. Amounts of a quantity are in its own unit, dKH or mg/L.

use std::collections::BTreeMap;

use crate::chemistry::{CALCIUM_MG_PER_MEQ, Quantity, SolutionEffect};
use crate::config::{
    Controller, Gives, Line, Origin, Plan, PlannedLine, Solution, StartUptake, Uptakes,
};
use crate::quantity::{Alkalinity, Name, TankVolume, Volume};

/// The plan with the uptakes in force and what each line gives a day by them. `recorded` is what the ledger has; the controller says what
/// leaves each line's outlet. A line whose solution does not carry what it is for gives nothing.
pub fn worked_out(plan: &Plan, controller: &Controller, recorded: &Uptakes) -> Plan {
    let uptakes = in_force(&plan.starts, recorded);
    let mut plan = Plan {
        uptakes,
        ..plan.clone()
    };
    for planned in &mut plan.lines {
        let effect = controller.effect_of(&planned.line);
        planned.daily_volume = volume_a_day(&planned.gives, &plan.uptakes, effect, controller.tank);
    }
    plan
}

fn in_force(starts: &BTreeMap<Quantity, StartUptake>, recorded: &Uptakes) -> Uptakes {
    let mut all = recorded.clone();
    for (of, start) in starts {
        if let StartUptake::PerDay(value) = start {
            all.entry(of.clone()).or_insert(*value);
        }
    }
    if let Some(dkh) = all.get(&Quantity::Alkalinity).copied() {
        let meq = Alkalinity::from_dkh(dkh).as_meq_per_l();
        for (of, start) in starts {
            if *start == StartUptake::WithAlkalinity {
                all.entry(of.clone()).or_insert(CALCIUM_MG_PER_MEQ * meq);
            }
        }
    }
    all
}

/// Where the uptake that a line goes by comes from; `None` for a line that goes by none. What the plan says too is the plan's.
pub fn uptake_from(plan: &Plan, line: &Name) -> Option<Origin> {
    let planned = plan.lines.iter().find(|planned| planned.line == *line)?;
    let of = planned.gives.of()?;
    let of = if is_tied(plan, of) {
        &Quantity::Alkalinity
    } else {
        of
    };
    Some(if follows(plan, of, &Uptakes::new()) {
        Origin::File
    } else {
        Origin::Ledger
    })
}

/// Whether the uptake of a quantity is alkalinity's by the calcification ratio.
pub fn is_tied(plan: &Plan, of: &Quantity) -> bool {
    let alkalinity = plan.uptakes.get_key_value(&Quantity::Alkalinity);
    let alkalinity = alkalinity.map(|(k, v)| (k.clone(), *v));
    plan.starts.get(of) == Some(&StartUptake::WithAlkalinity)
        && follows(plan, of, &alkalinity.into_iter().collect())
}

/// Whether an uptake in force is what follows from these and the starts.
fn follows(plan: &Plan, of: &Quantity, known: &Uptakes) -> bool {
    in_force(&plan.starts, known).get(of) == plan.uptakes.get(of)
}

/// The plan as it would be with another uptake of one quantity.
pub fn with_uptake(plan: &Plan, controller: &Controller, of: &Quantity, per_day: f64) -> Plan {
    let others = plan
        .uptakes
        .iter()
        .filter(|(other, _)| !is_tied(plan, other));
    let mut uptakes: Uptakes = others.map(|(k, v)| (k.clone(), *v)).collect();
    uptakes.insert(of.clone(), per_day);
    worked_out(plan, controller, &uptakes)
}

fn volume_a_day(
    gives: &Gives,
    uptakes: &Uptakes,
    effect: Option<&SolutionEffect>,
    tank: TankVolume,
) -> Volume {
    let uptake = |of: &Quantity| uptakes.get(of).copied().unwrap_or(0.0);
    let ml = match gives {
        Gives::Daily(volume) => return *volume,
        Gives::PerUptake { of, ml } => ml * uptake(of),
        Gives::Share { of, share } => {
            let per_ml = effect.map_or(0.0, |effect| effect.rise_per_ml(of, tank));
            if per_ml > 0.0 {
                share * uptake(of) / per_ml
            } else {
                0.0
            }
        }
    };
    Volume::from_ul(1_000_000)
        .scaled(ml / 1000.0)
        .unwrap_or(Volume::ZERO)
}

/// The most that a line of the plan gives a day, whatever its bottle may hold.
pub(super) fn largest_volume(
    planned: &PlannedLine,
    plan: &Plan,
    (controller, line): (&Controller, &Line),
) -> Volume {
    let each = controller.may_give(line);
    each.map(|solution| volume_with((plan, planned), solution, controller.tank))
        .fold(planned.daily_volume, Volume::max)
}

/// What a line of the plan would give a day of a solution.
pub fn volume_with(
    (plan, planned): (&Plan, &PlannedLine),
    solution: &Solution,
    tank: TankVolume,
) -> Volume {
    volume_a_day(&planned.gives, &plan.uptakes, Some(&solution.effect), tank)
}

/// What planned lines may add of a quantity that nobody has stated, in words.
pub fn unseen(plan: &Plan, controller: &Controller, of: &Quantity) -> Vec<String> {
    let daily = super::plan_daily_volumes(plan);
    let givers = controller.unseen_givers(of);
    let given = givers.filter_map(|(line, solution)| {
        let volume = daily.get(line).filter(|volume| **volume > Volume::ZERO)?;
        Some(format!(
            "line {line} gives {volume} a day of {}, and it is not stated whether that carries {of}: what it adds cannot be estimated, so any uptake of {of} here is less by as much, and right only while that volume stays",
            solution.name
        ))
    });
    given.collect()
}

/// What all lines of the plan add a day of a quantity, in its own unit.
pub fn planned_rise(plan: &Plan, controller: &Controller, of: &Quantity) -> f64 {
    let of_line = |planned: &PlannedLine| {
        let effect = controller.effect_of(&planned.line)?;
        Some(effect.rise(of, planned.daily_volume, controller.tank))
    };
    plan.lines.iter().filter_map(of_line).sum()
}
