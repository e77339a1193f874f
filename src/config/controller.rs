//! From the tree of `controller.toml` to its checked type: names that must exist, pins used once, limits that fit each other.

use std::collections::{BTreeMap, BTreeSet};

use jiff::tz::TimeZone;

use super::mistake::Sink;
use super::model::{
    ActiveLevel, AlarmAction, AlkalinityLimits, ApartRule, Controller, Head, Line, Mode,
    OldCalibration, Output, Reservoir, SimulatedHead, Solution, TimeLimits,
};
use super::pin::parse_pin;
use super::raw::RawTable;
use super::{board, input, solution};
use crate::chemistry::Element;
use crate::metering::Calibration;
use crate::quantity::{
    Alkalinity, Concentration, FlowRate, Millis, Name, TankVolume, Volume, i64_from_f64,
};

/// Looks a zone up by its IANA name.
pub type Zones<'a> = &'a dyn Fn(&str) -> Option<TimeZone>;

/// Largest daily cap of a line as a share of the tank: beyond it, litres were taken for millilitres or the tank is wrong (ours;
/// the largest drip in use is limewater with 1 to 2 % a day, reference row a8.cp.limewater_rate, common practice, no source).
const DAILY_CAP_SHARE_MAX: f64 = 0.05;

/// Largest single dose as a share of the tank (ours).
const DOSE_CAP_SHARE_MAX: f64 = 0.005;

/// Builds the controller; `None` when anything is wrong, which is then in the sink.
pub(super) fn build(raw: &RawTable, sink: &mut Sink<'_>, zones: Zones<'_>) -> Option<Controller> {
    let name = named(raw, "name", sink);
    let zone = time_zone(raw, sink, zones);
    let tank = raw
        .table("tank")
        .and_then(|tank| tank.number("volume-l"))
        .map(TankVolume::from_litres);
    pins_used_once(raw, sink);
    let board = board::build(raw, sink);
    let heads = collect(raw, "head", sink, head);
    let reservoirs = collect(raw, "reservoir", sink, reservoir);
    let solutions = collect(raw, "solution", sink, solution::build);
    let lines = lines(raw, sink);
    let apart = apart(raw, sink);
    let inputs = collect(raw, "input", sink, |raw_input, name, sink| {
        input::build(raw, raw_input, name, sink)
    });
    let limits = limits(raw, sink);
    check_lines(raw, &heads, &lines, tank, sink);
    check_sharing(raw, &lines, sink);
    warn_not_apart(raw, &solutions, &lines, &apart, sink);
    let used = |solution: &&Solution| lines.iter().any(|line| line.solution == solution.name);
    let carries = solutions
        .values()
        .filter(used)
        .any(|s| s.effect.carries_alkalinity());
    let alkalinity = alkalinity(raw, carries, sink);
    if !sink.is_clean() {
        return None;
    }
    let (time_zone_name, time_zone) = zone?;
    let (element_rise_max, times) = limits?;
    Some(Controller {
        name: name?,
        mode: if raw.text("mode")? == "live" {
            Mode::Live
        } else {
            Mode::DryRun
        },
        board: board?,
        time_zone_name,
        time_zone,
        tank: tank?,
        heads,
        reservoirs,
        solutions,
        lines,
        apart,
        inputs,
        heads_at_once: heads_at_once(raw)?,
        alkalinity,
        element_rise_max,
        times,
    })
}

fn heads_at_once(raw: &RawTable) -> Option<u32> {
    let Some(supply) = raw.table("supply") else {
        return Some(1);
    };
    u32::try_from(i64_from_f64(supply.number("heads-at-once")?)?).ok()
}

/// A text that must be a name.
pub(super) fn named(raw: &RawTable, key: &str, sink: &mut Sink<'_>) -> Option<Name> {
    let text = raw.text(key)?;
    match Name::new(text) {
        Ok(name) => Some(name),
        Err(error) => {
            sink.mistake(raw.place(key), format!("{}{key}: {error}", raw.label));
            None
        }
    }
}

/// A text that must name one of the tables `[group.NAME]`.
pub(super) fn reference(
    raw: &RawTable,
    key: &str,
    group: (&RawTable, &str),
    sink: &mut Sink<'_>,
) -> Option<Name> {
    let (whole, group) = group;
    let text = raw.text(key)?;
    known(
        text,
        (raw.place(key), &format!("{}{key}", raw.label)),
        (whole, group),
        sink,
    )
}

/// The name `text` when a table `[group.NAME]` has it; otherwise a mistake that lists the names there are.
pub(super) fn known(
    text: &str,
    place: (usize, &str),
    group: (&RawTable, &str),
    sink: &mut Sink<'_>,
) -> Option<Name> {
    let (whole, group) = group;
    let names: Vec<&str> = whole
        .named(group)
        .iter()
        .map(|(name, _)| name.as_str())
        .collect();
    if names.contains(&text) {
        return Name::new(text).ok();
    }
    let near = super::nearest::nearest(text, names.iter().copied());
    let near = near
        .map(|near| format!("did you mean \"{near}\"? "))
        .unwrap_or_default();
    let (at, label) = place;
    let shown = super::mistake::quoted(text);
    sink.mistake(
        at,
        format!(
            "{label} = \"{shown}\" is no {group} of this file; {near}known: {}",
            names.join(", ")
        ),
    );
    None
}

/// Every table of a group that could be built, by name.
fn collect<T>(
    raw: &RawTable,
    group: &str,
    sink: &mut Sink<'_>,
    mut build: impl FnMut(&RawTable, Name, &mut Sink<'_>) -> Option<T>,
) -> BTreeMap<Name, T> {
    let mut built = BTreeMap::new();
    for (text, table) in raw.named(group) {
        if let Ok(name) = Name::new(text)
            && let Some(value) = build(table, name.clone(), sink)
        {
            built.insert(name, value);
        }
    }
    built
}

/// A number in some unit of time as milliseconds.
pub(super) fn time(raw: &RawTable, key: &str, seconds_per_unit: f64) -> Option<Millis> {
    Millis::from_secs_f64(raw.number(key)? * seconds_per_unit)
}

/// Seconds in a day, for [`time`].
const DAY: f64 = 86_400.0;

fn time_zone(raw: &RawTable, sink: &mut Sink<'_>, zones: Zones<'_>) -> Option<(String, TimeZone)> {
    let text = raw.text("time-zone")?;
    // These name "whatever the machine has" or nothing at all, not a place.
    let vague = ["localtime", "posixrules", "etc/unknown", "factory"]
        .contains(&text.to_lowercase().as_str());
    let found = zones(text).filter(|zone| !vague && !zone.is_unknown());
    if found.is_none() {
        let shown = super::mistake::quoted(text);
        sink.mistake(
            raw.place("time-zone"),
            format!(
                "time-zone = \"{shown}\" is unknown here; give an IANA name such as \"Europe/Berlin\" or \"UTC\", and make sure \
                 the system's zone data is installed (package tzdata); no zone is assumed"
            ),
        );
    }
    found.map(|zone| (text.to_owned(), zone))
}

/// Reports each pin that is used a second time, and pins that are not written as pins.
fn pins_used_once(raw: &RawTable, sink: &mut Sink<'_>) {
    let mut users: Vec<(usize, String, String)> = Vec::new();
    let mut see = |table: &RawTable, key: &str, user: &str| {
        if let Some(text) = table.text(key) {
            users.push((table.place(key), text.to_owned(), format!("{user}: {key}")));
        }
    };
    for (group, keys) in [
        ("head", ["output", "run-sense"].as_slice()),
        ("input", ["input"].as_slice()),
    ] {
        for (name, table) in raw.named(group) {
            for key in keys {
                see(table, key, &format!("{group} \"{name}\""));
            }
        }
    }
    if let Some(table) = raw.table("board") {
        see(table, "cut-off", "board");
        see(table, "heartbeat", "board");
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

fn head(raw: &RawTable, name: Name, sink: &mut Sink<'_>) -> Option<Head> {
    let nominal_rate = raw
        .number("nominal-rate-ml-per-min")
        .map(FlowRate::from_ml_per_min);
    let dose_min = raw.volume("dose-min-ml");
    let nominal = nominal_rate.and_then(|rate| Calibration::new(rate, Volume::ZERO).ok());
    if let (Some(dose_min), Some(calibration)) = (dose_min, nominal)
        && let Err(error) = calibration.run_time(dose_min)
    {
        sink.mistake(
            raw.place("dose-min-ml"),
            format!(
                "{}dose-min-ml: {error}; give a larger smallest dose or use a slower head",
                raw.label
            ),
        );
    }
    let active = match raw.text("active")? {
        "low" => ActiveLevel::Low,
        _ => ActiveLevel::High,
    };
    let gpio = parse_pin(raw.text("output")?).ok();
    if let Some(gpio) = gpio {
        warn_boot_level(raw, gpio, active, sink);
    }
    let run_sense = board::run_sense(raw, sink);
    let simulated = simulated(raw, nominal_rate?, sink);
    Some(Head {
        name,
        nominal_rate: nominal_rate?,
        run_max: time(raw, "run-max-s", 1.0)?,
        dose_min: dose_min?,
        output: Output {
            gpio: gpio?,
            active,
        },
        run_sense: run_sense?,
        simulated: simulated?,
        calibration_age_max: time(raw, "calibration-age-max-days", DAY)?,
        calibration_run_max: time(raw, "calibration-run-max-h", 3600.0)?,
        calibration_old: match raw.text("calibration-old")? {
            "block" => OldCalibration::Block,
            _ => OldCalibration::Warn,
        },
    })
}

/// Whether a pin rests at its on level from power-on until somebody drives it: at reset GPIO2 to GPIO8 are pulled high and GPIO9
/// to GPIO27 low (chip manual, from memory).
pub fn rests_on_at_boot(gpio: u8, active: ActiveLevel) -> bool {
    match active {
        ActiveLevel::High => gpio <= 8,
        ActiveLevel::Low => gpio >= 9,
    }
}

/// GPIO14 carries the boot console (from memory).
fn warn_boot_level(raw: &RawTable, gpio: u8, active: ActiveLevel, sink: &mut Sink<'_>) {
    let at = raw.place("output");
    if rests_on_at_boot(gpio, active) {
        sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests at the level that turns the head on while the board boots; use a pin from GPIO9 up with active = \
                 \"high\", and a pull-down resistor at the driver in any case",
                raw.label
            ),
        );
    }
    if gpio == 14 {
        sink.warn(
            at,
            format!("{}GPIO14 sends the boot console on many boards and would pulse the head; use another pin", raw.label),
        );
    }
}

fn simulated(raw: &RawTable, nominal: FlowRate, sink: &mut Sink<'_>) -> Option<SimulatedHead> {
    let Some(table) = raw.table("simulated") else {
        return Some(SimulatedHead {
            rate: nominal,
            offset: Volume::ZERO,
            scatter: 0.0,
        });
    };
    let rate = table
        .number("rate-ml-per-min")
        .map_or(nominal, FlowRate::from_ml_per_min);
    let offset = table.volume("offset-ml")?;
    if let Err(error) = Calibration::new(rate, offset) {
        sink.mistake(
            table.place("offset-ml"),
            format!("{}offset-ml: {error}", table.label),
        );
        return None;
    }
    Some(SimulatedHead {
        rate,
        offset,
        scatter: table.number("scatter")?,
    })
}

fn reservoir(raw: &RawTable, name: Name, sink: &mut Sink<'_>) -> Option<Reservoir> {
    let (capacity, reserve) = (raw.volume("capacity-ml")?, raw.volume("reserve-ml")?);
    if reserve >= capacity {
        sink.mistake(
            raw.place("reserve-ml"),
            format!(
                "{}reserve-ml = {reserve} leaves nothing of {capacity}; give less than capacity-ml",
                raw.label
            ),
        );
    }
    Some(Reservoir {
        name,
        capacity,
        reserve,
        low_warning: time(raw, "low-warning-days", DAY)?,
    })
}

fn lines(raw: &RawTable, sink: &mut Sink<'_>) -> Vec<Line> {
    let mut lines = Vec::new();
    for (name, table) in raw.named("line") {
        let head = reference(table, "head", (raw, "head"), sink);
        let reservoir = reference(table, "reservoir", (raw, "reservoir"), sink);
        let solution = reference(table, "solution", (raw, "solution"), sink);
        let line = || {
            Some(Line {
                name: Name::new(name).ok()?,
                head: head?,
                reservoir: reservoir?,
                solution: solution?,
                daily_cap: table.volume("daily-cap-ml")?,
                dose_cap: table.volume("dose-cap-ml")?,
            })
        };
        lines.extend(line());
    }
    lines
}

fn table_of<'a>(raw: &'a RawTable, group: &str, name: &Name) -> Option<&'a RawTable> {
    let found = raw
        .named(group)
        .iter()
        .find(|(text, _)| text == name.as_str());
    found.map(|(_, table)| table)
}

/// Caps against each other, against the head and against the tank.
fn check_lines(
    raw: &RawTable,
    heads: &BTreeMap<Name, Head>,
    lines: &[Line],
    tank: Option<TankVolume>,
    sink: &mut Sink<'_>,
) {
    for line in lines {
        let Some(table) = table_of(raw, "line", &line.name) else {
            continue;
        };
        let mut refuse = |key: &str, words: String| {
            sink.mistake(table.place(key), format!("{}{words}", table.label))
        };
        let (dose, daily) = (line.dose_cap, line.daily_cap);
        if dose > daily {
            refuse(
                "dose-cap-ml",
                format!(
                    "dose-cap-ml = {dose} is over daily-cap-ml = {daily}; give at most the daily cap"
                ),
            );
        }
        if let Some(litres) = tank.map(TankVolume::as_litres) {
            let share = |volume: Volume| volume.as_ml() / 1000.0 / litres;
            for (key, volume, max) in [
                ("daily-cap-ml", daily, DAILY_CAP_SHARE_MAX),
                ("dose-cap-ml", dose, DOSE_CAP_SHARE_MAX),
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
        let Some(head) = heads.get(&line.head) else {
            continue;
        };
        if dose < head.dose_min {
            refuse(
                "dose-cap-ml",
                format!(
                    "dose-cap-ml = {dose} is under the smallest dose of head \"{}\", {}; no dose would be possible",
                    head.name, head.dose_min
                ),
            );
        }
    }
}

/// One head for each line; one bottle for several lines only with one solution; nothing left over.
fn check_sharing(raw: &RawTable, lines: &[Line], sink: &mut Sink<'_>) {
    let mut by_head: BTreeMap<&Name, &Name> = BTreeMap::new();
    let mut by_bottle: BTreeMap<&Name, &Line> = BTreeMap::new();
    for line in lines {
        let Some(table) = table_of(raw, "line", &line.name) else {
            continue;
        };
        if let Some(other) = by_head.insert(&line.head, &line.name) {
            sink.mistake(
                table.place("head"),
                format!("{}head \"{}\" already belongs to line \"{other}\"; give each line its own head", table.label, line.head),
            );
        }
        match by_bottle.get(&line.reservoir) {
            Some(other) if other.solution != line.solution => sink.mistake(
                table.place("reservoir"),
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
    let declared = raw.named("line").len();
    if declared != lines.len() {
        return;
    }
    for (group, used) in [
        (
            "head",
            lines.iter().map(|line| &line.head).collect::<BTreeSet<_>>(),
        ),
        (
            "reservoir",
            lines.iter().map(|line| &line.reservoir).collect(),
        ),
        (
            "solution",
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

fn apart(raw: &RawTable, sink: &mut Sink<'_>) -> Vec<ApartRule> {
    let mut rules: Vec<ApartRule> = Vec::new();
    for table in raw.list("apart") {
        let first = reference(table, "first", (raw, "solution"), sink);
        let second = reference(table, "second", (raw, "solution"), sink);
        let (Some(first), Some(second)) = (first, second) else {
            continue;
        };
        let at = table.place("second");
        if first == second {
            sink.mistake(
                at,
                format!(
                    "{}\"{first}\" cannot be kept apart from itself; name two solutions",
                    table.label
                ),
            );
        }
        let same = |rule: &&ApartRule| {
            (rule.first == first && rule.second == second)
                || (rule.first == second && rule.second == first)
        };
        if rules.iter().any(|rule| same(&rule)) {
            sink.mistake(
                at,
                format!(
                    "{}\"{first}\" and \"{second}\" already have a rule; keep one of the two",
                    table.label
                ),
            );
        }
        if let Some(gap) = time(table, "gap-min", 60.0) {
            rules.push(ApartRule { first, second, gap });
        }
    }
    rules
}

/// Carbonate and calcium that meet fall out as calcium carbonate, which is lost for both (convention: 15 to 60 min apart,
/// reference row a8.cp.apart_time, common practice, no source).
fn warn_not_apart(
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
            if let (false, Some(table)) = (ruled, table_of(raw, "solution", &other.solution)) {
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

type Limits = (BTreeMap<Element, Concentration>, TimeLimits);

fn limits(raw: &RawTable, sink: &mut Sink<'_>) -> Option<Limits> {
    let empty = RawTable::default();
    let limits = raw.table("limits").unwrap_or(&empty);
    let mut rises = BTreeMap::new();
    for (symbol, table) in limits.named("element") {
        if let (Some(element), Some(rise)) = (
            Element::new(symbol),
            table.number("max-rise-mg-per-l-per-day"),
        ) {
            rises.insert(element, Concentration::from_mg_per_l(rise));
        }
    }
    let defaults = super::raw::defaults(&super::schema::LIMITS_TIME);
    let table = limits.table("time").unwrap_or(&defaults);
    let lateness = time(table, "slot-lateness-max-s", 1.0)?;
    let permit = time(table, "permit-valid-s", 1.0)?;
    if permit > lateness {
        sink.mistake(
            table.place("permit-valid-s"),
            format!(
                "{}permit-valid-s = {permit} is over slot-lateness-max-s = {lateness}; give less",
                table.label
            ),
        );
    }
    Some((
        rises,
        TimeLimits {
            slot_lateness_max: lateness,
            slot_wait_max: time(table, "slot-wait-max-min", 60.0)?,
            clock_step_max: time(table, "clock-step-max-s", 1.0)?,
            clock_wait_alarm: time(table, "clock-wait-alarm-min", 60.0)?,
            hold_reminder: time(table, "hold-reminder-h", 3600.0)?,
            permit_valid: permit,
        },
    ))
}

/// The limits on alkalinity: required when a line carries any, useless otherwise.
fn alkalinity(raw: &RawTable, carries: bool, sink: &mut Sink<'_>) -> Option<AlkalinityLimits> {
    let table = raw
        .table("limits")
        .and_then(|limits| limits.table("alkalinity"));
    let Some(table) = table else {
        if carries {
            sink.mistake(
                raw.table("limits").map_or(raw.at, |limits| limits.at),
                "[limits.alkalinity] is missing, and a line carries alkalinity; give max-rise-dkh-per-day, \
                 max-fall-dkh-per-day, band and alarm limits, they have no default",
            );
        }
        return None;
    };
    let dkh = |key: &str| table.number(key).map(Alkalinity::from_dkh);
    let edges = [
        "alarm-low-dkh",
        "band-low-dkh",
        "band-high-dkh",
        "alarm-high-dkh",
    ];
    for pair in edges.windows(2) {
        if let [low_key, high_key] = pair
            && let (Some(low), Some(high)) = (dkh(low_key), dkh(high_key))
            && low >= high
        {
            sink.mistake(
                table.place(high_key),
                format!(
                    "{}{high_key} = {high} is not above {low_key} = {low}; the order is alarm-low < band-low < band-high < alarm-high",
                    table.label
                ),
            );
        }
    }
    if !carries {
        sink.warn(
            table.at,
            "limits.alkalinity has no effect: no line carries alkalinity",
        );
        return None;
    }
    let max_rise = dkh("max-rise-dkh-per-day")?;
    if max_rise.as_dkh() > 1.0 + 1e-9 {
        sink.warn(
            table.place("max-rise-dkh-per-day"),
            format!("{}max-rise-dkh-per-day = {max_rise} is more than the 1 dKH per day in common use (common practice, no source)", table.label),
        );
    }
    Some(AlkalinityLimits {
        max_rise,
        max_fall: dkh("max-fall-dkh-per-day")?,
        band_low: dkh("band-low-dkh")?,
        band_high: dkh("band-high-dkh")?,
        alarm_low: dkh("alarm-low-dkh")?,
        alarm_high: dkh("alarm-high-dkh")?,
        alarm_action: match table.text("alarm-action")? {
            "hold-all" => AlarmAction::HoldAll,
            "warn" => AlarmAction::Warn,
            _ => AlarmAction::HoldAlkalinityLines,
        },
        stale_after: time(table, "stale-after-days", DAY)?,
        drift_per_day: dkh("drift-dkh-per-day")?,
        uptake_change_max: dkh("uptake-change-max-dkh-per-day")?,
        settling: time(table, "settling-days", DAY)?,
    })
}
