//! From the tree of `[limits.*]` to the checked limits, and whether they fit each other.

use std::collections::BTreeMap;

use super::keys;
use super::mistake::Sink;
use super::model::{AlarmAction, AlkalinityLimits, TimeLimits};
use super::schema::{Number, Of};
use super::take::{DAY, time};
use super::tree::RawTable;
use crate::chemistry::Element;
use crate::quantity::{Alkalinity, Concentration};

type Limits = (BTreeMap<Element, Concentration>, TimeLimits);

/// Limits per element and in time. `None` when anything in them is wrong.
pub(super) fn build(raw: &RawTable, sink: &mut Sink<'_>) -> Option<Limits> {
    let empty = RawTable::default();
    let limits = raw.table(keys::controller::LIMITS).unwrap_or(&empty);
    let mut rises = BTreeMap::new();
    for (symbol, table) in limits.named(keys::limits::ELEMENT) {
        if let (Some(element), Some(rise)) = (
            Element::new(symbol),
            table.number(keys::element::MAX_RISE_MG_PER_L_PER_DAY),
        ) {
            rises.insert(element, Concentration::from_mg_per_l(rise));
        }
    }
    let defaults = super::raw::defaults(&keys::time::SECTION);
    let table = limits.table(keys::limits::TIME).unwrap_or(&defaults);
    let lateness = time(table, keys::time::SLOT_LATENESS_MAX_S, 1.0)?;
    let permit = time(table, keys::time::PERMIT_VALID_S, 1.0)?;
    if permit > lateness {
        sink.mistake(
            table.place(keys::time::PERMIT_VALID_S),
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
            slot_wait_max: time(table, keys::time::SLOT_WAIT_MAX_MIN, 60.0)?,
            clock_step_max: time(table, keys::time::CLOCK_STEP_MAX_S, 1.0)?,
            clock_wait_alarm: time(table, keys::time::CLOCK_WAIT_ALARM_MIN, 60.0)?,
            hold_reminder: time(table, keys::time::HOLD_REMINDER_H, 3600.0)?,
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
        .table(keys::controller::LIMITS)
        .and_then(|limits| limits.table(keys::limits::ALKALINITY));
    let Some(table) = table else {
        if carries {
            sink.mistake(
                raw.table(keys::controller::LIMITS).map_or(raw.at, |limits| limits.at),
                "[limits.alkalinity] is missing, and a line carries alkalinity; give max-rise-dkh-per-day, \
                 max-fall-dkh-per-day, band and alarm limits, they have no default",
            );
        }
        return None;
    };
    let dkh = |key: Of<Number>| table.number(key).map(Alkalinity::from_dkh);
    let edges = [
        keys::alkalinity::ALARM_LOW_DKH,
        keys::alkalinity::BAND_LOW_DKH,
        keys::alkalinity::BAND_HIGH_DKH,
        keys::alkalinity::ALARM_HIGH_DKH,
    ];
    for pair in edges.windows(2) {
        if let [low_key, high_key] = pair
            && let (Some(low), Some(high)) = (dkh(*low_key), dkh(*high_key))
            && low >= high
        {
            sink.mistake(
                table.place(*high_key),
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
    let max_rise = dkh(keys::alkalinity::MAX_RISE_DKH_PER_DAY)?;
    if max_rise.as_dkh() > 1.0 + 1e-9 {
        sink.warn(
            table.place(keys::alkalinity::MAX_RISE_DKH_PER_DAY),
            format!("{}max-rise-dkh-per-day = {max_rise} is more than the 1 dKH per day in common use (common practice, no source)", table.label),
        );
    }
    Some(AlkalinityLimits {
        max_rise,
        max_fall: dkh(keys::alkalinity::MAX_FALL_DKH_PER_DAY)?,
        band_low: dkh(keys::alkalinity::BAND_LOW_DKH)?,
        band_high: dkh(keys::alkalinity::BAND_HIGH_DKH)?,
        alarm_low: dkh(keys::alkalinity::ALARM_LOW_DKH)?,
        alarm_high: dkh(keys::alkalinity::ALARM_HIGH_DKH)?,
        alarm_action: match table.text(keys::alkalinity::ALARM_ACTION)? {
            "hold-all" => AlarmAction::HoldAll,
            "warn" => AlarmAction::Warn,
            _ => AlarmAction::HoldAlkalinityLines,
        },
        stale_after: time(table, keys::alkalinity::STALE_AFTER_DAYS, DAY)?,
        drift_per_day: dkh(keys::alkalinity::DRIFT_DKH_PER_DAY)?,
        uptake_change_max: dkh(keys::alkalinity::UPTAKE_CHANGE_MAX_DKH_PER_DAY)?,
        settling: time(table, keys::alkalinity::SETTLING_DAYS, DAY)?,
    })
}
