//! What 24 h across a midnight add while volumes change from one local day to the next.
//!
//! Each day by itself may be within all limits, and the evening of one with the morning of the next still be too much: where one line
//! gives by day and the other by night, their shares of two different days meet. The guard counts true 24 h, so it would refuse doses in
//! the middle; here it is seen before anything begins.

use std::collections::VecDeque;
use std::sync::Arc;

use jiff::civil::Date;
use jiff::{Span, Timestamp};

use super::limits::effect_of;
use super::{DailyVolumes, Schedule};
use crate::chemistry::{Element, Rises};
use crate::config::{Controller, Plan};
use crate::quantity::{Alkalinity, Name, Volume, f64_from_i64};

/// Milliseconds of 24 h.
const DAY_MS: i64 = 86_400_000;

/// The most that any 24 h across one midnight add, each thing by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Crossing {
    /// The day after that midnight, counted from 1.
    pub day: u32,
    /// Alkalinity of all lines.
    pub alkalinity: Alkalinity,
    /// Elements that have a limit, mg/L.
    pub elements: Vec<(Element, f64)>,
}

impl Crossing {
    /// The most of an element, mg/L; zero for one that has no limit.
    pub fn rise_of(&self, element: &Element) -> f64 {
        let found = self.elements.iter().find(|(of, _)| of == element);
        found.map_or(0.0, |(_, rise)| *rise)
    }
}

/// What each midnight between these days brings, the first of which is `today`.
pub fn across_midnights(
    controller: &Controller,
    plan: &Plan,
    (today, days): (Date, &[DailyVolumes]),
) -> Vec<Crossing> {
    let mut schedule = Schedule::new(Arc::new(controller.clone()), Arc::new(plan.clone()));
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

/// What a microlitre of each line adds: alkalinity in meq/L first, then each limited element in mg/L.
struct Strengths {
    elements: Vec<Element>,
    lines: Vec<(Name, Vec<f64>)>,
}

impl Strengths {
    fn of(controller: &Controller) -> Self {
        let elements: Vec<Element> = controller.element_rise_max.keys().cloned().collect();
        let litre = Volume::from_ul(1_000_000);
        let lines = controller.lines.iter().filter_map(|line| {
            let effect = effect_of(controller, &line.name)?;
            let rises = Rises::of(&[(effect, litre)], controller.tank);
            let each = std::iter::once(None).chain(elements.iter().map(Some));
            let per_ul = each.map(|by| rises.measure(by) / 1e6).collect();
            Some((line.name.clone(), per_ul))
        });
        Self {
            lines: lines.collect(),
            elements,
        }
    }

    fn count(&self) -> usize {
        self.elements.len().saturating_add(1)
    }

    fn of_slot(&self, line: &Name, volume: Volume) -> Vec<f64> {
        let found = self.lines.iter().find(|(name, _)| name == line);
        let ul = f64_from_i64(volume.as_ul());
        found
            .map(|(_, per_ul)| per_ul.iter().map(|one| one * ul).collect())
            .unwrap_or_default()
    }

    fn crossing(&self, day: u32, largest: &[f64]) -> Crossing {
        Crossing {
            day,
            alkalinity: Alkalinity::from_meq_per_l(largest.first().copied().unwrap_or(0.0)),
            elements: self
                .elements
                .iter()
                .cloned()
                .zip(largest.iter().skip(1).copied())
                .collect(),
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
