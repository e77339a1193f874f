//! What the owner accepts: a new uptake.

use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use super::wish::{Figures, UptakeFigures, Worked};
use crate::chemistry::Quantity;
use crate::quantity::Alkalinity;
use crate::record::{Entry, UptakeAccepted, Who};

impl Engine {
    /// Another established uptake, within the same limits as a declaration in the plan.
    pub(super) fn work_out_uptake(&self, uptake: Alkalinity, now: Now) -> Result<Worked, Denial> {
        let refuse = |why: String| Denial::new("uptake-refused", why);
        let limits = self.controller.tracked(&Quantity::Alkalinity);
        let (Some(limits), Some(established)) = (limits, self.established()) else {
            let why = "no line carries alkalinity, or no uptake is declared in plan.toml yet";
            return Err(refuse(why.to_owned()));
        };
        if !(0.0..=10.0).contains(&uptake.as_dkh()) {
            return Err(refuse(format!(
                "an uptake of {uptake} a day is outside 0 to 10 dKH a day"
            )));
        }
        if let Some(why) = &self.clock.unsure {
            return Err(refuse(format!(
                "it is not known how long the uptake has settled until the clock is trusted: {why}"
            )));
        }
        let before = established.uptake;
        Self::check_uptake_change(before, uptake, established.at.wall, limits, now)
            .map_err(refuse)?;
        Ok(Worked {
            text: vec![format!(
                "the established uptake becomes {uptake} a day, before {before}"
            )],
            figures: Figures::Uptake(UptakeFigures { uptake, before }),
            ask_twice: None,
            quiet: None,
        })
    }

    pub(super) fn take_uptake(
        &mut self,
        UptakeFigures { uptake, before }: UptakeFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        // What the plan file says stays what it said, so that only a new declaration counts as one.
        let declared = self
            .established()
            .map_or(before, |established| established.declared);
        let entry = UptakeAccepted {
            uptake,
            before,
            declared,
            who,
            at: self.stamp(now),
        };
        self.establish(entry.clone(), now);
        self.mark_written(now);
        self.touch_all_lines();
        let text = format!("established uptake is {uptake} a day now, before {before}");
        self.store(Entry::Uptake(entry), Some((ticket, Answer::Done { text })));
        self.follow_ramp(now);
    }
}
