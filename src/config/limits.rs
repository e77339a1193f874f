//! From the tree of `[limits.*]` to the checked limits, and whether they fit each other.

use std::collections::BTreeMap;

use super::controller::{DAY, time};
use super::mistake::Sink;
use super::model::{AlarmAction, AlkalinityLimits, TimeLimits};
use super::tree::RawTable;
use crate::chemistry::Element;
use crate::quantity::{Alkalinity, Concentration};

type Limits = (BTreeMap<Element, Concentration>, TimeLimits);

/// Limits per element and in time. `None` when anything in them is wrong.
pub(super) fn build(raw: &RawTable, sink: &mut Sink<'_>) -> Option<Limits> {
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
pub(super) fn alkalinity(
    raw: &RawTable,
    carries: bool,
    sink: &mut Sink<'_>,
) -> Option<AlkalinityLimits> {
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
