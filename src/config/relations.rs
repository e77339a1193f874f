//! The parts of `controller.toml` held against each other: caps, heads, bottles, pins, solutions that must not meet.

use std::collections::{BTreeMap, BTreeSet};

use super::keys;
use super::mistake::Sink;
use super::model::{ApartRule, Head, Line, Reservoir, Solution};
use super::pin::parse_pin;
use super::schema::{Named, Number, Of, Text};
use super::tree::RawTable;
use crate::chemistry::{Element, StockError, check_dissolves};
use crate::quantity::{Name, TankVolume, Volume};

/// Largest daily cap of a line as a share of the tank: beyond it, litres were taken for millilitres or the tank is wrong (ours;
/// the largest drip in use is limewater with 1 to 2 % a day, reference row a8.cp.limewater_rate, common practice, no source).
const DAILY_CAP_SHARE_MAX: f64 = 0.02;

/// Largest single dose as a share of the tank (ours): a tenth of the largest day.
const DOSE_CAP_SHARE_MAX: f64 = 0.002;

/// Reports each pin that is used a second time, and pins that are not written as pins.
pub(super) fn pins_used_once(raw: &RawTable, sink: &mut Sink<'_>) {
    let mut users: Vec<(usize, String, String)> = Vec::new();
    let mut see = |table: &RawTable, key: Of<Text>, user: &str| {
        if let Some(text) = table.text(key) {
            users.push((table.place(key), text.to_owned(), format!("{user}: {key}")));
        }
    };
    for (group, pins) in [
        (
            keys::controller::HEAD,
            [keys::head::OUTPUT, keys::head::RUN_SENSE].as_slice(),
        ),
        (keys::controller::INPUT, [keys::input::INPUT].as_slice()),
    ] {
        for (name, table) in raw.named(group) {
            for key in pins {
                see(table, *key, &format!("{group} \"{name}\""));
            }
            if let Some(table) = table.table(keys::head::STEPPER) {
                for key in [
                    keys::stepper::STEP,
                    keys::stepper::DIRECTION,
                    keys::stepper::ENABLE,
                ] {
                    see(table, key, &format!("{group} \"{name}\": stepper"));
                }
            }
            if let Some(table) = table.table(keys::head::PWM) {
                see(table, keys::pwm::PIN, &format!("{group} \"{name}\": pwm"));
            }
        }
    }
    if let Some(table) = raw.table(keys::controller::BOARD) {
        see(table, keys::board::CUT_OFF, "board");
        see(table, keys::board::HEARTBEAT, "board");
        see(table, keys::board::ALARM, "board");
    }
    users.sort();
    let mut seen: BTreeMap<u8, (usize, String)> = BTreeMap::new();
    for (at, text, user) in users {
        match parse_pin(&text) {
            Err(why) => {
                let shown = super::mistake::quoted(&text);
                sink.mistake(at, format!("{user} = \"{shown}\" {why}"));
            }
            Ok(gpio) => match seen.get(&gpio) {
                Some((first_at, first)) => {
                    let line = sink.line_of(*first_at);
                    let first = first
                        .rsplit_once(": ")
                        .map_or(first.as_str(), |(who, _)| who);
                    sink.mistake(
                        at,
                        format!("{user} = \"{text}\" is already used by {first} (line {line}); give each its own pin"),
                    );
                }
                None => {
                    seen.insert(gpio, (at, user));
                }
            },
        }
    }
}

fn table_of<'a>(raw: &'a RawTable, group: Of<Named>, name: &Name) -> Option<&'a RawTable> {
    let found = raw
        .named(group)
        .iter()
        .find(|(text, _)| text == name.as_str());
    found.map(|(_, table)| table)
}

/// Caps against each other, against the head and against the tank.
pub(super) fn check_lines(
    raw: &RawTable,
    heads: &BTreeMap<Name, Head>,
    lines: &[Line],
    tank: Option<TankVolume>,
    sink: &mut Sink<'_>,
) {
    for line in lines {
        let Some(table) = table_of(raw, keys::controller::LINE, &line.name) else {
            continue;
        };
        let mut refuse = |key: Of<Number>, words: String| {
            sink.mistake(table.place(key), format!("{}{words}", table.label));
        };
        let (dose, daily) = (line.dose_cap, line.daily_cap);
        if dose > daily {
            refuse(
                keys::line::DOSE_CAP_ML,
                format!(
                    "dose-cap-ml = {dose} is over daily-cap-ml = {daily}; give at most the daily cap"
                ),
            );
        }
        if let Some(litres) = tank.map(TankVolume::as_litres) {
            let share = |volume: Volume| volume.as_ml() / 1000.0 / litres;
            for (key, volume, max) in [
                (keys::line::DAILY_CAP_ML, daily, DAILY_CAP_SHARE_MAX),
                (keys::line::DOSE_CAP_ML, dose, DOSE_CAP_SHARE_MAX),
            ] {
                if share(volume) > max {
                    let most = Volume::from_ml(litres * 1000.0 * max).unwrap_or_default();
                    refuse(
                        key,
                        format!(
                            "{key} = {volume} is not plausible for a tank of {litres} L; give at most {most} ({} % of the tank), or mend tank.volume-l",
                            max * 100.0
                        ),
                    );
                }
            }
        }
        if let Some(hourly) = line.hourly_cap.filter(|cap| *cap < dose || *cap > daily) {
            refuse(
                keys::line::HOURLY_CAP_ML,
                format!(
                    "hourly-cap-ml = {hourly} is not between dose-cap-ml = {dose} and daily-cap-ml = {daily}; give a volume between them, or leave it out"
                ),
            );
        }
        let Some(head) = heads.get(&line.head) else {
            continue;
        };
        if dose < head.dose_min {
            refuse(
                keys::line::DOSE_CAP_ML,
                format!(
                    "dose-cap-ml = {dose} is under the smallest dose of head \"{}\", {}; no dose would be possible",
                    head.name, head.dose_min
                ),
            );
        }
    }
}

/// The word for all dosing where a line could stand (`dosewright hold all`), so no line may have it for its name.
pub const ALL_LINES: &str = "all";

/// One head for each line; one bottle for several lines only with one solution; nothing left over.
pub(super) fn check_sharing(raw: &RawTable, lines: &[Line], sink: &mut Sink<'_>) {
    let mut by_head: BTreeMap<&Name, &Name> = BTreeMap::new();
    let mut by_bottle: BTreeMap<&Name, &Line> = BTreeMap::new();
    for line in lines {
        let Some(table) = table_of(raw, keys::controller::LINE, &line.name) else {
            continue;
        };
        if line.name.as_str() == ALL_LINES {
            sink.mistake(
                table.place(keys::line::HEAD),
                format!("{}\"{ALL_LINES}\" means every line, as in `dosewright hold {ALL_LINES}`; give the line another name", table.label),
            );
        }
        if let Some(other) = by_head.insert(&line.head, &line.name) {
            sink.mistake(
                table.place(keys::line::HEAD),
                format!("{}head \"{}\" already belongs to line \"{other}\"; give each line its own head", table.label, line.head),
            );
        }
        match by_bottle.get(&line.reservoir) {
            Some(other) if other.solution != line.solution => sink.mistake(
                table.place(keys::line::RESERVOIR),
                format!(
                    "{}reservoir \"{}\" holds solution \"{}\" for line \"{}\"; one bottle cannot hold \"{}\" as well",
                    table.label, line.reservoir, other.solution, other.name, line.solution
                ),
            ),
            Some(_) => {}
            None => {
                by_bottle.insert(&line.reservoir, line);
            }
        }
    }
    let declared = raw.named(keys::controller::LINE).len();
    if declared != lines.len() {
        return;
    }
    for (group, used) in [
        (
            keys::controller::HEAD,
            lines.iter().map(|line| &line.head).collect::<BTreeSet<_>>(),
        ),
        (
            keys::controller::RESERVOIR,
            lines.iter().map(|line| &line.reservoir).collect(),
        ),
        (
            keys::controller::SOLUTION,
            lines.iter().map(|line| &line.solution).collect(),
        ),
    ] {
        for (name, table) in raw.named(group) {
            if !used.iter().any(|used| used.as_str() == name) {
                sink.warn(table.at, format!("{}is used by no line", table.label));
            }
        }
    }
}

/// Carbonate and calcium that meet fall out as calcium carbonate, which is lost for both (convention: 15 to 60 min apart,
/// reference row a8.cp.apart_time, common practice, no source).
pub(super) fn warn_not_apart(
    raw: &RawTable,
    solutions: &BTreeMap<Name, Solution>,
    lines: &[Line],
    apart: &[ApartRule],
    sink: &mut Sink<'_>,
) {
    let Some(calcium) = Element::new("Ca") else {
        return;
    };
    let of = |line: &Line| solutions.get(&line.solution);
    for basic in lines
        .iter()
        .filter(|line| of(line).is_some_and(|s| s.effect.carries_alkalinity()))
    {
        let holds_calcium = |line: &&Line| {
            line.solution != basic.solution
                && of(line).is_some_and(|s| s.effect.elements_mg_per_l.contains_key(&calcium))
        };
        for other in lines.iter().filter(holds_calcium) {
            let ruled = apart.iter().any(|rule| {
                [&rule.first, &rule.second].contains(&&basic.solution)
                    && [&rule.first, &rule.second].contains(&&other.solution)
            });
            if let (false, Some(table)) = (
                ruled,
                table_of(raw, keys::controller::SOLUTION, &other.solution),
            ) {
                sink.warn(
                    table.at,
                    format!(
                        "{}carries calcium and \"{}\" carries alkalinity, but no [[apart]] rule keeps them apart; they precipitate where they meet",
                        table.label, basic.solution
                    ),
                );
            }
        }
    }
}

/// A recipe must stay dissolved at the coldest its bottle gets: crystals block the tube, and what is left doses weak.
pub(super) fn check_dissolved(
    raw: &RawTable,
    reservoirs: &BTreeMap<Name, Reservoir>,
    solutions: &BTreeMap<Name, Solution>,
    lines: &[Line],
    sink: &mut Sink<'_>,
) {
    for line in lines {
        let (Some(solution), Some(reservoir)) = (
            solutions
                .get(&line.solution)
                .filter(|s| !s.salts.is_empty()),
            reservoirs.get(&line.reservoir),
        ) else {
            continue;
        };
        let Some(table) = table_of(raw, keys::controller::SOLUTION, &solution.name) else {
            continue;
        };
        let at = table.place(keys::solution::SALTS);
        match check_dissolves(&solution.salts, reservoir.coldest) {
            // What precipitates or is no amount has been reported with the salts themselves.
            Ok(_) | Err(StockError::Recipe(_) | StockError::CarriesNone { .. }) => {}
            Err(error @ (StockError::TooMuch { .. } | StockError::TooMuchTogether { .. })) => {
                sink.mistake(
                    at,
                    format!(
                        "{}in reservoir \"{}\": {error}",
                        table.label, reservoir.name
                    ),
                );
            }
            Err(error @ (StockError::NotTabulated { .. } | StockError::OutsideTable { .. })) => {
                sink.warn(
                    at,
                    format!(
                        "{}in reservoir \"{}\": {error}",
                        table.label, reservoir.name
                    ),
                );
            }
        }
    }
}
