//! Is it well, and what is to do.

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::model::{BottleReport, Due, Glance, HeadReport, Report, WaterReport, Wellness};
use super::words::{counted, day, lasted, minute, ml};
use crate::chemistry::Quantity;
use crate::engine::{AlarmCode, Engine, JobStatus, Now, Status, TestBecause, Verdict};
use crate::quantity::Name;

/// What needs doing within so many days is on the list.
const AHEAD: SignedDuration = SignedDuration::from_hours(7 * 24);
/// A daemon that runs writes something more often than that.
const SILENT: SignedDuration = SignedDuration::from_hours(26);

/// What only the daemon can know, what is told in other words here, and what is over in a day.
const NOT_HERE: [AlarmCode; 11] = [
    AlarmCode::ClockUnsure,
    AlarmCode::LedgerFault,
    AlarmCode::HoldFileFault,
    AlarmCode::InputChattering,
    AlarmCode::InputUnsafe,
    AlarmCode::UnderVoltage,
    AlarmCode::Test,
    AlarmCode::Held,
    AlarmCode::HoldForgotten,
    AlarmCode::ReservoirLow,
    AlarmCode::CalibrationOld,
];

/// What needs doing this week, what presses first.
pub(super) fn due(report: &Report, engine: &mut Engine, status: &Status, now: Now) -> Vec<Due> {
    let end = now.wall.checked_add(AHEAD).unwrap_or(now.wall);
    let until = report.zone.to_datetime(end).date();
    let mut all = Vec::new();
    held(report, status, &mut all);
    silent(report, &mut all);
    for alarm in &status.alarms {
        if alarm.active && !NOT_HERE.contains(&alarm.code) {
            all.push(at_once(alarm.text.clone(), alarm.urgent));
        }
    }
    for water in &report.water {
        advised(water, engine, (now, until), &mut all);
    }
    all.extend(
        report
            .bottles
            .iter()
            .filter_map(|bottle| fill(bottle, until)),
    );
    all.extend(
        report
            .heads
            .iter()
            .filter_map(|head| calibrate(head, until)),
    );
    all.extend(status.jobs.iter().filter_map(|job| own(job, report, until)));
    let today = report.zone.to_datetime(report.at).date();
    for due in &mut all {
        due.by = due.by.filter(|by| *by > today);
    }
    all.sort_by_key(|due| (!due.presses, due.by));
    all
}

fn at_once(what: String, presses: bool) -> Due {
    Due {
        by: None,
        what,
        presses,
    }
}

fn held(report: &Report, status: &Status, all: &mut Vec<Due>) {
    for hold in &status.holds {
        let (what, line) = hold.line.as_ref().map_or_else(
            || ("All dosing is".to_owned(), String::new()),
            |line| (format!("Line {line} is"), format!(" {line}")),
        );
        let since = minute(hold.since, &report.zone);
        all.push(at_once(
            format!(
                "{what} on hold since {since} ({}); `dosewright resume{line}` lets it go on",
                hold.reason
            ),
            true,
        ));
    }
}

fn silent(report: &Report, all: &mut Vec<Due>) {
    let newest = report
        .events
        .iter()
        .chain(&report.changes)
        .map(|event| event.at);
    let drawn = report
        .bottles
        .iter()
        .filter_map(|bottle| bottle.levels.last());
    let newest: Option<Timestamp> = newest.chain(drawn.map(|(at, _)| *at)).max();
    let what = match newest {
        None => "Nothing is on record in these days: is this the right state folder?".to_owned(),
        Some(newest) if report.at.duration_since(newest) > SILENT => format!(
            "Nothing was written down for {}: look whether the daemon runs (`dosewright status`)",
            lasted(newest, report.at)
        ),
        Some(_) => return,
    };
    all.push(at_once(what, true));
}

fn advised(
    water: &WaterReport,
    engine: &mut Engine,
    (now, until): (Now, Date),
    all: &mut Vec<Due>,
) {
    let advice = engine.advice(&water.of, now);
    let of = &water.of;
    if let (Verdict::Change, Some(change)) = (advice.verdict, &advice.change) {
        all.push(at_once(
            format!(
                "Change what is given of {of}: {}; `dosewright accept {of}` shows it and asks",
                change.words()
            ),
            false,
        ));
    }
    if let Some(test) = advice.next_test.filter(|test| test.date <= until) {
        let (why, presses) = match test.why {
            TestBecause::Questioned => (" again, for the last reading does not fit", true),
            TestBecause::MayLeave => (", for it may leave its band by then", false),
            TestBecause::Routine => ("", false),
        };
        all.push(Due {
            by: Some(test.date),
            what: format!("Test {of}{why}"),
            presses,
        });
    }
}

fn fill(bottle: &BottleReport, until: Date) -> Option<Due> {
    let Some(left) = bottle.left else {
        let what = format!(
            "Say what bottle {} holds: `dosewright refill {} full`",
            bottle.bottle, bottle.bottle
        );
        return bottle.days_left.map(|_| at_once(what, false));
    };
    let by = bottle.empty_on.filter(|empty| *empty <= until)?;
    Some(Due {
        by: Some(by),
        what: format!("Refill {}: {} left", bottle.bottle, ml(left)),
        presses: bottle.days_left.is_some_and(|days| days < 1.0),
    })
}

fn calibrate(head: &HeadReport, until: Date) -> Option<Due> {
    let by = head.due_on.filter(|due| head.in_use && *due <= until)?;
    Some(Due {
        by: Some(by),
        what: format!("Calibrate head {}", head.head),
        presses: false,
    })
}

/// A job of the owner's.
fn own(job: &JobStatus, report: &Report, until: Date) -> Option<Due> {
    let by = job.due_at.map(|at| report.zone.to_datetime(at).date());
    let name = &job.name;
    by.is_none_or(|by| by <= until).then(|| Due {
        by: Some(by.unwrap_or(Date::MIN)),
        what: format!("Do {name}; `dosewright done {name}` ticks it off"),
        presses: false,
    })
}

/// One sentence.
pub(super) fn glance(report: &Report, status: &Status) -> Glance {
    let off = report.water.iter().filter_map(outside).collect::<Vec<_>>();
    let pressing = report.due.iter().find(|due| due.presses);
    let urgent = |alarm: &crate::engine::Alarm| {
        alarm.active && alarm.urgent && !NOT_HERE.contains(&alarm.code)
    };
    let is_bad = !status.holds.is_empty() || !off.is_empty() || status.alarms.iter().any(urgent);
    let is_change = report.due.iter().any(|due| due.by.is_none());
    let wellness = match (is_bad, pressing.is_some() || is_change) {
        (true, _) => Wellness::NotWell,
        (false, true) => Wellness::SeeTo,
        (false, false) => Wellness::Well,
    };
    let where_it_is = off.first().cloned().or_else(|| level(report));
    let level =
        where_it_is.unwrap_or_else(|| "nothing is known of the water without a test".to_owned());
    let first = report.due.first();
    let sentence = match wellness {
        Wellness::NotWell => {
            let what = held_words(status).unwrap_or(level);
            format!("Not well: {what}.")
        }
        Wellness::SeeTo => format!("{}: {level}.", seen_to(report)),
        Wellness::Well => {
            let next = first.map_or_else(
                || " Nothing to do this week.".to_owned(),
                |due| {
                    due.by.map_or_else(String::new, |by| {
                        format!(" Nothing to do before {}.", day(by))
                    })
                },
            );
            format!("All is well: {level}.{next}")
        }
    };
    Glance { wellness, sentence }
}

fn seen_to(report: &Report) -> String {
    let now = report
        .due
        .iter()
        .filter(|due| due.by.is_none() || due.presses)
        .count();
    let count = u64::try_from(now).unwrap_or_default();
    format!("Well, with {} to see to", counted(count, "thing"))
}

fn held_words(status: &Status) -> Option<String> {
    if status.held {
        return Some("all dosing is on hold".to_owned());
    }
    let lines: Vec<String> = status
        .holds
        .iter()
        .filter_map(|hold| hold.line.as_ref().map(Name::to_string))
        .collect();
    let what = if lines.len() == 1 { "line" } else { "lines" };
    (!lines.is_empty()).then(|| format!("{what} {} on hold", super::words::joined(&lines)))
}

/// What the first quantity with a level is at.
fn level(report: &Report) -> Option<String> {
    report.water.iter().find_map(|water| {
        let level = water.now.level?;
        let of = &water.of;
        let where_it_should_be = match (water.band_low, water.band_high) {
            (Some(low), Some(high)) if (low..=high).contains(&level) => ", where it should be",
            (Some(_), Some(_)) => ", outside its band",
            (None, _) | (_, None) => "",
        };
        Some(format!(
            "{of} is at {}{where_it_should_be}",
            of.amount(level)
        ))
    })
}

/// In words, when a level is outside its band.
fn outside(water: &WaterReport) -> Option<String> {
    let (level, low, high) = (water.now.level?, water.band_low?, water.band_high?);
    let of: &Quantity = &water.of;
    let (where_it_is, edge) = if level < low {
        ("below", low)
    } else if level > high {
        ("above", high)
    } else {
        return None;
    };
    Some(format!(
        "{of} is at {}, {where_it_is} its band ({})",
        of.amount(level),
        of.amount(edge)
    ))
}
