//! Lab reports: imported, and held against natural seawater, earlier reports and what was dosed in between.

use std::fs;
use std::io::Write;

use jiff::Timestamp;
use serde_json::json;

use crate::chemistry::{
    Celsius, ChangeShare, Element, Measurand, Quantity, Salinity, amount, density_kg_per_m3,
};
use crate::cli::exit::{self, Failure};
use crate::cli::out::{Out, Tone};
use crate::cli::place::Place;
use crate::cli::record::ledger::open;
use crate::cli::water::owner_args::{Mistake, Panel as PanelArgs, PanelCommand, PanelFile};
use crate::cli::water::panel_csv::{Sample, headings, read};
use crate::cli::water::told::{take_back, tell};
use crate::cli::words::{configuration, minute, unread, usage, zone};
use crate::config::Loaded;
use crate::daemon::machine_now;
use crate::engine::Lab;
use crate::estimate::{
    Account, Band, Comparison, Detected, Finding, PanelEntry, PanelUnit, Trend, after_changes,
    corrosion, safe_course,
};
use crate::ledger::LedgerReader;
use crate::quantity::{Concentration, Words};
use crate::record::{Columns, Found, Observation, Observed, Reading};

/// Largest report file in bytes.
const FILE_BYTES_MAX: u64 = 200_000;
/// Temperature at which the litre of a report is meant, C; reports do not say.
const LAB_C: f64 = 25.0;
/// Share of the water changed at once in the proposal for what is high: a tenth, as keepers do.
const CHANGE_PERCENT: f64 = 10.0;

/// Everything about lab reports.
pub(in crate::cli) fn panel(
    place: &Place,
    options: &PanelArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    match &options.command {
        PanelCommand::Add(file) => add(place, file, None, out),
        PanelCommand::Correct { mistake, report } => add(place, report, Some(mistake), out),
        PanelCommand::TakeBack(mistake) => take_back(place, mistake, out),
        PanelCommand::Show { number, salinity } => show_panel(place, (*number, *salinity), out),
        PanelCommand::List => list(place, out),
    }
}

/// A lab report: the rows of one number.
struct Report {
    number: i64,
    lab: String,
    taken: Timestamp,
    rows: Vec<Reading>,
}

/// All reports that count, oldest first.
fn reports(reader: &LedgerReader) -> Result<Vec<Report>, Failure> {
    let mut all: Vec<Report> = Vec::new();
    for told in reader.told().map_err(|e| unread(&e))? {
        let (Some(number), Some(reading)) = (told.panel, told.reading().cloned()) else {
            continue;
        };
        match all.iter_mut().find(|report| report.number == number) {
            Some(report) => report.rows.push(reading),
            None => all.push(Report {
                number,
                lab: told.method,
                taken: told.happened,
                rows: vec![reading],
            }),
        }
    }
    Ok(all)
}

/// The columns of a lab: as told now, or as remembered.
fn columns_of(place: &Place, file: &PanelFile, text: &str) -> Result<Columns, Failure> {
    if let Some(told) = &file.columns {
        return Ok(told.clone());
    }
    let known = open(place)?.columns_of(&file.lab).map_err(|e| unread(&e))?;
    match known {
        Some(known) => Ok(known),
        None => Err(usage(format!(
            "the columns of lab \"{}\" are not known yet; the report has: {}; tell once which is which with --columns \"element=...,value=...,unit=...,limit=...\"",
            file.lab,
            headings(text).map_err(usage)?.join(", ")
        ))),
    }
}

fn add(
    place: &Place,
    file: &PanelFile,
    mistake: Option<&Mistake>,
    out: &mut Out,
) -> Result<(), Failure> {
    let io = |error: std::io::Error| {
        Failure::new(
            exit::IO,
            format!("cannot read {}: {error}", file.file.display()),
        )
    };
    if fs::metadata(&file.file).map_err(io)?.len() > FILE_BYTES_MAX {
        return Err(usage(format!(
            "{} is larger than {FILE_BYTES_MAX} bytes; that is no lab report",
            file.file.display()
        )));
    }
    if !(file.uncertainty > 0.0 && file.uncertainty <= 100.0) {
        return Err(usage(
            "the uncertainty must be more than 0 and at most 100 %",
        ));
    }
    let text = fs::read_to_string(&file.file).map_err(io)?;
    let columns = columns_of(place, file, &text)?;
    let taken = file.told.at.unwrap_or_else(|| machine_now().wall);
    let salinity = match open(place) {
        Ok(reader) => salinity_at(&reader, taken)?.0,
        Err(_) => Salinity::STANDARD,
    };
    let density = density_kg_per_m3(salinity, Celsius::from_degrees(LAB_C)).map_err(usage)?;
    let sample = Sample {
        kg_per_l: density / 1000.0,
        uncertainty_percent: file.uncertainty,
        decimal: file.decimal,
    };
    let report = read(&text, &columns, sample).map_err(usage)?;
    if report.rows.is_empty() {
        return Err(usage(format!(
            "{} has no row that can be used: {}",
            file.file.display(),
            report.left_out.join("; ")
        )));
    }
    if !place.json {
        for line in &report.left_out {
            writeln!(out, "left out: {line}")?;
        }
        writeln!(out, "{} values read", report.rows.len())?;
    }
    let lab = Lab {
        name: Words::new(&file.lab),
        columns: file.columns.clone(),
    };
    let items = report.rows.into_iter().map(Observed::Reading).collect();
    tell(place, items, Some(lab), (&file.told, mistake), out)
}

fn list(place: &Place, out: &mut Out) -> Result<(), Failure> {
    let reports = reports(&open(place)?)?;
    if place.json {
        let rows: Vec<_> = reports
            .iter()
            .map(|r| {
                json!({ "number": r.number, "lab": r.lab, "taken": r.taken.to_string(), "values": r.rows.len() })
            })
            .collect();
        return Ok(out.json(&rows)?);
    }
    if reports.is_empty() {
        writeln!(out, "no lab report is on record")?;
    }
    let zone = zone(place);
    for r in &reports {
        writeln!(
            out,
            "{:>4}  {}  {}, {} values",
            r.number,
            minute(r.taken, &zone),
            r.lab,
            r.rows.len()
        )?;
    }
    Ok(())
}

/// The salinity of the reading nearest in time, with where it is from.
fn salinity_at(reader: &LedgerReader, at: Timestamp) -> Result<(Salinity, String), Failure> {
    let all = reader.told().map_err(|e| unread(&e))?;
    let nearest = all
        .iter()
        .filter_map(|told| Some((told.happened, told.reading()?)))
        .filter(|(_, reading)| reading.of == Measurand::Salinity)
        .min_by_key(|(taken, _)| taken.as_millisecond().abs_diff(at.as_millisecond()));
    Ok(match nearest {
        Some((taken, reading)) => (
            Salinity::from_practical(reading.found.amount().0),
            format!("of the reading nearest in time ({taken:.0})"),
        ),
        None => (
            Salinity::STANDARD,
            "assumed, for there is no reading of salinity".to_owned(),
        ),
    })
}

/// The elements of a report against natural seawater.
fn compare(report: &Report, salinity: Salinity) -> Result<Vec<Comparison>, Failure> {
    report
        .rows
        .iter()
        .filter_map(|row| {
            let element = row.of.quantity()?.element()?.clone();
            let (value, uncertainty) = row.found.amount();
            Some(PanelEntry {
                element,
                value,
                detected: match row.found {
                    Found::Value { .. } => Detected::Yes,
                    Found::Below(_) => Detected::BelowLimit,
                },
                unit: PanelUnit::MilligramPerL,
                uncertainty_percent: 100.0 * uncertainty / value.max(f64::MIN_POSITIVE),
            })
        })
        .map(|entry| {
            entry
                .compare(salinity, Celsius::from_degrees(LAB_C))
                .map_err(|error| Failure::new(exit::REFUSED, error.to_string()))
        })
        .collect()
}

/// What is known beside the report itself.
struct Around<'a> {
    loaded: Option<&'a Loaded>,
    reader: &'a LedgerReader,
    /// Earlier reports, oldest first.
    earlier: Vec<(&'a Report, Vec<Comparison>)>,
    told: Vec<Observation>,
    at: Timestamp,
}

fn show_panel(
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
        None => salinity_at(&reader, report.taken)?,
    };
    let compared = compare(report, salinity)?;
    let earlier = reports
        .iter()
        .take(index.unwrap_or(0))
        .map(|report| Ok((report, compare(report, salinity)?)))
        .collect::<Result<Vec<_>, Failure>>()?;
    let loaded = configuration(place).ok();
    let around = Around {
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
    let metals: Vec<String> = corrosion(&compared)
        .iter()
        .map(ToString::to_string)
        .collect();
    if place.json {
        let rows: Vec<_> = rows
            .iter()
            .map(|(c, remarks)| row_json(c, remarks))
            .collect();
        return Ok(out.json(&json!({
            "number": report.number, "lab": report.lab, "taken": report.taken.to_string(),
            "salinity": salinity.as_practical(), "salinity_from": from, "elements": rows, "corrosion": metals,
        }))?);
    }
    writeln!(
        out,
        "{} of {}, against natural seawater of {salinity} ({from})",
        report.lab,
        minute(report.taken, &zone(place))
    )?;
    for (comparison, remarks) in &rows {
        let tone = match comparison.band {
            Band::Low | Band::High => Tone::Strong,
            Band::Natural | Band::NotFound | Band::NothingToCompare => Tone::Quiet,
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
    let (value, below) = match comparison.finding {
        Finding::Found(value) => (value, false),
        Finding::Below(limit) => (limit, true),
    };
    json!({
        "element": comparison.element.symbol(), "mg_per_l": value.as_mg_per_l(), "below_limit": below,
        "low_mg_per_l": comparison.interval.0.as_mg_per_l(), "high_mg_per_l": comparison.interval.1.as_mg_per_l(),
        "natural_mg_per_l": comparison.natural.map(|(n, _)| n.as_mg_per_l()),
        "sureness": comparison.natural.map(|(_, s)| s.to_string()), "band": comparison.band.to_string(), "remarks": remarks,
    })
}

/// Trend, what to do about a low value, where a high one may be from.
fn remarks(comparison: &Comparison, around: &Around<'_>) -> Result<Vec<String>, Failure> {
    let mut remarks = Vec::new();
    let series = series(comparison, around);
    if let (Some((_, before)), Finding::Found(now)) = (series.last(), comparison.finding)
        && let Finding::Found(then) = before.finding
    {
        remarks.push(step((then, now), before, comparison));
    }
    remarks.extend(trend(comparison, &series, around.at));
    match comparison.band {
        Band::Low => remarks.extend(proposal(comparison, around.loaded)),
        Band::High => remarks.extend(source(comparison, series.last(), around)?),
        Band::Natural | Band::NotFound | Band::NothingToCompare => {}
    }
    Ok(remarks)
}

/// What the earlier reports that name the element have of it, oldest first.
fn series<'a>(
    comparison: &Comparison,
    around: &'a Around<'_>,
) -> Vec<(&'a Report, &'a Comparison)> {
    let of = |all: &'a Vec<Comparison>| all.iter().find(|c| c.element == comparison.element);
    around
        .earlier
        .iter()
        .filter_map(|(panel, all)| Some((*panel, of(all)?)))
        .collect()
}

/// How it moved over all reports in which it was found.
fn trend(
    comparison: &Comparison,
    series: &[(&Report, &Comparison)],
    at: Timestamp,
) -> Option<String> {
    let (first, _) = series.first()?;
    let point = |when: Timestamp, c: &Comparison| {
        let Finding::Found(value) = c.finding else {
            return None;
        };
        let days = when.duration_since(first.taken).as_secs_f64() / 86_400.0;
        Some((days, value.as_mg_per_l(), uncertainty(c)))
    };
    let found: Vec<_> = series
        .iter()
        .filter_map(|(panel, c)| point(panel.taken, c))
        .chain(point(at, comparison))
        .collect();
    Trend::of(&found).map(|trend| trend.to_string())
}

/// Standard uncertainty of what was found, mg/L, from its 95 % interval.
fn uncertainty(c: &Comparison) -> f64 {
    (c.interval.1.as_mg_per_l() - c.interval.0.as_mg_per_l()) / 2.0 / 1.96
}

fn step(
    (then, now): (Concentration, Concentration),
    before: &Comparison,
    after: &Comparison,
) -> String {
    let (then, now) = (then.as_mg_per_l(), now.as_mg_per_l());
    let apart = after.interval.0 > before.interval.1 || after.interval.1 < before.interval.0;
    let word = match (apart, now > then) {
        (false, _) => "no change that the two reports could tell",
        (true, true) => "risen",
        (true, false) => "fallen",
    };
    format!("the report before had {}: {word}", amount(then))
}

/// A course for what is low.
fn proposal(comparison: &Comparison, loaded: Option<&Loaded>) -> Vec<String> {
    let Some(course) = safe_course(comparison) else {
        return vec![
            "no course is proposed: the natural level is not sure enough to aim at".to_owned(),
        ];
    };
    let mut all = vec![format!(
        "{course} (daily step by common practice, no source)"
    )];
    let symbol = comparison.element.symbol();
    let line = loaded.and_then(|loaded| {
        let controller = &loaded.controller;
        controller.lines.iter().find(|line| {
            controller.effect_of(&line.name).is_some_and(|effect| {
                effect.carries(&Quantity::Element(comparison.element.clone()))
            })
        })
    });
    match line {
        Some(line) => all.push(format!(
            "dosewright course raise {} --of {symbol} --by \"{}\" --at-most \"{}\"",
            line.name,
            amount(course.gap.as_mg_per_l()),
            amount(course.step_per_day.as_mg_per_l())
        )),
        None => all.push(format!("no line carries {symbol}")),
    }
    all
}

/// Whether dosing explains a high value, and what water changes would do.
fn source(
    comparison: &Comparison,
    before: Option<&(&Report, &Comparison)>,
    around: &Around<'_>,
) -> Result<Vec<String>, Failure> {
    let mut all = Vec::new();
    if let Some((panel, before)) = before {
        let since = panel.taken;
        let dosed = dosed_between(&comparison.element, around, since)?;
        let changes = changed_between(comparison, around, since);
        let (water_left, new_water) = after_changes(&changes);
        let account = Account {
            element: comparison.element.clone(),
            before: before.finding.at_most(),
            after: comparison.finding.at_most(),
            uncertainty: Concentration::from_mg_per_l(uncertainty(comparison)),
            dosed: Concentration::from_mg_per_l(dosed),
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
    let natural = comparison.natural.map(|(natural, _)| natural);
    if let (Some(share), Some(natural)) = (share, natural) {
        // To a tenth above natural: changes with natural water come near to it and never reach it.
        let target = Concentration::from_mg_per_l(natural.as_mg_per_l() * 1.1);
        let changes = share.changes_to_reach(comparison.finding.at_most(), target, natural);
        if let Ok(changes) = changes {
            all.push(format!(
                "{changes} changes of {CHANGE_PERCENT:.0} % with water of natural content would bring it to {}, if its source is gone",
                amount(target.as_mg_per_l())
            ));
        }
    }
    Ok(all)
}

/// The water changes between two times: part of the water, and the level of the new water; the natural level where none is on record.
fn changed_between(
    comparison: &Comparison,
    around: &Around<'_>,
    since: Timestamp,
) -> Vec<(f64, Concentration)> {
    let Some(loaded) = around.loaded else {
        return Vec::new();
    };
    let tank = loaded.controller.tank.as_litres();
    let natural = comparison
        .natural
        .map_or(Concentration::from_mg_per_l(0.0), |(natural, _)| natural);
    let of = Quantity::Element(comparison.element.clone());
    let between = around.between(since);
    let changes = between.filter_map(|told| match &told.what {
        Observed::WaterChange { litres, held } => {
            let new = held.get(&of).copied();
            let new = new.map_or(natural, Concentration::from_mg_per_l);
            Some(((litres / tank).clamp(0.0, 1.0), new))
        }
        Observed::Reading(_) | Observed::Addition(_) | Observed::Note { .. } => None,
    });
    changes.collect()
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
