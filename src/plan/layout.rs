//! The plan's lines with everything placement needs: how long a dose is reserved, what keeps lines apart, nominal times.
//!
//! A *nominal* time is where a dose would be if its line were alone. Only the standing volumes enter here, so times stay
//! where they are when volumes are clamped from day to day.

use jiff::civil::{Date, Time};

use super::daytime::{DAY_S, LocalDay};
use super::error::{Need, PlacementError};
use super::uptake::largest_volume;
use super::{DailyVolumes, plan_daily_volumes};
use crate::config::{ApartRule, Controller, Head, Line, Plan, PlannedLine, Times};
use crate::quantity::{Millis, Name, Volume, f64_from_i64, i64_from_f64};

/// What keeps the doses of two lines apart.
#[derive(Debug, Clone)]
pub(super) struct Separation {
    /// Least time from the end of one to the start of the other, ms; zero: they only must not overlap.
    pub(super) ms: i64,
    pub(super) need: Need,
}

/// One line that has something to dose.
#[derive(Debug, Clone)]
pub(super) struct Placing {
    pub(super) name: Name,
    times: Times,
    /// Fixed lines keep their times; the others make way.
    pub(super) fixed: bool,
    /// Doses on each day on which the line doses at all.
    pub(super) doses: u32,
    /// Time reserved for one dose, ms.
    pub(super) duration: i64,
    /// The largest separation from any other line, ms.
    pub(super) tail: i64,
}

/// All lines that dose, in controller order.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub(super) lines: Vec<Placing>,
    pub(super) heads_at_once: u32,
    /// The longest reservation, ms.
    pub(super) longest: i64,
    pub(super) standing: DailyVolumes,
    pub(super) broken: Vec<PlacementError>,
    separations: Vec<Vec<Option<Separation>>>,
}

impl Layout {
    pub(super) fn new(controller: &Controller, plan: &Plan) -> Self {
        let standing = plan_daily_volumes(plan);
        let known = |name: &Name| controller.lines.iter().any(|l| l.name == *name);
        let mut broken: Vec<PlacementError> = plan
            .lines
            .iter()
            .filter(|l| !known(&l.line))
            .map(|l| PlacementError::UnknownLine {
                line: l.line.clone(),
            })
            .collect();
        let mut members: Vec<(&Line, Placing)> = Vec::new();
        for line in &controller.lines {
            let Some(planned) = plan.lines.iter().find(|l| l.line == line.name) else {
                continue;
            };
            if planned.daily_volume <= Volume::ZERO && !planned.gives.waits() {
                continue;
            }
            let head = controller.heads.get(&line.head);
            let largest = largest_volume(planned, plan, (controller, line));
            let placed = head.and_then(|head| placing((planned, largest), line, head));
            match placed {
                Some(placing) => members.push((line, placing)),
                None => broken.push(PlacementError::UnknownLine {
                    line: line.name.clone(),
                }),
            }
        }
        let separations: Vec<Vec<Option<Separation>>> = members
            .iter()
            .map(|a| {
                members
                    .iter()
                    .map(|b| separation(controller, a, b))
                    .collect()
            })
            .collect();
        for ((_, placing), row) in members.iter_mut().zip(&separations) {
            placing.tail = row.iter().flatten().map(|s| s.ms).max().unwrap_or(0);
        }
        let lines: Vec<Placing> = members.into_iter().map(|(_, placing)| placing).collect();
        Self {
            longest: lines.iter().map(|l| l.duration).max().unwrap_or(0),
            // The config check refuses zero, and the guard counts running heads again.
            heads_at_once: controller.heads_at_once.max(1),
            lines,
            standing,
            broken,
            separations,
        }
    }

    pub(super) fn separation(&self, a: usize, b: usize) -> Option<&Separation> {
        self.separations.get(a)?.get(b)?.as_ref()
    }
}

impl Placing {
    /// Nominal instants on one day, in order. Empty when the line does not dose on that date.
    pub(super) fn nominal(&self, day: &LocalDay) -> Vec<i64> {
        if day.length() <= 0 {
            return Vec::new();
        }
        let each = |times: &[Time]| {
            times
                .iter()
                .filter_map(|t| day.instant(second(*t)))
                .collect()
        };
        match &self.times {
            Times::Spread {
                window_start_s,
                window_end_s,
                ..
            } => spread(day, *window_start_s, *window_end_s, self.doses),
            Times::At(times) => {
                let mut sorted = times.clone();
                sorted.sort_unstable();
                each(&sorted)
            }
            Times::Cron(cron) => each(cron.on(day.date)),
        }
    }

    /// Whether the line doses at all on a date.
    pub(super) fn doses_on(&self, date: Date) -> bool {
        match &self.times {
            Times::Spread { .. } | Times::At(_) => true,
            Times::Cron(cron) => !cron.on(date).is_empty(),
        }
    }

    /// Whether the line doses on some dates only.
    pub(super) fn picks_dates(&self) -> bool {
        matches!(&self.times, Times::Cron(cron) if !cron.is_daily())
    }
}

/// Doses on each day on which a line doses at all.
pub(super) fn doses_on_a_day(times: &Times) -> u32 {
    let count = |times: usize| u32::try_from(times).unwrap_or(u32::MAX);
    match times {
        Times::Spread { doses, .. } => *doses,
        Times::At(times) => count(times.len()),
        Times::Cron(cron) => count(cron.times().len()),
    }
}

/// `daily` is what the weakest solution needs that its bottle may hold.
fn placing((planned, daily): (&PlannedLine, Volume), line: &Line, head: &Head) -> Option<Placing> {
    let doses = doses_on_a_day(&planned.times);
    let fixed = !matches!(planned.times, Times::Spread { .. });
    // What a changeover will bring into the times of a line that waits is not known yet, but for its largest dose.
    let largest = if daily > Volume::ZERO {
        daily.split(doses).into_iter().max()?
    } else {
        line.dose_cap
    };
    Some(Placing {
        name: planned.line.clone(),
        times: planned.times.clone(),
        fixed,
        doses,
        duration: duration_ms(largest, head)?,
        tail: 0,
    })
}

/// Time reserved for a dose: half as long again as the nominal rate needs, and two seconds for start, stop and records,
/// rounded up to a whole second. Our rule; a head that has slowed more than that is caught by its calibration.
fn duration_ms(volume: Volume, head: &Head) -> Option<i64> {
    let run_s = f64_from_i64(volume.as_ul()) / head.nominal_rate.as_ul_per_ms() / 1000.0;
    i64_from_f64((1.5 * run_s + 2.0 - 1e-9).ceil()).map(|s| s * 1000)
}

fn separation(
    controller: &Controller,
    (line, placing): &(&Line, Placing),
    (other, _): &(&Line, Placing),
) -> Option<Separation> {
    let overlap = |need| Some(Separation { ms: 0, need });
    if line.name == other.name {
        return overlap(Need::OneLine {
            duration: Millis::new(placing.duration),
        });
    }
    // Whatever their bottles may hold, so that times stay where they are when a bottle changes.
    let gives = |line, name: &Name| controller.may_give(line).any(|s| s.name == *name);
    let meet = |rule: &&ApartRule| {
        (gives(line, &rule.first) && gives(other, &rule.second))
            || (gives(other, &rule.first) && gives(line, &rule.second))
    };
    let widest = controller.apart.iter().filter(meet).max_by_key(|r| r.gap);
    if let Some(ApartRule { first, second, gap }) = widest.cloned() {
        let (first, second) = if gives(line, &first) {
            (first, second)
        } else {
            (second, first)
        };
        return Some(Separation {
            // One second more, so that a dose that starts late by a turn of the loop is not refused for it.
            ms: gap.as_ms() + 1000,
            need: Need::Apart { first, second, gap },
        });
    }
    if line.head == other.head {
        return overlap(Need::OneHead {
            head: line.head.clone(),
        });
    }
    if line.reservoir == other.reservoir {
        return overlap(Need::OneReservoir {
            reservoir: line.reservoir.clone(),
        });
    }
    None
}

/// Evenly over the window in elapsed time. A window through midnight has two parts in one local day, its end in the morning first.
fn spread(day: &LocalDay, start_s: u32, end_s: u32, doses: u32) -> Vec<i64> {
    let count = i64::from(doses.max(1));
    if start_s < end_s {
        return part(day, start_s, end_s, (0..count).map(|k| (k, count)));
    }
    let evening = i64::from(DAY_S.saturating_sub(start_s));
    let whole = evening + i64::from(end_s);
    // Dose k lies k/count of the window after its beginning; what is past midnight lies in the morning of the same date.
    let of_evening = (0..count).take_while(|k| whole * k < evening * count);
    let split = i64::try_from(of_evening.clone().count()).unwrap_or(0);
    let morning = (split..count).map(|k| (whole * k - evening * count, i64::from(end_s) * count));
    let mut instants = part(day, 0, end_s, morning);
    let of_evening = of_evening.map(|k| (whole * k, evening * count));
    instants.extend(part(day, start_s, DAY_S, of_evening));
    instants
}

/// Instants at fractions (of, whole) of a stretch of one day. A stretch of which the change of clocks takes more than a quarter keeps its
/// length instead and ends later (or begins earlier, where the day ends first), so that its doses are not bunched.
fn part(
    day: &LocalDay,
    start_s: u32,
    end_s: u32,
    fractions: impl Iterator<Item = (i64, i64)>,
) -> Vec<i64> {
    let (Some(mut start), Some(end)) = (day.instant(start_s), day.instant(end_s)) else {
        return Vec::new();
    };
    let written = i64::from(end_s.min(DAY_S).saturating_sub(start_s)) * 1000;
    let mut length = end - start;
    if length * 4 < written * 3 {
        length = written.min(day.length());
        start = start.min(day.end - length);
    }
    fractions
        .map(|(of, whole)| start + length * of / whole.max(1))
        .collect()
}

/// Second of the day of a civil time.
fn second(time: Time) -> u32 {
    let part = |v: i8| u32::try_from(v).unwrap_or(0);
    part(time.hour()) * 3600 + part(time.minute()) * 60 + part(time.second())
}
