//! Another solution in a bottle: what changes, whether that may be, and what is shown of it before it is confirmed.

use std::collections::BTreeMap;

use super::effect::Denial;
use super::filling::{LineChange, NewRefill, RefillFigures};
use super::refill::{Level, level_words, may_hold, refused};
use super::state::Engine;
use super::wish::{Figures, Worked};
use crate::chemistry::{Quantity, SolutionEffect};
use crate::config::{Controller, Reservoir, Solution};
use crate::plan::{DailyVolumes, bottle_within, departed, plan_daily_volumes, worked_out};
use crate::quantity::{Name, Volume, f64_from_i64};
use crate::record::Departure;

/// How far the strength of a bottle may be off what it is taken for, %: what is left of the solution from before may make it weaker or
/// stronger by as much as solutions are weighed to. Ours.
const MIXED_MAX_PERCENT: f64 = 2.0;

/// What would be in force with another solution in a bottle.
struct Trial {
    controller: Controller,
    daily: DailyVolumes,
}

impl Engine {
    /// What a refill with another solution comes to.
    pub(super) fn work_out_refill(&self, new: &NewRefill) -> Result<Worked, Denial> {
        let level = self.level(new)?;
        let bottle = level.bottle;
        let old = self.solution_held(bottle)?;
        let wanted = new.solution.as_ref().unwrap_or(&old.name);
        may_hold(bottle, wanted)?;
        let solution = self.controller().solutions.get(wanted);
        let solution = solution.filter(|solution| solution.name != old.name);
        let solution = solution.ok_or_else(|| {
            refused(format!(
                "reservoir {} is known to hold {wanted} already; such a refill is told in one step",
                bottle.name
            ))
        })?;
        self.check_idle(bottle)?;
        check_mixture(&level, new.emptied, (old, solution))?;
        let tube = self.tube_told(bottle, old, new.tube)?;
        let trial = self.trial(bottle, solution)?;
        let figures = RefillFigures {
            reservoir: bottle.name.clone(),
            solution: solution.name.clone(),
            solution_before: old.name.clone(),
            level: level.now,
            before: level.before,
            tube,
            lines: self.changes(bottle, &trial),
            steps: self.steps(bottle, tube, (&old.effect, &solution.effect))?,
            lasts_days: lasts(&level, &trial),
        };
        let mut text = words(&figures, &level);
        if solution.caustic {
            text.push("CAUTION: this solution is caustic. Gloves and eye protection; rinse spills with plenty of water.".to_owned());
        }
        text.extend(self.air_reminder(&level));
        Ok(Worked {
            figures: Figures::Refill(figures),
            text,
            ask_twice: None,
            quiet: None,
            seen: None,
        })
    }

    /// What each tube still holds of the solution from before. It must be known, and a tube holds two solutions at most.
    fn tube_told(
        &self,
        bottle: &Reservoir,
        old: &Solution,
        tube: Option<Volume>,
    ) -> Result<Volume, Denial> {
        let tube = tube.ok_or_else(|| {
            Denial::new(
                "tube-not-said",
                format!(
                    "how much {} the tube still holds must be known, as it goes first: say --tube \"6 mL\" (a tube of 3 mm inside holds 7 mL a metre), or --tube \"0 mL\" when it was emptied or primed through",
                    old.name
                ),
            )
        })?;
        let tube = tube.or_zero();
        for line in self.controller().drawing_on(&bottle.name) {
            let outlet = self.controller().outlet(&line.name);
            let held = outlet.and_then(|outlet| outlet.tube);
            if let Some((other, left)) = held.filter(|_| tube > Volume::ZERO) {
                return Err(Denial::new(
                    "tube-mixed",
                    format!(
                        "the tube of line {} still holds {left} of {} before {}, and would hold a third solution; prime it through first and say --tube \"0 mL\", or wait until it is through",
                        line.name, other.name, old.name
                    ),
                ));
            }
        }
        Ok(tube)
    }

    /// What would be in force once the tubes are through.
    ///
    /// # Errors
    /// What of it no cap, limit, head or course allows.
    fn trial(&self, bottle: &Reservoir, solution: &Solution) -> Result<Trial, Denial> {
        let mut controller = Controller::clone(self.controller());
        controller.fill(&bottle.name, (&solution.name, true), None);
        let recorded = self.in_force.recorded_uptakes();
        let plan = worked_out(&self.in_force.plan, &controller, &recorded);
        let standing = plan_daily_volumes(&plan);
        for line in controller.drawing_on(&bottle.name) {
            self.check_carried(&controller, &line.name)?;
        }
        let shape = self.in_force.shift().map(|course| {
            let shape = self.shape_by((&controller, &plan), course);
            shape.map(|shape| (shape, course.step)).ok_or_else(|| {
                refused(format!(
                    "course {}, {}, could not go on with {}; end it first",
                    course.number, course.what, solution.name
                ))
            })
        });
        let shape = shape.transpose()?;
        let raises = self
            .in_force
            .extras_by(&controller, None, |_, extra| extra > Volume::ZERO);
        let steps = shape.as_ref().map_or(0, |(shape, _)| shape.days);
        for step in 0..=steps {
            let step = shape.as_ref().map(|(shape, _)| (shape, step));
            let daily = departed(&standing, step, &raises);
            bottle_within(
                (&controller, &plan),
                (&bottle.name, &daily),
                self.in_force.uptake(),
                &|line| self.dose_min(line),
            )
            .map_err(|why| {
                refused(format!(
                    "with {} in reservoir {}: {why}",
                    solution.name, bottle.name
                ))
            })?;
        }
        let today = self.in_force.local_date(self.clock.last.wall);
        let extras = self
            .in_force
            .extras_by(&controller, None, |course, _| course.in_force_on(today));
        let step = shape.as_ref().map(|(shape, step)| (shape, *step));
        let daily = departed(&standing, step, &extras);
        Ok(Trial { controller, daily })
    }

    /// Whether the plan and the courses of a line go with what it would give.
    fn check_carried(&self, controller: &Controller, line: &Name) -> Result<(), Denial> {
        let Some(solution) = controller.solution_of(line) else {
            return Ok(());
        };
        for course in self.in_force.courses() {
            if let Departure::Add { line: own, of, .. } = &course.what
                && own == line
                && !solution.effect.carries(of)
            {
                return Err(refused(format!(
                    "course {}, {}, goes by line {line}, and {} carries no {of}; end it first",
                    course.number, course.what, solution.name
                )));
            }
        }
        Ok(())
    }

    fn changes(&self, bottle: &Reservoir, trial: &Trial) -> Vec<LineChange> {
        let before = self.planned_volumes();
        let of = |daily: &DailyVolumes, line: &Name| daily.get(line).copied().unwrap_or_default();
        let lines = self.controller().drawing_on(&bottle.name);
        lines
            .map(|line| LineChange {
                line: line.name.clone(),
                before: of(&before, &line.name),
                after: of(&trial.daily, &line.name),
                daily_cap: line.daily_cap,
                dose_cap: line.dose_cap,
            })
            .collect()
    }

    /// How far the water would be off if each tube held none of what was told, or all of one dose more: doses are sized by what is taken
    /// to leave the outlet.
    ///
    /// # Errors
    /// A step over the largest rise or fall of a quantity.
    fn steps(
        &self,
        bottle: &Reservoir,
        tube: Volume,
        (old, new): (&SolutionEffect, &SolutionEffect),
    ) -> Result<BTreeMap<Quantity, f64>, Denial> {
        let tank = self.controller().tank;
        let lines = self.controller().drawing_on(&bottle.name);
        let off: Volume = lines
            .map(|line| tube.saturating_add(self.in_force.largest_slot(&line.name)))
            .sum();
        let mut steps = old.carried(off, tank);
        for step in steps.values_mut() {
            *step = -*step;
        }
        for (of, rise) in new.carried(off, tank) {
            *steps.entry(of).or_default() += rise;
        }
        steps.retain(|_, step| *step != 0.0);
        for (of, step) in &steps {
            let limits = self.controller().water.get(of);
            let fall = limits
                .and_then(|limits| limits.tracked.as_ref())
                .map(|t| t.max_fall);
            let (limit, what) = if *step > 0.0 {
                (limits.map(|limits| limits.max_rise), "rise")
            } else {
                (fall, "fall")
            };
            if let Some(limit) = limit.filter(|limit| step.abs() > limit + 1e-9) {
                return Err(Denial::new(
                    "step-too-large",
                    format!(
                        "{tube} in the tube and one dose are {off}; given by the wrong strength they would make {of} {what} by {}, over the largest {what} of {} a day; prime the tube through at the bench and say --tube \"0 mL\"",
                        of.amount(step.abs()),
                        of.amount(limit)
                    ),
                ));
            }
        }
        Ok(steps)
    }
}

/// What is left of the solution from before may change the strength of the new one by no more than it is weighed to.
fn check_mixture(
    level: &Level<'_>,
    emptied: bool,
    (old, new): (&Solution, &Solution),
) -> Result<(), Denial> {
    let left = level.before.unwrap_or_default().or_zero().min(level.now);
    if emptied || left <= Volume::ZERO {
        return Ok(());
    }
    let litre = Volume::from_ul(1_000_000);
    let part = f64_from_i64(left.as_ul()) / f64_from_i64(level.now.as_ul().max(1));
    let tank = crate::quantity::TankVolume::from_litres(1.0);
    let (of_old, of_new) = (
        old.effect.carried(litre, tank),
        new.effect.carried(litre, tank),
    );
    let off = |of: &Quantity| {
        let (old, new) = (of_old.get(of).copied(), of_new.get(of).copied());
        match new {
            Some(new) => (old.unwrap_or(0.0) - new).abs() / new * part * 100.0,
            None => f64::INFINITY,
        }
    };
    let worst = of_old.keys().chain(of_new.keys()).map(off);
    let worst = worst.fold(0.0, f64::max);
    if worst <= MIXED_MAX_PERCENT {
        return Ok(());
    }
    let off = if worst.is_finite() {
        format!("would be {worst:.1} % off in strength")
    } else {
        format!("would carry what only {} carries", old.name)
    };
    Err(Denial::new(
        "mixed",
        format!(
            "reservoir {} still holds {left} of {} by the books, and {} of {} with that in it {off}; at most {MIXED_MAX_PERCENT} % is taken as no mixture. Empty it and say --emptied, use it up first, or describe the mixture as a solution of its own in controller.toml",
            level.bottle.name, old.name, level.now, new.name
        ),
    ))
}

/// Days until it is used up, at the volumes that would be in force.
fn lasts(level: &Level<'_>, trial: &Trial) -> Option<f64> {
    let lines = trial.controller.drawing_on(&level.bottle.name);
    let drawn: Volume = lines
        .filter_map(|l| trial.daily.get(&l.name))
        .copied()
        .sum();
    let usable = level.now.saturating_sub(level.bottle.reserve).or_zero();
    (drawn > Volume::ZERO).then(|| f64_from_i64(usable.as_ul()) / f64_from_i64(drawn.as_ul()))
}

fn words(figures: &RefillFigures, level: &Level<'_>) -> Vec<String> {
    let (new, old) = (&figures.solution, &figures.solution_before);
    let mut text = vec![format!("{} of {new}, until now {old}", level_words(level))];
    text.push(if figures.tube > Volume::ZERO {
        format!(
            "the tube of each line still holds {} of {old}, which goes first",
            figures.tube
        )
    } else {
        format!("no tube holds {old} any more")
    });
    for change in &figures.lines {
        text.push(format!(
            "line {}: {} a day until its tube is through, {} a day afterwards; caps {} a day and {} a dose",
            change.line, change.before, change.after, change.daily_cap, change.dose_cap
        ));
    }
    for (of, step) in &figures.steps {
        let way = if *step < 0.0 { "lower" } else { "higher" };
        text.push(format!(
            "the largest step in the water, if the tube is not as told: {of} {} {way}",
            of.amount(step.abs())
        ));
    }
    if let Some(days) = figures.lasts_days {
        text.push(format!("the bottle lasts {days:.1} days"));
    }
    text
}
