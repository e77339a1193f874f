//! State messages: what a snapshot looks like on the wire.
//!
//! Every key is always there; what is unknown is `null`. Units are in the key. A number that is not finite is unknown. Ages are
//! those at the moment in `at`, so that a display can tell how old a value is however late it reads it.

use jiff::Timestamp;
use serde_json::{Map, Value, json};

use super::topics::Topics;
use super::{EventLine, Identity, Snapshot};
use crate::chemistry::Quantity;
use crate::engine::{
    Alarm, AlarmCode, HeadStatus, LineStatus, ReservoirStatus, RunningStatus, Status, TrustSource,
};
use crate::quantity::{Volume, f64_from_i64};
use crate::record::{Hold, HoldScope, Reading, ReadingValue};

/// All state messages of one moment with their topics, the availability message left out.
pub fn messages(snapshot: &Snapshot, identity: &Identity, topics: &Topics) -> Vec<(String, Value)> {
    let status = &snapshot.status;
    let mut out = vec![
        (topics.of("controller"), controller(snapshot, identity)),
        (topics.of("water"), water(snapshot)),
        (topics.of("alarms"), alarms(status)),
    ];
    for line in &status.lines {
        out.push((
            topics.of(&format!("line/{}", line.name)),
            line_message(line, snapshot),
        ));
    }
    for bottle in &status.reservoirs {
        out.push((
            topics.of(&format!("reservoir/{}", bottle.name)),
            reservoir(bottle, status),
        ));
    }
    for head in &status.heads {
        out.push((
            topics.of(&format!("head/{}", head.name)),
            head_message(head, status),
        ));
    }
    out
}

/// What stands in every message: dry run or live.
pub(super) fn mode(live: bool) -> &'static str {
    if live { "live" } else { "dry-run" }
}

pub(super) fn availability(online: bool, live: bool, instance: &str) -> Value {
    json!({
        "state": if online { "online" } else { "offline" },
        "mode": mode(live),
        "instance": instance,
    })
}

pub(super) fn event(entry: &EventLine, live: bool, dropped: u64) -> Value {
    json!({
        "mode": mode(live),
        "id": entry.id,
        "at": time(entry.at),
        "code": entry.code,
        "line": entry.line.as_ref().map(ToString::to_string),
        "text": entry.text,
        "who": entry.who,
        "dropped_before": dropped,
    })
}

fn controller(snapshot: &Snapshot, identity: &Identity) -> Value {
    let status = &snapshot.status;
    let next = status
        .lines
        .iter()
        .filter_map(|l| l.next_slot.as_ref())
        .min_by_key(|s| s.at);
    let holds: Vec<Value> = status.holds.iter().map(|h| hold(h, status)).collect();
    let inputs: Vec<Value> = status
        .inputs
        .iter()
        .map(|(name, safe)| json!({ "input": name.as_str(), "safe": safe }))
        .collect();
    json!({
        "mode": mode(status.live),
        "at": time(status.now.wall),
        "name": identity.name.as_str(),
        "version": identity.version,
        "config_fingerprint": snapshot.fingerprint,
        "armed": snapshot.armed,
        "held": status.holds.iter().any(|h| h.scope == HoldScope::All),
        "holds": holds,
        "clock_trusted": status.clock_unsure.is_none(),
        "clock_unsure": status.clock_unsure,
        "clock_source": status.clock_source.map(|s| match s {
            TrustSource::Kernel => "kernel",
            TrustSource::Owner => "owner",
            TrustSource::Virtual => "virtual",
        }),
        "ledger_ok": status.ledger_fault.is_none(),
        "ledger_fault": status.ledger_fault,
        "changeover": status.changeover,
        "next_dose_at": next.map(|s| time(s.at)),
        "next_dose_line": next.map(|s| s.key.line.to_string()),
        "next_dose_ml": next.map(|s| ml(s.volume)),
        "inputs": inputs,
        "alarms_active": status.alarms.iter().filter(|a| a.active).count(),
        "alarms_unacknowledged": status.alarms.iter().filter(|a| !a.acknowledged).count(),
    })
}

fn hold(hold: &Hold, status: &Status) -> Value {
    json!({
        "line": match &hold.scope {
            HoldScope::All => None,
            HoldScope::Line(name) => Some(name.to_string()),
        },
        "reason": hold.reason,
        "who": hold.who.to_string(),
        "since": time(hold.since),
        "hold_age_s": age(hold.since, status),
    })
}

fn line_message(line: &LineStatus, snapshot: &Snapshot) -> Value {
    let status = &snapshot.status;
    let bottle = status.reservoirs.iter().find(|r| r.name == line.reservoir);
    let (code, reason, until) = match &line.reason {
        Some((code, text, until)) => (Some(code), Some(text), *until),
        None => (None, None, None),
    };
    let mut out = object(json!({
        "mode": mode(status.live),
        "at": time(status.now.wall),
        "line": line.name.as_str(),
        "solution": line.solution.as_str(),
        "reservoir": line.reservoir.as_str(),
        "reservoir_left_ml": bottle.and_then(|b| b.left).map(ml),
        "days_left": bottle.and_then(|b| b.days_left).map(|d| num(d, 1)),
        "state": line.state.as_str(),
        "reason_code": code,
        "reason": reason,
        "reason_until": until.map(time),
        "next_slot_at": line.next_slot.as_ref().map(|s| time(s.at)),
        "next_slot_ml": line.next_slot.as_ref().map(|s| ml(s.volume)),
        "last_dose_at": line.last_dose.map(|(at, _)| time(at)),
        "last_dose_ml": line.last_dose.map(|(_, v)| ml(v)),
        "last_dose_age_s": line.last_dose.map(|(at, _)| age(at, status)),
        "last_refusal": line.last_refusal.as_ref().map(|(text, _)| text),
        "last_refusal_at": line.last_refusal.as_ref().map(|(_, at)| time(*at)),
    }));
    running(line.running.as_ref(), &mut out);
    volumes(line, snapshot, &mut out);
    Value::Object(out)
}

fn running(run: Option<&RunningStatus>, out: &mut Map<String, Value>) {
    out.extend(object(json!({
        "running_dose": run.map(|r| r.id.0),
        "running_ml": run.map(|r| ml(r.volume)),
        "so_far_ml": run.map(|r| ml(r.so_far)),
    })));
}

fn volumes(line: &LineStatus, snapshot: &Snapshot, out: &mut Map<String, Value>) {
    let lifetime = snapshot.delivered_lifetime.get(&line.name).copied();
    out.extend(object(json!({
        "today_ml": ml(line.delivered_today),
        "today_since": snapshot.day_began.map(time),
        "last_24h_ml": ml(line.delivered_24h),
        "lifetime_ml": lifetime.map(ml),
        "planned_ml_per_day": ml(line.planned_24h),
        "plan_standing_ml_per_day": ml(line.plan_standing),
        "delivered_of_plan_percent": percent(line.delivered_24h, line.planned_24h),
        "daily_cap_ml": ml(line.daily_cap),
        "dose_cap_ml": ml(line.dose_cap),
        "cap_left_ml": ml(line.cap_left),
    })));
}

fn reservoir(bottle: &ReservoirStatus, status: &Status) -> Value {
    let low = status.alarms.iter().any(|a| {
        a.active && a.code == AlarmCode::ReservoirLow && a.subject == bottle.name.as_str()
    });
    json!({
        "mode": mode(status.live),
        "at": time(status.now.wall),
        "reservoir": bottle.name.as_str(),
        "left_ml": bottle.left.map(ml),
        "usable_ml": bottle.left.map(|l| ml(l.saturating_sub(bottle.reserve).or_zero())),
        "capacity_ml": ml(bottle.capacity),
        "reserve_ml": ml(bottle.reserve),
        "days_left": bottle.days_left.map(|d| num(d, 1)),
        "low": bottle.left.map(|_| low),
    })
}

fn head_message(head: &HeadStatus, status: &Status) -> Value {
    json!({
        "mode": mode(status.live),
        "at": time(status.now.wall),
        "head": head.name.as_str(),
        "rate_ml_per_min": head.calibration.map(|(rate, _)| num(rate.as_ml_per_min(), 3)),
        "offset_ml": head.calibration.map(|(_, offset)| ml(offset)),
        "calibration_method": head.method,
        "calibration_age_s": head.calibration_age.map(|a| num(a.as_secs(), 0)),
        "run_since_calibration_h": head.calibration.map(|_| num(head.run_since.as_secs() / 3600.0, 2)),
    })
}

fn water(snapshot: &Snapshot) -> Value {
    let status = &snapshot.status;
    let alkalinity = snapshot
        .readings
        .iter()
        .find(|r| r.measured == Quantity::Alkalinity);
    let known = match alkalinity.map(|r| r.value) {
        Some(ReadingValue::Alkalinity { value, uncertainty }) => {
            Some((value.as_dkh(), uncertainty.as_dkh()))
        }
        Some(ReadingValue::Concentration { .. } | ReadingValue::Below { .. }) | None => None,
    };
    let prediction = status.prediction.map(|p| {
        let wide = 2.0 * p.uncertainty;
        (p.value, p.value - wide, p.value + wide)
    });
    let readings: Vec<Value> = snapshot
        .readings
        .iter()
        .filter_map(|r| element_reading(r, status))
        .collect();
    json!({
        "mode": mode(status.live),
        "at": time(status.now.wall),
        "alkalinity_dkh": known.map(|(v, _)| num(v, 3)),
        "alkalinity_uncertainty_dkh": known.map(|(_, u)| num(u, 3)),
        "alkalinity_taken_at": alkalinity.map(|r| time(r.taken)),
        "alkalinity_reading_age_s": alkalinity.map(|r| age(r.taken, status)),
        "predicted_dkh": prediction.map(|(v, _, _)| num(v, 2)),
        "predicted_low_dkh": prediction.map(|(_, low, _)| num(low, 2)),
        "predicted_high_dkh": prediction.map(|(_, _, high)| num(high, 2)),
        "uptake_dkh_per_day": status.uptake.map(|u| num(u.as_dkh(), 3)),
        "planned_dkh_per_day": num(status.planned_alkalinity.as_dkh(), 3),
        "share_in_force_percent": num(status.share_in_force * 100.0, 1),
        "allowance_dkh_per_day": status.allowance.map(|a| num(a.per_day, 3)),
        "allowance_reason": status.allowance.map(|a| a.reason.words(&Quantity::Alkalinity)),
        "readings": readings,
    })
}

fn element_reading(reading: &Reading, status: &Status) -> Option<Value> {
    let Quantity::Element(element) = &reading.measured else {
        return None;
    };
    let (value, uncertainty, below) = match reading.value {
        ReadingValue::Concentration { value, uncertainty } => (
            num(value.as_mg_per_l(), 6),
            num(uncertainty.as_mg_per_l(), 6),
            Value::Null,
        ),
        ReadingValue::Below { limit } => (Value::Null, Value::Null, num(limit.as_mg_per_l(), 6)),
        ReadingValue::Alkalinity { .. } => return None,
    };
    Some(json!({
        "element": element.symbol(),
        "value_mg_per_l": value,
        "uncertainty_mg_per_l": uncertainty,
        "below_mg_per_l": below,
        "method": reading.method,
        "taken_at": time(reading.taken),
        "reading_age_s": age(reading.taken, status),
    }))
}

fn alarms(status: &Status) -> Value {
    let one = |a: &Alarm| {
        json!({
            "code": a.code.as_str(),
            "subject": Some(&a.subject).filter(|s| !s.is_empty()),
            "text": a.text,
            "since": time(a.since),
            "alarm_age_s": age(a.since, status),
            "active": a.active,
            "acknowledged": a.acknowledged,
        })
    };
    json!({
        "mode": mode(status.live),
        "at": time(status.now.wall),
        "active": status.alarms.iter().filter(|a| a.active).count(),
        "unacknowledged": status.alarms.iter().filter(|a| !a.acknowledged).count(),
        "alarms": status.alarms.iter().map(one).collect::<Vec<_>>(),
    })
}

fn object(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(map) => map,
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) | Value::Array(_) => {
            Map::new()
        }
    }
}

/// A time, RFC 3339 in UTC.
pub(super) fn time(at: Timestamp) -> String {
    format!("{at:.0}")
}

/// A volume in mL: exact, since its microlitres are the third decimal.
pub(super) fn ml(volume: Volume) -> Value {
    Value::from(volume.as_ml())
}

/// A number rounded to so many decimals; unknown when it is not finite.
pub(super) fn num(value: f64, decimals: i32) -> Value {
    let factor = 10_f64.powi(decimals);
    let rounded = (value * factor).round() / factor;
    // Zero never shows a sign: -0.0 + 0.0 is 0.0.
    Value::from(rounded + 0.0)
}

fn percent(part: Volume, whole: Volume) -> Value {
    if whole.as_ul() <= 0 {
        return Value::Null;
    }
    num(
        f64_from_i64(part.as_ul()) * 100.0 / f64_from_i64(whole.as_ul()),
        1,
    )
}

fn age(since: Timestamp, status: &Status) -> Value {
    let ms = status
        .now
        .wall
        .as_millisecond()
        .saturating_sub(since.as_millisecond());
    Value::from(ms.max(0) / 1000)
}
