//! What 24 h across a midnight add while volumes change from one local day to the next.
//!
//! Each day by itself may be within all limits, and the evening of one with the morning of the next still be too much: where one line
//! gives by day and the other by night, their shares of two different days meet. The guard counts true 24 h, so it would refuse doses in
//! the middle; here it is seen before anything begins.

use std::collections::{BTreeMap, VecDeque};

use jiff::civil::Date;
use jiff::{Span, Timestamp};

use super::{DailyVolumes, Schedule};
use crate::chemistry::Quantity;
use crate::config::{Controller, Plan};
use crate::quantity::{Name, Volume, f64_from_i64};

/// Milliseconds of 24 h.
const DAY_MS: i64 = 86_400_000;

/// The most that any 24 h across one midnight add, each thing by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossing {
    /// The day after that midnight, counted from 1.
    pub day: u32,
    /// Quantities that have limits, each in its unit.
    pub adds: BTreeMap<Quantity, f64>,
}

impl Crossing {
    /// The most of a quantity, in its unit; zero for one that has no limits.
    pub fn rise_of(&self, of: &Quantity) -> f64 {
        self.adds.get(of).copied().unwrap_or(0.0)
    }
}

/// What each midnight between these days brings, the first of which is `today`.
pub fn across_midnights(
    controller: &Controller,
    plan: &Plan,
    (today, days): (Date, &[DailyVolumes]),
) -> Vec<Crossing> {
    let mut schedule = Schedule::new(controller.clone().into(), plan);
    let strengths = Strengths::of(controller);
    let mut before: Vec<(Timestamp, Vec<f64>)> = Vec::new();
    let mut crossings = Vec::new();
    for (day, daily) in (0..).zip(days) {
        let date = today.checked_add(Span::new().days(i64::from(day)));
        // A day that cannot be placed is not dosed.
        let slots = date.map(|date| schedule.day(date, daily).unwrap_or_default());
        let after: Vec<(Timestamp, Vec<f64>)> = slots
            .unwrap_or_default()
            .into_iter()
            .map(|slot| (slot.at, strengths.of_slot(&slot.key.line, slot.volume)))
            .collect();
        if day > 0 {
            let largest = largest_in_24_h(before.iter().chain(&after), strengths.count());
            crossings.push(strengths.crossing(day, &largest));
        }
        before = after;
    }
    crossings
}

/// What a microlitre of each line adds, of each quantity that has limits, in its unit.
struct Strengths {
    quantities: Vec<Quantity>,
    lines: Vec<(Name, Vec<f64>)>,
}

impl Strengths {
    fn of(controller: &Controller) -> Self {
        let quantities: Vec<Quantity> = controller.water.keys().cloned().collect();
        let litre = Volume::from_ul(1_000_000);
        let lines = controller.lines.iter().filter_map(|line| {
            let effect = controller.effect_of(&line.name)?;
            let per_ul = |of| effect.rise(of, litre, controller.tank) / 1e6;
            Some((line.name.clone(), quantities.iter().map(per_ul).collect()))
        });
        Self {
            lines: lines.collect(),
            quantities,
        }
    }

    fn count(&self) -> usize {
        self.quantities.len()
    }

    fn of_slot(&self, line: &Name, volume: Volume) -> Vec<f64> {
        let found = self.lines.iter().find(|(name, _)| name == line);
        let ul = f64_from_i64(volume.as_ul());
        found
            .map(|(_, per_ul)| per_ul.iter().map(|one| one * ul).collect())
            .unwrap_or_default()
    }

    fn crossing(&self, day: u32, largest: &[f64]) -> Crossing {
        let adds = self.quantities.iter().cloned();
        Crossing {
            day,
            adds: adds.zip(largest.iter().copied()).collect(),
        }
    }
}

/// Largest sum of each thing over slots that start within 24 h; two exactly 24 h apart do not count together.
fn largest_in_24_h<'a>(
    slots: impl Iterator<Item = &'a (Timestamp, Vec<f64>)>,
    count: usize,
) -> Vec<f64> {
    let mut ordered: Vec<&(Timestamp, Vec<f64>)> = slots.collect();
    ordered.sort_by_key(|(at, _)| *at);
    let mut largest = vec![0.0_f64; count];
    let mut within: VecDeque<&(Timestamp, Vec<f64>)> = VecDeque::new();
    for slot in ordered {
        within.push_back(slot);
        let since = slot.0.as_millisecond().saturating_sub(DAY_MS);
        while within
            .front()
            .is_some_and(|(at, _)| at.as_millisecond() <= since)
        {
            within.pop_front();
        }
        for (index, most) in largest.iter_mut().enumerate() {
            let sum: f64 = within.iter().filter_map(|(_, adds)| adds.get(index)).sum();
            *most = most.max(sum);
        }
    }
    largest
}
