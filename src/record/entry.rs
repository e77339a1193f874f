//! Everything that is written beside intents and outcomes: its kinds, and what each says to people.

use std::fmt;

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use super::arming::Arming;
use super::bench::{Bench, BenchStep};
use super::calibration::{StoredCalibration, StoredVerification};
use super::corridor::Corridor;
use super::course::{Course, CourseState};
use super::forgotten::Forgotten;
use super::hold::HoldChange;
use super::lab::LabColumns;
use super::note::Note;
use super::observation::Observation;
use super::refill::Refill;
use super::slot::{OutageMissed, SlotNotGiven};
use super::stamp::{Stamp, Who};
use super::taken_back::TakenBack;
use super::uptake::Uptake;
use super::wrong_time::WrongTime;
use crate::quantity::Name;

/// A kind, the word that it is written by, and its golden bodies, one of each form.
macro_rules! entries {
    ($($(#[$about:meta])* $kind:ident($record:ident) = $word:literal [$($form:literal)+];)*) => {
        /// Everything that is written beside intents and outcomes: a kind, and the record that it is.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(tag = "kind", content = "body")]
        pub enum Entry {
            /// A bottle was filled. Lies in a table of its own.
            #[serde(rename = "refill")]
            Refill(Refill),
            $($(#[$about])* #[serde(rename = $word)] $kind($record),)*
        }

        impl Entry {
            /// Every kind but refills, with its golden bodies: what columns it has for views and export is told by them, and the tests hold
            /// them against what is written.
            pub const KINDS: &[(&str, &[&str])] = &[$(($word, &[$(include_str!(concat!("../../tests/golden/entry-", $form, ".json"))),+])),*];

            /// When it was written down.
            pub const fn at(&self) -> Stamp {
                match self {
                    Self::Refill(Refill { at, .. }) $(| Self::$kind($record { at, .. }))* => *at,
                }
            }
        }
    };
}

entries! {
    SlotNotGiven(SlotNotGiven) = "not-given" ["not-given"];
    /// Slots missed in an outage.
    OutageMissed(OutageMissed) = "outage" ["outage"];
    /// A hold was set or lifted.
    Hold(HoldChange) = "hold" ["hold"];
    /// A head was calibrated.
    Calibration(StoredCalibration) = "calibration" ["calibration"];
    /// A head was checked against its calibration.
    Verification(StoredVerification) = "verification" ["verification"];
    /// Something was told of the water.
    Observation(Observation) = "observation" [
        "observation-reading" "observation-below" "observation-water-change" "observation-addition" "observation-note" "observation-job"
    ];
    LabColumns(LabColumns) = "lab-columns" ["lab-columns"];
    /// A session at the bench was opened or is over, or a head has a new tube.
    Bench(Bench) = "bench" ["bench"];
    /// The uptake was changed.
    Uptake(Uptake) = "uptake" ["uptake"];
    /// Outputs may be driven from now on, or no longer.
    Arming(Arming) = "arming" ["arming"];
    /// A course was begun, moved on, paused, resumed, turned or ended.
    Course(Course) = "course" ["course"];
    /// A corridor was granted, or has ended.
    Corridor(Corridor) = "corridor" ["corridor"];
    /// Something told no longer counts.
    TakenBack(TakenBack) = "taken-back" ["taken-back"];
    Note(Note) = "event" ["event"];
    /// The ledger may lack what was given before.
    Forgotten(Forgotten) = "forgotten" ["forgotten"];
    /// The clock was wrong from then to then.
    WrongTime(WrongTime) = "wrong-time" ["wrong-time"];
}

/// How loud an entry is in the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loudness {
    Info,
    Warn,
    Error,
}

/// What the log and the displays say of an entry.
#[derive(Debug)]
pub struct Said<'a> {
    /// A stable word.
    pub code: &'a str,
    pub who: &'a Who,
    /// The line that it concerns.
    pub line: Option<&'a Name>,
    pub text: String,
    pub loud: Loudness,
}

impl Entry {
    /// Times are those of the zone.
    pub fn said(&self, zone: &TimeZone) -> Said<'_> {
        use Loudness::{Error, Info, Warn};
        let daemon = &Who::Daemon;
        let timed;
        let (loud, code, who, line, text): (_, _, _, _, &dyn fmt::Display) = match self {
            Self::SlotNotGiven(it) => {
                timed = it.words(zone);
                (Warn, it.kind.as_str(), daemon, Some(&it.key.line), &timed)
            }
            Self::OutageMissed(it) => {
                timed = it.words(zone);
                (Warn, "doses-missed", daemon, Some(&it.line), &timed)
            }
            Self::Hold(it) => (Warn, it.action.as_str(), &it.who, it.scope.line(), it),
            Self::Refill(it) => (Info, "refill", &it.who, None, it),
            Self::Observation(it) => (Info, "observation", &it.who, None, &it.what),
            Self::LabColumns(it) => (Info, "lab-columns", daemon, None, it),
            Self::Verification(it) => (Info, "verification", &it.who, None, it),
            Self::Calibration(it) => (Info, "calibration", &it.who, None, it),
            Self::Bench(it) => (Info, "bench", &it.who, Some(&it.line), it),
            Self::Uptake(it) => (Info, "uptake", &it.who, None, it),
            Self::Arming(it) if it.armed => (Warn, "armed", &it.who, None, it),
            Self::Arming(it) => (Warn, "disarmed", &it.who, None, it),
            Self::Course(it) => (Info, "course", &it.who, Some(it.what.line()), it),
            Self::Corridor(it) => (Info, "corridor", &it.who, None, it),
            Self::TakenBack(it) => (Info, "taken-back", &it.who, None, it),
            Self::Forgotten(it) => (Error, "books-forgotten", daemon, None, &it.why),
            Self::WrongTime(it) => {
                timed = it.words(zone);
                (Warn, "clock-was-wrong", &it.who, None, &timed)
            }
            Self::Note(it) => {
                let loud = if it.code == "alarm-raised" {
                    Warn
                } else {
                    Info
                };
                (loud, it.code.as_str(), &it.who, it.line.as_ref(), &it.text)
            }
        };
        let text = text.to_string();
        Said {
            code,
            who,
            line,
            text,
            loud,
        }
    }

    /// What it changes in the water or in what is given, in words.
    pub(super) fn change(&self) -> Option<String> {
        Some(if let Self::Refill(it) = self {
            let Refill {
                reservoir,
                level,
                solution,
                ..
            } = it;
            format!("bottle {reservoir} filled to {level} of {solution}")
        } else if let Self::Course(it) = self
            && (it.step == 0 || it.state == CourseState::Ended)
        {
            it.to_string()
        } else if let Self::Calibration(it) = self {
            format!("head {} calibrated", it.head)
        } else if let Self::Bench(it) = self
            && it.what == BenchStep::NewTube
        {
            format!("head {} with a new tube", it.head)
        } else if let Self::Note(it) = self
            && it.code == "plan-reloaded"
        {
            "another plan.toml".to_owned()
        } else {
            return None;
        })
    }
}
