//! What bottles held, when they were filled, and when they will be empty.

use jiff::{SignedDuration, Timestamp};

use super::days::Days;
use super::material::Material;
use super::model::{BottleReport, Refilled};
use crate::engine::Status;
use crate::quantity::{Millis, Name, Volume};
use crate::record::Entry;

pub(super) fn bottles(material: &Material<'_>, status: &Status, days: &Days) -> Vec<BottleReport> {
    let each = status.reservoirs.iter().map(|bottle| {
        let refills = refills(material, &bottle.name);
        BottleReport {
            bottle: bottle.name.clone(),
            solution: bottle.solution.clone(),
            capacity: bottle.capacity,
            reserve: bottle.reserve,
            left: bottle.left,
            days_left: bottle.days_left,
            empty_on: bottle
                .days_left
                .and_then(|left| Some(days.date(after(material.now.wall, left)?))),
            levels: levels(material, &bottle.name, &refills, days),
            refills,
        }
    });
    each.collect()
}

/// So many days later; `None` past the end of the calendar.
pub(super) fn after(at: Timestamp, days: f64) -> Option<Timestamp> {
    let later = Millis::from_secs_f64(days * 86_400.0)?;
    at.checked_add(SignedDuration::from_millis(later.as_ms()))
        .ok()
}

fn refills(material: &Material<'_>, bottle: &Name) -> Vec<Refilled> {
    let all = material.entries.iter().filter_map(|entry| {
        let Entry::Refill(refill) = entry else {
            return None;
        };
        (refill.reservoir == *bottle).then(|| Refilled {
            at: refill.at.wall,
            before: refill.before,
            level: refill.level,
            solution: refill.solution.clone(),
        })
    });
    all.collect()
}

fn levels(
    material: &Material<'_>,
    bottle: &Name,
    refills: &[Refilled],
    days: &Days,
) -> Vec<(Timestamp, Volume)> {
    let drawn = material
        .doses
        .iter()
        .filter(|dose| dose.reservoir == *bottle);
    let drawn: Vec<(Timestamp, Volume)> = drawn
        .filter_map(|dose| Some((dose.at, dose.left?)))
        .collect();
    let mut levels = Vec::new();
    let mut begins = days.begins().skip(1).peekable();
    let mut filled = refills.iter().peekable();
    let mut last = None;
    for (at, left) in drawn {
        while let Some(refill) = filled.next_if(|refill| refill.at <= at) {
            levels.extend(last.or(refill.before.map(|before| (refill.at, before))));
            levels.push((refill.at, refill.level));
        }
        while begins.next_if(|begin| *begin <= at).is_some() {
            levels.extend(last);
        }
        if last.is_none() && levels.is_empty() {
            levels.push((at, left));
        }
        last = Some((at, left));
    }
    levels.extend(last);
    for refill in filled {
        levels.push((refill.at, refill.level));
    }
    levels.sort_by_key(|(at, _)| *at);
    levels.dedup();
    levels
}
