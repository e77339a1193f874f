//! What was told of the water and counts.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use crate::chemistry::Quantity;
use crate::engine::event::Now;
use crate::guard::Counted;
use crate::quantity::Millis;
use crate::record::{
    Addition, Observation, Observed, ObservedKind, Reading, Stamp, TOLD_MAX, WrongTime,
};

/// No window reaches back further.
const WINDOW: Millis = Millis::from_mins(25 * 60);

#[derive(Debug)]
pub(crate) struct Told {
    by_number: BTreeMap<i64, Observation>,
    /// When each addition by hand was given, on the elapsed clock; `None` until a trusted clock has told.
    given: BTreeMap<i64, Option<Millis>>,
    /// Highest number of anything told so far.
    last: i64,
}

impl Told {
    pub(crate) fn new(told: Vec<Observation>, last: i64) -> Self {
        let additions = told.iter().filter(|told| told.what.added().is_some());
        Self {
            given: additions.map(|told| (told.number, None)).collect(),
            by_number: told.into_iter().map(|t| (t.number, t)).collect(),
            last,
        }
    }

    pub(crate) const fn next_number(&self) -> i64 {
        self.last.saturating_add(1)
    }

    /// When something was written down.
    pub(crate) fn stamp_of(&self, number: i64) -> Option<Stamp> {
        self.by_number.get(&number).map(|told| told.at)
    }

    pub(crate) fn all(&self) -> impl Iterator<Item = &Observation> {
        self.by_number.values()
    }

    /// What has this number: one thing, or the rows of a report.
    pub(crate) fn rows_of(&self, number: i64) -> Vec<Observation> {
        let all = self.by_number.values().filter(|told| told.is(number));
        all.cloned().collect()
    }

    pub(crate) fn of_time(&self, wrong: &WrongTime) -> Vec<Observation> {
        let all = self.by_number.values();
        all.filter(|told| wrong.spans(told.happened))
            .cloned()
            .collect()
    }

    /// The newest reading of each thing.
    pub(crate) fn newest_readings(&self) -> BTreeMap<&str, (&Observation, &Reading)> {
        let mut newest: BTreeMap<&str, (&Observation, &Reading)> = BTreeMap::new();
        for row in self.by_number.values() {
            let Some(reading) = row.reading() else {
                continue;
            };
            let known = newest.entry(reading.of.as_str()).or_insert((row, reading));
            if (known.0.happened, known.0.number) < (row.happened, row.number) {
                *known = (row, reading);
            }
        }
        newest
    }

    pub(crate) fn newest_water_change(&self) -> Option<Timestamp> {
        let changes = self.by_number.values();
        let changes = changes.filter(|told| told.what.subject().0 == ObservedKind::WaterChange);
        changes.map(|told| told.happened).max()
    }

    /// The newest value of a thing, without those that are replaced; of lab reports alone, or of all.
    pub(crate) fn newest_value(
        &self,
        of: &str,
        replaced: &[Observation],
        counts: impl Fn(&Observation) -> bool,
    ) -> Option<f64> {
        let same = self
            .by_number
            .values()
            .filter(|told| replaced.iter().all(|old| old.number != told.number));
        let found = same.filter(|told| counts(told)).filter_map(|told| {
            let reading = told.reading().filter(|r| r.of.as_str() == of)?;
            Some((told.happened, told.number, reading.found.value()?))
        });
        found
            .max_by_key(|(happened, number, _)| (*happened, *number))
            .map(|(.., value)| value)
    }

    pub(crate) fn remove(&mut self, numbers: &BTreeSet<i64>) -> Vec<Observation> {
        self.given.retain(|number, _| !numbers.contains(number));
        numbers
            .iter()
            .filter_map(|number| self.by_number.remove(number))
            .collect()
    }

    /// Keeps one more; `given` is for an addition.
    pub(crate) fn add(&mut self, new: &Observation, given: Option<Millis>) {
        self.last = self.last.max(new.number);
        self.by_number.insert(new.number, new.clone());
        if matches!(new.what, Observed::Addition(_)) {
            self.given.insert(new.number, given);
        }
        self.forget_oldest(new.what.subject());
    }

    /// No more of one subject than are read back at a start.
    fn forget_oldest(&mut self, subject: (ObservedKind, &str)) {
        let same = || {
            self.by_number
                .values()
                .filter(|told| told.what.subject() == subject)
        };
        if same().count() > TOLD_MAX
            && let Some(oldest) = same().min_by_key(|told| (told.happened, told.number))
        {
            self.remove(&BTreeSet::from([oldest.number]));
        }
    }

    /// When an addition was given that is told without a time: when the wrong one was that it replaces, or now.
    pub(crate) fn given_like(&self, replaced: Option<i64>, now: Now) -> Option<Millis> {
        let before = replaced.and_then(|number| self.given.get(&number));
        before.map_or(Some(now.elapsed), |given| *given)
    }

    /// The clock is trusted: now it can be said when additions were given. One that was told by a clock that was not counts from the
    /// start on.
    pub(crate) fn anchor_additions(&mut self, started: Millis, now: Now) {
        for (number, given) in self.given.iter_mut().filter(|(_, given)| given.is_none()) {
            let told = self.by_number.get(number).filter(|told| told.at.trusted);
            let at = told.map(|told| now.elapsed_at(told.happened).min(now.elapsed));
            *given = Some(at.unwrap_or(started));
        }
    }

    /// Additions by hand as the windows count them. Time can only have gone on since the newest word with a trusted clock: no addition is
    /// younger than that says.
    pub(crate) fn counted(&self, newest: Option<Timestamp>, now: Now) -> Vec<Counted> {
        let counted = |(number, given): (&i64, &Option<Millis>)| {
            let told = self.by_number.get(number)?;
            let Observed::Addition(Addition { from, adds }) = &told.what else {
                return None;
            };
            let newest = newest.unwrap_or(told.happened);
            let long_ago = Millis::new(
                newest
                    .as_millisecond()
                    .saturating_sub(told.happened.as_millisecond()),
            );
            let at = match given {
                Some(at) => *at,
                None if told.at.trusted && long_ago > WINDOW => return None,
                None => now.elapsed,
            };
            let solution = from.as_ref().map(|(solution, _)| solution);
            let fresh = now.elapsed.minus(at) < WINDOW;
            fresh.then(|| Counted::by_hand(*number, solution, adds.clone(), at))
        };
        self.given.iter().filter_map(counted).collect()
    }

    /// What was added by hand of a quantity since a moment; of one whose time is not known, all.
    pub(crate) fn by_hand_since(&self, of: &Quantity, since: Millis) -> f64 {
        let given = self
            .given
            .iter()
            .filter(|(_, given)| given.is_none_or(|at| at >= since));
        let adds =
            given.filter_map(|(number, _)| self.by_number.get(number)?.what.added()?.get(of));
        adds.sum()
    }
}
