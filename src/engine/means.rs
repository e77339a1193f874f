//! By what a plan can be changed, and how far: the uptake that its lines go by, between what caps, heads and limits let them give.

use super::effect::Denial;
use super::state::{Engine, InForce};
use crate::chemistry::Quantity;
use crate::config::{Plan, WaterLimits};
use crate::estimate::policy::Aim;
use crate::plan::{bottle_within, plan_daily_volumes, planned_rise, worked_out};
use crate::quantity::{Alkalinity, Name, Volume};

/// Part of the largest rise that a course takes: volumes are whole microlitres.
const RISE_PART: f64 = 0.98;
/// What the plan adds a day of a quantity by an uptake: so much in any case, and so much for each unit of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gain {
    fixed: f64,
    per_unit: f64,
}

impl Gain {
    pub(super) fn of(in_force: &InForce, of: &Quantity, uptake: f64) -> Self {
        let unit = if uptake > 0.0 { uptake } else { 1.0 };
        let added = |uptake| {
            let plan = plan_by(in_force, of, uptake);
            planned_rise(&plan, &in_force.controller, of)
        };
        let (once, twice) = (added(unit), added(2.0 * unit));
        let per_unit = (twice - once) / unit;
        Self {
            fixed: once - per_unit * unit,
            per_unit,
        }
    }

    pub(super) fn added(&self, uptake: f64) -> f64 {
        self.fixed + self.per_unit * uptake
    }

    /// What of that goes by the uptake.
    pub(super) fn follows(&self, uptake: f64) -> f64 {
        self.per_unit * uptake
    }

    /// The uptake by which so much is added.
    pub(super) fn uptake(&self, added: f64) -> f64 {
        ((added - self.fixed) / self.per_unit).max(0.0)
    }
}

fn plan_by(in_force: &InForce, of: &Quantity, uptake: f64) -> Plan {
    let mut recorded = in_force.recorded_uptakes();
    recorded.insert(of.clone(), uptake);
    worked_out(&in_force.plan, &in_force.controller, &recorded)
}

/// What can be changed, and how far.
#[derive(Debug, Clone, Copy)]
pub(super) struct Means {
    pub(super) uptake: f64,
    /// The least and the most that caps, heads and limits let its lines follow.
    uptake_reach: (f64, f64),
    pub(super) gain: Gain,
    pub(super) aim: Aim,
}

impl Means {
    /// With the decimals in which it is shown, where that is within what caps and heads allow.
    pub(super) fn uptake_for(&self, added: f64) -> f64 {
        let (least, most) = self.uptake_reach;
        let wanted = self.gain.uptake(added).clamp(least, most);
        let scale = if wanted < 0.1 { 1e5 } else { 100.0 };
        let steps = wanted * scale;
        let shown = [steps.round(), steps.floor(), steps.ceil()].map(|steps| steps / scale);
        let fits = |uptake: &f64| (least..=most).contains(uptake);
        shown.into_iter().find(fits).unwrap_or(wanted)
    }
}

impl Engine {
    pub(super) fn means(&self, of: &Quantity) -> Result<Means, Denial> {
        let in_force = &self.in_force;
        let limits = in_force.controller.water.get(of);
        let (limits, uptake) = limits.zip(in_force.uptake_of(of)).ok_or_else(|| {
            Denial::new(
                "no-uptake",
                format!(
                    "no uptake of {of} is in force; tell a first one with `dosewright uptake {of} VALUE`, or give it a start in plan.toml"
                ),
            )
        })?;
        let gain = Gain::of(in_force, of, uptake);
        if gain.per_unit <= 0.0 {
            return Err(Denial::new(
                "no-line-follows",
                format!(
                    "no line of plan.toml that carries {of} goes by its uptake, so no dose can follow advice; give one `share-of-uptake` or change its volume there"
                ),
            ));
        }
        let step = limits.tracked.map_or(0.0, |band| band.uptake_change_max);
        let most = self.reach(of, uptake, uptake + step + limits.max_rise / gain.per_unit);
        let least = self.reach(of, uptake, (uptake - step).max(0.0));
        let aim = aim(limits, gain.per_unit, gain.added(most))
            .ok_or_else(|| Denial::new("no-band", format!("{of} has no band")))?;
        Ok(Means {
            uptake,
            uptake_reach: (least, most.min(uptake + step)),
            gain,
            aim,
        })
    }

    /// The uptake nearest to `far` that caps, heads and limits let all lines follow.
    fn reach(&self, of: &Quantity, now: f64, far: f64) -> f64 {
        if self.may_give(of, far).is_ok() {
            return far;
        }
        let (mut fits, mut over) = (now, far);
        for _ in 0..12 {
            let middle = f64::midpoint(fits, over);
            if self.may_give(of, middle).is_ok() {
                fits = middle;
            } else {
                over = middle;
            }
        }
        fits
    }

    /// Whether the lines that change may give what follows from an uptake. A line whose doses its head does not meter anyway gives none and
    /// is no reason to leave the others as they are.
    pub(super) fn may_give(&self, of: &Quantity, uptake: f64) -> Result<(), String> {
        let plan = plan_by(&self.in_force, of, uptake);
        let daily = plan_daily_volumes(&plan);
        let alkalinity = plan.uptakes.get(&Quantity::Alkalinity).copied();
        let alkalinity = alkalinity.map(Alkalinity::from_dkh);
        let given = self.in_force.standing_volumes();
        let changes = |bottle: &&Name| {
            let mut lines = self.controller().drawing_on(bottle);
            lines.any(|line| daily.get(&line.name) != given.get(&line.name))
        };
        for bottle in self.controller().reservoirs.keys().filter(changes) {
            let dose_min = |line: &Name| {
                let smallest = self.dose_min(line);
                if self.in_force.largest_slot(line) < smallest {
                    Volume::ZERO
                } else {
                    smallest
                }
            };
            bottle_within(
                (self.controller(), &plan),
                (bottle, &daily),
                alkalinity,
                &dose_min,
            )?;
        }
        Ok(())
    }
}

pub(super) fn aim(limits: &WaterLimits, per_unit: f64, addition_max: f64) -> Option<Aim> {
    let band = limits.tracked?;
    Some(Aim {
        target: band.target,
        well: (band.band_high - band.band_low) / 2.0,
        rise_max: limits.max_rise * RISE_PART,
        fall_max: band.max_fall * RISE_PART,
        change_max: band.uptake_change_max * per_unit,
        addition_max,
    })
}
