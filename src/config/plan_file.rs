//! From the tree of `plan.toml` to its checked type, against the controller it is for.
//!
//! A plan can never lift a limit: everything here is held against limits that stand in the controller file.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Time;

use super::calendar::CronTimes;
use super::keys::plan::{JOB, LINE, UPTAKE};
use super::keys::plan_job::{EVERY_DAYS, TICKED_BY};
use super::keys::plan_line::{AT, CRON, DAILY_ML, DOSES, KEEPS_ON, OF, SHARE_OF_UPTAKE, WINDOW};
use super::keys::plan_uptake::WITH;
use super::keys::{GIVES, ml_per, start_uptake};
use super::mistake::{Finding, PlanPlace, quoted};
use super::model::{Controller, Gives, Job, Plan, PlannedLine, StartUptake, Times, Uptakes};
use super::nearest::did_you_mean;
use super::schema::{Number, Of};
use super::tree::RawTable;
use crate::chemistry::{Measurand, Quantity, Unit};
use crate::quantity::{Millis, Name, Volume};

/// Seconds of a day on the clock.
const DAY_S: u32 = 86_400;
const DAY_S_F64: f64 = 86_400.0;

/// What a plan is checked against.
pub(super) struct Against<'a> {
    /// Names of the controller's lines, as written, also of those that have mistakes.
    pub(super) lines: Vec<&'a str>,
    /// The controller, when it has no mistakes.
    pub(super) controller: Option<&'a Arc<Controller>>,
    pub(super) check: PlanCheck<'a>,
}

/// Works out the volumes of a whole plan and holds it against a whole controller. It is given by who loads: this part knows nothing of
/// how volumes follow from uptakes and how a plan is placed.
pub type PlanCheck<'a> = &'a dyn Fn(&Arc<Controller>, &Plan) -> (Plan, Vec<Finding<PlanPlace>>);

/// Builds the plan; `None` when anything is wrong, which is then in the sink, or when there is no controller to check it against.
pub(super) fn build(raw: &RawTable, against: &Against<'_>) -> Option<Plan> {
    let mut lines = Vec::new();
    for (name, table) in raw.named(LINE) {
        known_line(name, table, against);
        lines.extend(planned_line(name, table));
    }
    let starts = starts(raw);
    let jobs = jobs(raw);
    let controller = against.controller?;
    check_start_given(raw, controller);
    if !raw.sink.is_clean() {
        return None;
    }
    lines.sort_by_key(|planned| {
        controller
            .lines
            .iter()
            .position(|line| line.name == planned.line)
    });
    let plan = Plan {
        starts,
        uptakes: Uptakes::new(),
        lines,
        jobs,
    };
    let (plan, found) = (against.check)(controller, &plan);
    for finding in found {
        raw.sink.found(byte_of(raw, &finding.at), finding);
    }
    raw.sink.is_clean().then_some(plan)
}

fn byte_of(raw: &RawTable, place: &PlanPlace) -> usize {
    let table = |line: &Name| {
        let found = raw
            .named(LINE)
            .iter()
            .find(|(name, _)| name == line.as_str());
        found.map(|(_, table)| table)
    };
    match place {
        PlanPlace::File => 0,
        PlanPlace::Uptake => {
            start_of_alkalinity(raw).map_or(raw.at, |table| table.place(start_uptake(Unit::Dkh)))
        }
        PlanPlace::Line(line) => table(line).map_or(0, |table| table.at),
        PlanPlace::Volume(line) => table(line).map_or(0, |table| {
            let mut keys = GIVES.into_iter();
            let given = keys.find(|key| table.number(*key).is_some());
            table.place(given.unwrap_or(DAILY_ML))
        }),
    }
}

fn known_line(name: &str, table: &RawTable, against: &Against<'_>) {
    if against.lines.contains(&name) {
        return;
    }
    let near = did_you_mean(name, against.lines.iter().copied());
    let known = against.lines.join(", ");
    let shown = quoted(name);
    table.refuse_whole(format!(
        "\"{shown}\" is no line of the controller; {near}known: {known}"
    ));
}

fn start_of_alkalinity(raw: &RawTable) -> Option<&RawTable> {
    let word = Quantity::Alkalinity;
    let mut all = raw.named(UPTAKE).iter();
    all.find(|(name, _)| name == word.as_str())
        .map(|(_, table)| table)
}

fn check_start_given(raw: &RawTable, controller: &Controller) {
    match (controller.tracked(&Quantity::Alkalinity), start_of_alkalinity(raw)) {
        (Some(_), None) if !raw.spoiled => raw.sink.mistake(raw.at, "[uptake.alkalinity] is missing, and a line carries alkalinity; give start-dkh-per-day, 0 to 10 dKH per day, as measured without dosing, it has no default"),
        (None, Some(table)) => raw.sink.warn(table.at, "uptake.alkalinity has no effect: no line carries alkalinity"),
        (Some(_) | None, None) | (Some(_), Some(_)) => {}
    }
}

/// The one way in which a line is planned: exactly one of doses, at and cron.
fn planned_line(name: &str, table: &RawTable) -> Option<PlannedLine> {
    let ways: Vec<&str> = table
        .keys()
        .filter(|key| [DOSES.name(), AT.name(), CRON.name()].contains(key))
        .collect();
    let [way] = ways.as_slice() else {
        if ways.is_empty() && !table.spoiled {
            table.refuse_whole("its times are missing; give one of doses, at or cron");
        } else if !ways.is_empty() {
            let found = ways.join(", ");
            table.refuse_whole(format!(
                "its times are given more than once ({found}); keep one of them"
            ));
        }
        return None;
    };
    if *way != "doses" && table.text(WINDOW).is_some() {
        table.refuse(
            WINDOW,
            format!("window has no meaning beside {way}; take it out"),
        );
    }
    let gives = gives(table);
    let times = match *way {
        "doses" => spread(table)?,
        "at" => at(table)?,
        _ => cron(table)?,
    };
    Some(PlannedLine {
        line: Name::new(name).ok()?,
        gives: gives?,
        keeps_on: table.flag(KEEPS_ON).unwrap_or(false),
        daily_volume: Volume::ZERO,
        times,
    })
}

/// The one way in which it is said how much a line gives.
fn gives(table: &RawTable) -> Option<Gives> {
    let refuse = |words: &str| {
        if !table.spoiled {
            table.refuse_whole(words);
        }
        None
    };
    let ways: Vec<&str> = table
        .keys()
        .filter(|key| GIVES.iter().any(|known| known.name() == *key))
        .collect();
    let given: Vec<(Of<Number>, f64)> = GIVES
        .into_iter()
        .filter_map(|key| Some((key, table.number(key)?)))
        .collect();
    let [(way, value)] = given.as_slice() else {
        return if ways.is_empty() {
            refuse(
                "how much it gives is missing; give share-of-uptake, ml-per-dkh or ml-per-mg-per-l (each with of), or daily-ml",
            )
        } else {
            let found = ways.join(", ");
            refuse(&format!(
                "how much it gives is said more than once ({found}); keep one of them"
            ))
        };
    };
    let (key, value) = (way.name(), *value);
    if key == DAILY_ML.name() {
        return if table.text(OF).is_some() {
            refuse("of has no meaning beside daily-ml; take it out")
        } else if table.has(KEEPS_ON) {
            refuse(
                "keeps-on has no meaning beside daily-ml: such a line goes by no other and stops with none; take it out",
            )
        } else {
            table.volume(DAILY_ML).map(Gives::Daily)
        };
    }
    let Some(word) = table.text(OF) else {
        return refuse(&format!(
            "of is missing beside {key}; name the water quantity whose uptake it goes by, such as \"alkalinity\""
        ));
    };
    let Some(of) = Quantity::from_word(word) else {
        let shown = quoted(word);
        return refuse(&format!(
            "of = \"{shown}\" is no water quantity known here; write alkalinity or an element's English name such as calcium"
        ));
    };
    if key == SHARE_OF_UPTAKE.name() {
        return Some(Gives::Share { of, share: value });
    }
    if key == ml_per(of.unit()).name() {
        Some(Gives::PerUptake { of, ml: value })
    } else {
        refuse(&format!(
            "{key} does not go with of = \"{of}\"; ml-per-dkh is for alkalinity, ml-per-mg-per-l for elements"
        ))
    }
}

fn jobs(raw: &RawTable) -> Vec<Job> {
    let mut jobs = Vec::new();
    for (name, table) in raw.named(JOB) {
        let ticked_by = match table.text(TICKED_BY) {
            Some("panel" | "water-change") | None => Ok(table.text(TICKED_BY).map(str::to_owned)),
            // A pH is one thing on all of its scales.
            Some("pH" | "ph") => Ok(Some("pH".to_owned())),
            Some(word) => Measurand::new(word, None).map(|of| Some(of.to_string())),
        };
        match (ticked_by, table.number(EVERY_DAYS), Name::new(name)) {
            (Err(why), ..) => {
                table.refuse(TICKED_BY, format!("{why}, or panel, or water-change"));
            }
            (Ok(ticked_by), Some(days), Ok(name)) => {
                jobs.extend(Millis::from_secs_f64(days * DAY_S_F64).map(|every| Job {
                    name,
                    every,
                    ticked_by,
                }));
            }
            (Ok(_), ..) => {}
        }
    }
    jobs
}

/// Where each uptake begins.
fn starts(raw: &RawTable) -> BTreeMap<Quantity, StartUptake> {
    let mut starts = BTreeMap::new();
    for (name, table) in raw.named(UPTAKE) {
        let Some(of) = Quantity::from_word(name) else {
            continue;
        };
        let own = start_uptake(of.unit());
        let tied = table.text(WITH).is_some();
        let calcium = Quantity::from_word("calcium").as_ref() == Some(&of);
        let start = match (table.number(own), tied) {
            (Some(value), false) => Some(StartUptake::PerDay(value)),
            (None, true) if calcium => Some(StartUptake::WithAlkalinity),
            (Some(_), true) | (None, _) => None,
        };
        if start.is_none() && !table.spoiled {
            let tie = if calcium {
                " or with = \"alkalinity\""
            } else {
                ""
            };
            table.refuse_whole(format!("give {own}{tie}, one and nothing else"));
        }
        starts.extend(start.map(|start| (of, start)));
    }
    starts
}

fn spread(table: &RawTable) -> Option<Times> {
    let doses = table.whole(DOSES)?;
    let (window_start_s, window_end_s) = match table.text(WINDOW) {
        None => (0, 86_400),
        Some(text) => {
            let parts = text
                .split_once('-')
                .map(|(from, to)| (seconds(from.trim()), seconds(to.trim())));
            let refuse = |why: &str| {
                let shown = quoted(text);
                table.refuse(WINDOW, format!("window = \"{shown}\" {why}"));
            };
            match parts {
                Some((Some(from), Some(to))) if from != to && from < DAY_S => (from, to),
                Some((Some(_), Some(_))) => {
                    refuse("is empty; give two different times, from \"00:00\" to \"24:00\"");
                    return None;
                }
                Some((None, _) | (_, None)) | None => {
                    refuse("is no window; give two times of day, for example \"08:00-20:00\"");
                    return None;
                }
            }
        }
    };
    Some(Times::Spread {
        doses,
        window_start_s,
        window_end_s,
    })
}

fn at(table: &RawTable) -> Option<Times> {
    let mut times: Vec<Time> = Vec::new();
    let mut good = true;
    for text in table.texts(AT)? {
        let shown = quoted(&text.text);
        let mut refuse = |why: &str| {
            table
                .sink
                .mistake(text.at, format!("{}at = \"{shown}\" {why}", table.label));
            good = false;
        };
        match seconds(&text.text).and_then(time_of_day) {
            Some(time) if times.contains(&time) => refuse("stands here twice; keep one of them"),
            Some(time) => times.push(time),
            None => refuse(
                "is no time of day; give \"00:00\" to \"23:59\", or with seconds \"08:00:30\"",
            ),
        }
    }
    if times.len() > CronTimes::TIMES_A_DAY_MAX {
        let (found, max) = (times.len(), CronTimes::TIMES_A_DAY_MAX);
        table.refuse(
            AT,
            format!("at has {found} times; give at most {max} a day"),
        );
        good = false;
    }
    times.sort();
    good.then_some(Times::At(times))
}

fn cron(table: &RawTable) -> Option<Times> {
    let text = table.text(CRON)?;
    match CronTimes::new(text) {
        Ok(times) => {
            if let Some((field, step, whole)) = uneven_step(text) {
                table.doubt(
                    CRON,
                    format!(
                        "cron = \"{}\": every {step} does not divide {whole} {field}, so the gaps are uneven; use a step that divides, or doses = N",
                        quoted(text)
                    )
                );
            }
            Some(Times::Cron(times))
        }
        Err(error) => {
            let shown = quoted(text);
            table.refuse(CRON, format!("cron = \"{shown}\": {error}"));
            None
        }
    }
}

/// A step in the seconds, minutes or hours that does not divide its whole (cronie-crond/cronie #142).
fn uneven_step(text: &str) -> Option<(&'static str, u32, u32)> {
    let fields: Vec<&str> = text.split_whitespace().collect();
    let all = [("seconds", 60_u32), ("minutes", 60), ("hours", 24)];
    let skipped = usize::from(fields.len() == 5);
    all.into_iter()
        .skip(skipped)
        .zip(fields)
        .find_map(|((unit, whole), field)| {
            let steps = field
                .split(',')
                .filter_map(|part| part.split_once('/')?.1.parse::<u32>().ok());
            let uneven = |step: &u32| whole.checked_rem(*step).is_none_or(|rest| rest != 0);
            steps.filter(uneven).map(|step| (unit, step, whole)).next()
        })
}

/// Seconds of the day of `HH:MM` or `HH:MM:SS`, 0 to 86,400 for `24:00`.
fn seconds(text: &str) -> Option<u32> {
    let two = |part: &str| {
        let digits = part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
        digits.then(|| part.parse::<u32>().ok()).flatten()
    };
    let parts: Vec<u32> = text.split(':').map(two).collect::<Option<_>>()?;
    let (hour, minute, second) = match parts.as_slice() {
        [hour, minute] => (*hour, *minute, 0),
        [hour, minute, second] => (*hour, *minute, *second),
        _ => return None,
    };
    let total = hour
        .checked_mul(3600)?
        .checked_add(minute.checked_mul(60)?)?
        .checked_add(second)?;
    (minute < 60 && second < 60 && total <= 86_400).then_some(total)
}

fn time_of_day(seconds: u32) -> Option<Time> {
    let part = |value: u32| i8::try_from(value).ok();
    let (hour, minute, second) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
    Time::new(part(hour)?, part(minute)?, part(second)?, 0).ok()
}
