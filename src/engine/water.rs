//! The water, one quantity like the other: uptake, prediction, and how much of the planned addition is in force.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use jiff::Timestamp;

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::{Engine, WaterMemory};
use crate::chemistry::Quantity;
use crate::config::{AlarmAction, Controller, StartUptake};
use crate::guard::{Prediction, WaterFacts, allowance, effective_share, uptake_counted};
use crate::plan::DailyVolumes;
use crate::quantity::{Alkalinity, Millis, Name};
use crate::record::{
    Carried, Destination, Found, HoldScope, Observation, ObservedKind, Reading, Who,
};

/// Additions older than this are not needed: no reading is taken to be older when it is entered.
const LOG_SPAN: Millis = Millis::from_mins(30 * 24 * 60);

impl WaterMemory {
    /// Nothing known of its level; additions are complete from `since` on.
    fn blank(since: Millis) -> Self {
        Self {
            reading: None,
            number: None,
            taken: None,
            added_since: None,
            log: VecDeque::new(),
            log_from: since,
            share: 1.0,
        }
    }

    /// Of every quantity that has a band, and of alkalinity.
    pub(super) fn of_all(controller: &Controller, since: Millis) -> BTreeMap<Quantity, Self> {
        let tracked = controller.water.iter().filter(|(_, l)| l.tracked.is_some());
        let mut all: BTreeMap<Quantity, Self> = tracked
            .map(|(of, _)| (of.clone(), Self::blank(since)))
            .collect();
        all.insert(Quantity::Alkalinity, Self::blank(since));
        all
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

    /// Age of the last reading on the elapsed clock, which no step of the wall clock makes younger or older. `None` without a
    /// reading, or while the clock has not been trusted since it came back from the ledger.
    fn reading_age(&self, now: Now) -> Option<Millis> {
        self.reading?;
        Some(now.elapsed.minus(self.taken?).max(Millis::ZERO))
    }
}

impl Engine {
    /// Established uptake of a quantity per day, in its unit. The one place that tells it.
    pub(super) fn uptake_of(&self, of: &Quantity) -> Option<f64> {
        self.plan.uptakes.get(of).copied()
    }

    pub(super) fn uptake(&self) -> Option<Alkalinity> {
        self.uptake_of(&Quantity::Alkalinity)
            .map(Alkalinity::from_dkh)
    }

    /// Last reading: value, one standard uncertainty, when taken.
    pub(super) fn last_reading(&self, of: &Quantity) -> Option<(f64, f64, Timestamp)> {
        self.water.get(of)?.reading
    }

    /// Limits, uptake and prediction of every quantity that has limits.
    pub(super) fn water_facts(&self, now: Now) -> BTreeMap<Quantity, WaterFacts> {
        let limits = self.controller.water.iter();
        let facts = limits.map(|(of, limits)| {
            let facts = WaterFacts {
                limits: *limits,
                rise_per_hour: self.busiest_hour.rise(&self.controller, of),
                uptake: self.uptake_of(of),
                prediction: self.prediction(of, now),
            };
            (of.clone(), facts)
        });
        facts.collect()
    }

    /// What the tank should be at now; `None` without a band or a reading, or when what was added since is not known.
    pub(super) fn prediction(&self, of: &Quantity, now: Now) -> Option<Prediction> {
        let limits = self.controller.tracked(of)?;
        let memory = self.water.get(of)?;
        let (value, uncertainty, _) = memory.reading?;
        if self.water_changed_since_reading(of).is_some() {
            return None;
        }
        let running = self.window.active();
        let into_tank = running.filter(|d| d.into == Destination::Tank);
        let running: f64 = into_tank.filter_map(|d| d.carries.get(of)).sum();
        Some(Prediction::new(
            (value, uncertainty),
            memory.added_since? + running + self.by_hand_since(of, memory.taken?),
            uptake_counted(of, self.uptake_of(of))?,
            memory.reading_age(now)?,
            limits.drift_per_day,
        ))
    }

    /// When the water was changed, if that was after the last reading was taken.
    fn water_changed_since_reading(&self, of: &Quantity) -> Option<Timestamp> {
        let (_, _, taken) = self.last_reading(of)?;
        self.water_changed_at.filter(|changed| *changed > taken)
    }

    fn newest_water_change(&self) -> Option<Timestamp> {
        let changes = self.told.values();
        let changes = changes.filter(|told| told.what.subject().0 == ObservedKind::WaterChange);
        changes.map(|told| told.happened).max()
    }

    /// A water change was told or taken back.
    pub(super) fn water_changed(&mut self, now: Now) {
        self.water_changed_at = self.newest_water_change();
        self.touch_all_lines();
        self.follow_ramp(now);
    }

    /// Takes the last readings back from the ledger, with what was added since.
    pub(super) fn take_readings(&mut self, added: &Carried) {
        self.water_changed_at = self.newest_water_change();
        let newest = newest_readings(&self.told);
        let forgotten = self.forgotten.as_ref().map_or(0, |f| f.told_last);
        for (of, memory) in &mut self.water {
            if let Some((row, reading)) = newest.get(of.as_str()) {
                let (value, uncertainty) = reading.found.amount();
                memory.number = Some(row.number);
                memory.reading = Some((value, uncertainty, row.happened));
                let known = row.number > forgotten;
                memory.added_since = known.then(|| added.get(of).copied().unwrap_or(0.0));
            }
        }
    }

    /// The clock is trusted: now it can be said how old readings from the ledger are.
    pub(super) fn anchor_readings(&mut self, now: Now) {
        for memory in self.water.values_mut() {
            if let (Some((_, _, taken)), None) = (memory.reading, memory.taken) {
                memory.taken = Some(now.elapsed_at(taken));
            }
        }
    }

    pub(super) fn add_to_water(&mut self, carries: &Carried, at: Millis) {
        for (of, added) in carries.iter().filter(|(_, added)| **added > 0.0) {
            if let Some(memory) = self.water.get_mut(of) {
                memory.add(*added, at);
            }
        }
    }

    /// Takes a reading as the new base of the prediction, when it is newer than the last one.
    pub(super) fn take_reading(
        &mut self,
        of: &Quantity,
        found: Found,
        (number, taken): (i64, Option<Timestamp>),
        now: Now,
    ) {
        // A sample of just now is that whatever the wall clock shows; another time means something to a trusted clock only.
        let at = match taken {
            None => Some(now.elapsed),
            Some(taken) if self.clock.unsure.is_none() => Some(now.elapsed_at(taken)),
            Some(_) => None,
        };
        let Some(memory) = self.water.get_mut(of) else {
            return;
        };
        let Some(at) = at.filter(|at| memory.taken.is_none_or(|last| *at >= last)) else {
            return;
        };
        let (amount, uncertainty) = found.amount();
        memory.number = Some(number);
        memory.reading = Some((amount, uncertainty, taken.unwrap_or(now.wall)));
        memory.taken = Some(at);
        memory.added_since = memory.added_after(at);
        self.judge_reading(of, found, now);
    }

    /// Finds anew which reading the prediction rests on, after one was taken back or replaced.
    pub(super) fn find_reading_anew(&mut self, of: &Quantity, now: Now) {
        let Some(memory) = self.water.get_mut(of) else {
            return;
        };
        let before = memory.reading.map(|(_, _, taken)| taken);
        let newest = newest_readings(&self.told).remove(of.as_str());
        memory.number = newest.map(|(row, _)| row.number);
        if let Some((row, reading)) = newest {
            let (value, uncertainty) = reading.found.amount();
            let (taken, found) = (row.happened, reading.found);
            memory.reading = Some((value, uncertainty, taken));
            // A corrected value of the same sample is as old as that, and as much was added since.
            if before != Some(taken) {
                let known = self.clock.unsure.is_none();
                memory.taken = known.then(|| now.elapsed_at(taken));
                memory.added_since = memory.taken.and_then(|at| memory.added_after(at));
            }
            self.judge_reading(of, found, now);
        } else {
            memory.reading = None;
            memory.taken = None;
            memory.added_since = None;
            self.clear(AlarmCode::ReadingAlarm, of.as_str(), now);
        }
        self.touch_all_lines();
        self.follow_ramp(now);
    }

    fn judge_reading(&mut self, of: &Quantity, found: Found, now: Now) {
        let Some(limits) = self.controller.tracked(of).copied() else {
            return;
        };
        let (amount, _) = found.amount();
        // Below a detection limit it may be anything down to nothing, so it is never known to be high.
        let high = amount > limits.alarm_high && found.value().is_some();
        let side = if high {
            Some(("over", limits.alarm_high, limits.on_alarm_high))
        } else if amount < limits.alarm_low {
            Some(("below", limits.alarm_low, limits.on_alarm_low))
        } else {
            None
        };
        let text = side.map(|(side, limit, action)| {
            let (amount, limit) = (of.amount(amount), of.amount(limit));
            let text = format!("{of} reading of {amount} is {side} the alarm limit of {limit}");
            let reason = format!("{text}; test again before you resume");
            self.act_on_alarm(of, action, &reason, now);
            text
        });
        self.alarm_if(AlarmCode::ReadingAlarm, of.as_str(), text, now);
    }

    fn act_on_alarm(&mut self, of: &Quantity, action: AlarmAction, reason: &str, now: Now) {
        let scopes = match action {
            AlarmAction::Warn => Vec::new(),
            AlarmAction::HoldAll => vec![HoldScope::All],
            AlarmAction::HoldLines => {
                let lines = self.controller.lines.iter().map(|l| l.name.clone());
                let carriers = lines.filter(|line| self.carries(line, of));
                carriers.map(HoldScope::Line).collect()
            }
        };
        for scope in scopes {
            self.set_hold(scope, reason.to_owned(), Who::Daemon, None, now);
        }
    }

    fn carries(&self, line: &Name, of: &Quantity) -> bool {
        let effect = self.controller.effect_of(line);
        effect.is_some_and(|effect| effect.carries(of))
    }

    /// Alkalinity that a day of the standing plan and of the courses in force adds, over all lines.
    pub(super) fn planned_alkalinity(&self) -> Alkalinity {
        Alkalinity::from_dkh(self.amount_in(&Quantity::Alkalinity, &self.planned_volumes()))
    }

    /// How much of a quantity these volumes add, in its unit.
    fn amount_in(&self, of: &Quantity, daily: &DailyVolumes) -> f64 {
        let rises = daily.iter().filter_map(|(line, volume)| {
            let effect = self.controller.effect_of(line)?;
            Some(effect.rise(of, *volume, self.controller.tank))
        });
        rises.sum()
    }

    /// What part of the planned addition of a quantity is in force.
    pub(super) fn share_of(&self, of: &Quantity) -> f64 {
        self.water.get(of).map_or(1.0, |memory| memory.share)
    }

    /// Whether a line goes by an uptake that is alkalinity's, or tied to it and without one of its own.
    fn goes_with_alkalinity(&self, line: &Name) -> bool {
        let planned = self.plan.lines.iter().find(|p| p.line == *line);
        planned.and_then(|p| p.gives.of()).is_some_and(|of| {
            let tied = self.plan.starts.get(of) == Some(&StartUptake::WithAlkalinity);
            *of == Quantity::Alkalinity || (tied && !self.uptakes.contains_key(of))
        })
    }

    /// What part of a line's planned volume is in force: the smallest share of all that it carries or goes by and whose uptake is established.
    pub(super) fn share_in_force(&self, line: &Name) -> f64 {
        let tied = self.goes_with_alkalinity(line);
        let concerned = |of: &&Quantity| {
            let moves = self.carries(line, of) || (tied && **of == Quantity::Alkalinity);
            moves && self.uptake_of(of).is_some()
        };
        let shares = self.water.keys().filter(concerned);
        shares
            .map(|of| self.share_of(of))
            .reduce(f64::min)
            .unwrap_or(1.0)
    }

    /// Finds anew how much of the plan is in force, and says so when it changed.
    pub(super) fn follow_ramp(&mut self, now: Now) {
        // While the clock is unsure nothing is planned, and ages are not known.
        if self.clock.unsure.is_some() {
            return;
        }
        for (of, facts) in self.water_facts(now) {
            if facts.uptake.is_some() {
                self.follow_share(&of, &facts, now);
            }
        }
    }

    fn follow_share(&mut self, of: &Quantity, facts: &WaterFacts, now: Now) {
        let planned = self.amount_in(of, &self.planned_volumes());
        let share = effective_share(of, planned, facts);
        let Some(memory) = self.water.get_mut(of) else {
            return;
        };
        if (share - memory.share).abs() <= 1e-6 {
            return;
        }
        if (share / memory.share - 1.0).abs() > 0.05 {
            // What was given so far was given by another measure.
            self.watched_from = now.elapsed;
        }
        memory.share = share;
        let (plan, in_force) = (of.amount(planned), of.amount(planned * share));
        let why = allowance(of, facts)
            .map(|allowed| allowed.reason.words(of))
            .unwrap_or_default();
        let text = if (share - 1.0).abs() < 1e-6 {
            format!("the whole plan is in force: {plan} of {of} a day")
        } else if share < 1.0 {
            format!("the plan of {plan} of {of} a day is clamped to {in_force} a day: {why}")
        } else {
            format!(
                "the plan of {plan} of {of} a day is raised to {in_force} a day: uptake less the largest allowed fall"
            )
        };
        self.note("plan-in-force", None, text, Who::Daemon, now);
    }

    pub(super) fn watch_readings(&mut self, now: Now) {
        let planned = self.planned_volumes();
        let controller = Arc::clone(&self.controller);
        for of in controller.water.keys() {
            if let Some(limits) = controller.tracked(of)
                && self.amount_in(of, &planned) > 0.0
            {
                self.watch_reading(of, limits.stale_after, now);
            }
        }
    }

    fn watch_reading(&mut self, of: &Quantity, stale_after: Millis, now: Now) {
        let Some(memory) = self.water.get(of) else {
            return;
        };
        let age = memory.reading_age(now);
        if age.is_none() && memory.reading.is_some() {
            return;
        }
        let cause = match age {
            None => Some(format!(
                "there is no {of} reading, so nothing may rise above uptake; test, then `dosewright reading add {of}`"
            )),
            Some(_) if let Some(at) = self.water_changed_since_reading(of) => Some(format!(
                "the water was changed after the last {of} reading ({at:.0}), so nothing may rise above uptake; test, then `dosewright reading add {of}`"
            )),
            Some(age) if age > stale_after => Some(format!(
                "the last {of} reading is over {stale_after} old, so nothing may rise above uptake; test again"
            )),
            Some(_) => None,
        };
        self.alarm_if(AlarmCode::ReadingOld, of.as_str(), cause, now);
    }
}

/// The newest reading of each thing.
pub(super) fn newest_readings(
    told: &BTreeMap<i64, Observation>,
) -> BTreeMap<&str, (&Observation, &Reading)> {
    let mut newest: BTreeMap<&str, (&Observation, &Reading)> = BTreeMap::new();
    for row in told.values() {
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
