//! What each line gave against what it was to give.

use jiff::Timestamp;

use super::days::Days;
use super::material::Material;
use super::model::{Day, LineReport};
use crate::engine::Status;
use crate::quantity::{Name, Volume, f64_from_i64, i64_from_f64};
use crate::record::{DoseEnd, DoseKind, Entry, GivenDose, NotGiven, OutageMissed, SlotNotGiven};

pub(super) fn lines(material: &Material<'_>, status: &Status, days: &Days) -> Vec<LineReport> {
    let each = material.controller.lines.iter().map(|line| {
        let shown = status.lines.iter().find(|shown| shown.name == line.name);
        let mut report = LineReport {
            line: line.name.clone(),
            solution: shown.map_or_else(|| line.reservoir.clone(), |l| l.solution.clone()),
            days: days
                .each
                .iter()
                .map(|(date, _)| Day {
                    date: *date,
                    ..Day::default()
                })
                .collect(),
            doses: 0,
            slots_missed: 0,
            slots_refused: 0,
            all: Day::default(),
        };
        for dose in material.doses.iter().filter(|dose| dose.line == line.name) {
            report.dose(dose, days);
        }
        report.entries(material, &line.name, days);
        report.all = report.days.iter().fold(Day::default(), Day::with);
        report
    });
    each.collect()
}

impl Day {
    fn with(self, other: &Self) -> Self {
        Self {
            date: other.date,
            planned: self.planned.saturating_add(other.planned),
            given: self.given.saturating_add(other.given),
            by_hand: self.by_hand.saturating_add(other.by_hand),
            missed: self.missed.saturating_add(other.missed),
            refused: self.refused.saturating_add(other.refused),
            uncertain: self.uncertain.saturating_add(other.uncertain),
        }
    }
}

impl LineReport {
    fn dose(&mut self, dose: &GivenDose, days: &Days) {
        let date = dose.slot_date.unwrap_or_else(|| days.date(dose.at));
        let Some(day) = self.days.get_mut(days.place(date)) else {
            return;
        };
        let of_plan = dose.kind == DoseKind::Plan;
        if of_plan {
            day.planned = day.planned.saturating_add(dose.meant);
        }
        if !dose.in_tank || dose.volume <= Volume::ZERO {
            return;
        }
        self.doses = self.doses.saturating_add(1);
        let sum = if of_plan {
            &mut day.given
        } else {
            &mut day.by_hand
        };
        *sum = sum.saturating_add(dose.volume);
        match dose.end {
            Some(DoseEnd::Delivered | DoseEnd::Interrupted | DoseEnd::NotStarted) => {}
            Some(DoseEnd::Failed | DoseEnd::Uncertain) | None => {
                day.uncertain = day.uncertain.saturating_add(dose.volume);
            }
        }
    }

    fn entries(&mut self, material: &Material<'_>, line: &Name, days: &Days) {
        for entry in &material.entries {
            if let Entry::SlotNotGiven(slot) = entry
                && slot.key.line == *line
            {
                self.not_given(slot, days);
            }
            if let Entry::OutageMissed(outage) = entry
                && outage.line == *line
            {
                self.outage(outage, days);
            }
        }
    }

    fn not_given(&mut self, slot: &SlotNotGiven, days: &Days) {
        let Some(day) = self.days.get_mut(days.place(slot.key.date)) else {
            return;
        };
        day.planned = day.planned.saturating_add(slot.volume);
        let (sum, count) = match slot.kind {
            NotGiven::Missed => (&mut day.missed, &mut self.slots_missed),
            NotGiven::Refused => (&mut day.refused, &mut self.slots_refused),
        };
        *sum = sum.saturating_add(slot.volume);
        *count = count.saturating_add(1);
    }

    /// Spread over its days by how much of each it took. One that was too long to be counted has no volume.
    fn outage(&mut self, outage: &OutageMissed, days: &Days) {
        self.slots_missed = self
            .slots_missed
            .saturating_add(outage.slots.unwrap_or_default().into());
        let whole = outage.volume.unwrap_or_default();
        let ms = |from: Timestamp, until: Timestamp| {
            until
                .as_millisecond()
                .saturating_sub(from.as_millisecond())
                .max(0)
        };
        let all = f64_from_i64(ms(outage.from.max(days.since()), outage.until).max(1));
        let mut left = whole;
        let (first, last) = (
            days.place(days.date(outage.from)),
            days.place(days.date(outage.until)),
        );
        for place in first..=last {
            let begins = days
                .each
                .get(place)
                .map_or(outage.from, |(_, begin)| *begin);
            let ends = days.each.get(place.saturating_add(1));
            let ends = ends.map_or(outage.until, |(_, begin)| *begin);
            let here = f64_from_i64(ms(outage.from.max(begins), outage.until.min(ends))) / all;
            let part = if place == last {
                left
            } else {
                i64_from_f64(f64_from_i64(whole.as_ul()) * here).map_or(left, Volume::from_ul)
            };
            left = left.saturating_sub(part);
            if let Some(day) = self.days.get_mut(place) {
                day.planned = day.planned.saturating_add(part);
                day.missed = day.missed.saturating_add(part);
            }
        }
    }
}
