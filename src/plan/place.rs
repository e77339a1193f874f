//! Placing one day's slots: fixed ones first, then the movable ones of each line at the earliest free time.
//!
//! Each slot reserves its head from its start for its line's duration. Two reservations whose lines must be kept apart
//! lie at least their separation from each other; others may overlap up to the number of heads the supply can run. A
//! movable slot ends, with its largest gap, before its day does, so a day never has to look at the movable slots of the
//! day before or after, and each day can be placed by itself.

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::daytime::{LocalDay, PAST_MIDNIGHT_MS};
use super::error::{Latest, Need, PlacementError};
use super::layout::{Layout, Placing};
use crate::quantity::Millis;

/// A slot without its volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct PlacedSlot {
    /// Index into the layout's lines.
    pub(super) line: usize,
    /// Position among its line's slots of the day.
    pub(super) ordinal: usize,
    /// Nominal elapsed second of the day.
    pub(super) number: u32,
    /// Start, ms since 1970.
    pub(super) at: i64,
}

/// A placed day, in order of time.
#[derive(Debug, Clone, Default)]
pub(super) struct PlacedDay {
    pub(super) slots: Vec<PlacedSlot>,
    pub(super) errors: Vec<PlacementError>,
}

/// How many days back fixed slots are followed when clocks were put forward on each of them. Two days in a row occur only
/// where the gap ends at midnight and so touches both.
const FORWARD_DAYS: u32 = 2;

/// Places all slots of one local date.
pub(super) fn place_day(layout: &Layout, zone: &TimeZone, date: Date) -> PlacedDay {
    let Some(day) = LocalDay::new(zone, date) else {
        return PlacedDay {
            slots: Vec::new(),
            errors: vec![PlacementError::NoSuchDate { date }],
        };
    };
    let mut board = Board::new(layout, &day);
    board.errors.extend(layout.broken.iter().cloned());
    if let Ok(before) = date.yesterday() {
        for (line, start) in fixed_positions(layout, zone, before, FORWARD_DAYS) {
            board.reserve(line, start, DayOf::Before);
        }
    }
    board.place_fixed();
    board.place_movable();
    board.finish()
}

/// Where the fixed slots of a date lie, as (line, start), without reporting anything.
fn fixed_positions(
    layout: &Layout,
    zone: &TimeZone,
    date: Date,
    forward_days: u32,
) -> Vec<(usize, i64)> {
    if !layout.lines.iter().any(|l| l.fixed) {
        return Vec::new();
    }
    let Some(day) = LocalDay::new(zone, date) else {
        return Vec::new();
    };
    let nominal = fixed_nominal(layout, &day);
    if day.forward_at.is_none() || forward_days == 0 {
        return nominal;
    }
    let mut board = Board::new(layout, &day);
    if let Ok(before) = date.yesterday() {
        for (line, start) in fixed_positions(layout, zone, before, forward_days - 1) {
            board.reserve(line, start, DayOf::Before);
        }
    }
    board.place_fixed();
    board
        .slots
        .iter()
        .map(|slot| (slot.line, slot.at))
        .collect()
}

/// Nominal times of all fixed slots, by time and then by line order.
fn fixed_nominal(layout: &Layout, day: &LocalDay) -> Vec<(usize, i64)> {
    let fixed = layout.lines.iter().enumerate().filter(|(_, l)| l.fixed);
    let mut all: Vec<(usize, i64)> = fixed
        .flat_map(|(line, l)| l.nominal(day).into_iter().map(move |at| (line, at)))
        .collect();
    all.sort_by_key(|(line, at)| (*at, *line));
    all
}

/// Which day a reservation belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum DayOf {
    Before,
    This,
}

/// The time a dose has its head for.
#[derive(Debug, Clone, Copy)]
struct Reservation {
    line: usize,
    start: i64,
    end: i64,
}

/// Something in the way of a start.
struct Obstacle {
    /// The reservation in the way.
    of: Reservation,
    need: Need,
    /// First start at which it is no longer in the way.
    free: i64,
}

struct Board<'a> {
    layout: &'a Layout,
    day: &'a LocalDay,
    taken: Vec<Reservation>,
    slots: Vec<PlacedSlot>,
    errors: Vec<PlacementError>,
}

impl<'a> Board<'a> {
    fn new(layout: &'a Layout, day: &'a LocalDay) -> Self {
        Self {
            layout,
            day,
            taken: Vec::new(),
            slots: Vec::new(),
            errors: Vec::new(),
        }
    }

    fn reserve(&mut self, line: usize, start: i64, of: DayOf) {
        let Some(placing) = self.layout.lines.get(line) else {
            return;
        };
        let taken = Reservation {
            line,
            start,
            end: start + placing.duration,
        };
        let index = self.taken.partition_point(|r| r.start <= start);
        self.taken.insert(index, taken);
        if of == DayOf::This {
            self.slots.push(PlacedSlot {
                line,
                ordinal: 0,
                number: 0,
                at: start,
            });
        }
    }

    fn place_fixed(&mut self) {
        for (line, nominal) in fixed_nominal(self.layout, self.day) {
            let Some(placing) = self.layout.lines.get(line) else {
                continue;
            };
            let may_move = self.day.forward_at.is_some_and(|at| nominal >= at);
            let end = if nominal < self.day.end {
                self.day.end
            } else {
                nominal + PAST_MIDNIGHT_MS
            };
            match self.obstacle(line, placing, nominal) {
                None => self.reserve(line, nominal, DayOf::This),
                Some(first) => {
                    let found = self.earliest(line, placing, nominal, end);
                    match found {
                        Ok(at) if may_move => self.reserve(line, at, DayOf::This),
                        Ok(_) | Err(_) => {
                            self.errors.push(self.clash(placing, nominal, first));
                            self.reserve(line, nominal, DayOf::This);
                        }
                    }
                }
            }
        }
    }

    fn place_movable(&mut self) {
        let movable = self
            .layout
            .lines
            .iter()
            .enumerate()
            .filter(|(_, l)| !l.fixed);
        for (line, placing) in movable {
            let nominal = placing.nominal(self.day);
            let last = self.day.end - placing.duration - placing.tail;
            for (k, at) in nominal.iter().copied().enumerate() {
                let next = nominal.iter().skip(k).copied().find(|later| *later > at);
                self.place_one(line, placing, at, next, last);
            }
        }
    }

    /// Places one movable slot before its line's `next` nominal time and not after `last`.
    fn place_one(&mut self, line: usize, placing: &Placing, at: i64, next: Option<i64>, last: i64) {
        let next = next.filter(|next| *next <= last);
        let before = next.unwrap_or(last.saturating_add(1));
        if at >= before {
            self.errors.push(PlacementError::PastDayEnd {
                date: self.day.date,
                line: placing.name.clone(),
                time: self.day.civil(at),
                latest: self.day.civil(last),
                gap: Millis::new(placing.tail.saturating_sub(1000).max(0)),
            });
            return;
        }
        match self.earliest(line, placing, at, before) {
            Ok(start) => self.reserve(line, start, DayOf::This),
            Err(obstacle) => self.errors.push(PlacementError::NoRoom {
                date: self.day.date,
                line: placing.name.clone(),
                time: self.day.civil(at),
                before: match next {
                    Some(next) => Latest::NextDose(self.day.civil(next)),
                    None => Latest::DayEnd(self.day.civil(last)),
                },
                blocker: self.name_of(obstacle.of.line, placing),
                need: obstacle.need,
            }),
        }
    }

    /// The earliest start from `from` on and before `before` that nothing is in the way of, or the last obstacle met.
    fn earliest(
        &self,
        line: usize,
        placing: &Placing,
        from: i64,
        before: i64,
    ) -> Result<i64, Obstacle> {
        let mut at = from;
        loop {
            match self.obstacle(line, placing, at) {
                None => return Ok(at),
                // Each obstacle is left behind for good, so this ends.
                Some(obstacle) if obstacle.free >= before || obstacle.free <= at => {
                    return Err(obstacle);
                }
                Some(obstacle) => at = obstacle.free,
            }
        }
    }

    fn obstacle(&self, line: usize, placing: &Placing, at: i64) -> Option<Obstacle> {
        let end = at + placing.duration;
        let reach = placing.tail + self.layout.longest;
        let first = self.taken.partition_point(|r| r.start < at - reach);
        let near = || {
            self.taken
                .iter()
                .skip(first)
                .take_while(move |r| r.start < end + placing.tail)
        };
        let apart = near().find_map(|r| {
            let separation = self.layout.separation(line, r.line)?;
            let clear = at >= r.end + separation.ms || r.start >= end + separation.ms;
            (!clear).then(|| Obstacle {
                of: *r,
                need: separation.need.clone(),
                free: r.end + separation.ms,
            })
        });
        apart.or_else(|| {
            let over: Vec<&Reservation> = near().filter(|r| r.start < end && r.end > at).collect();
            self.crowd(&over, at)
        })
    }

    /// Finds an instant at which the overlapping reservations alone use all heads that may run.
    fn crowd(&self, over: &[&Reservation], at: i64) -> Option<Obstacle> {
        let max = self.layout.heads_at_once;
        let full = usize::try_from(max).unwrap_or(usize::MAX);
        if over.len() < full {
            return None;
        }
        // The number running is largest at the start of one of them, or at our own.
        over.iter().map(|r| r.start.max(at)).find_map(|instant| {
            let running = || {
                over.iter()
                    .filter(|r| r.start <= instant && r.end > instant)
            };
            if running().count() < full {
                return None;
            }
            let first_out = running().min_by_key(|r| r.end)?;
            Some(Obstacle {
                of: **first_out,
                need: Need::HeadsAtOnce { max },
                free: first_out.end,
            })
        })
    }

    fn clash(&self, placing: &Placing, nominal: i64, obstacle: Obstacle) -> PlacementError {
        PlacementError::FixedTimesClash {
            date: self.day.date,
            first: self.name_of(obstacle.of.line, placing),
            first_time: self.day.civil(obstacle.of.start),
            second: placing.name.clone(),
            second_time: self.day.civil(nominal),
            need: obstacle.need,
            // Times are given in whole seconds.
            free: self.day.civil(obstacle.free + 999),
        }
    }

    fn name_of(&self, line: usize, own: &Placing) -> crate::quantity::Name {
        self.layout.lines.get(line).unwrap_or(own).name.clone()
    }

    fn finish(mut self) -> PlacedDay {
        self.slots.sort_by_key(|s| (s.line, s.at));
        for (line, placing) in self.layout.lines.iter().enumerate() {
            let nominal = placing.nominal(self.day);
            let own = self.slots.iter_mut().filter(|s| s.line == line);
            let mut free = 0;
            for ((ordinal, slot), nominal) in own.enumerate().zip(nominal) {
                let second = (nominal - self.day.start).div_euclid(1000);
                // Two times in one gap have one nominal instant, and still each its own key.
                slot.number = u32::try_from(second).unwrap_or(0).max(free);
                slot.ordinal = ordinal;
                free = slot.number + 1;
            }
        }
        self.slots.sort_by_key(|s| (s.at, s.line));
        PlacedDay {
            slots: self.slots,
            errors: self.errors,
        }
    }
}
