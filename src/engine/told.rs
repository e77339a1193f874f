//! What is told of the water: questioned before it counts, corrected or taken back in one step. Everything that rests on it is found anew
//! at once.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::ask::{Replaces, Tell};
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::chemistry::{Finder, Quantity, SolutionEffect, doubt};
use crate::quantity::{Millis, Name, Words, listed};
use crate::record::{
    Addition, Entry, Found, LabColumns, Observation, Observed, ObservedKind, Reading, TOLD_MAX,
    TakenBack, Who,
};

/// A sample may be dated this far ahead: clocks of people differ.
const AHEAD_MAX: Millis = Millis::from_mins(5);

impl Engine {
    pub(super) fn tell(
        &mut self,
        mut new: Tell,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let old = self.replaced(&new)?;
        let told = new.happened.or(old.first().map(|old| old.happened));
        let happened = told.unwrap_or(now.wall);
        self.check_ahead(happened, &new.items, now)?;
        let of_lab = new.lab.is_some() || old.first().is_some_and(|old| old.panel.is_some());
        for item in &mut new.items {
            self.complete(item, of_lab)?;
        }
        if new.lab.is_some() {
            check_report(&new.items)?;
        }
        if !new.sure {
            self.question(&new, &old)?;
        }
        let added = self.numbered(&new, &old, happened, (&who, now));
        let text = said(&new, &added, &self.controller().local(happened));
        let removed = old.iter().map(|row| row.number).collect();
        let given = match new.happened {
            None => self
                .told
                .given_like(new.replaces.as_ref().map(|old| old.number), now),
            Some(_) => Some(self.given_at(happened, now)),
        };
        let mut entries = Vec::new();
        if let Some(Replaces { number, why }) = new.replaces {
            entries.push(Entry::TakenBack(TakenBack {
                number,
                replaced_by: added.first().map(|row| row.panel.unwrap_or(row.number)),
                why: why.into(),
                who: who.clone(),
                at: self.stamp(now),
            }));
        }
        if let Some(lab) = new.lab
            && let Some(columns) = lab.columns
        {
            entries.push(Entry::LabColumns(LabColumns {
                lab: lab.name.into(),
                columns,
                who,
                at: self.stamp(now),
            }));
        }
        entries.extend(added.iter().cloned().map(Entry::Observation));
        self.mark_written(now);
        self.out.push(Effect::Store {
            entries,
            reply: Some((ticket, Answer::done(text))),
        });
        self.keep(&removed, &added, (told, given), now);
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
        let rows = self.told.rows_of(number);
        let old = rows.first().ok_or_else(|| not_counting(number))?;
        let what = if old.number == number {
            old.what.to_string()
        } else {
            format!("the report of {} with {} values", old.method, rows.len())
        };
        let text = format!(
            "taken back: number {number}, {what}, of {}; it stays in the record and counts no longer",
            self.controller().local(old.happened)
        );
        let removed = rows.iter().map(|row| row.number).collect();
        let entry = TakenBack {
            number,
            replaced_by: None,
            why: why.into(),
            who,
            at: self.stamp(now),
        };
        self.mark_written(now);
        self.store(Entry::TakenBack(entry), Some((ticket, Answer::done(text))));
        self.keep(&removed, &[], (None, None), now);
        Ok(())
    }

    fn replaced(&self, new: &Tell) -> Result<Vec<Observation>, Denial> {
        let Some(Replaces { number, .. }) = new.replaces else {
            return Ok(Vec::new());
        };
        let rows = self.told.rows_of(number);
        let old = rows.first().ok_or_else(|| not_counting(number))?;
        let same = if old.number == number {
            let item = new.items.first().filter(|_| new.items.len() == 1);
            new.lab.is_none() && item.map(Observed::subject) == Some(old.what.subject())
        } else {
            new.lab.is_some()
        };
        if same {
            return Ok(rows);
        }
        Err(Denial::new(
            "other-observation",
            format!(
                "number {number} is of something else; a correction is of the same, or take {number} back and add the right one"
            ),
        ))
    }

    /// Fills in what an addition added and the step of the owner's kit, and looks whether a water change can be.
    fn complete(&self, item: &mut Observed, of_lab: bool) -> Result<(), Denial> {
        match item {
            Observed::Reading(reading) => {
                let of = reading.of.quantity().filter(|_| !of_lab);
                let limits = of.and_then(|of| self.controller().water.get(of));
                let known = limits.map(|limits| limits.kit_step);
                reading.step = reading.step.or(known.filter(|step| *step > 0.0));
                Ok(())
            }
            Observed::Addition(Addition {
                from: Some((solution, volume)),
                adds,
            }) => {
                let effect = self.known_solution(solution)?;
                *adds = effect.carried(*volume, self.controller().tank);
                Ok(())
            }
            Observed::WaterChange { litres, .. } => self.check_water_change(*litres),
            Observed::Job { job } => self.known_job(job),
            Observed::Addition(_) | Observed::Note { .. } => Ok(()),
        }
    }

    /// One of the configured solutions; limewater is taken for saturated where none of them has that name.
    fn known_solution(&self, name: &Name) -> Result<SolutionEffect, Denial> {
        let known = &self.controller().solutions;
        if let Some(solution) = known.get(name) {
            return Ok(solution.effect.clone());
        }
        if name.as_str() == LIMEWATER {
            return Ok(SolutionEffect::limewater_saturated());
        }
        let known = listed(known.keys());
        Err(Denial::new(
            "unknown-solution",
            format!(
                "there is no solution {name} in controller.toml; there are {known} and {LIMEWATER}; or tell what was added by what it adds, for example 0.5 dKH of alkalinity"
            ),
        ))
    }

    fn numbered(
        &self,
        new: &Tell,
        old: &[Observation],
        happened: Timestamp,
        (who, now): (&Who, Now),
    ) -> Vec<Observation> {
        let next = self.told.next_number();
        // A report has a number of its own, before those of its rows.
        let (panel, first) = match &new.lab {
            Some(_) => (Some(next), next.saturating_add(1)),
            None => (old.first().and_then(|old| old.panel), next),
        };
        let method = match (&new.lab, old.first()) {
            (Some(lab), _) => lab.name.clone().into(),
            (None, Some(old)) if new.method.is_empty() => old.method.clone(),
            (None, _) => String::from(new.method.clone()),
        };
        let items = (first..).zip(&new.items);
        let rows = items.map(|(number, what)| Observation {
            number,
            what: what.clone(),
            panel,
            method: method.clone(),
            happened,
            who: who.clone(),
            at: self.stamp(now),
        });
        rows.collect()
    }

    /// Puts what was added in the place of what was removed, and finds anew what rests on either.
    pub(super) fn keep(
        &mut self,
        removed: &BTreeSet<i64>,
        added: &[Observation],
        (told, given): (Option<Timestamp>, Option<Millis>),
        now: Now,
    ) {
        let gone = self.told.remove(removed);
        for new in added {
            self.told.add(new, given);
        }
        let tracked: Vec<Quantity> = self.water.quantities().cloned().collect();
        for of in &tracked {
            if self.water.number(of).is_some_and(|n| removed.contains(&n)) {
                self.find_reading_anew(of, now);
                continue;
            }
            for row in added {
                if let Some(reading) = row.reading().filter(|r| r.of.quantity() == Some(of)) {
                    self.take_reading(of, reading.found, (row.number, told), now);
                }
            }
        }
        let is = |kind| {
            let mut kinds = gone.iter().chain(added).map(|told| told.what.subject().0);
            kinds.any(|known| known == kind)
        };
        if is(ObservedKind::WaterChange) {
            self.water_changed(now);
        }
        if is(ObservedKind::Addition) {
            self.added_by_hand(now);
        }
        self.estimate_anew();
    }

    /// A value that is far from the last one, or from any water, may be a slip; it is asked about before it is stored. A lab's rows are
    /// held against the report before.
    fn question(&self, new: &Tell, old: &[Observation]) -> Result<(), Denial> {
        let of_lab = new.lab.is_some() || old.first().is_some_and(|old| old.panel.is_some());
        let by = if of_lab { Finder::Lab } else { Finder::Test };
        let counts = |told: &Observation| !of_lab || told.panel.is_some();
        let readings = new.items.iter().filter_map(Observed::reading);
        let doubts: Vec<String> = readings
            // A detection limit is a property of the method, not of the water.
            .filter_map(|Reading { of, found, .. }| {
                let last = self.told.newest_value(of.as_str(), old, counts);
                doubt(of, found.value()?, last, by)
            })
            .collect();
        if doubts.is_empty() {
            return Ok(());
        }
        let why = doubts.join("\n");
        Err(Denial::new(
            "reading-questioned",
            format!("{why}; if it is right, enter it again with --sure"),
        ))
    }

    fn check_water_change(&self, litres: f64) -> Result<(), Denial> {
        let tank = self.controller().tank.as_litres();
        if litres > 0.0 && litres <= tank {
            return Ok(());
        }
        Err(Denial::new(
            "water-change-refused",
            format!(
                "a water change of {litres} L cannot be; give more than 0 and at most the tank's {tank} L"
            ),
        ))
    }
}

/// Known without being configured: clear, and saturated.
const LIMEWATER: &str = "limewater";

impl Engine {
    fn check_ahead(&self, when: Timestamp, items: &[Observed], now: Now) -> Result<(), Denial> {
        let ahead = Millis::new(
            when.as_millisecond()
                .saturating_sub(now.wall.as_millisecond()),
        );
        if ahead <= AHEAD_MAX {
            return Ok(());
        }
        let what_to_do = match items.first() {
            Some(Observed::Reading(_)) => "give the time the sample was taken",
            _ => "give the time when it was so",
        };
        let [when, shown] = [when, now.wall].map(|at| self.controller().local(at));
        Err(Denial::new(
            "future-time",
            format!("{when} is {ahead} ahead of the clock ({shown}); {what_to_do}"),
        ))
    }
}

/// The rows of a report are readings, each of something else.
fn check_report(items: &[Observed]) -> Result<(), Denial> {
    let mut seen = BTreeSet::new();
    for item in items {
        let (kind, of) = item.subject();
        if kind != ObservedKind::Reading || !seen.insert(of) {
            return Err(Denial::new(
                "bad-value",
                format!(
                    "a lab report is one value for each thing; \"{item}\" is none, or a second"
                ),
            ));
        }
    }
    Ok(())
}

fn not_counting(number: i64) -> Denial {
    Denial::new(
        "unknown-observation",
        format!(
            "nothing with the number {number} counts: it was never told, is corrected or taken back already, or {TOLD_MAX} newer ones of its kind are on record; see the numbers with `dosewright reading list`, `changes` and `panel list`"
        ),
    )
}

/// What was done, in words.
fn said(new: &Tell, added: &[Observation], happened: &str) -> String {
    if let Some(lab) = &new.lab {
        return format!(
            "report of {} stored with {} values, taken {happened}",
            lab.name,
            added.len()
        );
    }
    let all = new.items.iter().map(|item| match item {
        Observed::Reading(reading) => {
            let in_meq = match (reading.of.quantity(), reading.found) {
                (Some(Quantity::Alkalinity), Found::Value { value, .. }) => format!(
                    " ({:.2} meq/L)",
                    crate::quantity::Alkalinity::from_dkh(value).as_meq_per_l()
                ),
                _ => String::new(),
            };
            format!("reading stored: {item}{in_meq}, taken {happened}")
        }
        Observed::WaterChange { .. }
        | Observed::Addition(_)
        | Observed::Note { .. }
        | Observed::Job { .. } => {
            format!("written down: {item}, {happened}")
        }
    });
    all.collect::<Vec<_>>().join("; ")
}
