//! Alarms: few, specific, latched. An alarm stays until its cause is gone and somebody has seen it.
//!
//! Those that cannot wait until somebody looks are urgent and turn the alarm output on: what has stopped dosing unasked, what may have given
//! too much, what says that water stands where it should not. A hold that a person set is not: whoever set it knows, and a stop that is
//! answered by a buzzer is thought about twice. One that dosewright set by itself is.

use std::collections::BTreeMap;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::event::Now;
use crate::quantity::{Millis, Second, worded};

/// A reminder of an alarm that nobody has acknowledged is written down this often.
const REMIND_EVERY: Millis = Millis::DAY;

/// How long a test alarm stands: three looks of `dosewright tell`.
pub(super) const TEST_LASTS: Millis = Millis::from_secs(30);

worded! {
    /// What an alarm is about. The text of each is stable, for programs.
    pub enum AlarmCode {
        /// The clock has not been trusted for long.
        ClockUnsure = "clock-unsure",
        /// The ledger cannot be written.
        LedgerFault = "ledger-fault",
        /// The hold file cannot be written or read.
        HoldFileFault = "hold-file-fault",
        /// A bottle runs low.
        ReservoirLow = "reservoir-low",
        /// Books and float of a bottle disagree.
        ReservoirDisagrees = "reservoir-disagrees",
        /// A head's calibration is old.
        CalibrationOld = "calibration-old",
        /// A hold has lasted long.
        HoldForgotten = "hold-forgotten",
        /// A line delivered less than 90 % of its plan in 24 h.
        UnderDelivered = "under-delivered",
        /// A line delivered more than 110 % of its plan in 24 h.
        OverDelivered = "over-delivered",
        /// The last alkalinity reading is old, or there is none.
        ReadingOld = "reading-old",
        /// A reading was outside the alarm band.
        ReadingAlarm = "reading-alarm",
        /// A quantity has not been added for a day.
        KeptAway = "kept-away",
        /// A level is going to leave the alarm band.
        LevelLeaving = "level-leaving",
        /// More was added by hand than a day may bring.
        AddedByHand = "added-by-hand",
        SlotsMissed = "slots-missed",
        /// A contact changes too often to be believed.
        InputChattering = "input-chattering",
        /// A contact says that something is wrong.
        InputUnsafe = "input-unsafe",
        /// The board's supply is too low.
        UnderVoltage = "under-voltage",
        /// The end of a dose was not seen.
        DoseUncertain = "dose-uncertain",
        /// The slots of a day break the keep-apart rules.
        PlanUnplaceable = "plan-unplaceable",
        /// A top-up comes to its review date.
        TopUpReview = "top-up-review",
        /// A changeover does not move on.
        ChangeoverStalled = "changeover-stalled",
        /// A session at the bench fell silent.
        BenchSilent = "bench-silent",
        /// The ledger may have forgotten doses; all caps count as full.
        BooksForgotten = "books-forgotten",
        /// A hold that dosewright set by itself.
        Held = "held",
        /// Somebody tries whether alarms reach them.
        Test = "test",
    }
}

impl AlarmCode {
    /// Whether it cannot wait until somebody looks.
    const fn is_urgent(self) -> bool {
        match self {
            Self::ClockUnsure
            | Self::LedgerFault
            | Self::HoldFileFault
            | Self::ReservoirDisagrees
            | Self::OverDelivered
            | Self::ReadingAlarm
            | Self::AddedByHand
            | Self::InputChattering
            | Self::InputUnsafe
            | Self::UnderVoltage
            | Self::DoseUncertain
            | Self::PlanUnplaceable
            | Self::BenchSilent
            | Self::BooksForgotten
            | Self::Held
            | Self::Test => true,
            Self::ReservoirLow
            | Self::CalibrationOld
            | Self::HoldForgotten
            | Self::UnderDelivered
            | Self::ReadingOld
            | Self::KeptAway
            | Self::LevelLeaving
            | Self::SlotsMissed
            | Self::TopUpReview
            | Self::ChangeoverStalled => false,
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
    /// Whether it cannot wait: the alarm output is on until it is acknowledged.
    pub urgent: bool,
    #[serde(skip)]
    reminded: Millis,
    /// When it becomes urgent if its cause lasts, on the elapsed clock.
    #[serde(skip)]
    urgent_from: Option<Millis>,
}

#[derive(Debug, Default)]
pub(super) struct Alarms {
    all: BTreeMap<(AlarmCode, String), Alarm>,
    /// When the test that is under way is over, on the elapsed clock.
    test_ends: Option<Millis>,
}

impl Alarms {
    pub(super) fn list(&self, now: Now) -> Vec<Alarm> {
        let shown = self.all.values().map(|alarm| Alarm {
            age_s: now.age_s(alarm.since),
            ..alarm.clone()
        });
        shown.collect()
    }

    /// What the alarms of a code that last are about.
    pub(super) fn active_subjects(&self, code: AlarmCode) -> Vec<String> {
        let of_code = |((c, subject), alarm): (&(AlarmCode, String), &Alarm)| {
            (*c == code && alarm.active).then(|| subject.clone())
        };
        self.all.iter().filter_map(of_code).collect()
    }

    pub(super) fn is_active(&self, code: AlarmCode, subject: &str) -> bool {
        let alarm = self.all.get(&(code, subject.to_owned()));
        alarm.is_some_and(|a| a.active)
    }

    /// Raises an alarm, or brings the text of one that lasts up to date. What to write down of a new one.
    pub(super) fn raise(
        &mut self,
        (code, subject): (AlarmCode, &str),
        text: String,
        urgent_from: Option<Millis>,
        now: Now,
    ) -> Option<String> {
        let key = (code, subject.to_owned());
        if let Some(alarm) = self.all.get_mut(&key).filter(|a| a.active) {
            alarm.text = text;
            return None;
        }
        let raised = format!("{}: {text}", label(code, subject));
        let alarm = Alarm {
            code,
            subject: Some(subject.to_owned()).filter(|s| !s.is_empty()),
            text,
            since: now.wall,
            age_s: 0,
            active: true,
            acknowledged: false,
            urgent: code.is_urgent() && urgent_from.is_none(),
            reminded: now.elapsed,
            urgent_from,
        };
        self.all.insert(key, alarm);
        Some(raised)
    }

    /// The cause of an alarm is gone. It stays listed until it is acknowledged. What to write down, if it lasted.
    pub(super) fn clear(&mut self, code: AlarmCode, subject: &str) -> Option<String> {
        let key = (code, subject.to_owned());
        let alarm = self.all.get_mut(&key).filter(|a| a.active)?;
        alarm.active = false;
        if alarm.acknowledged {
            self.all.remove(&key);
        }
        Some(label(code, subject))
    }

    /// Somebody has seen an alarm (by its code), or all of them. Which those were.
    pub(super) fn acknowledge(&mut self, code: Option<&str>) -> Vec<String> {
        let meant =
            |alarm: &Alarm| !alarm.acknowledged && code.is_none_or(|c| c == alarm.code.as_str());
        let mut seen = Vec::new();
        for alarm in self.all.values_mut().filter(|a| meant(a)) {
            alarm.acknowledged = true;
            seen.push(label(alarm.code, alarm.subject.as_deref().unwrap_or("")));
        }
        self.all
            .retain(|_, alarm| alarm.active || !alarm.acknowledged);
        seen
    }

    /// Whether somebody must come, and nobody has said that they know.
    pub(super) fn call_for_help(&self) -> bool {
        let mut alarms = self.all.values();
        alarms.any(|alarm| alarm.urgent && !alarm.acknowledged)
    }

    /// What has lasted too long becomes urgent.
    pub(super) fn grow_urgent(&mut self, now: Now) {
        for alarm in self.all.values_mut() {
            let is_due = alarm.urgent_from.is_some_and(|from| from <= now.elapsed);
            alarm.urgent |= is_due && alarm.active;
        }
    }

    pub(super) fn begin_test(&mut self, now: Now) {
        self.test_ends = Some(now.elapsed.plus(TEST_LASTS));
    }

    /// Whether a test is over now. It need not be acknowledged.
    pub(super) fn end_test(&mut self, now: Now) -> bool {
        let over = self.test_ends.take_if(|end| *end <= now.elapsed).is_some();
        for alarm in self.all.values_mut().filter(|_| over) {
            alarm.acknowledged |= alarm.code == AlarmCode::Test;
        }
        over
    }

    /// Elapsed time at which a test alarm ends.
    pub(super) fn next_end(&self) -> Option<Millis> {
        self.test_ends
    }

    /// What nobody has acknowledged for long, in words; each again after as long.
    pub(super) fn reminders(&mut self, now: Now) -> Vec<String> {
        let mut due = Vec::new();
        for alarm in self.all.values_mut() {
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
        due
    }
}

fn label(code: AlarmCode, subject: &str) -> String {
    if subject.is_empty() {
        code.as_str().to_owned()
    } else {
        format!("{} {subject}", code.as_str())
    }
}
