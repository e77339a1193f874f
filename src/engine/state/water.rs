//! What is known of each water quantity, in its own unit: dKH or mg/L.

use std::collections::{BTreeMap, VecDeque};

use jiff::Timestamp;

use crate::chemistry::Quantity;
use crate::config::Controller;
use crate::engine::event::Now;
use crate::quantity::Millis;
use crate::record::{Carried, Found, Observation, Reading};

/// Additions older than this are not needed: no reading is taken to be older when it is entered.
const LOG_SPAN: Millis = Millis::from_mins(30 * 24 * 60);

/// Every quantity that has a band, and alkalinity.
#[derive(Debug)]
pub(crate) struct Water {
    levels: BTreeMap<Quantity, Level>,
    /// When the water was last changed; a reading from before tells nothing of the new mixture.
    changed_at: Option<Timestamp>,
}

#[derive(Debug)]
struct Level {
    /// Last reading: value, one standard uncertainty, when taken.
    reading: Option<(f64, f64, Timestamp)>,
    /// Its number.
    number: Option<i64>,
    /// When it was taken, on the elapsed clock; `None` until a trusted clock has told.
    taken: Option<Millis>,
    /// Added since that reading; `None` when not known, and then there is no prediction.
    added_since: Option<f64>,
    /// Additions by elapsed time, and from when on they are complete.
    log: VecDeque<(Millis, f64)>,
    log_from: Millis,
    /// When it was last seen added, on the elapsed clock; later than it was where that is not known.
    last_added: Millis,
    /// What part of the planned addition is in force.
    share: f64,
}

/// What a prediction rests on.
#[derive(Debug)]
pub(crate) struct Base {
    /// What was read, and one standard uncertainty.
    pub(crate) value: (f64, f64),
    pub(crate) taken: Millis,
    /// What doses that are over have added since.
    pub(crate) added: f64,
}

impl Level {
    /// Nothing known of it; additions are complete from `since` on.
    const fn blank(since: Millis) -> Self {
        Self {
            reading: None,
            number: None,
            taken: None,
            added_since: None,
            log: VecDeque::new(),
            log_from: since,
            last_added: since,
            share: 1.0,
        }
    }

    fn add(&mut self, added: f64, at: Millis) {
        self.added_since = self.added_since.map(|sum| sum + added);
        self.log.push_back((at, added));
        let horizon = at.minus(LOG_SPAN);
        while self.log.front().is_some_and(|(at, _)| *at < horizon) {
            if let Some((at, _)) = self.log.pop_front() {
                self.log_from = at;
            }
        }
    }

    /// What was added after this moment; `None` when that is not known.
    fn added_after(&self, at: Millis) -> Option<f64> {
        let after = self.log.iter().filter(|(ended, _)| *ended > at);
        (at >= self.log_from).then(|| after.map(|(_, added)| added).sum())
    }
}

impl Water {
    pub(crate) fn blank(controller: &Controller, since: Millis) -> Self {
        let tracked = controller.water.iter().filter(|(_, l)| l.tracked.is_some());
        let mut levels: BTreeMap<Quantity, Level> = tracked
            .map(|(of, _)| (of.clone(), Level::blank(since)))
            .collect();
        levels.insert(Quantity::Alkalinity, Level::blank(since));
        let changed_at = None;
        Self { levels, changed_at }
    }

    pub(crate) fn quantities(&self) -> impl Iterator<Item = &Quantity> {
        self.levels.keys()
    }

    /// Last reading: value, one standard uncertainty, when taken.
    pub(crate) fn reading(&self, of: &Quantity) -> Option<(f64, f64, Timestamp)> {
        self.levels.get(of)?.reading
    }

    /// Number of the reading that the prediction rests on.
    pub(crate) fn number(&self, of: &Quantity) -> Option<i64> {
        self.levels.get(of)?.number
    }

    /// `None` without a reading, after a water change, or when what was added since is not known.
    pub(crate) fn base(&self, of: &Quantity) -> Option<Base> {
        let level = self.levels.get(of)?;
        let (value, uncertainty, _) = level.reading?;
        if self.changed_since_reading(of).is_some() {
            return None;
        }
        Some(Base {
            value: (value, uncertainty),
            taken: level.taken?,
            added: level.added_since?,
        })
    }

    /// Age of the last reading on the elapsed clock, which no step of the wall clock makes younger or older. `None` without a
    /// reading, or while the clock has not been trusted since it came back from the ledger.
    pub(crate) fn reading_age(&self, of: &Quantity, now: Now) -> Option<Millis> {
        let level = self.levels.get(of)?;
        level.reading?;
        Some(now.elapsed.minus(level.taken?).max(Millis::ZERO))
    }

    pub(crate) fn changed(&mut self, at: Option<Timestamp>) {
        self.changed_at = at;
    }

    /// When the water was changed, if that was after the last reading was taken.
    pub(crate) fn changed_since_reading(&self, of: &Quantity) -> Option<Timestamp> {
        let (_, _, taken) = self.reading(of)?;
        self.changed_at.filter(|changed| *changed > taken)
    }

    /// Takes the last readings back from the ledger, with what was added since; `forgotten` is the last number of before the ledger may
    /// have forgotten something.
    pub(crate) fn restore(
        &mut self,
        newest: &BTreeMap<&str, (&Observation, &Reading)>,
        added: &Carried,
        forgotten: i64,
    ) {
        for (of, level) in &mut self.levels {
            if let Some((row, reading)) = newest.get(of.as_str()) {
                let (value, uncertainty) = reading.found.amount();
                level.number = Some(row.number);
                level.reading = Some((value, uncertainty, row.happened));
                let known = row.number > forgotten;
                level.added_since = known.then(|| added.get(of).copied().unwrap_or(0.0));
            }
        }
    }

    /// The clock is trusted: now it can be said how old readings from the ledger are.
    pub(crate) fn anchor_readings(&mut self, now: Now) {
        for level in self.levels.values_mut() {
            if let (Some((_, _, taken)), None) = (level.reading, level.taken) {
                level.taken = Some(now.elapsed_at(taken));
            }
        }
    }

    pub(crate) fn add(&mut self, carries: &Carried, at: Millis) {
        for (of, added) in carries.iter().filter(|(_, added)| **added > 0.0) {
            if let Some(level) = self.levels.get_mut(of) {
                level.add(*added, at);
            }
        }
    }

    /// Takes a reading as the new base of the prediction, when it is newer than the last one. Whether it was.
    pub(crate) fn take_reading(
        &mut self,
        of: &Quantity,
        found: Found,
        (number, taken, at): (i64, Timestamp, Option<Millis>),
    ) -> bool {
        let Some(level) = self.levels.get_mut(of) else {
            return false;
        };
        let Some(at) = at.filter(|at| level.taken.is_none_or(|last| *at >= last)) else {
            return false;
        };
        let (amount, uncertainty) = found.amount();
        level.number = Some(number);
        level.reading = Some((amount, uncertainty, taken));
        level.taken = Some(at);
        level.added_since = level.added_after(at);
        true
    }

    /// Lets the prediction rest on another reading, or on none. A corrected value of the same sample is as old as that, and as much was
    /// added since; when another was taken only a trusted clock can tell.
    pub(crate) fn rest_on(
        &mut self,
        of: &Quantity,
        newest: Option<(&Observation, &Reading)>,
        when: impl Fn(Timestamp) -> Option<Millis>,
    ) {
        let Some(level) = self.levels.get_mut(of) else {
            return;
        };
        let before = level.reading.map(|(_, _, taken)| taken);
        level.number = newest.map(|(row, _)| row.number);
        level.reading = newest.map(|(row, reading)| {
            let (value, uncertainty) = reading.found.amount();
            (value, uncertainty, row.happened)
        });
        let taken = newest.map(|(row, _)| row.happened);
        if taken.is_none() || before != taken {
            level.taken = taken.and_then(when);
            level.added_since = level.taken.and_then(|at| level.added_after(at));
        }
    }

    /// When something of it was last added, as far as that was kept.
    pub(crate) fn last_added(&self, of: &Quantity) -> Millis {
        let level = self.levels.get(of);
        level.map_or(Millis::ZERO, |level| level.last_added)
    }

    /// There were doses, none of them after `at` that is not in the window.
    pub(crate) fn added_before(&mut self, at: Millis) {
        for level in self.levels.values_mut() {
            level.last_added = at;
        }
    }

    pub(crate) fn seen_added(&mut self, of: &Quantity, at: Millis) {
        if let Some(level) = self.levels.get_mut(of) {
            level.last_added = at;
        }
    }

    /// What part of the planned addition of a quantity is in force.
    pub(crate) fn share(&self, of: &Quantity) -> Option<f64> {
        self.levels.get(of).map(|level| level.share)
    }

    pub(crate) fn set_share(&mut self, of: &Quantity, share: f64) {
        if let Some(level) = self.levels.get_mut(of) {
            level.share = share;
        }
    }
}
