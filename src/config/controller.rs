//! From the tree of `controller.toml` to its checked type: names that must exist, pins used once, limits that fit each other.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::mistake::Sink;
use super::model::{
    ActiveLevel, ApartRule, Controller, Head, Line, Mode, OldCalibration, Output, Reservoir,
    SimulatedHead, Solution,
};
use super::stepper::{self, HeadOutput};
use super::tree::RawTable;
use super::{board, input, limits, peer, pwm, relations, solution};
use crate::chemistry::Celsius;
use crate::metering::Calibration;
use crate::quantity::{FlowRate, Millis, Name, TankVolume, Volume, i64_from_f64};

/// Looks a zone up by its IANA name.
pub type Zones<'a> = &'a dyn Fn(&str) -> Option<TimeZone>;

/// Builds the controller; `None` when anything is wrong, which is then in the sink.
pub(super) fn build(raw: &RawTable, sink: &mut Sink<'_>, zones: Zones<'_>) -> Option<Controller> {
    let name = named(raw, "name", sink);
    let zone = time_zone(raw, sink, zones);
    let tank = raw
        .table("tank")
        .and_then(|tank| tank.number("volume-l"))
        .map(TankVolume::from_litres);
    relations::pins_used_once(raw, sink);
    pwm::check(raw, sink);
    let board = board::build(raw, sink);
    let heads = collect(raw, "head", sink, head);
    let reservoirs = collect(raw, "reservoir", sink, reservoir);
    let solutions = collect(raw, "solution", sink, solution::build);
    let lines = lines(raw, sink);
    let apart = apart(raw, sink);
    let peers = raw.list("peer").iter();
    let peers = peers.filter_map(|table| peer::build(table, sink)).collect();
    let inputs = collect(raw, "input", sink, |raw_input, name, sink| {
        input::build(raw, raw_input, name, sink)
    });
    let limits = limits::build(raw, sink);
    relations::check_lines(raw, &heads, &lines, tank, sink);
    relations::check_sharing(raw, &lines, sink);
    relations::check_dissolved(raw, &reservoirs, &solutions, &lines, sink);
    relations::warn_not_apart(raw, &solutions, &lines, &apart, sink);
    let used = |solution: &&Solution| lines.iter().any(|line| line.solution == solution.name);
    let carries = solutions
        .values()
        .filter(used)
        .any(|s| s.effect.carries_alkalinity());
    let alkalinity = limits::alkalinity(raw, carries, sink);
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
        board,
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
        peers,
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
    let mut found = BTreeMap::new();
    for (text, table) in raw.named(group) {
        if let Ok(name) = Name::new(text)
            && let Some(value) = build(table, name.clone(), sink)
        {
            found.insert(name, value);
        }
    }
    found
}

/// A number in some unit of time as milliseconds.
pub(super) fn time(raw: &RawTable, key: &str, seconds_per_unit: f64) -> Option<Millis> {
    Millis::from_secs_f64(raw.number(key)? * seconds_per_unit)
}

/// Seconds in a day, for [`time`].
pub(super) const DAY: f64 = 86_400.0;

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
    let output = stepper::build(raw, (nominal_rate, dose_min), sink);
    for (use_of, pin) in output.iter().flat_map(HeadOutput::pins) {
        // The direction input neither turns nor holds a motor.
        if use_of != "direction" {
            warn_boot_level(raw, use_of, &pin, sink);
        }
    }
    let run_sense = board::run_sense(raw, sink);
    let simulated = simulated(raw, nominal_rate?, sink);
    Some(Head {
        name,
        nominal_rate: nominal_rate?,
        run_max: time(raw, "run-max-s", 1.0)?,
        dose_min: dose_min?,
        output: output?,
        run_sense,
        simulated: simulated?,
        calibration_age_max: time(raw, "calibration-age-max-days", DAY)?,
        calibration_run_max: time(raw, "calibration-run-max-h", 3600.0)?,
        tolerance_percent: raw.number("tolerance-percent")?,
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
fn warn_boot_level(raw: &RawTable, use_of: &str, pin: &Output, sink: &mut Sink<'_>) {
    let (gpio, active) = (pin.gpio, pin.active);
    let at = raw
        .table("stepper")
        .map(|table| table.place(use_of))
        .or_else(|| raw.table("pwm").map(|table| table.place("pin")))
        .unwrap_or_else(|| raw.place("output"));
    if rests_on_at_boot(gpio, active) && (use_of.is_empty() || use_of == "pwm") {
        sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests at the level that turns the head on while the board boots; use a pin from GPIO9 up with active = \
                 \"high\", and a pull-down resistor at the driver in any case",
                raw.label
            ),
        );
    }
    if rests_on_at_boot(gpio, active) && use_of == "enable" {
        sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests at the level that gives the motor current while the board boots: it holds and gets warm, it does not turn; \
                 a pin that rests the other way and a resistor at the driver keep it off",
                raw.label
            ),
        );
    }
    if rests_on_at_boot(gpio, active) && use_of == "step" {
        sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests high while the board boots; use a pin from GPIO9 up for step",
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
        coldest: Celsius::from_degrees(raw.number("coldest-c")?),
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
