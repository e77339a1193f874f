//! Effects in the log: what an operator reads after the fact.

use jiff::tz::TimeZone;

use super::lines;
use crate::engine::Effect;
use crate::mqtt::EventLine;
use crate::quantity::Name;
use crate::record::{DoseEnd, Loudness};

/// One line for each effect that is news.
pub(super) fn effect(effect: &Effect, zone: &TimeZone) {
    match effect {
        Effect::StoreIntent(_) | Effect::SaveHolds { .. } | Effect::Reply { .. } => {}
        Effect::StartPump { head, permit } => {
            tracing::info!(dose = permit.dose().0, line = %permit.line(), %head, volume = %permit.volume(), run_time = %permit.run_time(), "dose started");
        }
        Effect::StopPump { head, why } => tracing::warn!(%head, reason = %why, "head stopped"),
        Effect::StoreOutcome(outcome) => {
            let level = match outcome.end {
                DoseEnd::Delivered => tracing::Level::INFO,
                DoseEnd::Interrupted | DoseEnd::Uncertain | DoseEnd::NotStarted => {
                    tracing::Level::WARN
                }
                DoseEnd::Failed => tracing::Level::ERROR,
            };
            say(level, &lines::dose(outcome, None));
        }
        Effect::Store { entries, .. } => {
            for entry in entries {
                let said = entry.said(zone);
                let level = match said.loud {
                    Loudness::Info => tracing::Level::INFO,
                    Loudness::Warn => tracing::Level::WARN,
                    Loudness::Error => tracing::Level::ERROR,
                };
                say(level, &lines::entry(&said, entry.at().wall));
            }
        }
        Effect::Exit { why } => tracing::error!(reason = %why, "the daemon must end"),
    }
}

fn say(level: tracing::Level, said: &EventLine) {
    let (code, who, text) = (&said.code, &said.who, &said.text);
    let line = said.line.as_ref().map(Name::as_str);
    if level == tracing::Level::ERROR {
        tracing::error!(code, line, who, "{text}");
    } else if level == tracing::Level::WARN {
        tracing::warn!(code, line, who, "{text}");
    } else {
        tracing::info!(code, line, who, "{text}");
    }
}
