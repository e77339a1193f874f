//! A swapped bottle at a start: what the files say is held against what the record says is in the bottle.
//!
//! Only a start reads controller.toml, so only a start can tell that both files have caught up. Where nobody can tell what is in the
//! bottle, or how much of it is right, the line is held with the reason: a resume is the owner's word that it is.

use std::sync::Arc;

use super::event::Now;
use super::state::Engine;
use super::swap::same;
use crate::chemistry::Rises;
use crate::plan::{plan_daily_volumes, with_solution};
use crate::quantity::{Name, Volume};
use crate::record::{BottleSwap, HoldScope, SwapState, Who};

/// Part by which the daily effect of the new solution may differ from that of the old one by now. Ours: more than rounding by hand,
/// less than an edit that matters.
const EFFECT_PART: f64 = 0.02;

impl Engine {
    /// Puts what is in the bottle in force in place of what controller.toml says, and ends what both files have caught up with.
    pub(super) fn settle_swap(&mut self, now: Now) {
        self.tube_through(now);
        let Some(swap) = self.swap_under_way().cloned() else {
            return;
        };
        if self.live && !swap.live {
            return self.end_swap(
                swap,
                "it was rehearsed in a dry run: no bottle was changed",
                now,
            );
        }
        let Some(file) = self.solution_in_file(&swap.line).cloned() else {
            return self.end_swap(swap, "its line is not in controller.toml any more", now);
        };
        let (solution, _) = swap.in_force();
        let known = self.controller.solutions.contains_key(solution);
        if !known || (file != swap.from && file != swap.to) {
            let reason = format!(
                "bottle swap {} went from {} to {}, and controller.toml says neither, or does not describe {solution} any more; make sure what is in the bottle and that controller.toml says it, then resume",
                swap.number, swap.from, swap.to
            );
            self.hold_line(&swap.line, reason, now);
            return self.end_swap(swap, "controller.toml was edited to another solution", now);
        }
        self.pour(&swap);
        let says = plan_daily_volumes(&self.plan).get(&swap.line).copied();
        let says = says.unwrap_or(Volume::ZERO);
        let caught_up = file == swap.to && (same(says, swap.after) || says == Volume::ZERO);
        if swap.state == SwapState::Through && caught_up {
            self.hold_forgotten_followers(&swap, now);
            self.end_swap(swap, "both files say it now", now);
        } else if let Some(reason) = self.swap_doubt(&swap, says) {
            self.hold_line(&swap.line, reason, now);
        }
    }

    /// Why the volume of a swap may not be right any more.
    fn swap_doubt(&self, swap: &BottleSwap, says: Volume) -> Option<String> {
        let (solution, volume) = swap.in_force();
        if says != Volume::ZERO && !same(says, swap.before) && !same(says, swap.after) {
            return Some(format!(
                "plan.toml was edited to {says} a day for line {} while bottle swap {} is under way, so {volume} of {solution} would be given and not that; write {} there again, or `dosewright changeover finish` once the tube is through, then resume",
                swap.line, swap.number, swap.before
            ));
        }
        let effect = |solution: &Name, volume: Volume| {
            let effect = &self.controller.solutions.get(solution)?.effect;
            let rises = Rises::of(&[(effect, volume)], self.controller.tank);
            Some(rises.measure(swap.by.element()))
        };
        let before = effect(&swap.from, swap.before);
        let after = effect(&swap.to, swap.after);
        let equal = before
            .zip(after)
            .is_some_and(|(b, a)| (a - b).abs() <= EFFECT_PART * b.abs());
        (!equal).then(|| {
            format!(
                "bottle swap {} made {} of {} a day worth {} of {}, and by what controller.toml says of the two now they are not; put their strengths right and restart, or put the old bottle back, then resume",
                swap.number, swap.before, swap.from, swap.after, swap.to
            )
        })
    }

    /// A line that follows the swapped one by the ratio of before would change by as much as that one did.
    fn hold_forgotten_followers(&mut self, swap: &BottleSwap, now: Now) {
        let factor = swap.after.as_ml() / swap.before.as_ml();
        let present = self.followers_of(&swap.line);
        for (line, before) in &swap.followers {
            let Some((_, says)) = present.iter().find(|(name, _)| name == line) else {
                continue;
            };
            let forgotten = before
                .scaled(factor)
                .is_some_and(|scaled| same(*says, scaled) && !same(*says, *before));
            if forgotten {
                let reason = format!(
                    "line {line} follows {} and its ratio was not changed with bottle swap {}: it would give {says} a day instead of {before}; write ratio = {:.4} in plan.toml and `dosewright reload`, then resume",
                    swap.line,
                    swap.number,
                    before.as_ml() / swap.after.as_ml()
                );
                self.hold_line(line, reason, now);
            }
        }
    }

    fn hold_line(&mut self, line: &Name, reason: String, now: Now) {
        self.set_hold(
            HoldScope::Line(line.clone()),
            reason,
            Who::Daemon,
            None,
            now,
        );
    }

    /// What controller.toml said at the start is in the bottle of a line.
    pub(super) fn solution_in_file(&self, line: &Name) -> Option<&Name> {
        let config = self.file_controller.lines.iter().find(|l| l.name == *line);
        config.map(|l| &l.solution)
    }

    /// What the line doses from now on is what its outlet gives.
    pub(super) fn pour(&mut self, swap: &BottleSwap) {
        let (solution, _) = swap.in_force();
        let says = self.line_config(&swap.line).map(|l| &l.solution);
        if says != Some(solution) {
            self.controller = Arc::new(with_solution(&self.controller, &swap.line, solution));
        }
    }
}
