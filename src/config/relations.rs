//! The parts of `controller.toml` held against each other: caps, heads, pins. Bottles and what is in them are in `bottles.rs`.

use std::collections::BTreeMap;

use super::keys;
use super::model::{Head, Line};
use super::pin::parse_pin;
use super::schema::{Named, Number, Of, Text};
use super::tree::RawTable;
use crate::quantity::{Name, TankVolume, Volume};

/// Largest daily cap of a line as a share of the tank: beyond it, litres were taken for millilitres or the tank is wrong (ours;
/// the largest drip in use is limewater with 1 to 2 % a day, reference row a8.cp.limewater_rate, common practice, no source).
const DAILY_CAP_SHARE_MAX: f64 = 0.02;

/// Largest single dose as a share of the tank (ours): a tenth of the largest day.
const DOSE_CAP_SHARE_MAX: f64 = 0.002;

/// Reports each pin that is used a second time, and pins that are not written as pins.
pub(super) fn pins_used_once(raw: &RawTable) {
    let mut users: Vec<(usize, String, String)> = Vec::new();
    let mut see = |table: &RawTable, key: Of<Text>, user: &str| {
        if let Some(text) = table.text(key) {
            users.push((table.place(key), text.to_owned(), format!("{user}: {key}")));
        }
    };
    for (name, head) in raw.named(keys::controller::HEAD) {
        for (kind, pins) in keys::HEAD_PINS {
            let (table, user) = match kind {
                None => (Some(head), format!("head \"{name}\"")),
                Some(kind) => (head.table(kind), format!("head \"{name}\": {kind}")),
            };
            let pins = table
                .into_iter()
                .flat_map(|table| pins.iter().map(move |pin| (table, pin)));
            for (table, pin) in pins {
                see(table, *pin, &user);
            }
        }
    }
    for (name, input) in raw.named(keys::controller::INPUT) {
        see(input, keys::input::INPUT, &format!("input \"{name}\""));
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
                raw.sink.mistake(at, format!("{user} = \"{shown}\" {why}"));
            }
            Ok(gpio) => match seen.get(&gpio) {
                Some((first_at, first)) => {
                    let line = raw.sink.line_of(*first_at);
                    let first = first
                        .rsplit_once(": ")
                        .map_or(first.as_str(), |(who, _)| who);
                    raw.sink.mistake(
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

pub(super) fn table_of<'a>(
    raw: &'a RawTable,
    group: Of<Named>,
    name: &Name,
) -> Option<&'a RawTable> {
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
) {
    for line in lines {
        let Some(table) = table_of(raw, keys::controller::LINE, &line.name) else {
            continue;
        };
        let refuse = |key: Of<Number>, words: String| {
            table.refuse(key, words);
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
