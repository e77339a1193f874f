//! The model tank's water: what the animals really take up, and where each quantity is. What evaporates is topped off.

use std::collections::BTreeMap;

use super::chance::Chance;
use crate::chemistry::Quantity;
use crate::config::{Kit, TrueUptake};
use crate::quantity::{Millis, f64_from_i64, i64_from_f64};
use crate::record::Carried;

/// How far a wandering uptake may come from where it began (that of the project's model tanks, 0.3 to 1.6 of 0.8 dKH a day).
const WANDER: std::ops::RangeInclusive<f64> = 0.375..=2.0;

/// Days are 24 h from the begin of the rehearsal.
#[derive(Debug, Clone)]
pub(super) struct Uptake {
    truth: TrueUptake,
    /// What the plan takes it for, a day.
    planned: f64,
    chance: Chance,
    wandered: f64,
    day: i64,
}

impl Uptake {
    pub(super) const fn new(truth: TrueUptake, planned: f64, chance: Chance) -> Self {
        Self {
            truth,
            planned,
            chance,
            wandered: 1.0,
            day: 0,
        }
    }

    /// Of a day; days are asked for in their order.
    pub(super) fn on_day(&mut self, day: i64) -> f64 {
        while self.day < day {
            self.day = self.day.saturating_add(1);
            let step = self.truth.wander_per_day * self.chance.normal();
            self.wandered = (self.wandered + step).clamp(*WANDER.start(), *WANDER.end());
        }
        let TrueUptake {
            part,
            growth_per_day,
            wave,
            wave_days,
            ..
        } = self.truth;
        let n = f64_from_i64(day);
        let steps = self.truth.steps.iter().filter(|(from, _)| n >= *from);
        let stepped: f64 = steps.map(|(_, part)| 1.0 + part).product();
        let waved = 1.0 + wave * (std::f64::consts::TAU * n / wave_days).sin();
        let of_plan = part * (1.0 + growth_per_day * n) * stepped * waved * self.wandered;
        self.planned * of_plan.max(0.0)
    }
}

/// One quantity of the tank. Nothing here knows what the books say.
#[derive(Debug, Clone)]
pub(super) struct Level {
    pub(super) start: f64,
    pub(super) added: f64,
    pub(super) taken: f64,
    uptake: Uptake,
    /// Every full hour.
    pub(super) hours: Vec<f64>,
}

impl Level {
    pub(super) const fn new(start: f64, uptake: Uptake) -> Self {
        Self {
            start,
            added: 0.0,
            taken: 0.0,
            uptake,
            hours: Vec::new(),
        }
    }

    pub(super) fn now(&self) -> f64 {
        self.start + self.added - self.taken
    }

    /// What is taken up a day, as it was last.
    pub(super) fn per_day(&self) -> f64 {
        let day = self.uptake.day;
        self.uptake.clone().on_day(day)
    }
}

#[derive(Debug, Clone, Default)]
pub(super) struct Water {
    pub(super) levels: BTreeMap<Quantity, Level>,
    at: Millis,
}

impl Water {
    /// Lets time pass up to a moment since the begin.
    pub(super) fn pass(&mut self, until: Millis) {
        while self.at < until {
            let hour = self.at.as_ms().div_euclid(Millis::HOUR.as_ms());
            let next = Millis::new(hour.saturating_add(1).saturating_mul(Millis::HOUR.as_ms()));
            let to = next.min(until);
            let day = self.at.as_ms().div_euclid(Millis::DAY.as_ms());
            let days = to.minus(self.at).as_days();
            for level in self.levels.values_mut() {
                // Nobody takes up what is not there.
                let wanted = level.uptake.on_day(day) * days;
                level.taken += wanted.min(level.now().max(0.0));
                if to == next {
                    let now = level.now();
                    level.hours.push(now);
                }
            }
            self.at = to;
        }
    }

    pub(super) fn add(&mut self, carried: &Carried) {
        for (of, amount) in carried {
            if let Some(level) = self.levels.get_mut(of) {
                level.added += amount;
            }
        }
    }
}

/// A kit in its owner's hands.
#[derive(Debug, Clone)]
pub(super) struct Tester {
    pub(super) kit: Kit,
    chance: Chance,
    bias: f64,
    tested: Option<i64>,
    wandered: i64,
}

impl Tester {
    pub(super) const fn new(kit: Kit, chance: Chance) -> Self {
        Self {
            bias: kit.bias,
            kit,
            chance,
            tested: None,
            wandered: 0,
        }
    }

    /// Whether a test is due on this day and is made; a missed one is made up the next time it is due.
    pub(super) fn is_due(&mut self, day: i64) -> bool {
        let every = self.kit.every_days;
        if every <= 0
            || self
                .tested
                .is_some_and(|last| day < last.saturating_add(every))
        {
            return false;
        }
        self.tested = Some(day);
        !self.chance.happens(self.kit.missed_share)
    }

    /// What a test shows on this day.
    pub(super) fn reads(&mut self, truth: f64, day: i64) -> f64 {
        while self.wandered < day {
            self.wandered = self.wandered.saturating_add(1);
            self.bias += self.kit.bias_wander / 30.0_f64.sqrt() * self.chance.normal();
        }
        let mut value = truth + self.bias + self.kit.error * self.chance.normal();
        if self.chance.happens(self.kit.slip_share) {
            let up = self.chance.happens(0.5);
            value += if up { self.kit.slip } else { -self.kit.slip };
        }
        let step = self.kit.step;
        let steps = (step > 0.0).then(|| i64_from_f64(value / step)).flatten();
        steps
            .map_or(value, |steps| f64_from_i64(steps) * step)
            .max(0.0)
    }

    /// Standard uncertainty that goes with a reading: of the test and of the step it is read to.
    pub(super) fn uncertainty(&self) -> f64 {
        self.kit.error.hypot(self.kit.step / 12.0_f64.sqrt())
    }
}
