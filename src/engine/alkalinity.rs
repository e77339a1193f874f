//! Uptake, prediction, and how much of the planned alkalinity is in force.

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::Engine;
use crate::config::AlarmAction;
use crate::guard::{Prediction, alkalinity_in, effective_share};
use crate::quantity::{Alkalinity, Millis, Name, Volume};
use crate::record::{HoldScope, Who};
use jiff::Timestamp;

/// Additions older than this are not needed: no reading is taken to be older when it is entered.
const LOG_SPAN: Millis = Millis::from_mins(30 * 24 * 60);

impl Engine {
    pub(super) fn uptake(&self) -> Option<Alkalinity> {
        self.plan.alkalinity_uptake()
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

    /// The owner tells of a water change.
    pub(super) fn water_changed(&mut self, at: Timestamp, now: Now) {
        self.alkalinity.changed = self.alkalinity.changed.max(Some(at));
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
        taken: Option<Timestamp>,
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
        self.alkalinity.reading = Some((value, uncertainty, taken.unwrap_or(now.wall)));
        self.alkalinity.taken = Some(at);
        let complete = at >= self.alkalinity.log_from;
        let since: f64 = self
            .alkalinity
            .log
            .iter()
            .filter(|(ended, _)| *ended > at)
            .map(|(_, a)| a.as_meq_per_l())
            .sum();
        self.alkalinity.added_since = complete.then(|| Alkalinity::from_meq_per_l(since));
        self.judge_reading(value, now);
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
}

/// Where a wall time lies on the elapsed clock, as the two stand now.
fn elapsed_at(wall: Timestamp, now: Now) -> Millis {
    let ago = now
        .wall
        .as_millisecond()
        .saturating_sub(wall.as_millisecond());
    now.elapsed.minus(Millis::new(ago))
}
