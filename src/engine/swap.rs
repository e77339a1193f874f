//! A swapped bottle under way: the tube still gives the old solution, then the new one is in force at its own volume, and at last both
//! files say so.
//!
//! What the line gave since the swap is counted by the books, so a restart or a lost power supply changes nothing about it. Which liquid
//! leaves a tube cannot be measured here; its volume is what the owner says.

use std::sync::Arc;

use super::effect::{Answer, Denial, Ticket};
use super::event::{NewSwap, Now};
use super::state::Engine;
use crate::config::Plan;
use crate::plan::{DailyVolumes, SwapWish, plan_daily_volumes, shape_swap, with_solution};
use crate::quantity::{Name, Volume};
use crate::record::{BottleSwap, DoseId, Entry, HoldScope, SwapState, Who};

/// Part by which a volume in plan.toml may differ from the one worked out and still be it, rounded by hand. Ours.
const SAME_PART: f64 = 0.006;

impl Engine {
    /// The swapped bottle that is under way.
    pub(super) fn swap_under_way(&self) -> Option<&BottleSwap> {
        let (swap, _) = self.swap.as_ref()?;
        Some(swap).filter(|swap| swap.is_under_way())
    }

    /// Puts the volume in force in place of what the plan says.
    pub(super) fn overlay_swap(&self, daily: &mut DailyVolumes) {
        if let Some(swap) = self.swap_under_way() {
            let (_, volume) = swap.in_force();
            daily.insert(swap.line.clone(), volume);
        }
    }

    /// Why something else that touches the line must wait; `None` when nothing is under way.
    pub(super) fn swap_in_the_way(&self, line: Option<&Name>) -> Option<String> {
        let swap = self.swap_under_way()?;
        let concerned = line.is_none_or(|line| *line == swap.line);
        concerned.then(|| {
            format!(
                "bottle swap {} on line {} is under way; one thing at a time: `dosewright changeover list` shows how far it is",
                swap.number, swap.line
            )
        })
    }

    pub(super) fn start_swap(
        &mut self,
        new: NewSwap,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.clock_for_course()?;
        let refuse = |why: String| Denial::new("swap-refused", why);
        self.swap_may_begin(&new).map_err(refuse)?;
        if let Some(back) = self.put_back(&new) {
            self.put_swap(back, who, Some(ticket), now);
            return Ok(());
        }
        let Some(placed) = self.solution_in_file(&new.line).cloned() else {
            return Err(self.no_line(&new.line));
        };
        let wish = SwapWish {
            line: new.line.clone(),
            placed,
            to: new.to.clone(),
            by: new.by.element().cloned(),
            tube: new.tube,
            standing: self
                .swap_under_way()
                .map_or_else(|| self.standing_of(&new.line), |swap| swap.in_force().1),
        };
        let shape = shape_swap(
            (&self.controller, &self.plan),
            &wish,
            self.uptake(),
            self.dose_min(&new.line),
        )
        .map_err(|error| refuse(error.to_string()))?;
        let number = self.swap.as_ref().map_or(0, |(swap, _)| swap.number);
        let swap = BottleSwap {
            number: number.saturating_add(1),
            line: new.line,
            from: shape.from,
            to: new.to,
            by: new.by,
            tube: new.tube,
            before: wish.standing,
            after: shape.after,
            dose_last: DoseId(self.dose_last),
            state: SwapState::Tube,
            note: new.note,
            who: who.clone(),
            at: self.stamp(now),
        };
        self.put_swap(swap, who, Some(ticket), now);
        Ok(())
    }

    /// Whether a bottle of this line may be swapped now.
    fn swap_may_begin(&self, new: &NewSwap) -> Result<(), String> {
        let line = &new.line;
        if let Some(other) = self.under_way() {
            return Err(format!(
                "changeover {} from {} to {} is under way; finish it or step back first",
                other.number, other.from, other.to
            ));
        }
        // The one swap that may follow another before it is in the files is the way back to what they say.
        let way_back = self.swap_under_way().is_some_and(|swap| swap.line == *line)
            && self.solution_in_file(line) == Some(&new.to);
        if let Some(why) = self.swap_in_the_way(None).filter(|_| !way_back) {
            return Err(why);
        }
        if let Some(course) = self.courses.iter().find(|c| c.line == *line) {
            return Err(format!(
                "course {} gives with line {line}, worked out for its present solution; end it first",
                course.number
            ));
        }
        if self.holds_on(line).is_empty() {
            return Err(format!(
                "line {line} is not on hold, so it may dose while you work: `dosewright hold {line} --reason \"bottle swap\"`, change the bottle, then ask again"
            ));
        }
        if self.active.values().any(|dose| dose.intent.line == *line) {
            return Err(format!(
                "a dose of line {line} has not ended yet; ask again in a moment"
            ));
        }
        Ok(())
    }

    /// The old bottle is put back while the tube still gives its solution: the swap is over.
    fn put_back(&self, new: &NewSwap) -> Option<BottleSwap> {
        let swap = self.swap_under_way()?;
        let back = swap.state == SwapState::Tube && swap.from == new.to;
        back.then(|| BottleSwap {
            state: SwapState::Ended,
            to: swap.from.clone(),
            after: swap.before,
            note: "the old bottle was put back".to_owned(),
            ..swap.clone()
        })
    }

    /// Counts what a line gave; once the tube is through, the new solution and its volume are in force.
    pub(super) fn follow_swap(&mut self, line: &Name, delivered: Volume, now: Now) {
        let Some((swap, given)) = self.swap.as_mut() else {
            return;
        };
        if swap.line != *line || swap.state != SwapState::Tube {
            return;
        }
        *given = given.saturating_add(delivered);
        self.settle_swap(now);
    }

    /// Whether a plan may replace the present one while a bottle swap is under way.
    ///
    /// # Errors
    /// Why not: the line's volume would be neither the old one nor the new one.
    pub(super) fn swap_allows(&self, plan: &Plan) -> Result<(), String> {
        let Some(swap) = self.swap_under_way() else {
            return Ok(());
        };
        let says = plan_daily_volumes(plan)
            .get(&swap.line)
            .copied()
            .unwrap_or(Volume::ZERO);
        if same(says, swap.before) || same(says, swap.after) {
            return Ok(());
        }
        Err(format!(
            "bottle swap {} is under way: line {} must stay at {} a day in plan.toml, or get {}; `dosewright changeover finish` writes that once the tube is through",
            swap.number, swap.line, swap.before, swap.after
        ))
    }

    /// At a start, and when something about it changed: puts the solution in force in place of what controller.toml says, and ends what
    /// both files have caught up with. Where nobody can tell what is in the bottle the line is held.
    pub(super) fn settle_swap(&mut self, now: Now) {
        let Some(swap) = self.swap_under_way().cloned() else {
            return;
        };
        if swap.state == SwapState::Tube
            && self
                .swap
                .as_ref()
                .is_some_and(|(_, given)| *given >= swap.tube)
        {
            let through = BottleSwap {
                state: SwapState::Through,
                ..swap
            };
            return self.put_swap(through, Who::Daemon, None, now);
        }
        let (solution, _) = swap.in_force();
        let Some(file) = self.solution_in_file(&swap.line).cloned() else {
            return self.end_swap(swap, "its line is not in controller.toml any more", now);
        };
        let known = self.controller.solutions.contains_key(solution);
        if !known || (file != swap.from && file != swap.to) {
            let reason = format!(
                "bottle swap {} went from {} to {}, and controller.toml says neither, or does not describe {solution} any more; make sure what is in the bottle and that controller.toml says it, then resume",
                swap.number, swap.from, swap.to
            );
            self.set_hold(
                HoldScope::Line(swap.line.clone()),
                reason,
                Who::Daemon,
                None,
                now,
            );
            return self.end_swap(swap, "controller.toml was edited to another solution", now);
        }
        let says = plan_daily_volumes(&self.plan).get(&swap.line).copied();
        let caught_up = file == swap.to && says.is_some_and(|says| same(says, swap.after));
        self.pour(&swap);
        if swap.state == SwapState::Through && caught_up {
            self.end_swap(swap, "both files say it now", now);
        }
    }

    /// What controller.toml says is in the bottle of a line.
    fn solution_in_file(&self, line: &Name) -> Option<&Name> {
        let config = self.file_controller.lines.iter().find(|l| l.name == *line);
        config.map(|l| &l.solution)
    }

    /// What the line doses from now on is this solution.
    fn pour(&mut self, swap: &BottleSwap) {
        let (solution, _) = swap.in_force();
        let says = self.line_config(&swap.line).map(|l| &l.solution);
        if says != Some(solution) {
            self.controller = Arc::new(with_solution(&self.controller, &swap.line, solution));
        }
    }

    fn end_swap(&mut self, swap: BottleSwap, note: &str, now: Now) {
        let ended = BottleSwap {
            state: SwapState::Ended,
            note: note.to_owned(),
            ..swap
        };
        self.put_swap(ended, Who::Daemon, None, now);
    }

    /// What status says of it; `None` when none is under way.
    pub(super) fn swap_words(&self) -> Option<String> {
        let (swap, given) = self.swap.as_ref()?;
        let BottleSwap {
            number,
            line,
            from,
            to,
            tube,
            before,
            after,
            ..
        } = swap;
        match swap.state {
            SwapState::Ended => None,
            SwapState::Tube => Some(format!(
                "bottle swap {number} on line {line}: {given} of the {tube} of {from} in the tube are out; then {after} of {to} a day instead of {before}"
            )),
            SwapState::Through => Some(format!(
                "bottle swap {number} on line {line}: {after} of {to} a day are in force; put it into the files with `dosewright changeover finish`, then restart the daemon"
            )),
        }
    }

    fn put_swap(&mut self, swap: BottleSwap, who: Who, ticket: Option<Ticket>, now: Now) {
        let swap = BottleSwap {
            who,
            at: self.stamp(now),
            ..swap
        };
        let given = match &self.swap {
            Some((known, given)) if known.number == swap.number => *given,
            Some(_) | None => Volume::ZERO,
        };
        self.swap = Some((swap.clone(), given));
        self.touch_all_lines();
        // What was given so far was given by another measure.
        self.watched_from = now.elapsed;
        let text = self.swap_words().unwrap_or_else(|| swap.to_string());
        let text = match swap.state {
            SwapState::Tube => format!("{text}; now `dosewright resume {}`", swap.line),
            SwapState::Through | SwapState::Ended => text,
        };
        self.mark_written(now);
        self.store(
            Entry::Swap(swap),
            ticket.map(|ticket| (ticket, Answer::Done { text })),
        );
        self.settle_swap(now);
        self.follow_ramp(now);
    }
}

fn same(a: Volume, b: Volume) -> bool {
    (a.as_ml() - b.as_ml()).abs() <= SAME_PART * b.as_ml()
}
