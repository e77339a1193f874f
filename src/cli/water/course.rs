//! Courses: worked out and shown before they begin, listed with what was given of them, paused, resumed and ended.

use std::collections::BTreeMap;
use std::io::Write;

use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::json;

use crate::chemistry::{ClaimRise, Quantity, amount, figures};
use crate::cli::args::Place;
use crate::cli::exit::{self, Failure};
use crate::cli::out::Out;
use crate::cli::proposal::{Consent, propose};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::{
    Course as CourseArgs, CourseAdd, CourseCommand, CourseConfirm, CourseNumber, CourseTopUp,
};
use crate::cli::water::panel_csv::from_text;
use crate::cli::water::reading::entries;
use crate::cli::words::{minute, rise, unread, usage, zone};
use crate::engine::{Command, CourseAction, NewCourse, Wish};
use crate::ledger::{GivenDose, LedgerReader};
use crate::quantity::{Alkalinity, Name, Volume, f64_from_i64};
use crate::record::{Course, CourseKind, CourseState, FactKind};

pub(in crate::cli) fn course(
    place: &Place,
    options: &CourseArgs,
    out: &mut Out,
) -> Result<(), Failure> {
    match &options.command {
        CourseCommand::Add(add) => add_course(place, add, out),
        CourseCommand::TopUp(add) => top_up(place, add, out),
        CourseCommand::Confirm(which) => confirm(place, which, out),
        CourseCommand::List { json } => list(place, *json, out),
        CourseCommand::Pause(which) => set(place, which, CourseAction::Pause, out),
        CourseCommand::Resume(which) => set(place, which, CourseAction::Resume, out),
        CourseCommand::End(which) => set(place, which, CourseAction::End, out),
    }
}

fn set(
    place: &Place,
    which: &CourseNumber,
    action: CourseAction,
    out: &mut Out,
) -> Result<(), Failure> {
    let number = which.number;
    let command = Command::SetCourse { number, action };
    ask(place, &command.into(), which.json, out).map(drop)
}

/// What is raised, and by how much in its own unit.
fn of_quantity(rise: &ClaimRise) -> (Quantity, f64) {
    match rise {
        ClaimRise::Alkalinity(rise) => (Quantity::Alkalinity, rise.as_dkh()),
        ClaimRise::Element(element, rise) => {
            (Quantity::Element(element.clone()), rise.as_mg_per_l())
        }
    }
}

/// A rise in the record's unit in words: meq/L for alkalinity, mg/L otherwise.
fn in_words(raises: &Quantity, value: f64) -> String {
    match raises {
        Quantity::Alkalinity => format!(
            "{} dKH",
            figures(Alkalinity::from_meq_per_l(value).as_dkh())
        ),
        Quantity::Element(_) => amount(value),
    }
}

fn add_course(place: &Place, add: &CourseAdd, out: &mut Out) -> Result<(), Failure> {
    let (raises, by) = of_quantity(&rise(&add.raise, &add.by)?);
    let (_, at_most_per_day) = of_quantity(&rise(&add.raise, &add.at_most)?);
    let new = NewCourse {
        kind: CourseKind::Once,
        line: Name::new(&add.line).map_err(usage)?,
        raises,
        by,
        at_most_per_day,
        note: add.note.as_str().into(),
    };
    begin(place, new, (add.yes, add.json), out)
}

/// The same rise on each of so many days.
fn top_up(place: &Place, add: &CourseTopUp, out: &mut Out) -> Result<(), Failure> {
    let (raises, per_day) = of_quantity(&rise(&add.raise, &add.per_day)?);
    let new = NewCourse {
        kind: CourseKind::TopUp,
        line: Name::new(&add.line).map_err(usage)?,
        raises,
        by: per_day * f64::from(add.review_days),
        at_most_per_day: per_day,
        note: add.note.as_str().into(),
    };
    begin(place, new, (add.yes, add.json), out)
}

fn begin(
    place: &Place,
    new: NewCourse,
    (yes, json): (bool, bool),
    out: &mut Out,
) -> Result<(), Failure> {
    let consent = Consent {
        yes,
        json,
        question: "Begin it? Type yes to go on:",
        otherwise: "no course was begun",
    };
    propose(place, Wish::Course(new), &consent, out)
}

/// Lets a top-up go on, by the newest result on record.
fn confirm(place: &Place, options: &CourseConfirm, out: &mut Out) -> Result<(), Failure> {
    let reader = open(place)?;
    let courses = reader.courses().map_err(|e| unread(&e))?;
    let course = courses.iter().rfind(|c| c.number == options.number);
    let course = course.ok_or_else(|| {
        usage(format!(
            "there is no course {}; `dosewright course list` shows them",
            options.number
        ))
    })?;
    let newest = newest_result(&reader, &course.raises)?;
    let word = &course.raises;
    let (taken, shown) = newest.filter(|(taken, _)| *taken > course.at.wall).ok_or_else(|| {
        Failure::new(
            exit::REFUSED,
            format!(
                "course {} is confirmed by a new result only: there is no reading or lab report of {word} since {:.0}; test, enter it, then confirm",
                course.number, course.at.wall
            ),
        )
    })?;
    if !options.json {
        let at = minute(taken, &zone(place));
        writeln!(out, "by the result of {at}: {word} {shown}")?;
    }
    let command = Command::SetCourse {
        number: options.number,
        action: CourseAction::Confirm {
            days: options.review_days,
            read: taken,
        },
    };
    ask(place, &command.into(), options.json, out).map(drop)
}

/// The newest reading or lab value, with when its sample was taken.
fn newest_result(
    reader: &LedgerReader,
    of: &Quantity,
) -> Result<Option<(Timestamp, String)>, Failure> {
    let read = entries(reader)?
        .into_iter()
        .filter(|e| Quantity::from_word(&e.word).as_ref() == Some(of) && e.counts())
        .map(|e| (e.taken, e.shown()));
    let panels = reader.facts(FactKind::Panel).map_err(|e| unread(&e))?;
    let found = panels.iter().flat_map(|panel| {
        from_text(&panel.text)
            .into_iter()
            .filter(|kept| Some(&kept.element) == of.element())
            .map(|kept| (panel.happened, kept.shown()))
    });
    Ok(read.chain(found).max_by_key(|(taken, _)| *taken))
}

/// A course with all its rows, oldest first.
struct History<'a> {
    rows: Vec<&'a Course>,
}

impl History<'_> {
    /// Local dates on which it was in force, by the rows that followed each other.
    fn dates(&self) -> Vec<(Date, &Course)> {
        let mut dates: BTreeMap<Date, &Course> = BTreeMap::new();
        for (index, row) in self.rows.iter().enumerate() {
            if row.state != CourseState::Running {
                continue;
            }
            // A row that followed cut the days short: a pause counts the day that had begun.
            let next = self.rows.get(index + 1);
            let days = match next.map(|next| next.state) {
                Some(CourseState::Paused) => {
                    row.days.saturating_sub(next.map_or(0, |next| next.days))
                }
                Some(CourseState::Ended) => next.map_or(row.days, |next| next.days.min(row.days)),
                Some(CourseState::Running) | None => row.days,
            };
            let mut date = row.first;
            for _ in 0..days {
                // What a confirmation adds comes after what was there.
                dates.entry(date).or_insert(row);
                date = date.tomorrow().unwrap_or(date);
            }
        }
        dates.into_iter().collect()
    }

    /// What of it was given, by the part that the extra has in each day's volume.
    fn given(&self, doses: &[GivenDose]) -> Volume {
        self.dates()
            .into_iter()
            .map(|(date, row)| {
                let delivered: Volume = doses
                    .iter()
                    .filter(|d| d.line == row.line && d.slot_date == Some(date))
                    .map(|d| d.volume)
                    .sum();
                let whole = f64_from_i64(row.standing.saturating_add(row.extra).as_ul()).max(1.0);
                let part = f64_from_i64(row.extra.as_ul()) / whole;
                delivered
                    .scaled(part)
                    .unwrap_or(Volume::ZERO)
                    .min(row.extra)
            })
            .sum()
    }
}

fn list(place: &Place, as_json: bool, out: &mut Out) -> Result<(), Failure> {
    let reader: LedgerReader = open(place)?;
    let rows = reader.courses().map_err(|e| unread(&e))?;
    let mut by_number: BTreeMap<i64, History<'_>> = BTreeMap::new();
    for row in &rows {
        by_number
            .entry(row.number)
            .or_insert_with(|| History { rows: Vec::new() })
            .rows
            .push(row);
    }
    let since = rows
        .first()
        .map_or(Timestamp::UNIX_EPOCH, |row| row.at.wall);
    let doses = reader.doses_since(since).map_err(|e| unread(&e))?;
    let mut json_rows = Vec::new();
    for (number, history) in &by_number {
        let (Some(first), Some(newest)) = (history.rows.first(), history.rows.last()) else {
            continue;
        };
        let given = history.given(&doses);
        let planned = first
            .extra
            .scaled(f64::from(first.days))
            .unwrap_or(first.extra);
        let raised =
            first.rise_per_day * f64_from_i64(given.as_ul()) / f64_from_i64(first.extra.as_ul());
        if as_json {
            json_rows.push(json!({
                "course": number, "kind": first.kind, "last_date": newest.last().to_string(), "line": first.line.as_str(), "state": newest.state, "extra_ul": first.extra.as_ul(),
                "first_date": first.first.to_string(), "days": first.days, "days_left": newest.days, "rise_per_day": first.rise_per_day,
                "planned_ul": planned.as_ul(), "given_ul": given.as_ul(), "raised": raised,
                "unit": match first.raises { Quantity::Alkalinity => "meq/L", Quantity::Element(_) => "mg/L" },
            }));
            continue;
        }
        say(history, (given, planned, raised), out)?;
    }
    if as_json {
        return Ok(out.json(&json_rows)?);
    }
    if by_number.is_empty() {
        writeln!(out, "no course is on record")?;
    }
    Ok(())
}

/// One course in a line.
fn say(
    history: &History<'_>,
    (given, planned, raised): (Volume, Volume, f64),
    out: &mut Out,
) -> Result<(), Failure> {
    let (Some(first), Some(newest)) = (history.rows.first(), history.rows.last()) else {
        return Ok(());
    };
    let number = first.number;
    let what = &first.raises;
    let paused = match newest.state {
        CourseState::Paused => format!(", {} days to come", newest.days),
        CourseState::Running | CourseState::Ended => String::new(),
    };
    let raised = in_words(&first.raises, raised);
    let begin = format!(
        "course {number}: {}{paused}; {} a day on line {} from {}",
        newest.state, first.extra, first.line, first.first,
    );
    match (first.kind, newest.state) {
        (CourseKind::Once, _) => {
            let aim = in_words(&first.raises, first.rise_per_day * f64::from(first.days));
            let days = first.days;
            writeln!(
                out,
                "{begin} for {days} days; given {given} of {planned}, which raised {what} by {raised} of {aim}"
            )?;
        }
        (CourseKind::TopUp, CourseState::Running) => {
            let last = newest.last();
            writeln!(
                out,
                "{begin}, reviewed by {last}; given {given}, which raised {what} by {raised}"
            )?;
        }
        (CourseKind::TopUp, CourseState::Paused | CourseState::Ended) => writeln!(
            out,
            "{begin}; given {given}, which raised {what} by {raised}"
        )?,
    }
    Ok(())
}
