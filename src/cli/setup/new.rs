//! `new`: asks what an owner knows, shows the arithmetic, and writes both files when they pass every check.

use std::cell::RefCell;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use jiff::tz::TimeZone;

use super::content::{Content, WAYS, content};
use super::files::{Answers, BOTTLES_MAX, Bottle, Gives, calcium};
use super::sheet::{Question, Sheet};
use crate::chemistry::{Quantity, Unit};
use crate::cli::heads::keys::Ear;
use crate::cli::moment::moment;
use crate::cli::running::rehearse::in_memory;
use crate::cli::talk::Person;
use crate::cli::words::{dotted, tank_volume};
use crate::cli::{Failure, Out, Result, exit};
use crate::config::{CONTROLLER_FILE, Loaded, PLAN_FILE, check_texts, system_zone};
use crate::daemon::machine_now;
use crate::plan::check_plan;
use crate::quantity::{Name, TankVolume, Volume, parse_volume};

/// Days that the new plan is rehearsed.
const REHEARSED_DAYS: u32 = 30;
const KEPT: &str = "nothing was written";

/// Options of `new`.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright new reef\n          dosewright new reef --answers answers.toml\n          dosewright new reef --answer litres=300 --answer time-zone=Europe/Berlin\nAsks for litres, time zone, what is in each bottle, uptake or two tests, band, and heads; Enter takes what stands in brackets. A file of answers is TOML: litres, time-zone, bottles, NAME.holds, NAME.size, NAME.gives, uptake, band, target, rate, pins, active. With one, what has a usual answer is not asked.\nBoth files pass `dosewright check` before they are written, and nothing is ever overwritten."
)]
pub(crate) struct New {
    /// A folder that is not there yet, or is empty
    #[arg(value_name = "DIR")]
    folder: PathBuf,
    /// A file of answers
    #[arg(long, value_name = "FILE")]
    answers: Option<PathBuf>,
    /// One answer; may stand more than once
    #[arg(long = "answer", value_name = "WORD=ANSWER", value_parser = pair)]
    words: Vec<(String, String)>,
}

fn pair(text: &str) -> Result<(String, String), String> {
    let (word, answer) = text
        .split_once('=')
        .ok_or_else(|| format!("\"{text}\" is no WORD=ANSWER, such as litres=300"))?;
    Ok((word.trim().to_owned(), answer.trim().to_owned()))
}

pub(crate) fn new(options: &New, out: &mut Out) -> Result {
    refuse_overwriting(&options.folder)?;
    let mut ear = Ear::open()?;
    let mut person = Person {
        ear: &mut ear,
        out,
        aside: false,
        kept: KEPT,
    };
    let mut sheet = Sheet::new(options.answers.as_deref(), &options.words, &mut person)?;
    let answers = answers(&mut sheet)?;
    sheet.all_used()?;
    for line in arithmetic(&answers) {
        sheet.say(&line)?;
    }
    let texts = [answers.controller(), answers.plan()];
    let loaded = checked(&texts)?;
    write_both(&options.folder, &texts)?;
    for warning in &loaded.warnings {
        writeln!(out, "warning {warning}")?;
    }
    let at = options.folder.display();
    writeln!(
        out,
        "written: {at}/{CONTROLLER_FILE} and {at}/{PLAN_FILE}, which pass every check"
    )?;
    out.flush()?;
    verdict(&loaded, out)?;
    writeln!(
        out,
        "next: read both files; `dosewright check --config {at}` shows what would be in force, and\n`dosewright --config {at} --state {at}/state run --warp 60` runs them in virtual time, without any output"
    )?;
    Ok(())
}

/// Through the very code that a start goes through.
fn checked(texts: &[String; 2]) -> Result<Loaded> {
    let [controller, plan] = texts;
    let named = [
        (CONTROLLER_FILE, controller.as_str()),
        (PLAN_FILE, plan.as_str()),
    ];
    check_texts(named, &system_zone, &check_plan).map_err(|mistakes| {
        let text = format!("{mistakes}\nthese answers do not go together, and nothing was written; answer again with what is named here");
        Failure::new(exit::CONFIG, text)
    })
}

fn answers(sheet: &mut Sheet<'_>) -> Result<Answers> {
    let tank = litres(sheet)?;
    let zone = zone(sheet)?;
    let bottles = bottles(sheet)?;
    let carries = |of: Option<&Quantity>| {
        bottles
            .iter()
            .any(|b| matches!(&b.gives, Gives::Uptake(q) if Some(q) == of))
    };
    let has_alkalinity = carries(Some(&Quantity::Alkalinity));
    let uptake = has_alkalinity.then(|| uptake(sheet, &zone)).transpose()?;
    let band = has_alkalinity.then(|| band(sheet)).transpose()?;
    let rate_ml_per_min = sheet.ask(
        &Question {
            key: "rate",
            text: "How much do the heads move, mL/min, as their maker states?",
            usual: "30",
        },
        |text| number(text, 0.05, 500.0, "mL/min"),
    )?;
    let wired = wired(sheet, bottles.len())?;
    Ok(Answers {
        tank,
        zone,
        bottles,
        uptake,
        band,
        rate_ml_per_min,
        wired,
    })
}

fn number(text: &str, low: f64, high: f64, unit: &str) -> Result<f64, String> {
    let plain = dotted(text.trim().trim_end_matches(unit).trim())?;
    let value = plain.parse::<f64>().ok();
    value
        .filter(|value| (low..=high).contains(value))
        .ok_or_else(|| format!("\"{text}\" is no number of {unit} from {low} to {high}"))
}

fn litres(sheet: &mut Sheet<'_>) -> Result<TankVolume> {
    let question = Question {
        key: "litres",
        text: "How many litres of water are in tank and sump, less rock and sand?",
        usual: "",
    };
    sheet.ask(&question, |text| {
        let bare = text.trim().ends_with(|c: char| c.is_ascii_digit());
        tank_volume(&if bare {
            format!("{text} L")
        } else {
            text.to_owned()
        })
    })
}

fn zone(sheet: &mut Sheet<'_>) -> Result<String> {
    let here = TimeZone::system();
    let question = Question {
        key: "time-zone",
        text: "In which time zone does it stand, such as Europe/Berlin?",
        usual: here.iana_name().unwrap_or_default(),
    };
    sheet.ask(&question, |text| {
        let zone = system_zone(text).and_then(|zone| zone.iana_name().map(str::to_owned));
        zone.ok_or_else(|| {
            format!("\"{text}\" is no time zone of this machine; write one such as Europe/Berlin")
        })
    })
}

fn bottles(sheet: &mut Sheet<'_>) -> Result<Vec<Bottle>> {
    let question = Question {
        key: "bottles",
        text: "Which bottles are there? Their names, separated by commas",
        usual: "alkalinity, calcium",
    };
    let names = sheet.ask(&question, |text| {
        let names = text.split(',').map(|name| Name::new(name.trim()));
        let names: Vec<Name> = names.collect::<Result<_, _>>().map_err(|e| e.to_string())?;
        let doubled = names
            .iter()
            .enumerate()
            .any(|(n, name)| names.iter().skip(n + 1).any(|other| other == name));
        if doubled
            || names.len() > BOTTLES_MAX
            || names.iter().any(|n| n.as_str() == crate::config::ALL_LINES)
        {
            return Err(format!(
                "give 1 to {BOTTLES_MAX} different names, none of them \"all\""
            ));
        }
        Ok(names)
    })?;
    sheet.say(WAYS)?;
    let mut bottles: Vec<Bottle> = Vec::new();
    for name in names {
        let bottle = bottle(sheet, name, &bottles)?;
        bottles.push(bottle);
    }
    Ok(bottles)
}

fn bottle(sheet: &mut Sheet<'_>, name: Name, before: &[Bottle]) -> Result<Bottle> {
    let usual = match name.as_str() {
        "alkalinity" => "Na2CO3 60 g/L",
        "calcium" => "CaCl2.2H2O 83.2 g/L",
        _ => "",
    };
    let holds = Question {
        key: &format!("{name}.holds"),
        text: &format!("What does bottle {name} hold?"),
        usual,
    };
    let content = sheet.ask(&holds, content)?;
    let size = Question {
        key: &format!("{name}.size"),
        text: &format!("How much goes into bottle {name} when it is full?"),
        usual: "1000 mL",
    };
    let capacity = sheet.ask(&size, volume)?;
    let gives = match by_uptake(&content, before) {
        Some(of) => Gives::Uptake(of),
        None => Gives::Daily(sheet.ask(
            &Question {
                key: &format!("{name}.gives"),
                text: &format!("How much of {name} is to be given a day, such as \"2 mL\"?"),
                usual: "",
            },
            volume,
        )?),
    };
    Ok(Bottle {
        name,
        content,
        capacity,
        gives,
    })
}

/// The first bottle of alkalinity gives what is taken up of it, and beside it the first of calcium.
fn by_uptake(content: &Content, before: &[Bottle]) -> Option<Quantity> {
    let goes_by = |of: &Quantity| {
        before
            .iter()
            .any(|b| matches!(&b.gives, Gives::Uptake(q) if q == of))
    };
    let effect = &content.effect;
    if effect.carries_alkalinity() {
        return Some(Quantity::Alkalinity).filter(|of| !goes_by(of));
    }
    let calcium = calcium()?;
    let is_beside = goes_by(&Quantity::Alkalinity) && !goes_by(&calcium);
    (is_beside && effect.dissolved_mg_per_l.contains_key(&calcium)).then_some(calcium)
}

fn volume(text: &str) -> Result<Volume, String> {
    parse_volume(&dotted(text)?).map_err(|error| error.to_string())
}

/// An amount, or two tests between which nothing was dosed.
fn uptake(sheet: &mut Sheet<'_>, zone: &str) -> Result<f64> {
    let zone = system_zone(zone).unwrap_or(TimeZone::UTC);
    let worked_out = RefCell::new(None);
    let question = Question {
        key: "uptake",
        text: "How much alkalinity do the animals take up a day, such as \"0.8 dKH\"? Or two tests with no dose and no water change between them, such as \"8.4 dKH 2026-11-20 18:00, 7.6 dKH 2026-11-21 18:00\"",
        usual: "",
    };
    let amount = sheet.ask(&question, |text| {
        let alkalinity = |text: &str| Unit::Dkh.parse(&dotted(text.trim())?).map_err(|error| error.to_string());
        let Some((first, second)) = text.split_once(", ") else {
            return alkalinity(text).and_then(possible_uptake);
        };
        let test = |text: &str| {
            let (value, unit, when) = parts(text).ok_or_else(|| format!("\"{text}\" is no test; write value, unit and time, such as \"8.4 dKH 2026-11-20 18:00\""))?;
            let at = moment(when)?.in_zone(&zone, machine_now().wall)?;
            Ok::<_, String>((alkalinity(&format!("{value} {unit}"))?, at))
        };
        let ((high, from), (low, until)) = (test(first)?, test(second)?);
        let days = until.duration_since(from).as_secs_f64() / 86_400.0;
        let fell = high - low;
        if days < 0.2 || fell <= 0.0 {
            return Err("the second test must be later by some hours at least, and lower; else no uptake can be read from them".to_owned());
        }
        let a_day = (fell / days * 100.0).round() / 100.0;
        *worked_out.borrow_mut() = Some(format!("{high:.2} - {low:.2} dKH in {days:.2} days are {a_day} dKH a day"));
        possible_uptake(a_day)
    })?;
    if let Some(words) = worked_out.take() {
        sheet.say(&words)?;
    }
    Ok(amount)
}

fn possible_uptake(dkh: f64) -> Result<f64, String> {
    if dkh > 0.0 && dkh <= 5.0 {
        Ok(dkh)
    } else {
        Err(format!(
            "{dkh} dKH a day is no uptake of a reef; give more than 0 and at most 5 dKH"
        ))
    }
}

/// Value, unit and what stands behind them.
fn parts(text: &str) -> Option<(&str, &str, &str)> {
    let (value, rest) = text.trim().split_once(' ')?;
    let (unit, when) = rest.trim_start().split_once(' ')?;
    Some((value, unit, when))
}

fn band(sheet: &mut Sheet<'_>) -> Result<(f64, f64, f64)> {
    let question = Question {
        key: "band",
        text: "Between which values is alkalinity well?",
        usual: "7.5 to 9 dKH",
    };
    let dkh = |text: &str| number(text, 5.0, 14.0, "dKH");
    let (low, high) = sheet.ask(&question, |text| {
        let both = text.split_once(" to ").or_else(|| text.split_once('-'));
        let (low, high) = both.ok_or("give two values, such as \"7.5 to 9 dKH\"")?;
        let (low, high) = (dkh(low)?, dkh(high)?);
        if low + 0.2 > high {
            return Err(
                "the second value must be higher than the first, by 0.2 dKH at least".to_owned(),
            );
        }
        Ok((low, high))
    })?;
    let middle = ((low + high) * 50.0).round() / 100.0;
    let question = Question {
        key: "target",
        text: "Where in it should it be?",
        usual: &format!("{middle} dKH"),
    };
    let target = sheet.ask(&question, |text| {
        Some(dkh(text)?)
            .filter(|target| (low..=high).contains(target))
            .ok_or_else(|| format!("it must be from {low} to {high} dKH"))
    })?;
    Ok((low, high, target))
}

fn wired(sheet: &mut Sheet<'_>, count: usize) -> Result<Option<(Vec<String>, String)>> {
    let question = Question {
        key: "pins",
        text: "On which pins are the heads, in the order of the bottles, such as GPIO17, GPIO27?",
        usual: "none yet",
    };
    let pins = sheet.ask(&question, |text| {
        if text == question.usual || text == "none" {
            return Ok(None);
        }
        let pins: Vec<String> = text.split(',').map(|pin| pin.trim().to_owned()).collect();
        let is_pin = |pin: &String| {
            let number = pin.strip_prefix("GPIO").and_then(|n| n.parse::<u8>().ok());
            number.is_some_and(|n| (2..=27).contains(&n))
        };
        if pins.len() == count && pins.iter().all(is_pin) {
            Ok(Some(pins))
        } else {
            Err(format!(
                "give {count} pins from GPIO2 to GPIO27, or none yet"
            ))
        }
    })?;
    let Some(pins) = pins else { return Ok(None) };
    let question = Question {
        key: "active",
        text: "Which level of its pin turns a head on, high or low?",
        usual: "",
    };
    let active = sheet.ask(&question, |text| match text {
        "high" | "low" => Ok(text.to_owned()),
        other => Err(format!("\"{other}\" is neither high nor low")),
    })?;
    Ok(Some((pins, active)))
}

/// What follows from the answers, line by line.
fn arithmetic(answers: &Answers) -> Vec<String> {
    let mut said = Vec::new();
    for bottle in &answers.bottles {
        let line = answers.line(bottle);
        let why = match &bottle.gives {
            Gives::Daily(_) => String::new(),
            Gives::Uptake(of) => format!(
                "{} a day, and 1 mL adds {:.4} {} to {}: ",
                of.amount(answers.uptake_of(of)),
                answers.per_ml(bottle, of),
                of.unit(),
                answers.tank
            ),
        };
        said.push(format!(
            "{}: {why}{:.1} mL a day in {} doses of {:.2} mL; a bottle of {} lasts {:.0} days",
            bottle.name,
            line.daily_ml,
            line.doses,
            line.daily_ml / line.doses,
            bottle.capacity,
            line.lasts_days
        ));
    }
    for (first, second) in answers.precipitating() {
        said.push(format!(
            "{} and {} precipitate where they meet, or may: they are kept 15 min apart",
            first.name, second.name
        ));
    }
    said
}

fn verdict(loaded: &Loaded, out: &mut Out) -> Result {
    let found = in_memory(loaded, REHEARSED_DAYS)?;
    let rules = if found.violations == 0 {
        "no rule was broken"
    } else {
        "A RULE WAS BROKEN, which is a mistake of dosewright: please report it with both files"
    };
    writeln!(
        out,
        "rehearsed for {REHEARSED_DAYS} days against a model tank: {} doses, {rules}",
        found.doses
    )?;
    for (of, water) in &found.water {
        let outside = match water.days_outside_band {
            _ if water.band.is_none() => String::new(),
            0 => ", in its band every day".to_owned(),
            days => format!(", outside its band on {days} days"),
        };
        writeln!(
            out,
            "  {of} was never more than {} from {}{outside}",
            of.amount(water.largest_distance),
            of.amount(water.target)
        )?;
    }
    for (reason, times) in &found.refusals {
        writeln!(out, "  {times} doses were not given: {reason}")?;
    }
    Ok(())
}

fn refuse_overwriting(folder: &Path) -> Result {
    let entries = match fs::read_dir(folder) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        entries => entries.map_err(|error| unwritable(folder, &error))?,
    };
    if entries.count() == 0 {
        return Ok(());
    }
    Err(Failure::new(
        exit::REFUSED,
        format!(
            "{}: there is something in it already, and nothing is overwritten; name a folder that is not there yet",
            folder.display()
        ),
    ))
}

fn unwritable(folder: &Path, error: &std::io::Error) -> Failure {
    Failure::new(exit::IO, format!("{}: {error}", folder.display()))
}

fn write_both(folder: &Path, texts: &[String; 2]) -> Result {
    let failed = |error: std::io::Error| unwritable(folder, &error);
    fs::create_dir_all(folder).map_err(failed)?;
    for (name, text) in [CONTROLLER_FILE, PLAN_FILE].iter().zip(texts) {
        let mut file = fs::File::create_new(folder.join(name)).map_err(failed)?;
        file.write_all(text.as_bytes()).map_err(failed)?;
        file.sync_all().map_err(failed)?;
    }
    Ok(())
}
