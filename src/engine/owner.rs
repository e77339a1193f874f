//! What the owner tells: facts for the record.

use super::ask::NewFact;
use super::command::READING_AHEAD_MAX;
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::quantity::Millis;
use crate::record::{Entry, Fact, FactKind, Who};

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
