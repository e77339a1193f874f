//! Refills: what a bottle holds is told when it is filled.
//!
//! More of the same is one step. Another solution changes what the water gets, so it is prepared, shown and confirmed: what the tube
//! still holds goes first and is counted by the books, and the volume of each slot follows from what leaves the outlet. A bottle never
//! holds a mixture that nobody described.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::alarms::AlarmCode;
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::filling::{LineChange, NewRefill, RefillFigures, RefillLevel};
use super::state::Engine;
use super::wish::{Figures, Worked};
use crate::chemistry::{Quantity, SolutionEffect};
use crate::config::{Controller, InputRole, Reservoir, Solution, TubeContent};
use crate::plan::{DailyVolumes, bottle_within, departed, plan_daily_volumes, worked_out};
use crate::quantity::{Name, Volume, f64_from_i64};
use crate::record::{Content, Departure, Entry, Refill, Who};

/// How far the strength of a bottle may be off what it is taken for, %: what is left of the solution from before may make it weaker or
/// stronger by as much as solutions are weighed to. Ours.
const MIXED_MAX_PERCENT: f64 = 2.0;

/// What is told of a bottle, held against what it is.
struct Level<'a> {
    bottle: &'a Reservoir,
    before: Option<Volume>,
    now: Volume,
}

/// What would be in force with another solution in a bottle.
struct Trial {
    controller: Controller,
    daily: DailyVolumes,
}

fn refused(why: impl Into<String>) -> Denial {
    Denial::new("refill-refused", why)
}

fn names(solutions: &[Name]) -> String {
    let names: Vec<&str> = solutions.iter().map(Name::as_str).collect();
    names.join(" or ")
}

impl Engine {
    /// More of what is in a bottle already.
    pub(super) fn refill(
        &mut self,
        new: NewRefill,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let level = self.level(&new)?;
        let bottle = level.bottle;
        let solution = self.solution_held(bottle)?.name.clone();
        match &new.solution {
            Some(wanted) if *wanted != solution => {
                may_hold(bottle, wanted)?;
                return Err(Denial::new(
                    "another-solution",
                    format!(
                        "reservoir {} is known to hold {solution}, and {wanted} in it changes what the water gets: that is shown and confirmed first",
                        bottle.name
                    ),
                ));
            }
            Some(_) => {}
            None => self.question_solution(&level)?,
        }
        let mut text = level_words(&level);
        if let Some(words) = self.solution_held(bottle)?.unstated_words() {
            text =
                format!("{text}; {words}, so another batch of it may do otherwise: test after it");
        }
        text.push_str(self.not_live());
        if let Some(reminder) = self.air_reminder(&level) {
            text.push_str("; ");
            text.push_str(&reminder);
        }
        let entry = Refill {
            reservoir: bottle.name.clone(),
            level: level.now,
            before: level.before,
            // Where nothing was known of the bottle, nothing is of its tube: it holds the same.
            tube: level.before.is_none().then(|| TubeContent {
                solution: solution.clone(),
                left: Volume::ZERO,
            }),
            solution,
            who,
            note: new.note.into(),
            at: self.stamp(now),
        };
        self.put_refill(entry, (ticket, text), now);
        Ok(())
    }

    /// A bottle that may hold several things, and was nearly empty or never told of, may hold another one now.
    fn question_solution(&self, level: &Level<'_>) -> Result<(), Denial> {
        let bottle = level.bottle;
        let low = self
            .alarms
            .is_active(AlarmCode::ReservoirLow, bottle.name.as_str());
        let nearly_empty = level.before.is_none_or(|left| left <= bottle.reserve) || low;
        if bottle.solutions.len() < 2 || !nearly_empty {
            return Ok(());
        }
        let was = level.before.map_or_else(
            || "nobody has told yet what it holds".to_owned(),
            |left| format!("it was nearly empty ({left})"),
        );
        Err(Denial::new(
            "solution-not-said",
            format!(
                "reservoir {} may hold {}, and {was}; say what is in it now with --solution NAME",
                bottle.name,
                names(&bottle.solutions)
            ),
        ))
    }

    fn put_refill(&mut self, entry: Refill, (ticket, text): (Ticket, String), now: Now) {
        let held = (&entry.solution, true);
        let controller = Arc::make_mut(&mut self.in_force.controller);
        if entry.tube.is_some() {
            controller.fill(&entry.reservoir, held, entry.tube.as_ref());
            self.outlet_changed(now);
        } else {
            controller.told(&entry.reservoir, held);
        }
        self.books.fill(&entry.reservoir, entry.level);
        self.touch_all_lines();
        self.mark_written(now);
        self.store(Entry::Refill(entry), Some((ticket, Answer::Done { text })));
    }

    /// Takes what the record knows of bottles and tubes. What is not known to be in a bottle is not dosed from it.
    pub(super) fn take_contents(&mut self, contents: &[Content], now: Now) {
        for content in contents {
            if !content.put_into(Arc::make_mut(&mut self.in_force.controller)) {
                self.books.forget_bottle(&content.reservoir);
                self.note(
                    "content-unknown",
                    None,
                    content.not_in_file(),
                    Who::Daemon,
                    now,
                );
            }
        }
    }

    fn outlet_changed(&mut self, now: Now) {
        self.work_out_plan();
        self.in_force.outlet_changed(now.elapsed);
    }

    /// What an old tube held is gone with it. Nothing is dosed through the new one before it is calibrated, which fills it from the bottle.
    pub(super) fn tube_emptied(&mut self, line: &Name, now: Now) {
        if Arc::make_mut(&mut self.in_force.controller).new_tube(line) {
            self.outlet_changed(now);
        }
    }

    /// Takes a dose that is over out of the tube it came through.
    pub(super) fn draw(&mut self, line: &Name, volume: Volume, now: Now) {
        if !self.controller().tube_differs(line)
            || !Arc::make_mut(&mut self.in_force.controller).draw(line, volume)
        {
            return;
        }
        self.outlet_changed(now);
        let leaves = self.controller().solution_of(line);
        let leaves = leaves.map_or("", |solution| solution.name.as_str());
        let text =
            format!("the tube of line {line} is through: {leaves} leaves its outlet from now on");
        self.note("tube-through", Some(line), text, Who::Daemon, now);
    }

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

    pub(super) fn take_refill(
        &mut self,
        new: NewRefill,
        shown: RefillFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let text = format!(
            "reservoir {} holds {} of {} now, before {}{}",
            shown.reservoir,
            shown.level,
            shown.solution,
            shown.solution_before,
            self.not_live()
        );
        self.end_corridors_on(&shown.reservoir, now);
        let entry = Refill {
            reservoir: shown.reservoir,
            level: shown.level,
            before: shown.before,
            solution: shown.solution,
            tube: Some(TubeContent {
                solution: shown.solution_before,
                left: shown.tube,
            }),
            who,
            note: new.note.into(),
            at: self.stamp(now),
        };
        self.put_refill(entry, (ticket, text), now);
    }

    /// What is to be said of a refill that is told in a dry run.
    const fn not_live(&self) -> &'static str {
        if self.live {
            ""
        } else {
            "; this is a dry run, and does not count live: say it again then"
        }
    }

    fn level(&self, new: &NewRefill) -> Result<Level<'_>, Denial> {
        let reservoir = &new.reservoir;
        let bottle = self.controller().reservoirs.get(reservoir).ok_or_else(|| {
            let known: Vec<&str> = self
                .controller()
                .reservoirs
                .keys()
                .map(Name::as_str)
                .collect();
            Denial::new(
                "unknown-reservoir",
                format!(
                    "there is no reservoir {reservoir}; the reservoirs are: {}",
                    known.join(", ")
                ),
            )
        })?;
        let before = self.books.left_in(reservoir);
        let capacity = bottle.capacity;
        let now = match new.level {
            RefillLevel::Full => capacity,
            RefillLevel::To(volume) => volume,
            RefillLevel::Add(volume) if new.emptied => volume,
            RefillLevel::Add(volume) => {
                let unknown = || {
                    Denial::new(
                        "reservoir-unknown",
                        format!(
                            "nobody has said what reservoir {reservoir} held before; give its whole content"
                        ),
                    )
                };
                before.ok_or_else(unknown)?.or_zero().saturating_add(volume)
            }
        };
        if now > capacity {
            return Err(Denial::new(
                "over-capacity",
                format!(
                    "{now} is more than reservoir {reservoir} holds ({capacity}); give what is in it now"
                ),
            ));
        }
        Ok(Level {
            bottle,
            before,
            now,
        })
    }

    fn solution_held(&self, bottle: &Reservoir) -> Result<&Solution, Denial> {
        let held = self.controller().solution_in(&bottle.name);
        held.ok_or_else(|| {
            refused(format!(
                "[reservoir.{}] of controller.toml names no solution",
                bottle.name
            ))
        })
    }

    fn check_idle(&self, bottle: &Reservoir) -> Result<(), Denial> {
        let runs = |dose: &&super::state::ActiveDose| dose.intent.reservoir == bottle.name;
        match self.books.active.values().find(runs) {
            None => Ok(()),
            Some(dose) => Err(Denial::new(
                "head-busy",
                format!(
                    "line {} is dosing from reservoir {}; leave its tube in until it is done",
                    dose.intent.line, bottle.name
                ),
            )),
        }
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

    /// After a bottle ran dry there may be air in its tubes.
    fn air_reminder(&self, level: &Level<'_>) -> Option<String> {
        let name = &level.bottle.name;
        let floats = self.controller().inputs.values();
        let mut floats = floats.filter(|i| i.role == InputRole::ReservoirFloat(name.clone()));
        let float_empty = floats.any(|float| self.inputs.says(&float.name) == Some(false));
        let lines: Vec<_> = self.controller().drawing_on(name).collect();
        let dose = lines
            .iter()
            .map(|line| self.in_force.largest_slot(&line.name))
            .max();
        let used_up = level.bottle.reserve.saturating_add(dose?);
        let dry = float_empty || level.before.is_some_and(|left| left < used_up);
        let heads: Vec<&str> = lines.iter().map(|line| line.head.as_str()).collect();
        dry.then(|| {
            format!(
                "it had run dry: look for air in the tube, and prime it at the bench before the next dose (`dosewright bench {} open`, then `prime` and `back`)",
                heads.join("`, `dosewright bench ")
            )
        })
    }
}

fn may_hold(bottle: &Reservoir, wanted: &Name) -> Result<(), Denial> {
    if bottle.solutions.contains(wanted) {
        return Ok(());
    }
    Err(Denial::new(
        "unknown-solution",
        format!(
            "reservoir {} may hold {}, not {wanted}; name another one in [reservoir.{}] of controller.toml first, and restart",
            bottle.name,
            names(&bottle.solutions),
            bottle.name
        ),
    ))
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

fn level_words(level: &Level<'_>) -> String {
    let Level {
        bottle,
        before,
        now,
    } = level;
    let was = before.map_or("unknown".to_owned(), |b| b.to_string());
    format!(
        "reservoir {} holds {now} now (before: {was}, capacity {})",
        bottle.name, bottle.capacity
    )
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
