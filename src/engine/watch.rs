//! What is looked at all the time: conditions that raise alarms, and how much of the plan is in force.

use std::collections::BTreeMap;

use super::alarms::{AlarmCode, TEST_LASTS};
use super::effect::Answer;
use super::event::Now;
use super::state::Engine;
use crate::config::InputRole;
use crate::plan::DailyVolumes;
use crate::quantity::{Millis, Name, Volume, f64_from_i64};
use crate::record::{HoldScope, Who};
use jiff::{Span, Timestamp};

/// Under- and over-delivery of a line against its plan over 24 h (the 90 % of a generic infusion-pump requirement,
/// Arney et al. 2009, req. 1.2.3, and 110 % of req. 1.2.2; the time of 24 h is ours).
const UNDER_DELIVERY: f64 = 0.9;
const OVER_DELIVERY: f64 = 1.1;

/// A return pump is switched off to feed or to work; after this long it is taken to have failed. Ours.
const RETURN_PUMP_URGENT_AFTER: Millis = Millis::from_mins(30);

/// How far a bottle is followed for the status whose lines dose on some dates only.
pub(super) const AHEAD_DAYS: f64 = 400.0;

impl Engine {
    pub(super) fn watch(&mut self, now: Now) {
        self.watch_clock(now);
        self.watch_reservoirs(now);
        self.watch_heads(now);
        self.watch_holds(now);
        self.watch_deliveries(now);
        self.watch_readings(now);
        self.watch_kept_away(now);
        self.watch_by_hand(now);
        self.watch_levels(now);
        self.follow_alarms(now);
    }

    fn watch_clock(&mut self, now: Now) {
        let waited = now.elapsed.minus(self.clock.started.elapsed);
        let limit = self.controller().times.clock_wait_alarm;
        let cause = self
            .clock
            .unsure
            .as_ref()
            .filter(|_| waited >= limit)
            .map(|why| format!("no dose by plan while the clock is not trusted: {why}"));
        self.alarm_if(AlarmCode::ClockUnsure, "", cause, now);
    }

    /// Days that a bottle lasts at the volumes in force; `None` when nothing draws on it or its content is unknown. A line that doses on
    /// some dates only is followed date by date, for so many; after these by what they took.
    pub(super) fn reservoir_lasts(
        &self,
        reservoir: &Name,
        daily: &DailyVolumes,
        (now, ahead_days): (Now, f64),
    ) -> Option<f64> {
        let lines: Vec<&Name> = self
            .controller()
            .drawing_on(reservoir)
            .map(|line| &line.name)
            .collect();
        let config = self.controller().reservoirs.get(reservoir)?;
        let left = self.books.left_in(reservoir)?;
        let usable = left.saturating_sub(config.reserve).or_zero();
        let days =
            |left: Volume, drawn: Volume| f64_from_i64(left.as_ul()) / f64_from_i64(drawn.as_ul());
        let schedule = &self.in_force.schedule;
        if !lines.iter().any(|line| schedule.picks_dates(line)) {
            let drawn: Volume = lines
                .iter()
                .filter_map(|line| daily.get(*line))
                .copied()
                .sum();
            return (drawn > Volume::ZERO).then(|| days(usable, drawn));
        }
        let today = self.in_force.local_date(now.wall);
        let given = |line: &Name| {
            let day = self
                .lines
                .get(line)?
                .today
                .filter(|(day, _)| *day == today)?;
            Some(day.1)
        };
        let (mut left, mut passed) = (usable, 0.0);
        for date in today.series(Span::new().days(1)) {
            if passed >= ahead_days {
                break;
            }
            let drawn: Volume = lines
                .iter()
                .map(|line| {
                    let volume = schedule.volume_on(line, date, daily);
                    let given = given(line).filter(|_| date == today).unwrap_or_default();
                    volume.saturating_sub(given).or_zero()
                })
                .sum();
            if drawn > left {
                return Some(passed + days(left, drawn));
            }
            left = left.saturating_sub(drawn);
            passed += 1.0;
        }
        let drawn = usable.saturating_sub(left);
        (drawn > Volume::ZERO).then(|| passed * days(usable, drawn))
    }

    fn watch_reservoirs(&mut self, now: Now) {
        let names: Vec<Name> = self.controller().reservoirs.keys().cloned().collect();
        let daily = self.daily_volumes();
        for name in names {
            let warn_days = self
                .controller()
                .reservoirs
                .get(&name)
                .map_or(0.0, |r| r.low_warning.as_days());
            let lasts = self
                .reservoir_lasts(&name, &daily, (now, warn_days))
                .filter(|days| *days < warn_days);
            let left = self.books.left_in(&name).unwrap_or_default();
            let cause = lasts.map(|_| format!("reservoir {name} runs low: {left} left, less than {warn_days:.1} days of plan; refill it and run `dosewright refill {name} VOLUME`"));
            self.alarm_if(AlarmCode::ReservoirLow, name.as_str(), cause, now);
            let cause = self.float_disagrees(&name);
            self.alarm_if(AlarmCode::ReservoirDisagrees, name.as_str(), cause, now);
        }
    }

    fn watch_heads(&mut self, now: Now) {
        let heads: Vec<Name> = self.controller().heads.keys().cloned().collect();
        for name in heads {
            let fault = self.controller().heads.get(&name).and_then(|head| {
                self.calibration_age_fault(head, now)
                    .or_else(|| self.calibration_speed_fault(head))
            });
            let cause = fault.map(|why| {
                format!("head {name}: {why}; calibrate it again with `dosewright bench {name}`")
            });
            self.alarm_if(AlarmCode::CalibrationOld, name.as_str(), cause, now);
        }
    }

    /// What dosewright holds by itself nobody knows of until they look.
    fn watch_own_holds(&mut self, now: Now) {
        let mut own: BTreeMap<String, String> = BTreeMap::new();
        for hold in self.holds.list().iter().filter(|h| h.who == Who::Daemon) {
            let subject = match &hold.scope {
                HoldScope::All => String::new(),
                HoldScope::Line(line) => line.to_string(),
            };
            own.entry(subject)
                .and_modify(|reasons| {
                    reasons.push_str("; ");
                    reasons.push_str(&hold.reason);
                })
                .or_insert_with(|| {
                    format!(
                        "{} is on hold until `{}`: {}",
                        hold.scope,
                        hold.scope.lifted_by(),
                        hold.reason
                    )
                });
        }
        for lifted in self.alarms.active_subjects(AlarmCode::Held) {
            if !own.contains_key(&lifted) {
                self.clear(AlarmCode::Held, &lifted, now);
            }
        }
        for (subject, text) in own {
            self.raise(AlarmCode::Held, &subject, text, now);
        }
    }

    fn watch_holds(&mut self, now: Now) {
        self.watch_own_holds(now);
        let limit = self.controller().times.hold_reminder;
        let oldest = self.holds.list().iter().min_by_key(|h| h.since);
        let age = oldest.map(|h| {
            Millis::new(
                now.wall
                    .as_millisecond()
                    .saturating_sub(h.since.as_millisecond()),
            )
        });
        let cause = oldest
            .zip(age)
            .filter(|(_, age)| *age >= limit && self.clock.unsure.is_none())
            .map(|(hold, _)| {
                format!(
                    "{} has been on hold since {}, over {limit}: {}",
                    hold.scope,
                    self.controller().local(hold.since),
                    hold.reason
                )
            });
        self.alarm_if(AlarmCode::HoldForgotten, "", cause, now);
    }

    /// Compares what each line gave in 24 h with its plan, once a whole day has been watched under this plan.
    fn watch_deliveries(&mut self, now: Now) {
        if self.in_force.watched_for(now.elapsed) < Millis::DAY
            || self.clock.unsure.is_some()
            || self.forgets_until(now).is_some()
        {
            return;
        }
        let volumes = self.daily_volumes();
        for (line, daily) in &volumes {
            let daily = *daily;
            if self.session_of(line).is_some() {
                continue;
            }
            let planned = self.planned_last_24h((line, daily), &volumes, now);
            // The last 24 h of a line that a course changes lie between two days.
            let (least, most) = self
                .departing_between(line, now)
                .unwrap_or((planned, planned));
            let given = self
                .books
                .window
                .volume_within(Millis::DAY, line, now.elapsed);
            let share = |of: Volume| {
                if of > Volume::ZERO {
                    f64_from_i64(given.as_ul()) / f64_from_i64(of.as_ul())
                } else {
                    1.0
                }
            };
            // A dose more or less at the edge of the window is no fault.
            let edge = self.in_force.largest_slot(line);
            let under = share(least) < UNDER_DELIVERY && given.saturating_add(edge) < least;
            let over = share(most) > OVER_DELIVERY && given.saturating_sub(edge) > most;
            let text = |what: &str| {
                format!(
                    "line {line} gave {what} of its plan in 24 h: planned {planned}; see `dosewright ledger list --line {line}`"
                )
            };
            self.alarm_if(
                AlarmCode::UnderDelivered,
                line.as_str(),
                under.then(|| text("less than 90 %")),
                now,
            );
            self.alarm_if(
                AlarmCode::OverDelivered,
                line.as_str(),
                over.then(|| text("more than 110 %")),
                now,
            );
        }
    }

    /// What the plan had for a line in the last 24 h. That is its daily volume, but for a line that doses on some days only.
    fn planned_last_24h(
        &mut self,
        (line, daily): (&Name, Volume),
        volumes: &DailyVolumes,
        now: Now,
    ) -> Volume {
        if !self.in_force.schedule.picks_dates(line) {
            return daily;
        }
        let since = now
            .wall
            .as_millisecond()
            .saturating_sub(Millis::DAY.as_ms());
        let since = Timestamp::from_millisecond(since).unwrap_or(now.wall);
        let counted = self
            .in_force
            .schedule
            .count_between(line, since, now.wall, volumes);
        counted.map_or(daily, |(_, volume)| volume)
    }

    /// Raises the alarm of missed slots; acknowledging it ends it.
    pub(super) fn raise_missed(&mut self, slots: u32, from: Timestamp, until: Timestamp, now: Now) {
        let [from, until] = [from, until].map(|at| self.controller().local(at));
        let text = format!(
            "{slots} slots were missed between {from} and {until}; they are not made up for"
        );
        self.note("slots-missed", None, text.clone(), Who::Daemon, now);
        self.raise(AlarmCode::SlotsMissed, "", text, now);
        self.clear(AlarmCode::SlotsMissed, "", now);
    }

    /// Raises an alarm, or brings the text of one that lasts up to date.
    pub(super) fn raise(&mut self, code: AlarmCode, subject: &str, text: String, now: Now) {
        let urgent_from = (code == AlarmCode::InputUnsafe && self.is_return_pump(subject))
            .then(|| now.elapsed.plus(RETURN_PUMP_URGENT_AFTER));
        let raised = self.alarms.raise((code, subject), text, urgent_from, now);
        if let Some(text) = raised {
            self.note("alarm-raised", None, text, Who::Daemon, now);
        }
    }

    /// The cause of an alarm is gone. It stays listed until it is acknowledged.
    pub(super) fn clear(&mut self, code: AlarmCode, subject: &str, now: Now) {
        if let Some(text) = self.alarms.clear(code, subject) {
            self.note("alarm-cleared", None, text, Who::Daemon, now);
        }
    }

    /// Raises or clears, as the cause is there or not.
    pub(super) fn alarm_if(
        &mut self,
        code: AlarmCode,
        subject: &str,
        cause: Option<String>,
        now: Now,
    ) {
        match cause {
            Some(text) => self.raise(code, subject, text, now),
            None => self.clear(code, subject, now),
        }
    }

    /// Somebody has seen an alarm (by its code), or all of them. How many that were.
    pub(super) fn acknowledge(&mut self, code: Option<&str>, who: &Who, now: Now) -> usize {
        let seen = self.alarms.acknowledge(code);
        let count = seen.len();
        for text in seen {
            self.note("alarm-acknowledged", None, text, who.clone(), now);
        }
        count
    }

    fn is_return_pump(&self, input: &str) -> bool {
        let mut inputs = self.controller().inputs.values();
        inputs.any(|i| i.name.as_str() == input && i.role == InputRole::ReturnPump)
    }

    /// Whether the alarm output is to be on.
    pub fn calls_for_help(&self) -> bool {
        self.alarms.call_for_help()
    }

    fn follow_alarms(&mut self, now: Now) {
        self.alarms.grow_urgent(now);
        if self.alarms.end_test(now) {
            self.clear(AlarmCode::Test, "", now);
        }
        for text in self.alarms.reminders(now) {
            self.note("alarm-reminder", None, text, Who::Daemon, now);
        }
    }

    /// Raises an alarm that means nothing, so that somebody can see whom alarms reach.
    pub(super) fn test_alarm(&mut self, who: Who, now: Now) -> Answer {
        self.alarms.begin_test(now);
        let text = format!(
            "this is a test, nothing is wrong: {who} tries whether alarms are noticed; it ends by itself after {TEST_LASTS}"
        );
        self.note("alarm-test", None, text.clone(), who, now);
        self.raise(AlarmCode::Test, "", text, now);
        let board = self.controller().board.as_ref();
        let pin = match (board.and_then(|b| b.alarm.as_ref()), self.live) {
            (None, _) => {
                "there is no alarm output; [board] alarm in controller.toml gives one".to_owned()
            }
            (Some(pin), true) => format!("the alarm output, GPIO{}, is on", pin.gpio),
            (Some(pin), false) => {
                format!(
                    "the alarm output, GPIO{}, stays off: this is a dry run",
                    pin.gpio
                )
            }
        };
        Answer::done(format!(
            "a test alarm stands for {TEST_LASTS}: {pin}; the displays show it, and `dosewright tell`, where it runs, tells it within seconds. Go and see what arrives; dosing is not touched"
        ))
    }
}
