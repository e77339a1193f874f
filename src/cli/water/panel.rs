//! Lab reports: imported, and held against natural seawater, earlier reports and what was dosed in between.

use std::fs;
use std::io::Write;

use jiff::Timestamp;
use serde_json::json;

use crate::chemistry::{Celsius, ChangeShare, Element, Quantity, Salinity, amount};
use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::out::{Out, Tone};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::exchanged::{WaterChange, water_changes};
use crate::cli::water::owner_args::{Panel as PanelArgs, PanelAdd, PanelCommand, PanelShow};
use crate::cli::water::panel_csv::{Columns, from_text, headings, read, to_text};
use crate::cli::water::reading::{entries, take_back};
use crate::cli::words::{configuration, minute, salinity, unread, usage, zone};
use crate::config::Loaded;
use crate::control::Request;
use crate::engine::{Command, NewFact, Replaces};
use crate::estimate::{
    Account, Band, Comparison, Finding, Tracked, Trend, after_changes, corrosion, safe_course,
};
use crate::ledger::LedgerReader;
use crate::quantity::{Concentration, Lines, Words};
use crate::record::{Fact, FactKind};

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
        PanelCommand::Add(add) => add_panel(place, add, None, out),
        PanelCommand::Correct(correct) => {
            let replaces = Replaces {
                number: correct.number,
                why: Words::new(&correct.reason),
            };
            add_panel(place, &correct.report, Some(replaces), out)
        }
        PanelCommand::TakeBack(back) => take_back(place, back, out),
        PanelCommand::Show(show) => show_panel(place, show, out),
        PanelCommand::List { json } => list(place, *json, out),
    }
}

/// The columns of a lab: as told now, or as remembered.
fn columns_of(place: &Place, add: &PanelAdd, text: &str) -> Result<(Columns, bool), Failure> {
    if let Some(told) = &add.columns {
        return Ok((Columns::parse(told).map_err(usage)?, true));
    }
    let known = open(place)?
        .facts(FactKind::PanelColumns)
        .map_err(|e| unread(&e))?;
    let remembered = known.iter().rev().find(|f| f.name == add.lab);
    let Some(remembered) = remembered else {
        return Err(usage(format!(
            "the columns of lab \"{}\" are not known yet; the report has: {}; tell once which is which with --columns \"element=...,value=...,unit=...,limit=...\"",
            add.lab,
            headings(text).join(", ")
        )));
    };
    Ok((Columns::parse(&remembered.text).map_err(usage)?, false))
}

fn add_panel(
    place: &Place,
    add: &PanelAdd,
    replaces: Option<Replaces>,
    out: &mut Out,
) -> Result<(), Failure> {
    let io = |error: std::io::Error| {
        Failure::new(
            exit::IO,
            format!("cannot read {}: {error}", add.file.display()),
        )
    };
    if fs::metadata(&add.file).map_err(io)?.len() > FILE_BYTES_MAX {
        return Err(usage(format!(
            "{} is larger than {FILE_BYTES_MAX} bytes; that is no lab report",
            add.file.display()
        )));
    }
    if !(add.uncertainty > 0.0 && add.uncertainty <= 100.0) {
        return Err(usage(
            "the uncertainty must be more than 0 and at most 100 %",
        ));
    }
    let text = fs::read_to_string(&add.file).map_err(io)?;
    let (columns, told) = columns_of(place, add, &text)?;
    let report = read(&text, &columns, add.decimal).map_err(usage)?;
    if report.rows.is_empty() {
        return Err(usage(format!(
            "{} has no row that can be used: {}",
            add.file.display(),
            report.left_out.join("; ")
        )));
    }
    let fact = |kind: FactKind, value: Option<f64>, text: &str, replaces: Option<Replaces>| {
        let new = NewFact {
            kind,
            name: Words::new(&add.lab),
            value,
            uncertainty: None,
            text: Lines::new(text).map_err(usage)?,
            happened: add.at,
            replaces,
            sure: add.sure,
        };
        Ok::<_, Failure>(Request::Command(Command::AddFact(new)))
    };
    if told {
        // Told first, so that a report that is stored can always be read with them.
        let mut client = crate::control::Client::connect(&place.state)?;
        exit::accepted(client.ask(&fact(FactKind::PanelColumns, None, &columns.text(), None)?)?)?;
    }
    if !add.json {
        for line in &report.left_out {
            writeln!(out, "left out: {line}")?;
        }
        writeln!(out, "{} elements read", report.rows.len())?;
    }
    let request = fact(
        FactKind::Panel,
        Some(add.uncertainty),
        &to_text(&report.rows),
        replaces,
    )?;
    ask(place, &request, add.json, out).map(drop)
}

fn list(place: &Place, as_json: bool, out: &mut Out) -> Result<(), Failure> {
    let panels = open(place)?
        .facts(FactKind::Panel)
        .map_err(|e| unread(&e))?;
    if as_json {
        let rows: Vec<_> = panels
            .iter()
            .map(|p| {
                json!({ "number": p.number, "lab": p.name, "taken": p.happened.to_string(), "elements": from_text(&p.text).len() })
            })
            .collect();
        return Ok(out.json(&rows)?);
    }
    if panels.is_empty() {
        writeln!(out, "no lab report is on record")?;
    }
    let zone = zone(place);
    for p in &panels {
        writeln!(
            out,
            "{:>4}  {}  {}, {} elements",
            p.number,
            minute(p.happened, &zone),
            p.name,
            from_text(&p.text).len()
        )?;
    }
    Ok(())
}

/// The salinity to compare at, with where it is from.
fn salinity_at(
    reader: &LedgerReader,
    typed: Option<&String>,
    at: Timestamp,
) -> Result<(Salinity, String), Failure> {
    if let Some(text) = typed {
        return Ok((salinity(text)?, "as given".to_owned()));
    }
    let all = entries(reader)?;
    let nearest = all
        .iter()
        .filter(|e| e.word == "salinity" && e.counts())
        .min_by_key(|e| e.taken.as_millisecond().abs_diff(at.as_millisecond()));
    Ok(match nearest {
        Some(e) => (
            Salinity::from_practical(e.value),
            format!("of the reading nearest in time ({:.0})", e.taken),
        ),
        None => (
            Salinity::STANDARD,
            "assumed, for there is no reading of salinity".to_owned(),
        ),
    })
}

fn compare(panel: &Fact, salinity: Salinity) -> Result<Vec<Comparison>, Failure> {
    let percent = panel.value.unwrap_or(5.0);
    from_text(&panel.text)
        .iter()
        .filter_map(|kept| kept.entry(percent))
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
    earlier: Vec<(&'a Fact, Vec<Comparison>)>,
    exchanged: Vec<WaterChange>,
    at: Timestamp,
}

fn show_panel(place: &Place, options: &PanelShow, out: &mut Out) -> Result<(), Failure> {
    let reader = open(place)?;
    let panels = reader.facts(FactKind::Panel).map_err(|e| unread(&e))?;
    let index = match options.number {
        None => panels.len().checked_sub(1),
        Some(number) => panels.iter().position(|p| p.number == number),
    };
    let panel = index.and_then(|i| panels.get(i)).ok_or_else(|| {
        usage("there is no such lab report; `dosewright panel list` shows those on record")
    })?;
    let (salinity, from) = salinity_at(&reader, options.salinity.as_ref(), panel.happened)?;
    let compared = compare(panel, salinity)?;
    let earlier = panels
        .iter()
        .take(index.unwrap_or(0))
        .map(|p| Ok((p, compare(p, salinity)?)))
        .collect::<Result<Vec<_>, Failure>>()?;
    let loaded = configuration(place).ok();
    let around = Around {
        loaded: loaded.as_ref(),
        exchanged: water_changes(&reader)?,
        reader: &reader,
        earlier,
        at: panel.happened,
    };
    let mut rows = Vec::new();
    for comparison in &compared {
        rows.push((comparison, remarks(comparison, &around)?));
    }
    let metals: Vec<String> = corrosion(&compared)
        .iter()
        .map(ToString::to_string)
        .collect();
    if options.json {
        let rows: Vec<_> = rows
            .iter()
            .map(|(c, remarks)| row_json(c, remarks))
            .collect();
        return Ok(out.json(&json!({
            "number": panel.number, "lab": panel.name, "taken": panel.happened.to_string(),
            "salinity": salinity.as_practical(), "salinity_from": from, "elements": rows, "corrosion": metals,
        }))?);
    }
    writeln!(
        out,
        "{} of {}, against natural seawater of {salinity} ({from})",
        panel.name,
        minute(panel.happened, &zone(place))
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
fn series<'a>(comparison: &Comparison, around: &'a Around<'_>) -> Vec<(&'a Fact, &'a Comparison)> {
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
    series: &[(&Fact, &Comparison)],
    at: Timestamp,
) -> Option<String> {
    let (first, _) = series.first()?;
    let point = |when: Timestamp, c: &Comparison| {
        let Finding::Found(value) = c.finding else {
            return None;
        };
        let days = when.duration_since(first.happened).as_secs_f64() / 86_400.0;
        Some((days, value.as_mg_per_l(), uncertainty(c)))
    };
    let found: Vec<_> = series
        .iter()
        .filter_map(|(panel, c)| point(panel.happened, c))
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
                effect
                    .elements_mg_per_l
                    .get(&comparison.element)
                    .is_some_and(|mg| *mg > 0.0)
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
    before: Option<&(&Fact, &Comparison)>,
    around: &Around<'_>,
) -> Result<Vec<String>, Failure> {
    let mut all = Vec::new();
    if let Some((panel, before)) = before {
        let since = panel.happened;
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
    let natural = comparison
        .natural
        .map_or(Concentration::from_mg_per_l(0.0), |(natural, _)| natural);
    let of = Tracked::Element(comparison.element.clone());
    around
        .exchanged
        .iter()
        .filter(|change| since < change.at && change.at <= around.at)
        .map(|change| {
            let new = change
                .level(&of)
                .map_or(natural, Concentration::from_mg_per_l);
            (change.part(loaded.controller.tank), new)
        })
        .collect()
}

/// mg/L that doses brought between two times.
fn dosed_between(element: &Element, around: &Around<'_>, since: Timestamp) -> Result<f64, Failure> {
    let of = Quantity::Element(element.clone());
    let doses = around.reader.doses_since(since).map_err(|e| unread(&e))?;
    Ok(doses
        .iter()
        .filter(|d| d.at <= around.at)
        .filter_map(|d| d.carries.get(&of))
        .sum())
}
