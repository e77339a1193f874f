//! A swapped bottle under way: the tube still gives the old solution, then the new one is in force at its own volume, and at last both
//! files say so.
//!
//! What the line gave since the swap is counted by the books, so a restart or a lost power supply changes nothing about it. Which liquid
//! leaves a tube cannot be measured here; its volume is what the owner says.

use super::ask::NewSwap;
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::config::{Mode, Plan};
use crate::plan::{DailyVolumes, SwapWish, followers_of, plan_daily_volumes, shape_swap};
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
            // A line that plan.toml has put on standby or taken out gives nothing, whatever was agreed for it.
            if let Some(planned) = daily.get_mut(&swap.line).filter(|v| **v > Volume::ZERO) {
                *planned = volume;
            }
        }
    }

    /// Why a plan may not fit before the next start; `None` when nothing of that kind is under way.
    pub fn waits_for_restart(&self) -> Option<String> {
        let swap = self.swap_under_way()?;
        Some(format!(
            "bottle swap {} is under way: after `dosewright changeover finish` restart the daemon instead, because controller.toml is read at a start only, and both files belong together",
            swap.number
        ))
    }

    /// Why something else that touches the line must wait; `None` when nothing is under way.
    pub(super) fn swap_in_the_way(&self, line: Option<&Name>) -> Option<String> {
        let swap = self.swap_under_way()?;
        let concerned = line.is_none_or(|line| *line == swap.line);
        concerned.then(|| {
            format!(
                "bottle swap {} on line {} is under way; one thing at a time: finish it (`dosewright status` shows how far it is), or put the old bottle back (`dosewright changeover swap {} --to {} --by {} --tube VOLUME`)",
                swap.number, swap.line, swap.line, swap.from, swap.by
            )
        })
    }

    pub(super) fn start_swap(
        &mut self,
        new: &NewSwap,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.clock_for_course()?;
        let refuse = |why: String| Denial::new("swap-refused", why);
        self.swap_may_begin(new).map_err(refuse)?;
        let swap = match self.way_back(new) {
            Some(back) => back,
            None => self.swap_wanted(new)?,
        };
        if let Some(expected) = new.expected.filter(|expected| !same(*expected, swap.after)) {
            return Err(refuse(format!(
                "you were shown {expected} a day, and by the plan in force it would be {}: plan.toml was edited and not read; `dosewright reload`, then ask again",
                swap.after
            )));
        }
        if let Some(before) = self.swap_under_way().cloned() {
            let note = format!("the way back is swap {}", swap.number);
            self.end_swap(before, &note, now);
        }
        self.put_swap(swap, who, Some(ticket), now);
        Ok(())
    }

    fn swap_wanted(&self, new: &NewSwap) -> Result<BottleSwap, Denial> {
        let Some(placed) = self.solution_in_file(&new.line).cloned() else {
            return Err(self.no_line(&new.line));
        };
        let wish = SwapWish {
            line: new.line.clone(),
            placed,
            to: new.to.clone(),
            by: new.by.element().cloned(),
            tube: new.tube,
            standing: self.standing_of(&new.line),
        };
        let shape = shape_swap(
            (&self.controller, &self.plan),
            &wish,
            self.uptake(),
            self.dose_min(&new.line),
        )
        .map_err(|error| Denial::new("swap-refused", error.to_string()))?;
        Ok(BottleSwap {
            number: self.next_swap(),
            line: new.line.clone(),
            from: shape.from,
            to: new.to.clone(),
            by: new.by.clone(),
            tube: new.tube,
            before: wish.standing,
            after: shape.after,
            followers: followers_of(&self.plan, &new.line),
            dose_last: DoseId(self.dose_last),
            live: self.live,
            state: SwapState::Tube,
            note: new.note.clone().into(),
            who: Who::Daemon,
            at: self.stamp(self.clock.last),
        })
    }

    fn next_swap(&self) -> i64 {
        let last = self.swap.as_ref().map_or(0, |(swap, _)| swap.number);
        last.saturating_add(1)
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
        // The one swap that may follow another before it is in the files is the way back.
        if let Some(why) = self
            .swap_in_the_way(None)
            .filter(|_| self.way_back(new).is_none())
        {
            return Err(why);
        }
        if self.controller.mode == Mode::Live && !self.live {
            return Err(
                "this daemon is set to live and not armed, so it drives nothing and empties no tube: `dosewright arm` first, then swap".to_owned(),
            );
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

    /// The old bottle is put back: to the very volume that it had, whatever the files say of strengths by now. While the tube still gives
    /// its solution that is in force at once.
    fn way_back(&self, new: &NewSwap) -> Option<BottleSwap> {
        let swap = self.swap_under_way()?;
        let back = swap.line == new.line && swap.from == new.to;
        let state = match swap.state {
            SwapState::Tube => SwapState::Through,
            SwapState::Through | SwapState::Ended => SwapState::Tube,
        };
        back.then(|| BottleSwap {
            number: self.next_swap(),
            from: swap.to.clone(),
            to: swap.from.clone(),
            before: swap.after,
            after: swap.before,
            tube: new.tube,
            dose_last: DoseId(self.dose_last),
            live: self.live,
            state,
            note: new.note.clone().into(),
            ..swap.clone()
        })
    }

    /// Counts what a line gave; once the tube is through, the new solution and its volume are in force.
    pub(super) fn follow_swap(&mut self, line: &Name, delivered: Volume, now: Now) {
        let driven = self.live;
        let Some((swap, given)) = self.swap.as_mut() else {
            return;
        };
        // A dry run moves nothing in a real tube.
        if swap.line != *line || swap.state != SwapState::Tube || swap.live != driven {
            return;
        }
        *given = given.saturating_add(delivered);
        self.tube_through(now);
    }

    pub(super) fn tube_through(&mut self, now: Now) {
        let Some((swap, given)) = self.swap.clone() else {
            return;
        };
        if swap.state == SwapState::Tube && given >= swap.tube {
            let through = BottleSwap {
                state: SwapState::Through,
                ..swap
            };
            self.put_swap(through, Who::Daemon, None, now);
        }
    }

    /// Whether a plan may replace the present one while a bottle swap is under way.
    ///
    /// # Errors
    /// Why not: the line's volume in the file must stay until both files are read together.
    pub(super) fn swap_allows(&self, plan: &Plan) -> Result<(), String> {
        let Some(swap) = self.swap_under_way() else {
            return Ok(());
        };
        let says = plan_daily_volumes(plan)
            .get(&swap.line)
            .copied()
            .unwrap_or(Volume::ZERO);
        let stands = self.standing_of(&swap.line);
        // What an edit while the daemon was off has put there may be taken back.
        let right = if self.solution_in_file(&swap.line) == Some(&swap.to) {
            swap.after
        } else {
            swap.before
        };
        if same(says, stands) || same(says, right) {
            return Ok(());
        }
        Err(format!(
            "bottle swap {} is under way, and line {} stays at {right} a day in plan.toml until it is over: `dosewright changeover finish` writes what is to stand there once the tube is through, and a restart of the daemon reads both files",
            swap.number, swap.line
        ))
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
            SwapState::Through if self.standing_of(line) == Volume::ZERO => Some(format!(
                "bottle swap {number} on line {line}: {to} is through, and the line gives nothing, because plan.toml has it on standby; put it into the files with `dosewright changeover finish`, then restart the daemon"
            )),
            SwapState::Through => Some(format!(
                "bottle swap {number} on line {line}: {after} of {to} a day are in force; put it into the files with `dosewright changeover finish`, then restart the daemon"
            )),
        }
    }

    pub(super) fn end_swap(&mut self, swap: BottleSwap, note: &str, now: Now) {
        let ended = BottleSwap {
            state: SwapState::Ended,
            note: note.to_owned(),
            ..swap
        };
        self.put_swap(ended, Who::Daemon, None, now);
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
        if swap.is_under_way() {
            self.pour(&swap);
        }
        self.touch_all_lines();
        // What was given so far was given by another measure.
        self.watched_from = now.elapsed;
        let text = self.swap_words().unwrap_or_else(|| swap.to_string());
        let resume = match self.holds.iter().find(|h| h.scope == HoldScope::All) {
            Some(_) => "dosewright resume".to_owned(),
            None => format!("dosewright resume {}", swap.line),
        };
        let text = match (swap.state, &ticket) {
            (SwapState::Tube | SwapState::Through, Some(_)) => format!("{text}; now `{resume}`"),
            (SwapState::Tube | SwapState::Through | SwapState::Ended, _) => text,
        };
        self.mark_written(now);
        self.store(
            Entry::Swap(swap),
            ticket.map(|ticket| (ticket, Answer::Done { text })),
        );
        self.follow_ramp(now);
    }
}

/// Whether two daily volumes are the same but for rounding by hand.
pub(super) fn same(a: Volume, b: Volume) -> bool {
    (a.as_ml() - b.as_ml()).abs() <= SAME_PART * b.as_ml()
}
