//! From what the animals take up to what each line gives a day.
//!
//! Terms: an *uptake in force* is what the ledger has, else the plan's starting value; one that is tied to alkalinity follows it by the
//! calcification ratio until it has one of its own. Amounts of a quantity are in its own unit, dKH or mg/L.

use std::collections::BTreeMap;

use crate::chemistry::{CALCIUM_MG_PER_MEQ, Quantity, SolutionEffect};
use crate::config::{Controller, Gives, Plan, StartUptake};
use crate::quantity::{Alkalinity, Name, TankVolume, Volume};
use crate::record::Uptake;

/// Uptake a day of each quantity.
pub type Uptakes = BTreeMap<Quantity, f64>;

/// The plan with the uptakes in force and what each line gives a day by them. `recorded` is what the ledger has; the controller says what
/// leaves each line's outlet. A line whose solution does not carry what it is for gives nothing.
pub fn worked_out(plan: &Plan, controller: &Controller, recorded: &Uptakes) -> Plan {
    let uptakes = in_force(&plan.starts, recorded);
    let mut plan = Plan {
        uptakes,
        ..plan.clone()
    };
    for planned in &mut plan.lines {
        let effect = effect_of(controller, &planned.line);
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
            let per_ml = effect.map_or(0.0, |effect| rise_per_ml(effect, of, tank));
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

/// What 1 mL of a solution adds of a quantity, in its own unit.
pub fn rise_per_ml(effect: &SolutionEffect, of: &Quantity, tank: TankVolume) -> f64 {
    rise(effect, of, Volume::from_ul(1_000_000), tank) / 1000.0
}

/// What a volume of a solution adds of a quantity, in its own unit.
pub fn rise(effect: &SolutionEffect, of: &Quantity, volume: Volume, tank: TankVolume) -> f64 {
    match of {
        Quantity::Alkalinity => effect.alkalinity_rise(volume, tank).as_dkh(),
        Quantity::Element(element) => effect.element_rise(element, volume, tank).as_mg_per_l(),
    }
}

/// What leaves the outlet of a line.
pub fn effect_of<'a>(controller: &'a Controller, line: &Name) -> Option<&'a SolutionEffect> {
    let line = controller.lines.iter().find(|known| known.name == *line)?;
    let solution = controller.solutions.get(&line.solution);
    solution.map(|solution| &solution.effect)
}

/// What all lines of the plan add a day of a quantity, in its own unit.
pub fn planned_rise(plan: &Plan, controller: &Controller, of: &Quantity) -> f64 {
    let of_line = |planned: &crate::config::PlannedLine| {
        let effect = effect_of(controller, &planned.line)?;
        Some(rise(effect, of, planned.daily_volume, controller.tank))
    };
    plan.lines.iter().filter_map(of_line).sum()
}

/// Starting values of plan.toml that are not in force any more, in words.
pub fn starts_not_in_force(plan: &Plan, recorded: &BTreeMap<Quantity, Uptake>) -> Vec<String> {
    let words = plan.starts.iter().filter_map(|(of, start)| {
        let known = recorded.get(of)?;
        let said = match start {
            StartUptake::PerDay(value) if (value - known.uptake).abs() < 1e-9 => return None,
            StartUptake::PerDay(value) => format!("{value} {}", of.unit()),
            StartUptake::WithAlkalinity => "tied to alkalinity".to_owned(),
        };
        Some(format!(
            "uptake of {of}: {} a day is in force ({}, {:.0}), not the start of plan.toml ({said})",
            known.amount(),
            known.how.as_str(),
            known.at.wall
        ))
    });
    words.collect()
}
