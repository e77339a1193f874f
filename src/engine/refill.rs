//! Refills: what a bottle holds is told when it is filled.
//!
//! More of the same is one step. Another solution changes what the water gets, so it is prepared, shown and confirmed: what the tube
//! still holds goes first and is counted by the books, and the volume of each slot follows from what leaves the outlet. A bottle never
//! holds a mixture that nobody described (`other_solution.rs`).

use std::sync::Arc;

use super::alarms::AlarmCode;
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::filling::{NewRefill, RefillFigures, RefillLevel};
use super::state::Engine;
use crate::config::{InputRole, Reservoir, Solution, TubeContent};
use crate::quantity::{Name, Volume, listed};
use crate::record::{Content, Entry, Refill, Who};

/// What is told of a bottle, held against what it is.
pub(super) struct Level<'a> {
    pub(super) bottle: &'a Reservoir,
    pub(super) before: Option<Volume>,
    pub(super) now: Volume,
}

pub(super) fn refused(why: impl Into<String>) -> Denial {
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
        self.store(Entry::Refill(entry), Some((ticket, Answer::done(text))));
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

    pub(super) fn level(&self, new: &NewRefill) -> Result<Level<'_>, Denial> {
        let reservoir = &new.reservoir;
        let bottle = self.controller().reservoirs.get(reservoir).ok_or_else(|| {
            let known = listed(self.controller().reservoirs.keys());
            Denial::new(
                "unknown-reservoir",
                format!("there is no reservoir {reservoir}; the reservoirs are: {known}"),
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

    pub(super) fn solution_held(&self, bottle: &Reservoir) -> Result<&Solution, Denial> {
        let held = self.controller().solution_in(&bottle.name);
        held.ok_or_else(|| {
            refused(format!(
                "[reservoir.{}] of controller.toml names no solution",
                bottle.name
            ))
        })
    }

    pub(super) fn check_idle(&self, bottle: &Reservoir) -> Result<(), Denial> {
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

    /// After a bottle ran dry there may be air in its tubes.
    pub(super) fn air_reminder(&self, level: &Level<'_>) -> Option<String> {
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

pub(super) fn may_hold(bottle: &Reservoir, wanted: &Name) -> Result<(), Denial> {
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

pub(super) fn level_words(level: &Level<'_>) -> String {
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
