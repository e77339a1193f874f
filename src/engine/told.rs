//! What the owner tells of the water: questioned before it counts, corrected or taken back in one step.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::ask::{NewFact, NewReading, Replaces};
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::chemistry::{Element, Quantity, doubt, doubt_of_lab};
use crate::estimate::PanelUnit;
use crate::quantity::{Alkalinity, Millis, Words};
use crate::record::{Entry, Fact, FactKind, Reading, ReadingValue, TOLD_MAX, TakenBack, Told, Who};

/// A sample may be dated this far ahead: clocks of people differ.
const AHEAD_MAX: Millis = Millis::from_mins(5);
/// kg in a litre of sea water, near enough to find a slip.
const KG_PER_L: f64 = 1.025;

impl Engine {
    pub(super) fn add_reading(
        &mut self,
        new: NewReading,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        let subject = (None, new.measured.as_str());
        let replaced = self.replaced(new.replaces.as_ref(), subject)?;
        let told = new.taken.or(replaced);
        let taken = told.unwrap_or(now.wall);
        check_ahead(taken, "give the time the sample was taken", now)?;
        check_reading(&new)?;
        if !new.sure {
            self.question_reading(&new)?;
        }
        let number = self.told_last.saturating_add(1);
        let text = match new.value {
            ReadingValue::Alkalinity { value, uncertainty } => format!(
                "alkalinity {value} +- {uncertainty} ({:.2} meq/L)",
                value.as_meq_per_l()
            ),
            ReadingValue::Concentration { value, uncertainty } => {
                format!("{} {value} +- {uncertainty}", new.measured)
            }
            ReadingValue::Below { limit } => {
                format!("{} below {limit}", new.measured)
            }
        };
        let text = format!("reading stored: {text}, taken {taken:.0}");
        let of = new.measured.clone();
        let entry = Reading {
            number,
            measured: new.measured,
            value: new.value,
            method: new.method.into(),
            taken,
            who,
            at: self.stamp(now),
        };
        let rests_on = self.water.get(&of).and_then(|memory| memory.number);
        let replaces_it = new
            .replaces
            .as_ref()
            .is_some_and(|old| rests_on == Some(old.number));
        self.keep(Told::Reading(entry), new.replaces, (ticket, text), now);
        if replaces_it {
            self.find_reading_anew(&of, now);
        } else {
            self.take_reading(&of, new.value, (number, told), now);
        }
        Ok(())
    }

    pub(super) fn add_fact(
        &mut self,
        new: NewFact,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        let subject = if new.kind == FactKind::Water {
            (None, new.name.as_str())
        } else {
            (Some(new.kind), "")
        };
        let replaced = self.replaced(new.replaces.as_ref(), subject)?;
        let happened = new.happened.or(replaced).unwrap_or(now.wall);
        check_ahead(happened, "give the time when it was so", now)?;
        if new.kind == FactKind::WaterChange {
            self.check_water_change(new.value)?;
        }
        if !new.sure {
            self.question_fact(&new)?;
        }
        let text = format!("written down: {}, {happened:.0}", summary(&new));
        let kind = new.kind;
        let entry = Fact {
            number: self.told_last.saturating_add(1),
            kind,
            name: new.name.into(),
            value: new.value,
            uncertainty: new.uncertainty,
            text: new.text.into(),
            happened,
            who,
            at: self.stamp(now),
        };
        self.keep(Told::Fact(entry), new.replaces, (ticket, text), now);
        if kind == FactKind::WaterChange {
            self.water_changed(now);
        }
        Ok(())
    }

    /// What was told by mistake counts no longer; it stays in the record.
    pub(super) fn take_back(
        &mut self,
        number: i64,
        why: Words,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let old = self
            .told
            .remove(&number)
            .ok_or_else(|| not_counting(number))?;
        let (kind, name) = old.subject();
        let what = kind.map_or_else(|| format!("reading of {name}"), |kind| kind.to_string());
        let text = format!(
            "taken back: number {number}, {what} of {:.0}; it stays in the record and counts no longer",
            old.happened()
        );
        let entry = TakenBack {
            number,
            replaced_by: None,
            why: why.into(),
            who,
            at: self.stamp(now),
        };
        self.mark_written(now);
        self.store(
            Entry::TakenBack(entry),
            Some((ticket, Answer::Done { text })),
        );
        if let Some(Reading { measured: of, .. }) = old.reading()
            && self.water.get(of).and_then(|memory| memory.number) == Some(number)
        {
            self.find_reading_anew(of, now);
        }
        if kind == Some(FactKind::WaterChange) {
            self.water_changed(now);
        }
        Ok(())
    }

    /// Writes down what was told, and with it, all or nothing, that it stands in the place of another.
    fn keep(
        &mut self,
        told: Told,
        replaces: Option<Replaces>,
        (ticket, text): (Ticket, String),
        now: Now,
    ) {
        let number = told.number();
        self.told_last = number;
        let (entry, who) = match &told {
            Told::Reading(reading) => (Entry::Reading(reading.clone()), &reading.who),
            Told::Fact(fact) => (Entry::Fact(fact.clone()), &fact.who),
        };
        let back = replaces.map(|old| {
            self.told.remove(&old.number);
            Entry::TakenBack(TakenBack {
                number: old.number,
                replaced_by: Some(number),
                why: old.why.into(),
                who: who.clone(),
                at: self.stamp(now),
            })
        });
        self.told.insert(number, told);
        self.forget_oldest(number);
        self.mark_written(now);
        self.out.push(Effect::Store {
            entries: back.into_iter().chain([entry]).collect(),
            reply: Some((ticket, Answer::Done { text })),
        });
    }

    /// No more of one subject than are read back at a start.
    fn forget_oldest(&mut self, number: i64) {
        let Some(subject) = self.told.get(&number).map(Told::subject) else {
            return;
        };
        let same = || self.told.values().filter(|told| told.subject() == subject);
        if same().count() > TOLD_MAX
            && let Some(oldest) = same().min_by_key(|told| (told.happened(), told.number()))
        {
            let oldest = oldest.number();
            self.told.remove(&oldest);
        }
    }

    /// When that was so which is to be replaced.
    fn replaced(
        &self,
        replaces: Option<&Replaces>,
        subject: (Option<FactKind>, &str),
    ) -> Result<Option<Timestamp>, Denial> {
        let Some(Replaces { number, .. }) = replaces else {
            return Ok(None);
        };
        let old = self.told.get(number).ok_or_else(|| not_counting(*number))?;
        if old.subject() == subject {
            return Ok(Some(old.happened()));
        }
        Err(Denial::new(
            "other-observation",
            format!(
                "number {number} is of something else; a correction is of the same, or take {number} back and add the right one"
            ),
        ))
    }

    /// The newest value of a test beside one that is to be replaced, in the unit of the record.
    fn last_level(&self, of: &str, replaces: Option<&Replaces>) -> Option<(f64, Timestamp)> {
        self.told
            .values()
            .filter(|told| told.subject() == (None, of))
            .filter(|told| replaces.is_none_or(|old| old.number != told.number()))
            .filter_map(|told| Some((told.happened(), told.number(), told.level()?)))
            .max_by_key(|(happened, number, _)| (*happened, *number))
            .map(|(happened, _, level)| (level, happened))
    }

    /// The newest reading of each quantity.
    pub(super) fn newest_readings(&self) -> BTreeMap<&Quantity, &Reading> {
        let mut newest = BTreeMap::new();
        for reading in self.told.values().filter_map(Told::reading) {
            let known = newest.entry(&reading.measured).or_insert(reading);
            if (known.taken, known.number) < (reading.taken, reading.number) {
                *known = reading;
            }
        }
        newest
    }

    pub(super) fn newest_water_change(&self) -> Option<Timestamp> {
        self.told
            .values()
            .filter(|told| told.subject().0 == Some(FactKind::WaterChange))
            .map(Told::happened)
            .max()
    }

    /// A value that is far from the last one, or from any water, may be a slip; it is asked about before it is stored.
    fn question_reading(&self, new: &NewReading) -> Result<(), Denial> {
        let (of, replaces) = (new.measured.as_str(), new.replaces.as_ref());
        let value = match new.value {
            ReadingValue::Alkalinity { value, .. } => value,
            ReadingValue::Concentration { value, .. } => {
                return self.question_level(of, value.as_mg_per_l(), replaces);
            }
            // A detection limit is a property of the method, not of the water.
            ReadingValue::Below { .. } => return Ok(()),
        };
        if !(Alkalinity::from_dkh(3.0)..=Alkalinity::from_dkh(20.0)).contains(&value) {
            return Err(questioned(&format!(
                "alkalinity {value} is outside 3 to 20 dKH"
            )));
        }
        if let Some((last, taken)) = self.last_level(of, replaces) {
            let last = Alkalinity::from_meq_per_l(last);
            if value.minus(last).as_dkh().abs() > 3.0 {
                return Err(questioned(&format!(
                    "alkalinity {value} is more than 3 dKH away from the last reading ({last}, {taken:.0})"
                )));
            }
        }
        Ok(())
    }

    /// The same for everything but alkalinity, by its word and in the unit of the record.
    fn question_level(
        &self,
        of: &str,
        value: f64,
        replaces: Option<&Replaces>,
    ) -> Result<(), Denial> {
        let last = self.last_level(of, replaces).map(|(value, _)| value);
        doubt(of, value, last).map_or(Ok(()), |why| Err(questioned(&why)))
    }

    fn question_fact(&self, new: &NewFact) -> Result<(), Denial> {
        match (new.kind, new.value) {
            // A value without an uncertainty is a detection limit, which says nothing of the water.
            (FactKind::Water, Some(level)) if new.uncertainty.is_some() => {
                self.question_level(new.name.as_str(), level, new.replaces.as_ref())
            }
            (FactKind::Panel, _) => self.question_panel(new),
            (
                FactKind::Water | FactKind::Change | FactKind::PanelColumns | FactKind::WaterChange,
                _,
            ) => Ok(()),
        }
    }

    /// Every row of a lab report against natural seawater and the report before.
    fn question_panel(&self, new: &NewFact) -> Result<(), Denial> {
        let before = self
            .told
            .values()
            .filter_map(|told| match told {
                Told::Fact(fact) if fact.kind == FactKind::Panel => Some(fact),
                Told::Fact(_) | Told::Reading(_) => None,
            })
            .filter(|fact| {
                new.replaces
                    .as_ref()
                    .is_none_or(|old| old.number != fact.number)
            })
            .max_by_key(|fact| (fact.happened, fact.number))
            .map(|fact| found_in(&fact.text))
            .unwrap_or_default();
        let doubts: Vec<String> = found_in(new.text.as_str())
            .iter()
            .filter_map(|(element, mg)| doubt_of_lab(element, *mg, before.get(element).copied()))
            .collect();
        if doubts.is_empty() {
            return Ok(());
        }
        Err(questioned(&doubts.join("\n")))
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

/// What a lab found, mg/L; what was below a detection limit is left out. A line each of symbol, value and unit, with semicolons.
fn found_in(text: &str) -> BTreeMap<Element, f64> {
    let row = |line: &str| {
        let mut parts = line.split(';');
        let element = Element::new(parts.next()?)?;
        let value: f64 = parts.next()?.parse().ok()?;
        let unit = PanelUnit::parse(parts.next()?).ok()?;
        Some((element, unit.mg_per_l(value, KG_PER_L)))
    };
    text.lines().filter_map(row).collect()
}

fn check_ahead(when: Timestamp, what_to_do: &str, now: Now) -> Result<(), Denial> {
    let ahead = Millis::new(
        when.as_millisecond()
            .saturating_sub(now.wall.as_millisecond()),
    );
    if ahead <= AHEAD_MAX {
        return Ok(());
    }
    Err(Denial::new(
        "future-time",
        format!(
            "{when:.0} is {ahead} ahead of the clock ({:.0}); {what_to_do}",
            now.wall
        ),
    ))
}

fn not_counting(number: i64) -> Denial {
    Denial::new(
        "unknown-observation",
        format!(
            "nothing with the number {number} counts: it was never told, is corrected or taken back already, or {TOLD_MAX} newer ones of its kind are on record; see the numbers with `dosewright reading list`, `changes` and `panel list`"
        ),
    )
}

fn questioned(why: &str) -> Denial {
    Denial::new(
        "reading-questioned",
        format!("{why}; if it is right, enter it again with --sure"),
    )
}

/// Largest value of any reading, in its own unit; salt itself is below it.
const READING_MAX: f64 = 100_000.0;

/// Whether value and quantity belong together, and are numbers that can be.
fn check_reading(new: &NewReading) -> Result<(), Denial> {
    let refuse = |why: String| Err(Denial::new("bad-value", why));
    let (value, uncertainty) = match (&new.measured, new.value) {
        (Quantity::Alkalinity, ReadingValue::Alkalinity { value, uncertainty }) => {
            (value.as_meq_per_l(), uncertainty.as_meq_per_l())
        }
        (Quantity::Element(_), ReadingValue::Concentration { value, uncertainty }) => {
            (value.as_mg_per_l(), uncertainty.as_mg_per_l())
        }
        (Quantity::Element(_), ReadingValue::Below { limit }) => (limit.as_mg_per_l(), 0.0),
        (Quantity::Alkalinity, ReadingValue::Below { .. }) => {
            return refuse(
                "alkalinity is never below a detection limit; give its value".to_owned(),
            );
        }
        (measured, _) => {
            return refuse(format!(
                "a reading of {measured} is given in {}",
                measured.unit()
            ));
        }
    };
    let in_range = |v: f64| v.is_finite() && (0.0..=READING_MAX).contains(&v);
    if in_range(value) && in_range(uncertainty) {
        return Ok(());
    }
    refuse(format!(
        "a reading of {value} with an uncertainty of {uncertainty} is out of range"
    ))
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
