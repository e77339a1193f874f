//! A lab report held against natural seawater, earlier reports and what was dosed in between.

use std::io::Write;

use jiff::Timestamp;
use serde_json::json;

use super::panel_reports::{Report, reports, salinity_at};
use crate::chemistry::{ChangeShare, Element, Level, Quantity, Salinity, Unit, amount};
use crate::cli::exit::{self, Failure};
use crate::cli::out::{Out, Tone};
use crate::cli::place::Place;
use crate::cli::record::ledger::open;
use crate::cli::record::report::engine_at_present;
use crate::cli::words::{configuration, minute, unread, usage, zone};
use crate::config::{Line, Loaded};
use crate::engine::{CourseWish, NewCourse};
use crate::estimate::{
    Account, Band, Comparison, Finding, SafeCourse, Sampled, Trend, after_changes, corrosion,
    safe_course,
};
use crate::ledger::LedgerReader;
use crate::plan::AIM_DAYS_MAX;
use crate::quantity::{Concentration, Words};
use crate::record::{Observation, Observed};
use crate::report::lab_comparison;

/// Share of the water changed at once in the proposal for what is high: a tenth, as keepers do.
const CHANGE_PERCENT: f64 = 10.0;

/// The rows of a report against natural seawater and what is known to matter.
fn compare(
    report: &Report,
    salinity: Salinity,
    loaded: Option<&Loaded>,
) -> Result<Vec<Comparison>, Failure> {
    let compared = report.rows.iter().map(|row| {
        lab_comparison(row, salinity, loaded.map(|loaded| &loaded.controller))
            .map_err(|error| Failure::new(exit::REFUSED, error.to_string()))
    });
    compared.collect()
}

/// What is known beside the report itself.
struct Around<'a> {
    place: &'a Place,
    loaded: Option<&'a Loaded>,
    reader: &'a LedgerReader,
    /// Earlier reports, oldest first.
    earlier: Vec<(&'a Report, Vec<Comparison>)>,
    told: Vec<Observation>,
    at: Timestamp,
}

pub(super) fn show_panel(
    place: &Place,
    (number, salinity): (Option<i64>, Option<Salinity>),
    out: &mut Out,
) -> Result<(), Failure> {
    let reader = open(place)?;
    let reports = reports(&reader)?;
    let index = match number {
        None => reports.len().checked_sub(1),
        Some(number) => reports.iter().position(|report| report.number == number),
    };
    let report = index.and_then(|i| reports.get(i)).ok_or_else(|| {
        usage("there is no such lab report; `dosewright panel list` shows those on record")
    })?;
    let (salinity, from) = match salinity {
        Some(salinity) => (salinity, "as given".to_owned()),
        None => salinity_at(&reader, report.taken, &zone(place))?,
    };
    let loaded = configuration(place).ok();
    let compared = compare(report, salinity, loaded.as_ref())?;
    let earlier = reports
        .iter()
        .take(index.unwrap_or(0))
        .map(|report| Ok((report, compare(report, salinity, loaded.as_ref())?)))
        .collect::<Result<Vec<_>, Failure>>()?;
    let around = Around {
        place,
        loaded: loaded.as_ref(),
        told: reader.told().map_err(|e| unread(&e))?,
        reader: &reader,
        earlier,
        at: report.taken,
    };
    let mut rows = Vec::new();
    for comparison in &compared {
        rows.push((comparison, remarks(comparison, &around)?));
    }
    let metals = corrosion(&compared);
    let metals: Vec<String> = metals.iter().map(ToString::to_string).collect();
    if place.json {
        let rows: Vec<_> = rows
            .iter()
            .map(|(c, remarks)| row_json(c, remarks))
            .collect();
        return Ok(out.json(&json!({
            "number": report.number, "lab": report.lab, "taken": report.taken.to_string(),
            "salinity": salinity.as_practical(), "salinity_from": from, "rows": rows, "corrosion": metals,
        }))?);
    }
    writeln!(
        out,
        "{} of {}, against natural seawater of {salinity} ({from})",
        report.lab,
        minute(report.taken, &zone(place))
    )?;
    for (comparison, remarks) in &rows {
        let tone = if matches!(comparison.band, Band::Low | Band::High) {
            Tone::Strong
        } else {
            Tone::Quiet
        };
        writeln!(out, "{}", out.tone(tone, &comparison.to_string()))?;
        for remark in remarks {
            writeln!(out, "    {remark}")?;
        }
    }
    for metal in &metals {
        writeln!(out, "{}", out.tone(Tone::Bad, &format!("WARNING: {metal}")))?;
    }
    writeln!(
        out,
        "a lab's number is one sample of one day; nobody knows from it alone what an animal needs"
    )?;
    Ok(())
}

fn row_json(comparison: &Comparison, remarks: &[String]) -> serde_json::Value {
    let (natural, well) = (comparison.natural, comparison.well);
    json!({
        "of": comparison.of.as_str(), "unit": comparison.of.unit(), "value": comparison.finding.at_most(),
        "below_limit": matches!(comparison.finding, Finding::Below(_)),
        "low": comparison.interval.0, "high": comparison.interval.1,
        "natural": natural.map(|n| n.level), "natural_handbook": natural.and_then(|n| n.handbook),
        "sureness": natural.map(|n| n.sureness.to_string()),
        "band_low": well.map(|w| w.low), "band_high": well.map(|w| w.high), "band_by": well.map(|w| w.by),
        "verdict": comparison.band.to_string(), "remarks": remarks,
    })
}

/// Trend, what to do about a low value, where a high one may be from.
fn remarks(comparison: &Comparison, around: &Around<'_>) -> Result<Vec<String>, Failure> {
    let mut remarks = Vec::new();
    let series = series(comparison, around);
    if let Some((_, before)) = series.last() {
        remarks.push(step(before, comparison));
    }
    remarks.extend(trend(comparison, &series, around.at));
    let element = comparison.of.quantity().and_then(Quantity::element);
    match (comparison.band, element) {
        (Band::Low, Some(element)) => remarks.extend(proposal(comparison, element, around)?),
        (Band::AboveNatural | Band::High, Some(element)) => {
            remarks.extend(source(comparison, element, series.last(), around)?);
        }
        _ => {}
    }
    Ok(remarks)
}

/// What the earlier reports that name the element have of it, oldest first.
fn series<'a>(
    comparison: &Comparison,
    around: &'a Around<'_>,
) -> Vec<(&'a Report, &'a Comparison)> {
    let of = |all: &'a Vec<Comparison>| all.iter().find(|c| c.of == comparison.of);
    around
        .earlier
        .iter()
        .filter_map(|(panel, all)| Some((*panel, of(all)?)))
        .collect()
}

/// How it moved over all reports, those in which it was not found too.
fn trend(
    comparison: &Comparison,
    series: &[(&Report, &Comparison)],
    at: Timestamp,
) -> Option<String> {
    let (first, _) = series.first()?;
    let sampled = |when: Timestamp, c: &Comparison| Sampled {
        days: when.duration_since(first.taken).as_secs_f64() / 86_400.0,
        value: c.finding.at_most(),
        uncertainty: match c.finding {
            Finding::Found { uncertainty, .. } => Some(uncertainty),
            Finding::Below(_) => None,
        },
    };
    let before = series.iter().map(|(panel, c)| sampled(panel.taken, c));
    let all: Vec<_> = before.chain([sampled(at, comparison)]).collect();
    Trend::of(&all).map(|trend| trend.words(comparison.of.unit()))
}

fn step(before: &Comparison, after: &Comparison) -> String {
    let word = if after.interval.0 > before.interval.1 {
        "risen"
    } else if after.interval.1 < before.interval.0 {
        "fallen"
    } else {
        "no change that the two reports could tell"
    };
    let then = before.of.shown(before.finding.at_most());
    match before.finding {
        Finding::Found { .. } => format!("the report before had {then}: {word}"),
        Finding::Below(_) => format!("the report before had less than {then}: {word}"),
    }
}

/// A course for what is low: one that limits, plan and courses under way leave room for, by smaller steps than usual where they must be.
fn proposal(
    comparison: &Comparison,
    element: &Element,
    around: &Around<'_>,
) -> Result<Vec<String>, Failure> {
    let Some(course) = safe_course(comparison) else {
        return Ok(vec![
            "no course is proposed: the natural level is not sure enough to aim at".to_owned(),
        ]);
    };
    let symbol = element.symbol();
    let mut all = vec![format!(
        "{course} (daily step by common practice, no source)"
    )];
    let of = Quantity::Element(element.clone());
    let line = around.loaded.and_then(|loaded| {
        let mut lines = loaded.controller.lines.iter();
        let carries = |line: &&Line| {
            let effect = loaded.controller.effect_of(&line.name);
            effect.is_some_and(|effect| effect.carries(&of))
        };
        Some((loaded, &lines.find(carries)?.name))
    });
    let Some((loaded, line)) = line else {
        all.push(format!("no line carries {symbol}"));
        return Ok(all);
    };
    let (engine, now) = engine_at_present(around.place, loaded.clone(), around.reader)?;
    let room = |at_most_per_day| {
        let what = CourseWish::Change {
            line: line.clone(),
            of: of.clone(),
            by: course.gap,
            at_most_per_day,
        };
        let note = Words::default();
        engine.may_begin(&NewCourse { what, note }, now)
    };
    match within_limits(course, room) {
        Ok(per_day) => all.push(format!(
            "dosewright course raise {line} --of {symbol} --by \"{}\" --at-most \"{}\"",
            amount(course.gap),
            amount(per_day)
        )),
        Err(why) => all.push(format!("line {line} cannot give that: {why}")),
    }
    Ok(all)
}

/// The largest step that there is room for: the usual one, or a half, a quarter and so on of it.
fn within_limits(
    course: SafeCourse,
    room: impl Fn(f64) -> Result<(), String>,
) -> Result<f64, String> {
    let mut per_day = course.step_per_day.min(course.gap);
    let smallest = course.gap / f64::from(AIM_DAYS_MAX);
    loop {
        match room(per_day) {
            Ok(()) => return Ok(per_day),
            Err(_) if per_day / 2.0 > smallest => per_day /= 2.0,
            Err(why) => return Err(why),
        }
    }
}

/// Whether dosing explains a high value, and what water changes would do.
fn source(
    comparison: &Comparison,
    element: &Element,
    before: Option<&(&Report, &Comparison)>,
    around: &Around<'_>,
) -> Result<Vec<String>, Failure> {
    let mg_per_l = Concentration::from_mg_per_l;
    let mut all = Vec::new();
    if let Some((panel, before)) = before {
        let since = panel.taken;
        let dosed = dosed_between(element, around, since)?;
        let changes = changed_between((comparison, element), around, since);
        let (water_left, new_water) = after_changes(&changes);
        let account = Account {
            before: mg_per_l(before.finding.at_most()),
            after: mg_per_l(comparison.finding.at_most()),
            uncertainty: mg_per_l(uncertainty(comparison)),
            dosed: mg_per_l(dosed),
            water_left,
            new_water,
        };
        let exchanged = match changes.len() {
            0 => String::new(),
            1 => " and the water was changed once".to_owned(),
            n => format!(" and the water was changed {n} times"),
        };
        all.push(format!(
            "since the report before, {} were dosed{exchanged}: {}",
            amount(dosed),
            account.verdict()
        ));
    } else {
        all.push("there is no earlier report of it to hold it against".to_owned());
    }
    let share = ChangeShare::from_percent(CHANGE_PERCENT).ok();
    let share = share.filter(|_| comparison.band == Band::High);
    if let (Some(share), Some(natural)) = (share, comparison.natural) {
        // To a tenth above natural: changes with natural water come near to it and never reach it.
        let target = natural.range.1 * 1.1;
        let level = |value| Level {
            unit: Unit::MgPerL,
            value,
        };
        let found = level(comparison.finding.at_most());
        let changes = share.changes_to_reach(found, level(target), level(natural.level));
        if let Ok(changes) = changes {
            all.push(format!(
                "{changes} changes of {CHANGE_PERCENT:.0} % with water of natural content would bring it to {}, if its source is gone",
                amount(target)
            ));
        }
    }
    Ok(all)
}

/// The water changes between two times: part of the water, and the level of the new water; the natural level where none is on record.
fn changed_between(
    (comparison, element): (&Comparison, &Element),
    around: &Around<'_>,
    since: Timestamp,
) -> Vec<(f64, Concentration)> {
    let Some(loaded) = around.loaded else {
        return Vec::new();
    };
    let tank = loaded.controller.tank.as_litres();
    let natural = comparison.natural.map_or(0.0, |natural| natural.level);
    let of = Quantity::Element(element.clone());
    let between = around.between(since);
    let changes = between.filter_map(|told| match &told.what {
        Observed::WaterChange { litres, held } => {
            let new = held.get(&of).copied().unwrap_or(natural);
            let share = (litres / tank).clamp(0.0, 1.0);
            Some((share, Concentration::from_mg_per_l(new)))
        }
        Observed::Reading(_)
        | Observed::Addition(_)
        | Observed::Note { .. }
        | Observed::Job { .. } => None,
    });
    changes.collect()
}

/// Standard uncertainty of what was found, mg/L, from its 95 % interval.
fn uncertainty(c: &Comparison) -> f64 {
    (c.interval.1 - c.interval.0) / 2.0 / 1.96
}

/// mg/L that doses, and what was added by hand, brought between two times.
fn dosed_between(element: &Element, around: &Around<'_>, since: Timestamp) -> Result<f64, Failure> {
    let of = Quantity::Element(element.clone());
    let doses = around.reader.doses_since(since).map_err(|e| unread(&e))?;
    let doses = doses
        .iter()
        .filter(|d| d.at <= around.at)
        .map(|d| &d.carries);
    let by_hand = around.between(since).filter_map(|told| told.what.added());
    Ok(doses.chain(by_hand).filter_map(|adds| adds.get(&of)).sum())
}

impl Around<'_> {
    /// What was told after a time, up to that of the report.
    fn between(&self, since: Timestamp) -> impl Iterator<Item = &Observation> {
        let told = self.told.iter();
        told.filter(move |told| since < told.happened && told.happened <= self.at)
    }
}
