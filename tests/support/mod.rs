//! Shared by the ledger's tests and benches: stamps, intents and outcomes of an invented reef, and a ledger of any size.
#![allow(dead_code, reason = "each test binary uses its own part of it")]

use std::path::Path;

use dosewright::chemistry::Quantity;
use dosewright::ledger::{Ledger, OpenAs, SessionStart, Timeline};
use dosewright::plan::SlotKey;
use dosewright::quantity::{Millis, Name, Volume};
use dosewright::record::{
    Carried, Destination, DoseEnd, DoseId, DoseKind, Entry, Found, Intent, Observation, Observed,
    Outcome, Reading, Refill, Stamp, Who,
};
use jiff::Timestamp;

pub(crate) const LINES: [&str; 5] = ["alkalinity", "calcium", "magnesium", "trace", "iodine"];
/// 2026-01-01T00:00:00Z in milliseconds.
pub(crate) const EPOCH_MS: i64 = 1_767_225_600_000;

pub(crate) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

/// A trusted stamp `ms` after the demo's beginning, on a boot that began then.
pub(crate) fn at(ms: i64) -> Stamp {
    Stamp {
        wall: Timestamp::from_millisecond(EPOCH_MS + ms).unwrap(),
        elapsed: Millis::new(ms),
        trusted: true,
    }
}

pub(crate) fn open_as(boot: &str, at: Stamp) -> OpenAs {
    OpenAs {
        timeline: Timeline::Real,
        installation: None,
        session: SessionStart {
            boot: boot.to_owned(),
            at,
            version: "0.1.0".to_owned(),
            controller_fingerprint: "c0".to_owned(),
            plan_fingerprint: "p0".to_owned(),
            live: false,
        },
    }
}

/// Opens with the demo's one boot.
pub(crate) fn open(path: &Path, ms: i64) -> Ledger {
    Ledger::open(path, &open_as("boot-1", at(ms))).unwrap()
}

/// What one of its doses adds to the tank: 0.03 dKH, or nothing.
fn carries(line: &str) -> Carried {
    let alkalinity = (line == "alkalinity").then_some((Quantity::Alkalinity, 0.03));
    alkalinity.into_iter().collect()
}

/// An intent of 2 mL by hand on one of the demo's lines.
pub(crate) fn intent(id: i64, line: &str, ms: i64) -> Intent {
    Intent {
        id: DoseId(id),
        line: name(line),
        head: name(&format!("head-{line}")),
        reservoir: name(&format!("bottle-{line}")),
        solution: name(line),
        kind: DoseKind::Hand,
        slot: None,
        volume: Volume::from_ul(2_000),
        run_time: Millis::new(4_000),
        carries: carries(line),
        into: Destination::Tank,
        who: Who::Local { uid: 1000 },
        live: false,
        at: at(ms),
    }
}

/// The same dose in a slot of the plan.
pub(crate) fn slot_intent(id: i64, line: &str, ms: i64, date: &str, number: u32) -> Intent {
    let key = SlotKey {
        line: name(line),
        date: date.parse().unwrap(),
        number,
    };
    Intent {
        kind: DoseKind::Plan,
        slot: Some(key),
        who: Who::Plan,
        ..intent(id, line, ms)
    }
}

/// The whole run of a dose of 2 mL.
pub(crate) fn delivered(id: i64, left_ul: i64, ms: i64) -> Outcome {
    Outcome {
        id: DoseId(id),
        end: DoseEnd::Delivered,
        delivered: Volume::from_ul(2_000),
        on_time: Some(Millis::new(4_000)),
        reservoir_left: Volume::from_ul(left_ul),
        cause: String::new(),
        at: at(ms),
    }
}

pub(crate) fn refill(line: &str, level_ul: i64, before: Option<i64>, ms: i64) -> Refill {
    Refill {
        reservoir: name(&format!("bottle-{line}")),
        level: Volume::from_ul(level_ul),
        before: before.map(Volume::from_ul),
        solution: name("soda-ash"),
        tube: None,
        who: Who::Local { uid: 1000 },
        note: "filled".to_owned(),
        at: at(ms),
    }
}

/// Tells a reading of alkalinity for each of the last 26 weeks before `end_ms`.
pub(crate) fn read_weekly(path: &Path, end_ms: i64) {
    let told = (0..26).map(|week| {
        Entry::Observation(Observation {
            number: week + 1,
            what: Observed::Reading(Reading {
                of: Quantity::Alkalinity.into(),
                found: Found::Value {
                    value: 8.0,
                    uncertainty: 0.1,
                },
                step: Some(0.1),
                as_read: String::new(),
            }),
            panel: None,
            method: "titration".to_owned(),
            happened: at(end_ms - (25 - week) * 7 * 86_400_000).wall,
            who: Who::Local { uid: 1000 },
            at: at(end_ms + 6_000),
        })
    });
    let mut ledger = open(path, end_ms + 6_000);
    ledger.store(&told.collect::<Vec<_>>()).unwrap();
}

/// Fills a new ledger at `path` with `doses` doses of five lines, 48 a day each, all delivered, the last at `end_ms` after
/// the demo's beginning; and closes it. Made through SQL, in one transaction: a million doses in some seconds.
///
/// The bottles are as full at first as they need be to end with 1 L each, so the books are sound.
pub(crate) fn generate(path: &Path, doses: i64, end_ms: i64) {
    generate_as(path, doses, end_ms, false);
}

pub(crate) fn generate_as(path: &Path, doses: i64, end_ms: i64, is_live: bool) {
    const STEP_MS: i64 = 360_000;
    drop(open(path, end_ms - doses * STEP_MS));
    let mut conn = rusqlite::Connection::open(path).unwrap();
    let tx = conn.transaction().unwrap();
    let begin_ms = end_ms - (doses - 1) * STEP_MS;
    {
        let mut refill = tx
            .prepare(
                "INSERT INTO refill (session, at_ms, elapsed_ms, trusted, reservoir, level_ul, solution, dose_last, outcome_order, who, note)
                 VALUES (1, ?1, ?2, 1, ?3, ?4, 'soda-ash', 0, ?5, 'local:1000', 'first entry')",
            )
            .unwrap();
        for (order, line) in (1_i64..).zip(LINES) {
            let level = 1_000_000 + 2_000 * (doses / 5 + i64::from(order <= doses % 5));
            refill
                .execute(rusqlite::params![
                    EPOCH_MS + begin_ms,
                    begin_ms,
                    format!("bottle-{line}"),
                    level,
                    order
                ])
                .unwrap();
        }
        let mut dose = tx
            .prepare(
                "INSERT INTO dose (id, session, at_ms, elapsed_ms, trusted, line, head, reservoir, solution, kind, slot_date,
                     slot_second, volume_ul, run_time_ms, carries, destination, who, live, outcome, outcome_order,
                     delivered_ul, on_time_ms, reservoir_left_ul, cause, ended_session, ended_at_ms, ended_elapsed_ms,
                     ended_trusted)
                 VALUES (?1, 1, ?2, ?3, 1, ?4, 'head-' || ?4, 'bottle-' || ?4, ?4, 'plan', ?5, ?6, 2000, 4000, ?7, 'tank', 'plan', ?9,
                     'delivered', ?1 + 5, 2000, 4000, ?8, '', 1, ?2 + 4000, ?3 + 4000, 1)",
            )
            .unwrap();
        for id in 1..=doses {
            let line = *LINES.get(usize::try_from((id - 1) % 5).unwrap()).unwrap();
            let ms = begin_ms + (id - 1) * STEP_MS;
            let wall = Timestamp::from_millisecond(EPOCH_MS + ms).unwrap();
            let civil = jiff::tz::Offset::UTC.to_datetime(wall);
            let second = (EPOCH_MS + ms).rem_euclid(86_400_000) / 1000;
            let left = 1_000_000 + 2_000 * ((doses - id) / 5);
            dose.execute(rusqlite::params![
                id,
                EPOCH_MS + ms,
                ms,
                line,
                civil.date().to_string(),
                second,
                serde_json::to_string(&carries(line)).unwrap(),
                left,
                is_live
            ])
            .unwrap();
        }
    }
    tx.commit().unwrap();
    drop(conn);
    // Takes the books over into a snapshot, as any start does.
    drop(open(path, end_ms + 5_000));
}
