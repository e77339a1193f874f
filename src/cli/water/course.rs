//! Courses: shown as the daemon works them out before they begin, listed with what was given of them, paused, resumed, turned, ended.

use std::collections::BTreeMap;
use std::io::Write;

use clap::{Args, Subcommand};
use jiff::Timestamp;
use jiff::civil::Date;
use serde_json::json;

use crate::chemistry::Quantity;
use crate::cli::place::{Agreed, Noted};
use crate::cli::proposal::{Consent, agreed_to, propose};
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::told::rows;
use crate::cli::words::{Amount, amount, minute, quantity, usage, zone};
use crate::cli::{Out, Place, Result, refused};
use crate::engine::{Command, CourseAction, CourseWish, NewCourse, Wish};
use crate::ledger::LedgerReader;
use crate::quantity::{Name, Volume, f64_from_i64, local};
use crate::record::{Course, CourseState, Departure, Ends, GivenDose};

#[derive(Debug, Subcommand)]
pub(crate) enum CourseCommand {
    /// Raise one thing by so much in all, on top of a line's plan; shown before it begins on the next local day
    #[command(
        after_help = "Example: dosewright course raise iodine --of iodine --by \"0.003 mg/L\" --at-most \"0.0003 mg/L\"\nThe extra is added to the line's doses of each day; every cap and limit counts it. It ends by itself, and a day that was missed is not made up for."
    )]
    Raise(CourseChange),
    /// Lower one thing by so much in all: the line gives less than its plan for some days
    #[command(
        after_help = "Example: dosewright course lower alkalinity --of alkalinity --by \"1 dKH\" --at-most \"0.2 dKH\"\nThe line gives less of everything that its bottle carries, never less than nothing. It ends by itself."
    )]
    Lower(CourseChange),
    /// Give so much a day of what is used up all the time, until a review date
    #[command(
        after_help = "Example: dosewright course top-up iodine --of iodine --per-day \"0.1 ug/L\" --review-days 30\nIt stops after that many days unless a reading or lab report from after its beginning confirms it: dosewright course confirm. An alarm asks for it three days before."
    )]
    TopUp(CourseTopUp),
    /// Fade from one line to another at equal effect on the water; shown day by day before it begins
    #[command(
        after_help = "Example: dosewright course changeover alkalinity bicarbonate --days 10\nThe second line stands in plan.toml with its times and `share-of-uptake = 0`. Every cap and limit counts both."
    )]
    Changeover(CourseChangeover),
    /// List courses with what of them was given
    List,
    /// Give nothing of one until it is resumed, or leave a changeover at its step; the day that has begun counts as given
    Pause(CourseNumber),
    /// Go on with one, from the next local day
    Resume(CourseNumber),
    /// Take a changeover back to the old line, a step each day
    Back(CourseNumber),
    /// End one now
    End(CourseNumber),
    /// Let a top-up go on, by a result that is newer than its last look
    Confirm(CourseConfirm),
}

/// How a course is begun.
#[derive(Debug, Args)]
pub(crate) struct CourseTold {
    #[command(flatten)]
    noted: Noted,
    #[command(flatten)]
    agreed: Agreed,
}

#[derive(Debug, Args)]
pub(crate) struct CourseChange {
    /// The line that gives it
    #[arg(value_parser = Name::new)]
    line: Name,
    /// What is changed: alkalinity, or an element
    #[arg(long, value_name = "WHAT", value_parser = quantity)]
    of: Quantity,
    /// By how much in all, for example "0.03 mg/L"
    #[arg(long, value_parser = amount)]
    by: Amount,
    /// By how much a day at most, for example "0.01 mg/L"
    #[arg(long, value_name = "AMOUNT", value_parser = amount)]
    at_most: Amount,
    #[command(flatten)]
    told: CourseTold,
}

#[derive(Debug, Args)]
pub(crate) struct CourseTopUp {
    /// The line that gives it
    #[arg(value_parser = Name::new)]
    line: Name,
    /// What is topped up: alkalinity, or an element
    #[arg(long, value_name = "WHAT", value_parser = quantity)]
    of: Quantity,
    /// By how much a day, for example "0.1 ug/L"
    #[arg(long, value_name = "AMOUNT", value_parser = amount)]
    per_day: Amount,
    /// Days until it stops or is confirmed
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=92))]
    review_days: u32,
    #[command(flatten)]
    told: CourseTold,
}

#[derive(Debug, Args)]
pub(crate) struct CourseChangeover {
    /// The line that fades out
    #[arg(value_parser = Name::new)]
    from: Name,
    /// The line that fades in
    #[arg(value_parser = Name::new)]
    to: Name,
    /// Over how many days
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=92))]
    days: u32,
    /// What stays equal: alkalinity, or an element
    #[arg(long, value_name = "WHAT", default_value = "alkalinity", value_parser = quantity)]
    of: Quantity,
    #[command(flatten)]
    told: CourseTold,
}

#[derive(Debug, Args)]
pub(crate) struct CourseConfirm {
    /// Its number, as `course list` shows it
    number: i64,
    /// Days from tomorrow until the next review
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=92))]
    review_days: u32,
}

#[derive(Debug, Args)]
pub(crate) struct CourseNumber {
    /// Its number, as `course list` shows it
    number: i64,
}

pub(crate) fn course(place: &Place, options: &CourseCommand, out: &mut Out) -> Result {
    let set = |which: &CourseNumber, action, out: &mut Out| {
        let command = Command::SetCourse {
            number: which.number,
            action,
        };
        ask(place, &command.into(), out).map(drop)
    };
    match options {
        CourseCommand::Raise(change) => begin(place, wanted(change, 1.0)?, &change.told, out),
        CourseCommand::Lower(change) => begin(place, wanted(change, -1.0)?, &change.told, out),
        CourseCommand::TopUp(top_up) => {
            let wish = CourseWish::TopUp {
                line: top_up.line.clone(),
                of: top_up.of.clone(),
                per_day: top_up.per_day.of(&top_up.of).map_err(usage)?,
                days: top_up.review_days,
            };
            begin(place, wish, &top_up.told, out)
        }
        CourseCommand::Changeover(fade) => {
            let wish = CourseWish::Changeover {
                from: fade.from.clone(),
                to: fade.to.clone(),
                of: fade.of.clone(),
                days: fade.days,
            };
            begin(place, wish, &fade.told, out)
        }
        CourseCommand::List => list(place, out),
        CourseCommand::Pause(which) => set(which, CourseAction::Pause, out),
        CourseCommand::Resume(which) => set(which, CourseAction::Resume, out),
        CourseCommand::Back(which) => set(which, CourseAction::Back, out),
        CourseCommand::End(which) => set(which, CourseAction::End, out),
        CourseCommand::Confirm(which) => confirm(place, which, out),
    }
}

fn wanted(change: &CourseChange, sign: f64) -> Result<CourseWish> {
    Ok(CourseWish::Change {
        line: change.line.clone(),
        of: change.of.clone(),
        by: sign * change.by.of(&change.of).map_err(usage)?,
        at_most_per_day: change.at_most.of(&change.of).map_err(usage)?,
    })
}

fn begin(place: &Place, what: CourseWish, told: &CourseTold, out: &mut Out) -> Result {
    let consent = Consent {
        yes: agreed_to(place, &told.agreed)?,
        question: "Begin it? Type yes to go on:",
        otherwise: "no course was begun",
    };
    let note = told.noted.note.clone();
    let wish = Wish::Course(NewCourse { what, note });
    propose(place, wish, &consent, out)
}

/// Lets a top-up go on, by the newest result on record.
fn confirm(place: &Place, options: &CourseConfirm, out: &mut Out) -> Result {
    let reader = open(place)?;
    let courses = reader.courses()?;
    let course = courses.iter().rfind(|c| c.number == options.number);
    let course = course.ok_or_else(|| {
        usage(format!(
            "there is no course {}; `dosewright course list` shows them",
            options.number
        ))
    })?;
    let of = course.what.of();
    let newest = newest_result(&reader, of)?;
    let (taken, shown) = newest.filter(|(taken, _)| *taken > course.at.wall).ok_or_else(|| {
        refused(format!(
                "course {} is confirmed by a new result only: there is no reading or lab report of {of} since {}; test, enter it, then confirm",
                course.number,
                local(course.at.wall, &zone(place))
            ),
        )
    })?;
    if !place.json {
        let at = minute(taken, &zone(place));
        writeln!(out, "by the result of {at}: {of} {shown}")?;
    }
    let command = Command::SetCourse {
        number: options.number,
        action: CourseAction::Confirm {
            days: options.review_days,
            read: taken,
        },
    };
    ask(place, &command.into(), out).map(drop)
}

/// The newest reading, with when its sample was taken.
fn newest_result(reader: &LedgerReader, of: &Quantity) -> Result<Option<(Timestamp, String)>> {
    let read = rows(reader)?.into_iter();
    let read = read.filter(|row| row.counts() && row.reading.of.quantity() == Some(of));
    let newest = read.max_by_key(|row| (row.told.happened, row.told.number));
    Ok(newest.map(|row| (row.told.happened, row.shown())))
}

/// Local dates on which an addition was in force, by its rows, oldest first: a row that followed cut the days short.
fn dates<'a>(rows: &[&'a Course]) -> BTreeMap<Date, &'a Course> {
    let mut dates: BTreeMap<Date, &Course> = BTreeMap::new();
    // An end that was not the last word came of a wrong date.
    let last = rows.len().saturating_sub(1);
    let rows = rows.iter().enumerate();
    let rows = rows.filter(|(index, row)| *index == last || row.state != CourseState::Ended);
    let rows: Vec<&Course> = rows.map(|(_, row)| *row).collect();
    for (index, row) in rows.iter().copied().enumerate() {
        if row.state != CourseState::Running {
            continue;
        }
        let until = match rows.get(index + 1) {
            Some(next) if next.state != CourseState::Running => next.step.min(row.days),
            Some(_) | None => row.days,
        };
        let mut date = row.since;
        for _ in row.step..until {
            // What a confirmation adds comes after what was there.
            dates.entry(date).or_insert(row);
            date = date.tomorrow().unwrap_or(date);
        }
    }
    dates
}

/// What of an addition was given and made, by the part of each day's volume that was: so much of the line, in the quantity's unit.
fn given(rows: &[&Course], doses: &[GivenDose]) -> (Volume, f64) {
    let mut sums = (Volume::ZERO, 0.0);
    for (date, row) in dates(rows) {
        let Departure::Add {
            line,
            per_day,
            standing,
            extra,
            ..
        } = &row.what
        else {
            continue;
        };
        let of_day = doses
            .iter()
            .filter(|d| d.line == *line && d.slot_date == Some(date));
        let delivered: Volume = of_day.map(|d| d.volume).sum();
        let whole = f64_from_i64(standing.saturating_add(*extra).as_ul()).max(1.0);
        let part = (f64_from_i64(delivered.as_ul()) / whole).min(1.0);
        let volume = Volume::from_ml(extra.as_ml() * part).unwrap_or_default();
        sums = (sums.0.saturating_add(volume), sums.1 + per_day * part);
    }
    sums
}

/// All rows of each number, oldest first.
fn by_number(rows: &[Course]) -> BTreeMap<i64, Vec<&Course>> {
    let mut all: BTreeMap<i64, Vec<&Course>> = BTreeMap::new();
    for row in rows {
        all.entry(row.number).or_default().push(row);
    }
    all
}

fn list(place: &Place, out: &mut Out) -> Result {
    let reader = open(place)?;
    let rows = reader.courses()?;
    let since = rows
        .first()
        .map_or(Timestamp::UNIX_EPOCH, |row| row.at.wall);
    let doses = reader.doses_since(since)?;
    let mut shown = Vec::new();
    for rows in by_number(&rows).values() {
        let Some(newest) = rows.last() else {
            continue;
        };
        let (volume, made) = given(rows, &doses);
        if place.json {
            let mut row = json!(newest);
            if let (Some(row), false) = (row.as_object_mut(), newest.what.is_shift()) {
                row.insert("given_ul".to_owned(), json!(volume));
                row.insert("made".to_owned(), json!(made));
                row.insert("unit".to_owned(), json!(newest.what.of().unit()));
                row.insert("last_date".to_owned(), json!(newest.last()));
            }
            shown.push(row);
        } else {
            writeln!(out, "{}", in_a_line(newest, (volume, made)))?;
        }
    }
    if place.json {
        return Ok(out.json(&shown)?);
    }
    if rows.is_empty() {
        writeln!(out, "no course is on record")?;
    }
    Ok(())
}

fn in_a_line(newest: &Course, (volume, made): (Volume, f64)) -> String {
    let mut parts = vec![newest.to_string()];
    if let Departure::Add {
        of,
        per_day,
        ends,
        extra,
        ..
    } = &newest.what
    {
        let made = of.unit().figures(made);
        let aim = of.unit().figures(per_day * f64::from(newest.days));
        parts.push(format!("{extra} a day, given {volume}"));
        parts.push(match ends {
            Ends::Aim => format!("which makes {made} of {aim}"),
            Ends::Review if newest.state == CourseState::Running => {
                format!("which makes {made}, reviewed by {}", newest.last())
            }
            Ends::Review => format!("which makes {made}"),
        });
    }
    if !newest.live {
        parts.push("in a dry run".to_owned());
    }
    if !newest.note.is_empty() {
        parts.push(newest.note.clone());
    }
    parts.join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Millis;
    use crate::record::{Stamp, Who};

    const SINCE: Date = jiff::civil::date(2026, 6, 10);

    fn row(state: CourseState, step: u32, since: Date) -> Course {
        Course {
            number: 1,
            what: Departure::Add {
                line: Name::new("alkalinity").unwrap(),
                of: Quantity::Alkalinity,
                per_day: 0.1,
                ends: Ends::Aim,
                standing: Volume::ZERO,
                extra: Volume::ZERO,
            },
            days: 5,
            step,
            since,
            state,
            live: true,
            note: String::new(),
            who: Who::Daemon,
            at: Stamp {
                wall: Timestamp::UNIX_EPOCH,
                elapsed: Millis::ZERO,
                trusted: true,
            },
        }
    }

    fn days(rows: &[Course]) -> Vec<i8> {
        let rows: Vec<&Course> = rows.iter().collect();
        dates(&rows).keys().map(|date| date.day()).collect()
    }

    #[test]
    fn an_end_that_was_taken_back_cuts_no_days_and_adds_none() {
        let begun = row(CourseState::Running, 0, SINCE);
        let ended = row(CourseState::Ended, 5, SINCE);
        let paused = row(CourseState::Paused, 2, jiff::civil::date(2026, 6, 12));
        let resumed = row(CourseState::Running, 2, jiff::civil::date(2026, 6, 20));
        assert_eq!(
            days(&[begun.clone(), ended.clone(), paused.clone()]),
            [10, 11]
        );
        assert_eq!(
            days(&[begun.clone(), ended, paused, resumed]),
            [10, 11, 20, 21, 22]
        );
        let ended = row(CourseState::Ended, 3, SINCE);
        assert_eq!(days(&[begun, ended]), [10, 11, 12], "the last word counts");
    }
}
