//! A swapped bottle at a start: what the files say is held against what the record says is in the bottle.
//!
//! Only a start reads controller.toml, so only a start can tell that both files have caught up. Where nobody can tell what is in the
//! bottle, or how much of it is right, the line is held with the reason: a resume is the owner's word that it is.

use std::sync::Arc;

use super::event::Now;
use super::state::Engine;
use super::swap::same;
use crate::chemistry::Rises;
use crate::config::Mode;
use crate::plan::{followers_of, with_solution};
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
        if self.controller.mode == Mode::Live && !swap.live {
            return self.end_swap(
                swap,
                "it was rehearsed in a dry run: no bottle was changed",
                now,
            );
        }
        let Some(file) = self.solution_in_file(&swap.line).cloned() else {
            return self.end_swap(swap, "its line is not in controller.toml any more", now);
        };
        if file != swap.from && file != swap.to {
            let reason = format!(
                "bottle swap {} went from {} to {}, and controller.toml says {file}; make sure what is in the bottle and that controller.toml says it, then resume",
                swap.number, swap.from, swap.to
            );
            self.hold_line(&swap.line, reason, now);
            return self.end_swap(swap, "controller.toml was edited to another solution", now);
        }
        self.pour(&swap);
        // On standby or not: what it will give is what counts.
        let says = self.plan.reserved_daily_volumes().get(&swap.line).copied();
        self.hold_moved_followers(&swap, says, now);
        let caught_up = file == swap.to && says.is_none_or(|says| same(says, swap.after));
        if swap.state == SwapState::Through && caught_up {
            self.end_swap(swap, "both files say it now", now);
        } else if let Some(reason) = self.swap_doubt(&swap, (&file, says)) {
            self.hold_line(&swap.line, reason, now);
        }
    }

    /// Why the volume of a swap may not be right any more.
    fn swap_doubt(
        &self,
        swap: &BottleSwap,
        (file, says): (&Name, Option<Volume>),
    ) -> Option<String> {
        let (solution, volume) = swap.in_force();
        if let Some(says) =
            says.filter(|says| !same(*says, swap.before) && !same(*says, swap.after))
        {
            let again = if *file == swap.to {
                swap.after
            } else {
                swap.before
            };
            return Some(format!(
                "plan.toml was edited to {says} a day for line {} while bottle swap {} is under way, so {volume} of {solution} would be given and not that; write {again} there again and `dosewright reload`, or `dosewright changeover finish` once the tube is through and restart, then resume",
                swap.line, swap.number
            ));
        }
        let unknown = [&swap.from, &swap.to]
            .into_iter()
            .find(|name| !self.controller.solutions.contains_key(*name));
        if let Some(unknown) = unknown {
            return Some(format!(
                "controller.toml does not describe {unknown} any more, and bottle swap {} on line {} is under way with it; describe it again and restart the daemon, then resume",
                swap.number, swap.line
            ));
        }
        let effect = |solution: &Name, volume: Volume| {
            let effect = &self.controller.solutions.get(solution)?.effect;
            let rises = Rises::of(&[(effect, volume)], self.controller.tank);
            Some(rises.measure(swap.by.element()))
        };
        let (before, after) = (
            effect(&swap.from, swap.before)?,
            effect(&swap.to, swap.after)?,
        );
        ((after - before).abs() > EFFECT_PART * before.abs()).then(|| {
            format!(
                "bottle swap {} made {} of {} a day worth {} of {}, and by what controller.toml says of the two now they are not; put their strengths right and restart, or put the old bottle back (`dosewright changeover swap {} --to {} --by {} --tube VOLUME`), then resume",
                swap.number, swap.before, swap.from, swap.after, swap.to, swap.line, swap.from, swap.by
            )
        })
    }

    /// A line that follows the swapped one moves with its volume in plan.toml unless its ratio is changed too. Where both have moved, nobody
    /// can tell whether that was meant.
    fn hold_moved_followers(&mut self, swap: &BottleSwap, says: Option<Volume>, now: Now) {
        if says.is_none_or(|says| same(says, swap.before)) {
            return;
        }
        let present = followers_of(&self.plan, &swap.line);
        for (line, before) in &swap.followers {
            let Some((_, moved)) = present
                .iter()
                .find(|(name, now)| name == line && !same(*now, *before))
            else {
                continue;
            };
            let ratio = says.map_or(1.0, |says| before.as_ml() / says.as_ml());
            let reason = format!(
                "line {line} follows {}, whose volume in plan.toml was changed with bottle swap {}: it would give {moved} a day instead of {before}; to keep {before} write ratio = {ratio:.4} and `dosewright reload`, then resume",
                swap.line, swap.number
            );
            self.hold_line(line, reason, now);
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
