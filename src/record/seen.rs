//! Outputs that were looked at and driven off, by a live start or by `outputs-off`.

use serde::{Deserialize, Serialize};

use super::history::PastSession;
use super::stamp::Stamp;
use crate::config::HeadOutput;
use crate::quantity::Millis;

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutputSeen {
    /// What hangs on it.
    pub what: String,
    pub place: OutputPlace,
    /// Whether it was certainly on, and whether it was certainly off: neither, when nobody could tell.
    pub was_on: bool,
    pub was_off: bool,
    /// Whether it is off now.
    pub is_off: bool,
    /// The kernel's boot id.
    pub boot: String,
    #[serde(flatten)]
    pub at: Stamp,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputPlace {
    Gpio(u8),
    /// Chip and channel.
    Pwm(String, u8),
}

impl OutputPlace {
    /// Whether what is on here moves that head or gives its motor current. A direction input does neither.
    pub fn moves(&self, head: &HeadOutput) -> bool {
        match self {
            Self::Pwm(chip, channel) => head.pwm().is_some_and(|pwm| {
                pwm.channel == *channel && chip.ends_with(pwm.chip.trim_matches('/'))
            }),
            Self::Gpio(gpio) => {
                let mut pins = head.pins().into_iter();
                pins.any(|(use_of, pin)| use_of != "direction" && pin.gpio == *gpio)
            }
        }
    }
}

/// What was looked at in this boot after the sessions before the last of these.
pub fn seen_since<'a>(
    seen: &'a [OutputSeen],
    sessions: &[PastSession],
    boot: &'a str,
) -> impl Iterator<Item = &'a OutputSeen> {
    let earlier = sessions.split_last().map(|(_, earlier)| earlier);
    let of_boot = earlier
        .unwrap_or_default()
        .iter()
        .filter(|s| s.boot == boot);
    let known = of_boot
        .map(|s| s.elapsed_last)
        .max()
        .unwrap_or(Millis::ZERO);
    seen.iter()
        .filter(move |s| s.boot == boot && s.at.elapsed > known)
}
