//! The water, one quantity like the other: uptake, prediction, and how much of the planned addition is in force.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::chemistry::Quantity;
use crate::config::AlarmAction;
use crate::guard::{
    LowReading, Prediction, WaterFacts, allowance, effective_share, uptake_counted,
};
use crate::quantity::{Alkalinity, Millis, Name};
use crate::record::{
    Carried, Course, CourseState, Departure, Destination, DoseId, Found, HoldScope, Stamp, Who,
};

impl Engine {
    /// Limits, uptake and prediction of every quantity that has limits.
    pub(super) fn water_facts(&self, now: Now) -> BTreeMap<Quantity, WaterFacts> {
        let limited = self.controller().water.keys();
        limited
            .filter_map(|of| Some((of.clone(), self.water_fact(of, now)?)))
            .collect()
    }

    /// Of one of them.
    pub(super) fn water_fact(&self, of: &Quantity, now: Now) -> Option<WaterFacts> {
        Some(WaterFacts {
            limits: *self.controller().water.get(of)?,
            rise_per_hour: self.in_force.busiest_hour().rise(self.controller(), of),
            uptake: self.in_force.uptake_of(of),
            prediction: self.prediction(of, now),
            low: self.low_reading(of),
        })
    }

    /// What the tank should be at now; `None` without a band or a reading, or when what was added since is not known.
    pub(super) fn prediction(&self, of: &Quantity, now: Now) -> Option<Prediction> {
        let limits = self.controller().tracked(of)?;
        let base = self.water.base(of)?;
        let running = self.books.window.active();
        let into_tank = running.filter(|d| d.into == Destination::Tank);
        let running: f64 = into_tank.filter_map(|d| d.carries.get(of)).sum();
        Some(Prediction::new(
            base.value,
            base.added + running + self.told.by_hand_since(of, base.taken),
            uptake_counted(of, self.in_force.uptake_of(of))?,
            self.water.reading_age(of, now)?,
            limits.drift_per_day,
        ))
    }

    /// A water change was told or taken back.
    pub(super) fn water_changed(&mut self, now: Now) {
        self.water.changed(self.told.newest_water_change());
        self.touch_all_lines();
        self.follow_ramp(now);
    }

    /// Takes the last readings back from the ledger, with what was added since.
    pub(super) fn take_readings(
        &mut self,
        added: &Carried,
        mode_began: Option<(usize, Stamp)>,
        now: Now,
    ) {
        self.water.changed(self.told.newest_water_change());
        if self.books.last_dose_id() > DoseId(0) {
            // What the other mode did not add has not been kept away in this one.
            let age = mode_began.and_then(|(session, at)| self.age_since(session, at, now));
            let ago = age.map_or(Millis::DAY, |age| age.min(Millis::DAY));
            self.water.added_before(now.elapsed.minus(ago));
        }
        let forgotten = self.forgotten.as_ref().map_or(0, |f| f.told_last);
        self.water
            .restore(&self.told.newest_readings(), added, forgotten);
    }

    /// What a restart forgot of the last readings.
    pub(super) fn look_at_readings(&mut self, now: Now) {
        let newest = self.told.newest_readings();
        let founds: Vec<(Quantity, Found)> = self
            .water
            .quantities()
            .filter_map(|of| Some((of.clone(), newest.get(of.as_str())?.1.found)))
            .collect();
        for (of, found) in founds {
            let outside = self.outside_alarm(&of, found);
            self.alarm_of_reading(&of, outside, now);
        }
    }

    /// The last reading, when it is below an alarm limit that allows uptake only. A course up that was begun or resumed since it was
    /// told is its owner's answer to it: within the largest rise that is given.
    fn low_reading(&self, of: &Quantity) -> Option<LowReading> {
        let limits = self.controller().tracked(of)?;
        let (read, _, _) = self.water.reading(of)?;
        if limits.on_alarm_low != AlarmAction::UptakeOnly || read >= limits.alarm_low {
            return None;
        }
        let told = self.told.stamp_of(self.water.number(of)?);
        let answers = |course: &Course| {
            let up = matches!(&course.what, Departure::Add { of: own, per_day, .. } if own == of && *per_day > 0.0);
            let since = told.is_some_and(|told| {
                told.trusted && course.at.trusted && course.at.wall > told.wall
            });
            up && since && course.state == CourseState::Running
        };
        if self.in_force.courses().iter().any(answers) {
            return None;
        }
        let keeps = self.in_force.uptake_of(of).unwrap_or_else(|| {
            let max_rise = self.controller().water.get(of).map_or(0.0, |l| l.max_rise);
            let standing = self.in_force.standing_volumes();
            self.in_force.amount_in(of, &standing).min(max_rise)
        });
        Some(LowReading { read, keeps })
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
        let taken = taken.unwrap_or(now.wall);
        if self.water.take_reading(of, found, (number, taken, at)) {
            self.judge_reading(of, found, now);
        }
    }

    /// Finds anew which reading the prediction rests on, after one was taken back or replaced.
    pub(super) fn find_reading_anew(&mut self, of: &Quantity, now: Now) {
        let newest = self.told.newest_readings().remove(of.as_str());
        let found = newest.map(|(_, reading)| reading.found);
        let known = self.clock.unsure.is_none();
        let when = |taken| known.then(|| now.elapsed_at(taken));
        self.water.rest_on(of, newest, when);
        match found {
            Some(found) => self.judge_reading(of, found, now),
            None => self.clear(AlarmCode::ReadingAlarm, of.as_str(), now),
        }
        self.touch_all_lines();
        self.follow_ramp(now);
    }

    fn judge_reading(&mut self, of: &Quantity, found: Found, now: Now) {
        let outside = self.outside_alarm(of, found);
        if let Some((text, action)) = &outside {
            let reason = format!("{text}; test again before you resume");
            self.act_on_alarm(of, *action, &reason, now);
        }
        self.alarm_of_reading(of, outside, now);
    }

    fn alarm_of_reading(
        &mut self,
        of: &Quantity,
        outside: Option<(String, AlarmAction)>,
        now: Now,
    ) {
        let text = outside.map(|(text, action)| match action {
            AlarmAction::UptakeOnly => format!(
                "{text}; the plan goes on, and no more than its uptake is added until a reading above that limit or a course up (`dosewright course raise`); test again"
            ),
            AlarmAction::HoldLines | AlarmAction::HoldAll | AlarmAction::Warn => text,
        });
        self.alarm_if(AlarmCode::ReadingAlarm, of.as_str(), text, now);
    }

    /// How a reading is outside the alarm band, and what that does.
    fn outside_alarm(&self, of: &Quantity, found: Found) -> Option<(String, AlarmAction)> {
        let limits = self.controller().tracked(of)?;
        let (amount, _) = found.amount();
        // Below a detection limit it may be anything down to nothing, so it is never known to be high.
        let (side, limit, action) = if amount > limits.alarm_high && found.value().is_some() {
            ("over", limits.alarm_high, limits.on_alarm_high)
        } else if amount < limits.alarm_low {
            ("below", limits.alarm_low, limits.on_alarm_low)
        } else {
            return None;
        };
        let (amount, limit) = (of.amount(amount), of.amount(limit));
        let text = format!("{of} reading of {amount} is {side} the alarm limit of {limit}");
        Some((text, action))
    }

    fn act_on_alarm(&mut self, of: &Quantity, action: AlarmAction, reason: &str, now: Now) {
        let scopes = match action {
            AlarmAction::UptakeOnly | AlarmAction::Warn => Vec::new(),
            AlarmAction::HoldAll => vec![HoldScope::All],
            AlarmAction::HoldLines => {
                let lines = self.controller().lines.iter().map(|l| l.name.clone());
                let carriers = lines.filter(|line| self.in_force.carries(line, of));
                carriers.map(HoldScope::Line).collect()
            }
        };
        for scope in scopes {
            self.set_hold(scope, reason.to_owned(), Who::Daemon, None, now);
        }
    }

    /// Alkalinity that a day of the standing plan and of the courses in force adds, over all lines.
    pub(super) fn planned_alkalinity(&self) -> Alkalinity {
        Alkalinity::from_dkh(
            self.in_force
                .amount_in(&Quantity::Alkalinity, &self.planned_volumes()),
        )
    }

    /// What part of a line's planned volume is in force: the smallest share of all that it carries or goes by and whose uptake is established.
    pub(super) fn share_in_force(&self, line: &Name) -> f64 {
        let tied = self.in_force.goes_with_alkalinity(line);
        let concerned = |of: &&Quantity| {
            let moves = self.in_force.carries(line, of) || (tied && **of == Quantity::Alkalinity);
            moves && self.in_force.uptake_of(of).is_some()
        };
        let shares = self.water.quantities().filter(concerned);
        shares
            .filter_map(|of| self.water.share(of))
            .reduce(f64::min)
            .unwrap_or(1.0)
    }

    /// Finds anew how much of the plan is in force, and says so when it changed.
    pub(super) fn follow_ramp(&mut self, now: Now) {
        // While the clock is unsure nothing is planned, and ages are not known.
        if self.clock.unsure.is_some() {
            return;
        }
        let controller = Arc::clone(&self.in_force.controller);
        for of in controller.water.keys() {
            if self.in_force.uptake_of(of).is_some()
                && let Some(facts) = self.water_fact(of, now)
            {
                self.follow_share(of, &facts, now);
            }
        }
    }

    fn follow_share(&mut self, of: &Quantity, facts: &WaterFacts, now: Now) {
        let planned = self.in_force.amount_in(of, &self.planned_volumes());
        let share = effective_share(of, planned, facts);
        let Some(before) = self.water.share(of) else {
            return;
        };
        if (share - before).abs() <= 1e-6 {
            return;
        }
        if (share / before - 1.0).abs() > 0.05 {
            self.in_force.watch_anew(now.elapsed);
        }
        self.water.set_share(of, share);
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
        let controller = Arc::clone(&self.in_force.controller);
        for of in controller.water.keys() {
            if let Some(limits) = controller.tracked(of)
                && self.in_force.amount_in(of, &planned) > 0.0
            {
                self.watch_reading(of, limits.stale_after, now);
            }
        }
    }

    fn watch_reading(&mut self, of: &Quantity, stale_after: Millis, now: Now) {
        let age = self.water.reading_age(of, now);
        if age.is_none() && self.water.reading(of).is_some() {
            return;
        }
        let cause = match age {
            None => Some(format!(
                "there is no {of} reading, so nothing may rise above uptake; test, then `dosewright reading add {of}`"
            )),
            Some(_) if let Some(at) = self.water.changed_since_reading(of) => Some(format!(
                "the water was changed after the last {of} reading ({}), so nothing may rise above uptake; test, then `dosewright reading add {of}`",
                self.controller().local(at)
            )),
            Some(age) if age > stale_after => Some(format!(
                "the last {of} reading is over {stale_after} old, so nothing may rise above uptake; test again"
            )),
            Some(_) => None,
        };
        self.alarm_if(AlarmCode::ReadingOld, of.as_str(), cause, now);
    }
}
