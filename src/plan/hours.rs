//! What the busiest hour of a plan gives, and the limits on an hour that follow where the owner sets none.
//!
//! A day's dose at once is the harm that caps were made for, so no hour gets more than a dose may be or than the plan itself gives in one.

use std::collections::{BTreeMap, VecDeque};

use jiff::civil::Date;

use super::limits::OverLimit;
use super::{DailyVolumes, Schedule, Slot};
use crate::chemistry::Quantity;
use crate::config::{Controller, Line};
use crate::quantity::{Millis, Name, Volume};

/// The most that starts in any hour.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct BusiestHour {
    lines: BTreeMap<Name, Volume>,
    /// Of all lines together, each quantity that has limits in its unit.
    water: BTreeMap<Quantity, f64>,
}

impl BusiestHour {
    /// Of the days around this one.
    pub fn around(
        controller: &Controller,
        schedule: &mut Schedule,
        today: Date,
        daily: &DailyVolumes,
    ) -> Self {
        let mut busiest = Self::default();
        let dates = [today.yesterday().ok(), Some(today), today.tomorrow().ok()];
        let days = dates
            .into_iter()
            .flatten()
            // A day that cannot be placed is not dosed.
            .flat_map(|date| schedule.day(date, daily).unwrap_or_default());
        busiest.see(controller, days.collect());
        busiest
    }

    /// Looks at slots that follow each other. Two exactly an hour apart are not in one hour together.
    pub(super) fn see(&mut self, controller: &Controller, mut slots: Vec<Slot>) {
        slots.sort_by_key(|slot| slot.at);
        let mut within: VecDeque<&Slot> = VecDeque::new();
        for slot in &slots {
            within.push_back(slot);
            let since = slot
                .at
                .as_millisecond()
                .saturating_sub(Millis::HOUR.as_ms());
            while within
                .front()
                .is_some_and(|first| first.at.as_millisecond() <= since)
            {
                within.pop_front();
            }
            let mut hour = DailyVolumes::new();
            for slot in &within {
                let sum = hour.entry(slot.key.line.clone()).or_default();
                *sum = sum.saturating_add(slot.volume);
            }
            self.take(controller, &hour);
        }
    }

    fn take(&mut self, controller: &Controller, hour: &DailyVolumes) {
        for (line, volume) in hour {
            let most = self.lines.entry(line.clone()).or_default();
            *most = (*most).max(*volume);
        }
        for of in controller.water.keys() {
            let rises = hour.iter().filter_map(|(line, volume)| {
                let effect = controller.effect_of(line)?;
                Some(effect.rise(of, *volume, controller.tank))
            });
            let most = self.water.entry(of.clone()).or_default();
            *most = most.max(rises.sum());
        }
    }

    /// The most that a line may give in any hour.
    pub fn cap(&self, line: &Line) -> Volume {
        let planned = self.lines.get(&line.name).copied().unwrap_or_default();
        line.hourly_cap
            .unwrap_or_else(|| line.dose_cap.max(planned))
    }

    /// The most that all lines together may add of a quantity in any hour, in its unit.
    pub fn rise(&self, controller: &Controller, of: &Quantity) -> f64 {
        let set = controller
            .water
            .get(of)
            .and_then(|limits| limits.max_rise_per_hour);
        set.unwrap_or_else(|| {
            let of_line = |line: &Line| {
                let effect = controller.effect_of(&line.name)?;
                Some(effect.rise(of, self.cap(line), controller.tank))
            };
            let planned = self.water.get(of).copied().unwrap_or(0.0);
            controller
                .lines
                .iter()
                .filter_map(of_line)
                .fold(planned, f64::max)
        })
    }

    /// Whether it stays within the limits that the owner sets.
    ///
    /// # Errors
    /// [`OverLimit::Cap`], [`OverLimit::RiseInHour`].
    pub(super) fn within(&self, controller: &Controller) -> Result<(), OverLimit> {
        for line in &controller.lines {
            let volume = self.lines.get(&line.name).copied().unwrap_or_default();
            if let Some(limit) = line.hourly_cap.filter(|limit| volume > *limit) {
                return Err(OverLimit::Cap {
                    line: line.name.clone(),
                    volume,
                    what: "in an hour",
                    limit,
                });
            }
        }
        for (of, limits) in &controller.water {
            let planned = self.water.get(of).copied().unwrap_or(0.0);
            if let Some(limit) = limits
                .max_rise_per_hour
                .filter(|limit| planned > limit * (1.0 + 1e-9))
            {
                return Err(OverLimit::RiseInHour {
                    of: of.clone(),
                    planned,
                    limit,
                });
            }
        }
        Ok(())
    }
}
