//! Alarms: few, specific, latched. An alarm stays until its cause is gone and somebody has seen it.

use std::collections::BTreeMap;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::event::Now;
use super::state::Engine;
use crate::quantity::{Millis, Second};
use crate::record::Who;

/// A reminder of an alarm that nobody has acknowledged is written down this often.
const REMIND_EVERY: Millis = Millis::DAY;

/// What an alarm is about. The text of each is stable, for programs.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmCode {
    /// The clock has not been trusted for long.
    ClockUnsure,
    /// The ledger cannot be written.
    LedgerFault,
    /// The hold file cannot be written or read.
    HoldFileFault,
    /// A bottle runs low.
    ReservoirLow,
    /// Books and float of a bottle disagree.
    ReservoirDisagrees,
    /// A head's calibration is old.
    CalibrationOld,
    /// A hold has lasted long.
    HoldForgotten,
    /// A line delivered less than 90 % of its plan in 24 h.
    UnderDelivered,
    /// A line delivered more than 110 % of its plan in 24 h.
    OverDelivered,
    /// The last alkalinity reading is old, or there is none.
    ReadingOld,
    /// A reading was outside the alarm band.
    ReadingAlarm,
    SlotsMissed,
    /// A contact changes too often to be believed.
    InputChattering,
    /// A contact says that something is wrong.
    InputUnsafe,
    /// The board's supply is too low.
    UnderVoltage,
    /// A declared uptake is not in force.
    /// The end of a dose was not seen.
    DoseUncertain,
    /// The slots of a day break the keep-apart rules.
    PlanUnplaceable,
    /// A top-up comes to its review date.
    TopUpReview,
    /// A changeover does not move on.
    ChangeoverStalled,
    /// A session at the bench fell silent.
    BenchSilent,
    /// The ledger may have forgotten doses; all caps count as full.
    BooksForgotten,
}

impl AlarmCode {
    pub fn as_str(self) -> &'static str {
        match self {
            Self::ClockUnsure => "clock-unsure",
            Self::LedgerFault => "ledger-fault",
            Self::HoldFileFault => "hold-file-fault",
            Self::ReservoirLow => "reservoir-low",
            Self::ReservoirDisagrees => "reservoir-disagrees",
            Self::CalibrationOld => "calibration-old",
            Self::HoldForgotten => "hold-forgotten",
            Self::UnderDelivered => "under-delivered",
            Self::OverDelivered => "over-delivered",
            Self::ReadingOld => "reading-old",
            Self::ReadingAlarm => "reading-alarm",
            Self::SlotsMissed => "slots-missed",
            Self::InputChattering => "input-chattering",
            Self::InputUnsafe => "input-unsafe",
            Self::UnderVoltage => "under-voltage",
            Self::DoseUncertain => "dose-uncertain",
            Self::PlanUnplaceable => "plan-unplaceable",
            Self::TopUpReview => "top-up-review",
            Self::ChangeoverStalled => "changeover-stalled",
            Self::BenchSilent => "bench-silent",
            Self::BooksForgotten => "books-forgotten",
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Alarm {
    /// What it is about, for programs.
    pub code: AlarmCode,
    /// Which line, head, bottle or input; null when it is about the whole.
    pub subject: Option<String>,
    /// In words, with what to do.
    pub text: String,
    /// When it was raised.
    #[serde(with = "Second")]
    pub since: Timestamp,
    pub age_s: i64,
    /// Whether its cause still lasts.
    pub active: bool,
    /// Whether somebody has seen it.
    pub acknowledged: bool,
    #[serde(skip)]
    reminded: Millis,
}

#[derive(Debug, Default)]
pub(super) struct Alarms {
    all: BTreeMap<(AlarmCode, String), Alarm>,
}

impl Alarms {
    pub(super) fn list(&self, now: Now) -> Vec<Alarm> {
        let shown = self.all.values().map(|alarm| Alarm {
            age_s: now.age_s(alarm.since),
            ..alarm.clone()
        });
        shown.collect()
    }

    pub(super) fn is_active(&self, code: AlarmCode, subject: &str) -> bool {
        let alarm = self.all.get(&(code, subject.to_owned()));
        alarm.is_some_and(|a| a.active)
    }
}

impl Engine {
    /// Raises an alarm, or brings the text of one that lasts up to date.
    pub(super) fn raise(&mut self, code: AlarmCode, subject: &str, text: String, now: Now) {
        let key = (code, subject.to_owned());
        if let Some(alarm) = self.alarms.all.get_mut(&key).filter(|a| a.active) {
            alarm.text = text;
            return;
        }
        let alarm = Alarm {
            code,
            subject: Some(subject.to_owned()).filter(|s| !s.is_empty()),
            text: text.clone(),
            since: now.wall,
            age_s: 0,
            active: true,
            acknowledged: false,
            reminded: now.elapsed,
        };
        self.alarms.all.insert(key, alarm);
        self.note(
            "alarm-raised",
            None,
            format!("{}: {text}", label(code, subject)),
            Who::Daemon,
            now,
        );
    }

    /// The cause of an alarm is gone. It stays listed until it is acknowledged.
    pub(super) fn clear(&mut self, code: AlarmCode, subject: &str, now: Now) {
        let key = (code, subject.to_owned());
        let Some(alarm) = self.alarms.all.get_mut(&key).filter(|a| a.active) else {
            return;
        };
        alarm.active = false;
        if alarm.acknowledged {
            self.alarms.all.remove(&key);
        }
        self.note(
            "alarm-cleared",
            None,
            label(code, subject),
            Who::Daemon,
            now,
        );
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
        let meant =
            |alarm: &Alarm| !alarm.acknowledged && code.is_none_or(|c| c == alarm.code.as_str());
        let mut seen = Vec::new();
        for alarm in self.alarms.all.values_mut().filter(|a| meant(a)) {
            alarm.acknowledged = true;
            seen.push(label(alarm.code, alarm.subject.as_deref().unwrap_or("")));
        }
        self.alarms
            .all
            .retain(|_, alarm| alarm.active || !alarm.acknowledged);
        let count = seen.len();
        for text in seen {
            self.note("alarm-acknowledged", None, text, who.clone(), now);
        }
        count
    }

    pub(super) fn remind_of_alarms(&mut self, now: Now) {
        let mut due = Vec::new();
        for alarm in self.alarms.all.values_mut() {
            if !alarm.acknowledged && now.elapsed.minus(alarm.reminded) >= REMIND_EVERY {
                alarm.reminded = now.elapsed;
                let over = if alarm.active {
                    ""
                } else {
                    " (over, but nobody has seen it)"
                };
                due.push(format!(
                    "{}{over}: {}",
                    label(alarm.code, alarm.subject.as_deref().unwrap_or("")),
                    alarm.text
                ));
            }
        }
        for text in due {
            self.note("alarm-reminder", None, text, Who::Daemon, now);
        }
    }
}

fn label(code: AlarmCode, subject: &str) -> String {
    if subject.is_empty() {
        code.as_str().to_owned()
    } else {
        format!("{} {subject}", code.as_str())
    }
}
