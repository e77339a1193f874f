//! What goes wrong in a scenario: `[[fault]]`.

use super::scenario_keys as keys;
use super::scenario_keys::fault::{BOTTLE, DAY, HEAD, HOURS, PERCENT, TIMES_PER_100_DAYS, WHAT};
use super::schema::{Of, Text};
use super::tree::RawTable;
use crate::quantity::{Millis, Name};

#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    pub what: FaultKind,
    pub when: FaultWhen,
    /// Zero for what lasts for good.
    pub lasts: Millis,
}

#[derive(Debug, Clone, PartialEq)]
pub enum FaultKind {
    PowerCut,
    DaemonStopped,
    /// The board starts anew, and nobody tells it the time.
    ClockUnknown,
    /// Of one bottle, or of all.
    RefillLate(Option<Name>),
    /// Of this head, or of one that chance picks.
    HeadBlocked(Option<Name>),
    /// And by what part its rate changes.
    HeadWorn(Option<Name>, f64),
}

impl FaultKind {
    pub const fn word(&self) -> &'static str {
        match self {
            Self::PowerCut => keys::POWER_CUT,
            Self::DaemonStopped => keys::DAEMON_STOPPED,
            Self::ClockUnknown => keys::CLOCK_UNKNOWN,
            Self::RefillLate(_) => keys::REFILL_LATE,
            Self::HeadBlocked(_) => keys::HEAD_BLOCKED,
            Self::HeadWorn(..) => keys::HEAD_WORN,
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FaultWhen {
    /// Days since the begin.
    OnDay(f64),
    OnShareOfDays(f64),
}

/// A fault as it was told, when nothing in it is wrong.
pub(super) fn fault(raw: &RawTable) -> Option<Fault> {
    let what = raw.text(WHAT)?;
    if raw.spoiled {
        return None;
    }
    let (is_worn, is_late) = (what == keys::HEAD_WORN, what == keys::REFILL_LATE);
    let has_head = is_worn || what == keys::HEAD_BLOCKED;
    let is_number = |key| raw.number(key).is_some();
    let is_text = |key| raw.text(key).is_some();
    let suits = [
        suits(raw, (HOURS, is_number(HOURS)), (!is_worn, !is_worn)),
        suits(raw, (PERCENT, is_number(PERCENT)), (is_worn, is_worn)),
        suits(raw, (HEAD, is_text(HEAD)), (has_head, false)),
        suits(raw, (BOTTLE, is_text(BOTTLE)), (is_late, false)),
    ];
    let (day, times) = (raw.number(DAY), raw.number(TIMES_PER_100_DAYS));
    let when = match (day, times) {
        (Some(day), None) => FaultWhen::OnDay(day),
        (None, Some(times)) => FaultWhen::OnShareOfDays(times / 100.0),
        (Some(_), Some(_)) | (None, None) => {
            raw.refuse_whole(
                "give either day or times-per-100-days, so that it is known when it happens",
            );
            return None;
        }
    };
    let head = name(raw, HEAD).ok()?;
    let bottle = name(raw, BOTTLE).ok()?;
    let hours = raw.number(HOURS).unwrap_or_default();
    let part = raw.number(PERCENT).unwrap_or_default() / 100.0;
    suits.iter().all(|suits| *suits).then_some(())?;
    Some(Fault {
        what: match what {
            keys::POWER_CUT => FaultKind::PowerCut,
            keys::DAEMON_STOPPED => FaultKind::DaemonStopped,
            keys::CLOCK_UNKNOWN => FaultKind::ClockUnknown,
            keys::REFILL_LATE => FaultKind::RefillLate(bottle),
            keys::HEAD_BLOCKED => FaultKind::HeadBlocked(head),
            _ => FaultKind::HeadWorn(head, part),
        },
        when,
        lasts: Millis::from_secs_f64(hours * 3600.0)?,
    })
}

/// Whether a key is there where it must be, and not where it says nothing.
fn suits<T>(raw: &RawTable, (key, is_there): (Of<T>, bool), (may, must): (bool, bool)) -> bool {
    let what = raw.text(WHAT).unwrap_or_default();
    let words = if must && !is_there {
        format!("{key} is missing; \"{what}\" needs it")
    } else if is_there && !may {
        format!("{key} says nothing of \"{what}\"; leave it out")
    } else {
        return true;
    };
    raw.refuse(key, words);
    false
}

/// # Errors
/// When what is there is no name.
fn name(raw: &RawTable, key: Of<Text>) -> Result<Option<Name>, ()> {
    let Some(text) = raw.text(key) else {
        return Ok(None);
    };
    Name::new(text).map(Some).map_err(|why| {
        raw.refuse(key, format!("{key} = \"{text}\": {why}"));
    })
}
