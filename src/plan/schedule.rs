//! The plan as a calendar of slots: days, stretches of time, what comes next, and what an outage missed.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use jiff::civil::Date;
use jiff::{Span, Timestamp};

use super::daytime::{LocalDay, PAST_MIDNIGHT_MS};
use super::error::PlacementError;
use super::layout::Layout;
use super::place::{PlacedDay, place_day};
use super::{DailyVolumes, Slot, SlotKey};
use crate::config::{Controller, Plan};
use crate::quantity::{Name, Volume};

/// Slots of one plan on one controller. Placed days are kept, so asking again is cheap.
#[derive(Debug, Clone)]
pub struct Schedule {
    controller: Arc<Controller>,
    layout: Layout,
    /// Placed days, the latest used last.
    kept: VecDeque<(Date, Arc<PlacedDay>)>,
    /// Some of them with these volumes, which are asked for again and again.
    made: (DailyVolumes, BTreeMap<Date, Arc<[Slot]>>),
}

impl Schedule {
    /// Days kept placed: a week before and after, for counting an outage.
    const KEPT_MAX: usize = 16;
    /// Days kept with their volumes: those around midnight. Few, for the daemon's memory is small.
    const MADE_MAX: usize = 4;
    /// Most days [`Self::between`] gives at once.
    pub const SPAN_DAYS_MAX: i64 = 31;
    /// Days [`Self::next_after`] looks ahead.
    pub const AHEAD_DAYS_MAX: i32 = 400;
    /// Days [`Self::count_between`] counts one by one.
    pub const COUNT_DAYS_MAX: i64 = 14;

    /// A schedule of a checked plan.
    pub fn new(controller: Arc<Controller>, plan: &Plan) -> Self {
        let layout = Layout::new(&controller, plan);
        Self {
            controller,
            layout,
            kept: VecDeque::new(),
            made: (DailyVolumes::new(), BTreeMap::new()),
        }
    }

    /// The plan's own daily volumes, before any limit.
    pub fn standing(&self) -> &DailyVolumes {
        &self.layout.standing
    }

    /// The largest planned dose of a line: its volume over its number of doses, rounded up to the microlitre.
    pub fn largest_slot(&self, line: &Name, daily: &DailyVolumes) -> Option<Volume> {
        let doses = self.doses(line)?;
        daily.get(line)?.split(doses).into_iter().max()
    }

    /// Doses of a line on each day on which it doses; `None` for a line without a plan.
    pub fn doses(&self, line: &Name) -> Option<u32> {
        let placing = self.layout.lines.iter().find(|l| l.name == *line);
        placing.map(|l| l.doses)
    }

    /// Whether a line doses on some dates only.
    pub fn picks_dates(&self, line: &Name) -> bool {
        let placing = self.layout.lines.iter().find(|l| l.name == *line);
        placing.is_some_and(super::layout::Placing::picks_dates)
    }

    /// What a line gives on a date.
    pub fn volume_on(&self, line: &Name, date: Date, daily: &DailyVolumes) -> Volume {
        let mut placings = self.layout.lines.iter();
        let doses = placings.any(|l| l.name == *line && l.doses_on(date));
        let volume = daily.get(line).filter(|_| doses);
        volume.copied().unwrap_or_default()
    }

    /// All slots of one local date, by instant and then by line order. Each line's volumes sum to its entry in `daily`
    /// exactly; a line without an entry, or with none to give, has no slots. Times do not depend on `daily`.
    ///
    /// # Errors
    /// The first [`PlacementError`] of that day. No slot of such a day is given: a day that breaks a rule is not dosed.
    pub fn day(&mut self, date: Date, daily: &DailyVolumes) -> Result<Vec<Slot>, PlacementError> {
        self.made(date, daily).map(|slots| slots.to_vec())
    }

    fn made(&mut self, date: Date, daily: &DailyVolumes) -> Result<Arc<[Slot]>, PlacementError> {
        if self.made.0 != *daily {
            self.made = (daily.clone(), BTreeMap::new());
        }
        if let Some(slots) = self.made.1.get(&date) {
            return Ok(Arc::clone(slots));
        }
        let placed = self.placed(date);
        if let Some(error) = placed.errors.first() {
            return Err(error.clone());
        }
        let slots: Arc<[Slot]> = self.with_volumes(date, &placed, daily).into();
        if self.made.1.len() >= Self::MADE_MAX {
            self.made.1.clear();
        }
        self.made.1.insert(date, Arc::clone(&slots));
        Ok(slots)
    }

    /// Slots later than `after` and not later than `until`, by instant and then by line order.
    ///
    /// # Errors
    /// [`PlacementError::SpanTooLong`] for more than [`Self::SPAN_DAYS_MAX`] days; otherwise the first of a day concerned.
    pub fn between(
        &mut self,
        after: Timestamp,
        until: Timestamp,
        daily: &DailyVolumes,
    ) -> Result<Vec<Slot>, PlacementError> {
        let days = days_from(after, until);
        if days > Self::SPAN_DAYS_MAX {
            let max = Self::SPAN_DAYS_MAX;
            return Err(PlacementError::SpanTooLong { days, max });
        }
        let mut slots = Vec::new();
        for date in self.dates_touching(after, until) {
            let day = self.made(date, daily)?;
            let inside = |s: &&Slot| s.at > after && s.at <= until;
            slots.extend(day.iter().filter(inside).cloned());
        }
        slots.sort_by_key(|s| s.at);
        Ok(slots)
    }

    /// The first slot later than `t`, within [`Self::AHEAD_DAYS_MAX`] days. A day that cannot be placed has no slots here;
    /// [`Self::day`] says why.
    pub fn next_after(&mut self, t: Timestamp, daily: &DailyVolumes) -> Option<Slot> {
        self.next_where(t, daily, |_| true)
    }

    /// The first slot of one line later than `t`, within [`Self::AHEAD_DAYS_MAX`] days, as for [`Self::next_after`].
    pub fn next_of_line(
        &mut self,
        line: &Name,
        t: Timestamp,
        daily: &DailyVolumes,
    ) -> Option<Slot> {
        self.next_where(t, daily, |name| name == line)
    }

    /// How many slots of a line with these volumes lie later than `from` and not later than `until`, and their volume together.
    /// `None` when that is more than [`Self::COUNT_DAYS_MAX`] days, or a day cannot be placed: they are then not counted
    /// one by one. Takes the same time for a century as for a day.
    pub fn count_between(
        &mut self,
        line: &Name,
        from: Timestamp,
        until: Timestamp,
        daily: &DailyVolumes,
    ) -> Option<(u32, Volume)> {
        if days_from(from, until) > Self::COUNT_DAYS_MAX {
            return None;
        }
        let (mut count, mut volume) = (0_u32, Volume::ZERO);
        for date in self.dates_touching(from, until) {
            let day = self.made(date, daily).ok()?;
            let inside = |s: &&Slot| s.key.line == *line && s.at > from && s.at <= until;
            for slot in day.iter().filter(inside) {
                count = count.saturating_add(1);
                volume = volume.saturating_add(slot.volume);
            }
        }
        Some((count, volume))
    }

    /// The slots of a date however many rules it breaks; for the check, which has reported them already.
    pub(super) fn placed(&mut self, date: Date) -> Arc<PlacedDay> {
        if let Some(index) = self.kept.iter().position(|(kept, _)| *kept == date)
            && let Some(entry) = self.kept.remove(index)
        {
            let day = Arc::clone(&entry.1);
            self.kept.push_back(entry);
            return day;
        }
        let day = Arc::new(place_day(&self.layout, &self.controller.time_zone, date));
        self.kept.push_back((date, Arc::clone(&day)));
        if self.kept.len() > Self::KEPT_MAX {
            self.kept.pop_front();
        }
        day
    }

    pub(super) fn layout(&self) -> &Layout {
        &self.layout
    }

    pub(super) fn with_volumes(
        &self,
        date: Date,
        placed: &PlacedDay,
        daily: &DailyVolumes,
    ) -> Vec<Slot> {
        let parts: Vec<Vec<Volume>> = self
            .layout
            .lines
            .iter()
            .map(|line| {
                let volume = daily.get(&line.name).copied().unwrap_or(Volume::ZERO);
                volume.or_zero().split(line.doses)
            })
            .collect();
        placed
            .slots
            .iter()
            .filter_map(|slot| {
                let line = self.layout.lines.get(slot.line)?;
                let volume = *parts.get(slot.line)?.get(slot.ordinal)?;
                // Fewer microlitres than doses leave some doses with nothing.
                (volume > Volume::ZERO).then_some(())?;
                Some(Slot {
                    key: SlotKey {
                        line: line.name.clone(),
                        date,
                        number: slot.number,
                    },
                    at: Timestamp::from_millisecond(slot.at).ok()?,
                    volume,
                })
            })
            .collect()
    }

    /// Dates that may have slots in a stretch of time. One before it is among them: a slot in a gap that ends at midnight
    /// runs on the first instant of the next date.
    fn dates_touching(&self, after: Timestamp, until: Timestamp) -> Vec<Date> {
        let zone = &self.controller.time_zone;
        let first = zone.to_datetime(after).date();
        let last = zone.to_datetime(until).date();
        let first = first.yesterday().unwrap_or(first);
        let last = last.tomorrow().unwrap_or(last);
        first
            .series(Span::new().days(1))
            .take_while(|date| *date <= last)
            .filter(|date| {
                LocalDay::new(zone, *date).is_some_and(|day| {
                    day.start <= until.as_millisecond()
                        && day.end.saturating_add(PAST_MIDNIGHT_MS) > after.as_millisecond()
                })
            })
            .collect()
    }

    fn next_where(
        &mut self,
        t: Timestamp,
        daily: &DailyVolumes,
        wanted: impl Fn(&Name) -> bool,
    ) -> Option<Slot> {
        let some = |name: &Name| daily.get(name).is_some_and(|v| *v > Volume::ZERO);
        let today = self.controller.time_zone.to_datetime(t).date();
        let first = today.yesterday().unwrap_or(today);
        let zone = self.controller.time_zone.clone();
        let mut found: Option<Slot> = None;
        for ahead in 0..=Self::AHEAD_DAYS_MAX {
            let date = first.checked_add(Span::new().days(ahead)).ok()?;
            // What a gap that ends at midnight pushes into the next date may come behind a slot of that date.
            if found
                .as_ref()
                .is_some_and(|slot| zone.to_datetime(slot.at).date() < date)
            {
                break;
            }
            // Days without a dose of these lines are passed over without being placed.
            let any =
                |l: &super::layout::Placing| wanted(&l.name) && some(&l.name) && l.doses_on(date);
            if !self.layout.lines.iter().any(any) {
                continue;
            }
            let Ok(slots) = self.made(date, daily) else {
                continue;
            };
            let next = slots.iter().find(|s| s.at > t && wanted(&s.key.line));
            found = found
                .into_iter()
                .chain(next.cloned())
                .min_by_key(|slot| slot.at);
        }
        found
    }
}

/// Days of 24 hours from one instant to another, rounded up.
fn days_from(from: Timestamp, until: Timestamp) -> i64 {
    let seconds = until.duration_since(from).as_secs();
    seconds.div_euclid(86_400) + i64::from(seconds.rem_euclid(86_400) > 0)
}

#[cfg(test)]
impl Schedule {
    pub(super) fn kept_days(&self) -> usize {
        self.kept.len()
    }
}
