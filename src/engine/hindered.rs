//! What stands in the way of any advice on a quantity, and what to do first.

use super::alarms::AlarmCode;
use super::effect::Denial;
use super::event::Now;
use super::state::Engine;
use crate::chemistry::Quantity;
use crate::estimate::filter::Estimate;
use crate::quantity::Name;
use crate::record::{HoldScope, UptakeHow};

impl Engine {
    /// Why nothing may be proposed of a quantity now, and what to do first.
    pub(super) fn hindered(
        &self,
        of: &Quantity,
        estimate: Option<&Estimate>,
        now: Now,
    ) -> Result<(), Denial> {
        let no = |code: &str, text: String| Err(Denial::new(code, text));
        let Some(limits) = self.controller().tracked(of) else {
            return no(
                "no-band",
                format!(
                    "{of} has no band, so it is not known where you want it; give it one in controller.toml under [water.{of}]: band-low and band-high, with their unit"
                ),
            );
        };
        if let Some(why) = &self.clock.unsure {
            return no(
                "clock-unsure",
                format!("the clock is not trusted: {why}; then `dosewright clock trust`"),
            );
        }
        self.stopped(of)?;
        let test = format!("test, then `dosewright reading add {of}`");
        let age = self.water.reading_age(of, now);
        let Some(estimate) = estimate else {
            return no(
                "no-reading",
                if age.is_none() {
                    format!("there is no {of} reading to go by; {test}")
                } else {
                    format!(
                        "no estimate is made of {of}; go by its readings (`dosewright reading list`)"
                    )
                },
            );
        };
        if age.is_none_or(|age| age > limits.stale_after) {
            let old = age.map_or("of unknown age".to_owned(), |age| format!("{age} old"));
            return no(
                "stale",
                format!(
                    "the last {of} reading is {old}, over {}; {test}",
                    limits.stale_after
                ),
            );
        }
        if estimate.questioned {
            return no(
                "questioned",
                format!(
                    "the newest {of} reading does not fit what was expected, so it is not believed until a second one agrees; {test}, or correct it with `dosewright reading correct`"
                ),
            );
        }
        Ok(())
    }

    /// Why what the plan says is not what the water gets.
    fn stopped(&self, of: &Quantity) -> Result<(), Denial> {
        let no = |code: &str, text: String| Err(Denial::new(code, text));
        if self.holds.has(&HoldScope::All) {
            return no(
                "held",
                "all dosing is on hold; see why with `dosewright status`, then `dosewright resume`"
                    .to_owned(),
            );
        }
        if let Some(shift) = self.in_force.shift() {
            return no(
                "changeover",
                format!(
                    "{shift} is under way; one thing at a time, or nobody can tell what did what: finish it or go back first"
                ),
            );
        }
        let planned = self.in_force.standing_volumes();
        for line in planned.keys().filter(|line| self.concerns(line, of)) {
            if self.holds.has(&HoldScope::Line(line.clone())) {
                return no(
                    "held",
                    format!(
                        "line {line} is on hold; see why with `dosewright status`, then `dosewright resume {line}`"
                    ),
                );
            }
            if self
                .alarms
                .is_active(AlarmCode::UnderDelivered, line.as_str())
            {
                return no(
                    "under-delivered",
                    format!(
                        "line {line} gave much less than its plan; find out why before anything is changed (`dosewright status`, `dosewright ledger list not_given`)"
                    ),
                );
            }
        }
        Ok(())
    }

    /// Whether a line brings a quantity or goes by its uptake.
    pub(super) fn concerns(&self, line: &Name, of: &Quantity) -> bool {
        let planned = self.in_force.plan.lines.iter().find(|p| p.line == *line);
        self.in_force.carries(line, of) || planned.is_some_and(|p| p.gives.of() == Some(of))
    }

    /// One advice a reading: what was accepted last must be seen by a test before more is changed.
    pub(super) fn accepted_since_reading(&self, of: &Quantity) -> Result<(), Denial> {
        let accepted = self
            .in_force
            .recorded_uptake(of)
            .filter(|uptake| uptake.how == UptakeHow::Accepted);
        let taken = self.water.reading(of).map(|(_, _, taken)| taken);
        match accepted.zip(taken) {
            Some((accepted, taken)) if accepted.at.wall >= taken => {
                let at = self.controller().local(accepted.at.wall);
                let text = format!(
                    "advice was accepted on {at}, after the last {of} reading: leave it alone until the next test, then ask again"
                );
                Err(Denial::new("test-first", text))
            }
            Some(_) | None => Ok(()),
        }
    }
}
