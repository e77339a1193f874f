//! Uptake, prediction, and how much of the planned alkalinity is in force.

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::config::AlarmAction;
use crate::guard::{Prediction, alkalinity_in, effective_share};
use crate::quantity::{Alkalinity, Millis, Name, Volume};
use crate::record::{Entry, HoldScope, UptakeAccepted, Who};
use jiff::Timestamp;

/// Additions older than this are not needed: no reading is taken to be older when it is entered.
const LOG_SPAN: Millis = Millis::from_mins(30 * 24 * 60);

/// A declaration this near to the established uptake is the same one, written with two decimals, dKH a day.
const DECLARED_CLOSE_DKH: f64 = 0.0051;

impl Engine {
    pub(super) fn uptake(&self) -> Option<Alkalinity> {
        self.alkalinity.uptake.as_ref().map(|u| u.uptake)
    }

    /// What the tank should be at now; `None` without a reading, or when what was added since is not known.
    pub(super) fn prediction(&self, now: Now) -> Option<Prediction> {
        let limits = self.controller.alkalinity.as_ref()?;
        let (value, uncertainty, _) = self.alkalinity.reading?;
        if self.water_changed_since_reading().is_some() {
            return None;
        }
        let running: f64 = self
            .window
            .active()
            .map(|d| alkalinity_in(&d.carries).as_meq_per_l())
            .sum();
        let added = self
            .alkalinity
            .added_since?
            .plus(Alkalinity::from_meq_per_l(running));
        let age = self.reading_age(now)?;
        Some(Prediction::new(
            value,
            uncertainty,
            added,
            self.uptake()?,
            age,
            limits.drift_per_day,
        ))
    }

    /// When the water was changed, if that was after the last reading was taken.
    fn water_changed_since_reading(&self) -> Option<Timestamp> {
        let (_, _, taken) = self.alkalinity.reading?;
        self.alkalinity.changed.filter(|changed| *changed > taken)
    }

    /// A water change was told or taken back.
    pub(super) fn water_changed(&mut self, now: Now) {
        self.alkalinity.changed = self.newest_water_change();
        self.touch_all_lines();
        self.follow_ramp(now);
    }

    /// Age of the last reading on the elapsed clock, which no step of the wall clock makes younger or older. `None` without a
    /// reading, or while the clock has not been trusted since it came back from the ledger.
    fn reading_age(&self, now: Now) -> Option<Millis> {
        self.alkalinity.reading?;
        Some(now.elapsed.minus(self.alkalinity.taken?).max(Millis::ZERO))
    }

    /// The clock is trusted: now it can be said how old a reading from the ledger is.
    pub(super) fn anchor_reading(&mut self, now: Now) {
        if let (Some((_, _, taken)), None) = (self.alkalinity.reading, self.alkalinity.taken) {
            self.alkalinity.taken = Some(elapsed_at(taken, now));
        }
    }

    pub(super) fn add_alkalinity(&mut self, added: Alkalinity, at: Millis) {
        if added.as_meq_per_l() <= 0.0 {
            return;
        }
        self.alkalinity.added_since = self.alkalinity.added_since.map(|sum| sum.plus(added));
        self.alkalinity.log.push_back((at, added));
        let horizon = at.minus(LOG_SPAN);
        while self
            .alkalinity
            .log
            .front()
            .is_some_and(|(at, _)| *at < horizon)
        {
            if let Some((at, _)) = self.alkalinity.log.pop_front() {
                self.alkalinity.log_from = at;
            }
        }
    }

    /// Takes a reading as the new base of the prediction, when it is newer than the last one.
    pub(super) fn take_alkalinity_reading(
        &mut self,
        (value, uncertainty): (Alkalinity, Alkalinity),
        (number, taken): (i64, Option<Timestamp>),
        now: Now,
    ) {
        // A sample of just now is that whatever the wall clock shows; another time means something to a trusted clock only.
        let at = match taken {
            None => Some(now.elapsed),
            Some(taken) if self.clock.unsure.is_none() => Some(elapsed_at(taken, now)),
            Some(_) => None,
        };
        let Some(at) = at.filter(|at| self.alkalinity.taken.is_none_or(|last| *at >= last)) else {
            return;
        };
        self.alkalinity.number = Some(number);
        self.alkalinity.reading = Some((value, uncertainty, taken.unwrap_or(now.wall)));
        self.alkalinity.taken = Some(at);
        self.alkalinity.added_since = self.added_after(at);
        self.judge_reading(value, now);
    }

    /// What was added after a moment; `None` when the log does not reach back to it.
    fn added_after(&self, at: Millis) -> Option<Alkalinity> {
        let complete = at >= self.alkalinity.log_from;
        let since: f64 = self
            .alkalinity
            .log
            .iter()
            .filter(|(ended, _)| *ended > at)
            .map(|(_, a)| a.as_meq_per_l())
            .sum();
        complete.then(|| Alkalinity::from_meq_per_l(since))
    }

    /// Finds anew which reading the prediction rests on, after one was taken back or replaced.
    pub(super) fn find_reading_anew(&mut self, now: Now) {
        let newest = self.newest_alkalinity();
        let before = self.alkalinity.reading.map(|(_, _, taken)| taken);
        self.alkalinity.number = newest.map(|(number, _)| number);
        self.alkalinity.reading = newest.map(|(_, reading)| reading);
        if let Some((_, (value, _, taken))) = newest {
            // A corrected value of the same sample is as old as that, and as much was added since.
            if before != Some(taken) {
                let known = self.clock.unsure.is_none();
                self.alkalinity.taken = known.then(|| elapsed_at(taken, now));
                self.alkalinity.added_since =
                    self.alkalinity.taken.and_then(|at| self.added_after(at));
            }
            self.judge_reading(value, now);
        } else {
            self.alkalinity.taken = None;
            self.alkalinity.added_since = None;
            self.clear(AlarmCode::ReadingAlarm, "alkalinity", now);
        }
        self.touch_all_lines();
        self.follow_ramp(now);
    }

    fn judge_reading(&mut self, value: Alkalinity, now: Now) {
        let Some(limits) = self.controller.alkalinity.clone() else {
            return;
        };
        let side = if value > limits.alarm_high {
            Some(format!("over the alarm limit of {}", limits.alarm_high))
        } else if value < limits.alarm_low {
            Some(format!("below the alarm limit of {}", limits.alarm_low))
        } else {
            None
        };
        let text = side.map(|side| format!("alkalinity reading of {value} is {side}"));
        if let Some(reason) = &text {
            let reason = format!("{reason}; test again before you resume");
            match limits.alarm_action {
                AlarmAction::Warn => {}
                AlarmAction::HoldAll => {
                    self.set_hold(HoldScope::All, reason, Who::Daemon, None, now);
                }
                AlarmAction::HoldAlkalinityLines => {
                    let lines: Vec<Name> = self
                        .controller
                        .lines
                        .iter()
                        .map(|l| l.name.clone())
                        .filter(|l| self.carries_alkalinity(l))
                        .collect();
                    for line in lines {
                        self.set_hold(
                            HoldScope::Line(line),
                            reason.clone(),
                            Who::Daemon,
                            None,
                            now,
                        );
                    }
                }
            }
        }
        self.alarm_if(AlarmCode::ReadingAlarm, "alkalinity", text, now);
    }

    /// Alkalinity that a day of the standing plan and of the courses in force adds, over all lines.
    pub(super) fn planned_alkalinity(&self) -> Alkalinity {
        self.alkalinity_of(&self.planned_volumes())
    }

    pub(super) fn alkalinity_of(&self, daily: &crate::plan::DailyVolumes) -> Alkalinity {
        let per_line = |(line, volume): (&Name, &Volume)| {
            let solution = self
                .line_config(line)
                .and_then(|l| self.controller.solutions.get(&l.solution))?;
            Some(
                solution
                    .effect
                    .alkalinity_rise(*volume, self.controller.tank)
                    .as_meq_per_l(),
            )
        };
        Alkalinity::from_meq_per_l(daily.iter().filter_map(per_line).sum())
    }

    /// Finds anew how much of the plan is in force, and says so when it changed.
    pub(super) fn follow_ramp(&mut self, now: Now) {
        // While the clock is unsure nothing is planned, and ages are not known.
        let Some(ramp) = self.ramp_facts(now).filter(|_| self.clock.unsure.is_none()) else {
            return;
        };
        let planned = self.planned_alkalinity();
        let share = effective_share(planned, &ramp);
        if (share - self.alkalinity.share).abs() > 1e-6 {
            if (share / self.alkalinity.share - 1.0).abs() > 0.05 {
                // What was given so far was given by another measure.
                self.watched_from = now.elapsed;
            }
            self.alkalinity.share = share;
            let in_force = planned.times(share);
            let why = crate::guard::allowance(&ramp)
                .map(|a| a.reason.to_string())
                .unwrap_or_default();
            let text = if (share - 1.0).abs() < 1e-6 {
                format!("the whole plan is in force: {planned} a day")
            } else if share < 1.0 {
                format!("the plan of {planned} a day is clamped to {in_force} a day: {why}")
            } else {
                format!(
                    "the plan of {planned} a day is raised to {in_force} a day: uptake less the largest allowed fall"
                )
            };
            self.note("plan-in-force", None, text, Who::Daemon, now);
        }
    }

    pub(super) fn watch_readings(&mut self, now: Now) {
        let Some(limits) = self
            .controller
            .alkalinity
            .as_ref()
            .filter(|_| self.planned_alkalinity().as_meq_per_l() > 0.0)
        else {
            return;
        };
        let stale_after = limits.stale_after;
        let age = self.reading_age(now);
        if age.is_none() && self.alkalinity.reading.is_some() {
            return;
        }
        let cause = match age {
            None => Some("there is no alkalinity reading, so nothing may rise above uptake; test, then `dosewright reading add alkalinity`".to_owned()),
            Some(_) if let Some(at) = self.water_changed_since_reading() => Some(format!("the water was changed after the last alkalinity reading ({at:.0}), so nothing may rise above uptake; test, then `dosewright reading add alkalinity`")),
            Some(age) if age > stale_after => Some(format!("the last alkalinity reading is over {stale_after} old, so nothing may rise above uptake; test again")),
            Some(_) => None,
        };
        self.alarm_if(AlarmCode::ReadingOld, "alkalinity", cause, now);
    }

    /// Compares the uptake declared in the plan with the established one, and takes a new declaration if it is small enough
    /// and not too soon. The first declaration of all is taken as it is.
    ///
    /// # Errors
    /// Why a new declaration is not taken; the established uptake stays in force.
    pub(super) fn take_declared_uptake(
        &mut self,
        declared: Option<Alkalinity>,
        who: &Who,
        now: Now,
    ) -> Result<(), String> {
        let (Some(declared), Some(limits)) = (declared, self.controller.alkalinity.clone()) else {
            return Ok(());
        };
        let before = match &self.alkalinity.uptake {
            None => declared,
            Some(u) if close(u.declared, declared) => return Ok(()),
            Some(u) => u.uptake,
        };
        // A plan brought into line with an uptake that was accepted meanwhile changes nothing, so it need not wait.
        let brought_into_line = declared.minus(before).as_dkh().abs() <= DECLARED_CLOSE_DKH;
        if let Some(established) = self
            .alkalinity
            .uptake
            .as_ref()
            .filter(|_| !brought_into_line)
        {
            if let Some(why) = &self.clock.unsure {
                return Err(format!(
                    "uptake stays {before} a day until the clock is trusted, because it is not known how long it has settled: {why}"
                ));
            }
            Self::check_uptake_change(before, declared, established.at.wall, &limits, now)?;
        }
        let entry = UptakeAccepted {
            // Many small steps must not add up to one that would have been refused.
            uptake: if brought_into_line { before } else { declared },
            before,
            declared,
            who: who.clone(),
            at: self.stamp(now),
        };
        self.alkalinity.uptake = Some(entry.clone());
        self.mark_written(now);
        self.store(Entry::Uptake(entry), None);
        Ok(())
    }

    /// The clock is trusted: a declaration that had to wait for that is looked at again.
    pub(super) fn declare_again(&mut self, now: Now) {
        if self.alkalinity.uptake.is_none() {
            return;
        }
        match self.take_declared_uptake(self.plan.uptake, &Who::Daemon, now) {
            Ok(()) => self.clear(AlarmCode::UptakeRefused, "", now),
            Err(why) => self.raise(AlarmCode::UptakeRefused, "", why, now),
        }
    }

    pub(super) fn check_uptake_change(
        before: Alkalinity,
        declared: Alkalinity,
        last: Timestamp,
        limits: &crate::config::AlkalinityLimits,
        now: Now,
    ) -> Result<(), String> {
        let change = declared.minus(before);
        let advice = format!("uptake stays {before} a day");
        if change.as_meq_per_l().abs() > limits.uptake_change_max.as_meq_per_l() + 1e-9 {
            return Err(format!(
                "uptake may change by {} a day at a time; from {before} to {declared} is {change}; {advice}",
                limits.uptake_change_max
            ));
        }
        let since = Millis::new(
            now.wall
                .as_millisecond()
                .saturating_sub(last.as_millisecond()),
        );
        if since < limits.settling {
            return Err(format!(
                "uptake was changed {since} ago and must settle for {}; {advice}",
                limits.settling
            ));
        }
        Ok(())
    }
}

/// Where a wall time lies on the elapsed clock, as the two stand now.
fn elapsed_at(wall: Timestamp, now: Now) -> Millis {
    let ago = now
        .wall
        .as_millisecond()
        .saturating_sub(wall.as_millisecond());
    now.elapsed.minus(Millis::new(ago))
}

fn close(a: Alkalinity, b: Alkalinity) -> bool {
    (a.as_meq_per_l() - b.as_meq_per_l()).abs() < 1e-9
}
