//! Effects as log lines: fields, not prose.

use crate::engine::Effect;
use crate::record::{DoseEnd, Entry, HoldChange};

/// Writes an effect to the log.
pub(super) fn effect(effect: &Effect) {
    match effect {
        Effect::StoreIntent(_) | Effect::SaveHolds { .. } | Effect::Reply { .. } => {}
        Effect::StartPump { head, permit } => {
            tracing::info!(dose = permit.dose().0, line = %permit.line(), %head, volume = %permit.volume(), run_time = %permit.run_time(), "dose started");
        }
        Effect::StopPump { head, why } => tracing::warn!(%head, reason = %why, "head stopped"),
        Effect::StoreOutcome(outcome) => {
            let (dose, volume, left) = (outcome.id.0, outcome.delivered, outcome.reservoir_left);
            match outcome.end {
                DoseEnd::Delivered => {
                    tracing::info!(dose, %volume, reservoir_left = %left, "dose delivered");
                }
                DoseEnd::Interrupted => {
                    tracing::warn!(dose, %volume, reservoir_left = %left, reason = %outcome.cause, "dose interrupted");
                }
                DoseEnd::Failed => {
                    tracing::error!(dose, %volume, reservoir_left = %left, reason = %outcome.cause, "dose failed");
                }
                DoseEnd::Uncertain => {
                    tracing::warn!(dose, %volume, reservoir_left = %left, reason = %outcome.cause, "dose uncertain");
                }
                DoseEnd::NotStarted => {
                    tracing::warn!(dose, reason = %outcome.cause, "dose not started");
                }
            }
        }
        Effect::Store { entries, .. } => entries.iter().for_each(entry),
        Effect::Exit { why } => tracing::error!(reason = %why, "the daemon must end"),
    }
}

fn entry(entry: &Entry) {
    match entry {
        Entry::SlotNotGiven(slot) => {
            tracing::warn!(line = %slot.key.line, volume = %slot.volume, code = %slot.code, reason = %slot.reason, "dose refused");
        }
        Entry::OutageMissed(missed) => {
            let slots = missed
                .slots
                .map_or("not counted".to_owned(), |n| n.to_string());
            tracing::warn!(line = %missed.line, %slots, "slots missed");
        }
        Entry::Hold(change) => {
            let HoldChange { scope, who, .. } = change;
            if let Some(reason) = &change.reason {
                tracing::warn!(?scope, %reason, %who, "hold");
            } else {
                tracing::warn!(?scope, %who, "hold lifted");
            }
        }
        Entry::Refill(refill) => {
            tracing::info!(reservoir = %refill.reservoir, level = %refill.level, note = %refill.note, "reservoir filled");
        }
        Entry::Observation(told) => {
            tracing::info!(number = told.number, what = %told.what, happened = %told.happened, "told");
        }
        Entry::LabColumns(lab) => tracing::info!(lab = %lab.lab, "columns of a lab"),
        Entry::Calibration(stored) => {
            let (rate, offset) = (stored.calibration.rate(), stored.calibration.offset());
            tracing::info!(head = %stored.head, %rate, %offset, method = %stored.method, "calibration");
        }
        Entry::Verification(stored) => {
            tracing::info!(head = %stored.head, dose = stored.dose.0, expected = %stored.expected, measured = %stored.measured, "head checked");
        }
        Entry::Bench(bench) => {
            tracing::info!(session = bench.number, head = %bench.head, what = %bench.what, cap = %bench.cap, bucket_days = bench.bucket_days, "bench");
        }
        Entry::Uptake(uptake) => {
            tracing::info!(of = %uptake.of, uptake = uptake.uptake, before = uptake.before, how = uptake.how.as_str(), "uptake in force");
        }
        Entry::Course(course) => {
            tracing::info!(course = course.number, what = %course.what, step = course.step, days = course.days, state = course.state.as_str(), "course");
        }
        Entry::TakenBack(back) => {
            tracing::info!(number = back.number, by = back.replaced_by, why = %back.why, "taken back");
        }
        Entry::Arming(arming) => {
            tracing::warn!(armed = arming.armed, fingerprint = %arming.fingerprint, hardware = %arming.hardware, who = %arming.who, "arming");
        }
        Entry::Forgotten(forgotten) => {
            tracing::error!(why = %forgotten.why, "the ledger may have forgotten doses");
        }
        Entry::WrongTime(wrong) => tracing::warn!(who = %wrong.who, "{wrong}"),
        Entry::Note(note) if note.code == "alarm-raised" => {
            tracing::warn!(code = %note.code, "{}", note.text);
        }
        Entry::Note(note) => tracing::info!(code = %note.code, "{}", note.text),
    }
}
