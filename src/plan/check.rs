//! What the config check asks of a plan: can every kind of day be placed, and what does that mean for the caps.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use jiff::Span;
use jiff::Timestamp;
use jiff::civil::Date;

use super::daytime::{LocalDay, transitions};
use super::error::PlacementError;
use super::hours::BusiestHour;
use super::schedule::Schedule;
use crate::config::{Controller, Plan};
use crate::quantity::{Millis, Name, Volume};

/// Days looked ahead for changes of the clocks.
const AHEAD_DAYS: i32 = 400;
/// Days placed before and after a day on which clocks change.
const AROUND_DAYS: i32 = 2;
/// After 28 years the same weekdays fall on the same dates (1901 to 2099).
const CALENDAR_YEARS: i16 = 28;
/// Most different combinations of dates placed, when cron expressions pick their dates.
const COMBINATIONS_MAX: usize = 512;

/// What placing showed of one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineFacts {
    /// Doses on each day on which it doses.
    pub doses_per_day: u32,
    /// Time set aside for each dose.
    pub dose_duration: Millis,
    /// Least time from start to start of two of its doses on days of 24 hours; `None` when it never has two in the days placed.
    pub smallest_gap: Option<Millis>,
    /// Largest volume that starts in any 24 h of elapsed time, on days of 23 and 25 hours too.
    pub max_rolling_24h: Volume,
}

/// What placing showed of the plan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PlacementReport {
    /// Rules that cannot be kept, each once for each pair of lines, with the first date found.
    pub errors: Vec<PlacementError>,
    /// By line; lines that have nothing to dose are not in it.
    pub lines: BTreeMap<Name, LineFacts>,
    /// On days of 23 and 25 hours too.
    pub busiest_hour: BusiestHour,
}

impl PlacementReport {
    /// Largest volume of a line in any 24 h of elapsed time; zero for a line that has nothing to dose.
    ///
    /// A cap must leave room for this and one dose more: a dose counts until 24 h after it ended.
    pub fn max_rolling_24h(&self, line: &Name) -> Volume {
        self.lines
            .get(line)
            .map_or(Volume::ZERO, |facts| facts.max_rolling_24h)
    }
}

/// Places ordinary days, in all combinations of dates that cron expressions pick, and every day within two days of a
/// change of the clocks in the next 400 days, and returns every rule that cannot be kept, each once.
pub fn check_placement(
    controller: &Arc<Controller>,
    plan: &Arc<Plan>,
    from: Date,
) -> Vec<PlacementError> {
    placement_report(controller, plan, from).errors
}

/// As [`check_placement`], with what the days showed of each line.
pub fn placement_report(
    controller: &Arc<Controller>,
    plan: &Arc<Plan>,
    from: Date,
) -> PlacementReport {
    let mut schedule = Schedule::new(Arc::clone(controller), plan);
    let lines = schedule.layout().lines.iter();
    let mut report = PlacementReport {
        errors: schedule.layout().broken.clone(),
        lines: lines
            .map(|l| {
                let facts = LineFacts {
                    doses_per_day: l.doses,
                    dose_duration: Millis::new(l.duration),
                    smallest_gap: None,
                    max_rolling_24h: Volume::ZERO,
                };
                (l.name.clone(), facts)
            })
            .collect(),
        busiest_hour: BusiestHour::default(),
    };
    for run in ordinary_runs(&schedule, controller, from) {
        look_at(
            controller,
            &mut schedule,
            &mut report,
            (&run, Days::Ordinary),
        );
    }
    for run in changing_runs(controller, from) {
        look_at(
            controller,
            &mut schedule,
            &mut report,
            (&run, Days::Changing),
        );
    }
    report
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Days {
    Ordinary,
    Changing,
}

/// Places a run of consecutive dates and notes its errors and facts.
fn look_at(
    controller: &Controller,
    schedule: &mut Schedule,
    report: &mut PlacementReport,
    (run, days): (&[Date], Days),
) {
    let mut slots = Vec::new();
    let standing = schedule.standing().clone();
    let mut by_line: BTreeMap<Name, Vec<(Timestamp, Volume)>> = BTreeMap::new();
    for date in run {
        let placed = schedule.placed(*date);
        for error in &placed.errors {
            if !report.errors.iter().any(|known| known.same_rule(error)) {
                report.errors.push(error.clone());
            }
        }
        for slot in schedule.with_volumes(*date, &placed, &standing) {
            let doses = by_line.entry(slot.key.line.clone()).or_default();
            doses.push((slot.at, slot.volume));
            slots.push(slot);
        }
    }
    report.busiest_hour.see(controller, slots);
    for (line, mut doses) in by_line {
        let Some(facts) = report.lines.get_mut(&line) else {
            continue;
        };
        doses.sort_by_key(|(at, _)| *at);
        facts.max_rolling_24h = facts.max_rolling_24h.max(largest_in_a_day(&doses));
        if days == Days::Ordinary {
            let gaps = doses.iter().zip(doses.iter().skip(1));
            let gaps =
                gaps.map(|((a, _), (b, _))| Millis::new(b.as_millisecond() - a.as_millisecond()));
            facts.smallest_gap = facts.smallest_gap.into_iter().chain(gaps).min();
        }
    }
}

/// Largest sum of volumes that start within 24 h; two exactly 24 h apart do not count together.
fn largest_in_a_day(doses: &[(Timestamp, Volume)]) -> Volume {
    let mut sum = Volume::ZERO;
    let mut largest = Volume::ZERO;
    let mut oldest = doses.iter().peekable();
    for (at, volume) in doses {
        sum = sum.saturating_add(*volume);
        let edge = at.as_millisecond() - Millis::DAY.as_ms();
        while let Some((_, gone)) = oldest.next_if(|(old, _)| old.as_millisecond() <= edge) {
            sum = sum.saturating_sub(*gone);
        }
        largest = largest.max(sum);
    }
    largest
}

/// Runs of two ordinary days: one for each combination of dates that cron expressions pick, or just one.
fn ordinary_runs(schedule: &Schedule, controller: &Controller, from: Date) -> Vec<Vec<Date>> {
    let picky: Vec<_> = schedule
        .layout()
        .lines
        .iter()
        .filter(|l| l.picks_dates())
        .collect();
    let far = if picky.is_empty() {
        Span::new().days(AHEAD_DAYS)
    } else {
        Span::new().years(CALENDAR_YEARS)
    };
    let last = from.checked_add(far).unwrap_or(Date::MAX);
    let changing = changing_dates(controller, from, last);
    let mut seen = BTreeSet::new();
    let mut runs = Vec::new();
    for date in from.series(Span::new().days(1)).skip(1) {
        if date > last || seen.len() >= COMBINATIONS_MAX {
            break;
        }
        let Some(near) = dates_around(date, AROUND_DAYS) else {
            break;
        };
        if near.iter().any(|d| changing.contains(d)) {
            continue;
        }
        // A day's slots depend on its own lines and on the fixed ones of the day before.
        let before: Vec<Date> = near.into_iter().filter(|d| *d <= date).collect();
        let picked: Vec<bool> = before
            .iter()
            .flat_map(|d| picky.iter().map(|l| l.doses_on(*d)))
            .collect();
        if seen.insert(picked) {
            runs.push(before.into_iter().skip(1).collect());
        }
        if picky.is_empty() {
            break;
        }
    }
    runs
}

/// Runs of days around each change of the clocks.
fn changing_runs(controller: &Controller, from: Date) -> Vec<Vec<Date>> {
    let last = from
        .checked_add(Span::new().days(AHEAD_DAYS))
        .unwrap_or(Date::MAX);
    changing_dates(controller, from, last)
        .into_iter()
        .filter_map(|date| dates_around(date, AROUND_DAYS))
        .collect()
}

fn dates_around(date: Date, days: i32) -> Option<Vec<Date>> {
    (-days..=days)
        .map(|k| date.checked_add(Span::new().days(k)).ok())
        .collect()
}

/// Dates from `from` to `last` on which clocks change.
fn changing_dates(controller: &Controller, from: Date, last: Date) -> BTreeSet<Date> {
    let zone = &controller.time_zone;
    let (Some(first_day), Some(last_day)) = (LocalDay::new(zone, from), LocalDay::new(zone, last))
    else {
        return BTreeSet::new();
    };
    transitions(zone, first_day.start - 1, last_day.end)
        .into_iter()
        .filter_map(|change| {
            let before = Timestamp::from_millisecond(change.ms - 1).ok()?;
            let after = Timestamp::from_millisecond(change.ms).ok()?;
            Some([before, after].map(|at| zone.to_datetime(at).date()))
        })
        .flatten()
        .collect()
}
