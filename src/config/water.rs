//! From the tree of `[water.NAME]` and `[time]` to the checked limits, and whether they fit each other.

use std::collections::BTreeMap;

use super::keys;
use super::model::{TimeLimits, TrackedLimits, WaterLimits};
use super::schema::{Of, Text};
use super::take::{DAY, time};
use super::tree::RawTable;
use super::words::AlarmAction;
use crate::chemistry::{Quantity, Unit};

/// Limits of every quantity that has a table. Alkalinity's is required when a line carries any, and useless otherwise.
pub(super) fn build(
    raw: &RawTable,
    alkalinity_is_carried: bool,
) -> Option<BTreeMap<Quantity, WaterLimits>> {
    let mut water = Some(BTreeMap::new());
    let mut alkalinity = None;
    for (name, table) in raw.named(keys::controller::WATER) {
        let of = Quantity::from_word(name)?;
        let limits = limits(table, &of);
        if of == Quantity::Alkalinity {
            alkalinity = Some(table);
            if !alkalinity_is_carried {
                continue;
            }
        }
        match (&mut water, limits) {
            (Some(water), Some(limits)) => drop(water.insert(of, limits)),
            (Some(_) | None, _) => water = None,
        }
    }
    match alkalinity {
        None if alkalinity_is_carried => raw.sink.mistake(
            raw.at,
            "[water.alkalinity] is missing, and a line carries alkalinity; give max-rise-dkh-per-day, max-fall-dkh-per-day, band and \
             alarm limits, they have no default",
        ),
        Some(table) if !alkalinity_is_carried => raw.sink.warn(table.at, "water.alkalinity has no effect: no line carries alkalinity"),
        Some(table) => warn_of_fast_rise(table),
        None => {}
    }
    water
}

fn warn_of_fast_rise(table: &RawTable) {
    let key = keys::alkalinity::MAX_RISE_DKH_PER_DAY;
    if let Some(rise) = table.number(key).filter(|rise| *rise > 1.0 + 1e-9) {
        let rise = Quantity::Alkalinity.amount(rise);
        table.doubt(
            key,
            format!("{key} = {rise} is more than the 1 dKH per day in common use (common practice, no source)")
        );
    }
}

fn limits(table: &RawTable, of: &Quantity) -> Option<WaterLimits> {
    let unit = of.unit();
    check_order(table, of);
    let others = [keys::max_fall, keys::drift, keys::uptake_change_max].map(|key| key(unit));
    let with_band = keys::edges(unit).into_iter().chain(others);
    let (given, missing): (Vec<_>, Vec<_>) =
        with_band.partition(|key| table.number(*key).is_some());
    let tracked = !given.is_empty() || table.number(keys::target(unit)).is_some();
    if tracked && !missing.is_empty() && !table.spoiled {
        let missing: Vec<&str> = missing.into_iter().map(Of::name).collect();
        table.sink.mistake(
            table.at,
            format!(
                "{}: a band needs {} too, they have no default; without a band, leave all but {} out",
                table.label.trim_end_matches('.'),
                missing.join(", "),
                keys::max_rise(unit)
            ),
        );
    }
    Some(WaterLimits {
        max_rise: table.number(keys::max_rise(unit))?,
        max_rise_per_hour: table.number(keys::max_rise_per_hour(unit)),
        kit_step: table.number(keys::kit_step(unit))?,
        tracked: if tracked {
            Some(tracked_limits(table, unit)?)
        } else {
            None
        },
    })
}

/// Alarm limits outside the band, the target in it.
fn check_order(table: &RawTable, of: &Quantity) {
    let (edges, target_key) = (keys::edges(of.unit()), keys::target(of.unit()));
    for pair in edges.windows(2) {
        if let [low_key, high_key] = pair
            && let (Some(low), Some(high)) = (table.number(*low_key), table.number(*high_key))
            && low >= high
        {
            table.refuse(
                *high_key,
                format!(
                    "{high_key} = {} is not above {low_key} = {}; the order is alarm-low < band-low < band-high < alarm-high",
                    of.amount(high),
                    of.amount(low)
                )
            );
        }
    }
    let [_, low_key, high_key, _] = edges;
    if let (Some(target), Some(low), Some(high)) = (
        table.number(target_key),
        table.number(low_key),
        table.number(high_key),
    ) && !(low..=high).contains(&target)
    {
        table.refuse(
            target_key,
            format!(
                "{} = {} is outside the band of {} to {}; give a target in it",
                target_key,
                of.amount(target),
                of.amount(low),
                of.amount(high)
            ),
        );
    }
}

fn tracked_limits(table: &RawTable, unit: Unit) -> Option<TrackedLimits> {
    let [alarm_low, band_low, band_high, alarm_high] = keys::edges(unit);
    let (band_low, band_high) = (table.number(band_low)?, table.number(band_high)?);
    let action = |key: Of<Text>| AlarmAction::from_word(table.text(key)?);
    Some(TrackedLimits {
        target: table
            .number(keys::target(unit))
            .unwrap_or(f64::midpoint(band_low, band_high)),
        band_low,
        band_high,
        alarm_low: table.number(alarm_low)?,
        alarm_high: table.number(alarm_high)?,
        on_alarm_low: action(keys::alkalinity::ON_ALARM_LOW)?,
        on_alarm_high: action(keys::alkalinity::ON_ALARM_HIGH)?,
        max_fall: table.number(keys::max_fall(unit))?,
        stale_after: time(table, keys::alkalinity::STALE_AFTER_DAYS, DAY)?,
        drift_per_day: table.number(keys::drift(unit))?,
        uptake_change_max: table.number(keys::uptake_change_max(unit))?,
        settling: time(table, keys::alkalinity::SETTLING_DAYS, DAY)?,
    })
}

/// Limits in time. `None` when anything in them is wrong.
pub(super) fn times(raw: &RawTable) -> Option<TimeLimits> {
    let defaults = super::raw::defaults(&keys::time::SECTION);
    let table = raw.table(keys::controller::TIME).unwrap_or(&defaults);
    let lateness = time(table, keys::time::SLOT_LATENESS_MAX_S, 1.0)?;
    let permit = time(table, keys::time::PERMIT_VALID_S, 1.0)?;
    if permit > lateness {
        table.refuse(
            keys::time::PERMIT_VALID_S,
            format!(
                "permit-valid-s = {permit} is over slot-lateness-max-s = {lateness}; give less"
            ),
        );
    }
    Some(TimeLimits {
        slot_lateness_max: lateness,
        slot_wait_max: time(table, keys::time::SLOT_WAIT_MAX_MIN, 60.0)?,
        clock_step_max: time(table, keys::time::CLOCK_STEP_MAX_S, 1.0)?,
        clock_wait_alarm: time(table, keys::time::CLOCK_WAIT_ALARM_MIN, 60.0)?,
        hold_reminder: time(table, keys::time::HOLD_REMINDER_H, 3600.0)?,
        permit_valid: permit,
    })
}
