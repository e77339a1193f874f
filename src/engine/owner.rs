//! What the owner tells and accepts: facts for the record, and a new uptake.

use super::ask::NewFact;
use super::command::READING_AHEAD_MAX;
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use super::wish::{Figures, UptakeFigures, Worked};
use crate::chemistry::Quantity;
use crate::quantity::{Alkalinity, Millis};
use crate::record::{Entry, Fact, FactKind, UptakeAccepted, Who};

impl Engine {
    pub(super) fn add_fact(
        &mut self,
        new: NewFact,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        let happened = new.happened.unwrap_or(now.wall);
        let ahead = Millis::new(
            happened
                .as_millisecond()
                .saturating_sub(now.wall.as_millisecond()),
        );
        if ahead > READING_AHEAD_MAX {
            return Err(Denial::new(
                "future-time",
                format!(
                    "{happened:.0} is {ahead} ahead of the clock ({:.0}); give the time when it was so",
                    now.wall
                ),
            ));
        }
        if new.kind == FactKind::WaterChange {
            self.check_water_change(new.value)?;
        }
        let level = new.value.filter(|_| new.kind == FactKind::Water);
        // A value without an uncertainty is a detection limit, which says nothing of the water.
        if let Some(level) = level.filter(|_| new.uncertainty.is_some()) {
            if !new.sure {
                self.question_level(new.name.as_str(), level)?;
            }
            self.remember_level(new.name.as_str(), (happened, level));
        }
        self.mark_written(now);
        let text = format!("written down: {}, {happened:.0}", summary(&new));
        if new.kind == FactKind::WaterChange {
            self.water_changed(happened, now);
        }
        let entry = Fact {
            kind: new.kind,
            name: new.name.into(),
            value: new.value,
            uncertainty: new.uncertainty,
            text: new.text.into(),
            happened,
            who,
            at: self.stamp(now),
        };
        self.store(Entry::Fact(entry), Some((ticket, Answer::Done { text })));
        Ok(())
    }

    fn check_water_change(&self, litres: Option<f64>) -> Result<(), Denial> {
        let tank = self.controller.tank.as_litres();
        match litres {
            Some(litres) if litres > 0.0 && litres <= tank => Ok(()),
            _ => Err(Denial::new(
                "water-change-refused",
                format!(
                    "a water change of {} L cannot be; give more than 0 and at most the tank's {tank} L",
                    litres.unwrap_or(0.0)
                ),
            )),
        }
    }

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

/// The fact in a few words.
fn summary(fact: &NewFact) -> String {
    let words: String = fact
        .text
        .as_str()
        .lines()
        .next()
        .unwrap_or("")
        .chars()
        .take(80)
        .collect();
    if let (FactKind::WaterChange, Some(litres)) = (fact.kind, fact.value) {
        format!("water change of {litres} L")
    } else if fact.name.is_empty() {
        words
    } else {
        format!("{} {words}", fact.name)
    }
}
