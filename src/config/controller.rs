//! From the tree of `controller.toml` to its checked type: names that must exist, pins used once, limits that fit each other.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::contents::Contents;
use super::drive::{ActiveLevel, HeadOutput, Output};
use super::keys;
use super::mistake::quoted;
use super::model::{ApartRule, Controller, Head, Line, Reservoir, SimulatedHead, Solution};
use super::schema::{Named, Of};
use super::stepper;
use super::take::{DAY, named, reference, references, time};
use super::tree::RawTable;
use super::words::{Mode, OldCalibration};
use super::{board, bottles, input, peer, pwm, relations, solution, water};
use crate::chemistry::Celsius;
use crate::metering::Calibration;
use crate::quantity::{FlowRate, Millis, Name, TankVolume, Volume};

/// Looks a zone up by its IANA name.
pub type Zones<'a> = &'a dyn Fn(&str) -> Option<TimeZone>;

/// Builds the controller; `None` when anything is wrong, which is then in the sink.
pub(super) fn build(raw: &RawTable, zones: Zones<'_>) -> Option<Controller> {
    let name = named(raw, keys::controller::NAME);
    let zone = time_zone(raw, zones);
    let tank = raw
        .table(keys::controller::TANK)
        .and_then(|tank| tank.number(keys::tank::VOLUME_L))
        .map(TankVolume::from_litres);
    relations::pins_used_once(raw);
    pwm::check(raw);
    let board = board::build(raw);
    let heads = collect(raw, keys::controller::HEAD, head);
    let reservoirs = collect(raw, keys::controller::RESERVOIR, |own, name| {
        reservoir((raw, own), name)
    });
    let solutions = collect(raw, keys::controller::SOLUTION, solution::build);
    let lines = lines(raw);
    let apart = apart(raw);
    let peers = raw.list(keys::controller::PEER).iter();
    let peers = peers.filter_map(peer::build).collect();
    let inputs = collect(raw, keys::controller::INPUT, |raw_input, name| {
        input::build(raw, raw_input, name)
    });
    let times = water::times(raw);
    relations::check_lines(raw, &heads, &lines, tank);
    bottles::check_sharing(raw, (&lines, &reservoirs));
    bottles::check_dissolved(raw, &reservoirs, &solutions);
    bottles::check_mixed(raw, (&reservoirs, &solutions), &apart);
    bottles::check_apart(raw, (&reservoirs, &solutions), &lines, &apart);
    bottles::warn_unstated(raw, (&reservoirs, &solutions), &lines, &apart);
    let used = |solution: &&Solution| bottles::is_used(&lines, &reservoirs, &solution.name);
    let carries = solutions
        .values()
        .filter(used)
        .any(|s| s.effect.carries_alkalinity());
    let water = water::build(raw, carries);
    if !raw.sink.is_clean() {
        return None;
    }
    let (time_zone_name, time_zone) = zone?;
    Some(Controller {
        name: name?,
        mode: Mode::from_word(raw.text(keys::controller::MODE)?)?,
        board,
        time_zone_name,
        time_zone,
        tank: tank?,
        heads,
        reservoirs,
        contents: Contents::default(),
        solutions,
        lines,
        apart: apart
            .into_iter()
            .filter(|rule| rule.gap > Millis::ZERO)
            .collect(),
        inputs,
        heads_at_once: heads_at_once(raw)?,
        water: water?,
        times: times?,
        peers,
    })
}

fn heads_at_once(raw: &RawTable) -> Option<u32> {
    let Some(supply) = raw.table(keys::controller::SUPPLY) else {
        return Some(1);
    };
    supply.whole(keys::supply::HEADS_AT_ONCE)
}

/// Every table of a group that could be built, by name.
fn collect<T>(
    raw: &RawTable,
    group: Of<Named>,
    mut build: impl FnMut(&RawTable, Name) -> Option<T>,
) -> BTreeMap<Name, T> {
    let mut found = BTreeMap::new();
    for (text, table) in raw.named(group) {
        if let Ok(name) = Name::new(text)
            && let Some(value) = build(table, name.clone())
        {
            found.insert(name, value);
        }
    }
    found
}

fn time_zone(raw: &RawTable, zones: Zones<'_>) -> Option<(String, TimeZone)> {
    let text = raw.text(keys::controller::TIME_ZONE)?;
    // These name "whatever the machine has" or nothing at all, not a place.
    let vague = ["localtime", "posixrules", "etc/unknown", "factory"]
        .contains(&text.to_lowercase().as_str());
    let found = zones(text).filter(|zone| !vague && !zone.is_unknown());
    if found.is_none() {
        let shown = quoted(text);
        raw.sink.mistake(
            raw.place(keys::controller::TIME_ZONE),
            format!(
                "time-zone = \"{shown}\" is unknown here; give an IANA name such as \"Europe/Berlin\" or \"UTC\", and make sure \
                 the system's zone data is installed (package tzdata); no zone is assumed"
            ),
        );
    }
    found.map(|zone| (text.to_owned(), zone))
}

fn head(raw: &RawTable, name: Name) -> Option<Head> {
    let nominal_rate = raw
        .number(keys::head::NOMINAL_RATE_ML_PER_MIN)
        .map(FlowRate::from_ml_per_min);
    let dose_min = raw.volume(keys::head::DOSE_MIN_ML);
    let nominal = nominal_rate.and_then(|rate| Calibration::new(rate, Volume::ZERO).ok());
    if let (Some(dose_min), Some(calibration)) = (dose_min, nominal)
        && let Err(error) = calibration.run_time(dose_min)
    {
        raw.refuse(
            keys::head::DOSE_MIN_ML,
            format!("dose-min-ml: {error}; give a larger smallest dose or use a slower head"),
        );
    }
    let output = stepper::build(raw, (nominal_rate, dose_min));
    for (use_of, pin) in output.iter().flat_map(HeadOutput::pins) {
        // The direction input neither turns nor holds a motor.
        if use_of != "direction" {
            warn_boot_level(raw, use_of, &pin);
        }
    }
    let run_sense = board::run_sense(raw);
    let simulated = simulated(raw, nominal_rate?);
    Some(Head {
        name,
        nominal_rate: nominal_rate?,
        run_max: time(raw, keys::head::RUN_MAX_S, 1.0)?,
        dose_min: dose_min?,
        output: output?,
        run_sense,
        simulated: simulated?,
        calibration_age_max: time(raw, keys::head::CALIBRATION_AGE_MAX_DAYS, DAY)?,
        calibration_run_max: time(raw, keys::head::CALIBRATION_RUN_MAX_H, 3600.0)?,
        tolerance_percent: raw.number(keys::head::TOLERANCE_PERCENT)?,
        calibration_old: OldCalibration::from_word(raw.text(keys::head::CALIBRATION_OLD)?)?,
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

/// Where the pin of this use stands.
fn place_of(head: &RawTable, use_of: &str) -> usize {
    let mut kinds = keys::HEAD_PINS.into_iter();
    let own = kinds.find_map(|(kind, pins)| Some((head.table(kind?)?, pins)));
    let (table, pins) = own.unwrap_or((head, &[keys::head::OUTPUT]));
    let named = pins.iter().find(|key| key.name() == use_of);
    let key = named.or(pins.first());
    key.map_or(table.at, |key| table.place(*key))
}

/// GPIO14 carries the boot console (from memory).
fn warn_boot_level(raw: &RawTable, use_of: &str, pin: &Output) {
    let (gpio, active) = (pin.gpio, pin.active);
    let at = place_of(raw, use_of);
    if rests_on_at_boot(gpio, active) && (use_of.is_empty() || use_of == "pwm") {
        raw.sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests at the level that turns the head on while the board boots; use a pin from GPIO9 up with active = \
                 \"high\", and a pull-down resistor at the driver in any case",
                raw.label
            ),
        );
    }
    if rests_on_at_boot(gpio, active) && use_of == "enable" {
        raw.sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests at the level that gives the motor current while the board boots: it holds and gets warm, it does not turn; \
                 a pin that rests the other way and a resistor at the driver keep it off",
                raw.label
            ),
        );
    }
    if rests_on_at_boot(gpio, active) && use_of == "step" {
        raw.sink.warn(
            at,
            format!(
                "{}GPIO{gpio} rests high while the board boots; use a pin from GPIO9 up for step",
                raw.label
            ),
        );
    }
    if gpio == 14 {
        raw.sink.warn(
            at,
            format!("{}GPIO14 sends the boot console on many boards and would pulse the head; use another pin", raw.label),
        );
    }
}

fn simulated(raw: &RawTable, nominal: FlowRate) -> Option<SimulatedHead> {
    let Some(table) = raw.table(keys::head::SIMULATED) else {
        return Some(SimulatedHead {
            rate: nominal,
            offset: Volume::ZERO,
            scatter: 0.0,
        });
    };
    let rate = table
        .number(keys::simulated::RATE_ML_PER_MIN)
        .map_or(nominal, FlowRate::from_ml_per_min);
    let offset = table.volume(keys::simulated::OFFSET_ML)?;
    if let Err(error) = Calibration::new(rate, offset) {
        table.refuse(keys::simulated::OFFSET_ML, format!("offset-ml: {error}"));
        return None;
    }
    Some(SimulatedHead {
        rate,
        offset,
        scatter: table.number(keys::simulated::SCATTER)?,
    })
}

fn reservoir((whole, raw): (&RawTable, &RawTable), name: Name) -> Option<Reservoir> {
    let all = (whole, keys::controller::SOLUTION);
    let solutions = references(raw, keys::reservoir::SOLUTIONS, all);
    let (capacity, reserve) = (
        raw.volume(keys::reservoir::CAPACITY_ML)?,
        raw.volume(keys::reservoir::RESERVE_ML)?,
    );
    if reserve >= capacity {
        raw.refuse(
            keys::reservoir::RESERVE_ML,
            format!(
                "reserve-ml = {reserve} leaves nothing of {capacity}; give less than capacity-ml"
            ),
        );
    }
    Some(Reservoir {
        name,
        solutions: solutions?,
        capacity,
        reserve,
        low_warning: time(raw, keys::reservoir::LOW_WARNING_DAYS, DAY)?,
        coldest: Celsius::from_degrees(raw.number(keys::reservoir::COLDEST_C)?),
    })
}

fn lines(raw: &RawTable) -> Vec<Line> {
    let mut lines = Vec::new();
    for (name, table) in raw.named(keys::controller::LINE) {
        let head = reference(table, keys::line::HEAD, (raw, keys::controller::HEAD));
        let reservoir = reference(
            table,
            keys::line::RESERVOIR,
            (raw, keys::controller::RESERVOIR),
        );
        let line = || {
            Some(Line {
                name: Name::new(name).ok()?,
                head: head?,
                reservoir: reservoir?,
                daily_cap: table.volume(keys::line::DAILY_CAP_ML)?,
                dose_cap: table.volume(keys::line::DOSE_CAP_ML)?,
                hourly_cap: table.volume(keys::line::HOURLY_CAP_ML),
            })
        };
        lines.extend(line());
    }
    lines
}

/// All rules; those without a gap are only there to say so.
fn apart(raw: &RawTable) -> Vec<ApartRule> {
    let mut rules: Vec<ApartRule> = Vec::new();
    for table in raw.list(keys::controller::APART) {
        let first = reference(table, keys::apart::FIRST, (raw, keys::controller::SOLUTION));
        let second = reference(
            table,
            keys::apart::SECOND,
            (raw, keys::controller::SOLUTION),
        );
        let (Some(first), Some(second)) = (first, second) else {
            continue;
        };
        if first == second {
            table.refuse(
                keys::apart::SECOND,
                format!("\"{first}\" cannot be kept apart from itself; name two solutions"),
            );
        }
        let same = |rule: &&ApartRule| {
            (rule.first == first && rule.second == second)
                || (rule.first == second && rule.second == first)
        };
        if rules.iter().any(|rule| same(&rule)) {
            table.refuse(
                keys::apart::SECOND,
                format!("\"{first}\" and \"{second}\" already have a rule; keep one of the two"),
            );
        }
        let gap = time(table, keys::apart::GAP_MIN, 60.0);
        match (gap, table.text(keys::apart::NO_GAP_BECAUSE)) {
            (Some(_), Some(_)) => table.refuse(
                keys::apart::NO_GAP_BECAUSE,
                "gap-min and no-gap-because contradict each other; keep one of them",
            ),
            (None, Some(why)) => {
                let why = quoted(why);
                table.doubt(
                    keys::apart::SECOND,
                    format!("no gap between \"{first}\" and \"{second}\" on purpose: {why}"),
                );
            }
            (_, None) => {}
        }
        let gap = gap.unwrap_or(Millis::ZERO);
        rules.push(ApartRule { first, second, gap });
    }
    rules
}
