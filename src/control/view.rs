//! The status as it goes over the socket and out of `status --json`. Names are stable and carry their units.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

use crate::engine::{HeadStatus, LineStatus, Status, TrustSource};
use crate::metering::Coverage;
use crate::quantity::{Alkalinity, Volume};
use crate::record::HoldScope;

/// Everything there is to show. Times are RFC 3339 with the offset of the owner's zone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StatusView {
    pub mode: String,
    /// Why outputs are not driven although the configuration says live; absent otherwise.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub not_live_because: Option<String>,
    /// How many times faster than real time virtual time runs; absent in real time.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub warp: Option<u32>,
    pub controller: String,
    /// Version of the daemon.
    pub version: String,
    /// Identifies the controller file's meaning.
    pub controller_fingerprint: String,
    /// Identifies the plan's meaning.
    pub plan_fingerprint: String,
    pub time: String,
    /// IANA name of the zone.
    pub time_zone: String,
    /// Whether anything is on hold.
    pub held: bool,
    /// All holds in force.
    pub holds: Vec<HoldView>,
    /// Whether the clock is trusted.
    pub clock: ClockView,
    /// Whether doses can be recorded.
    pub ledger: LedgerView,
    /// One for each line.
    pub lines: Vec<LineView>,
    /// One for each head.
    pub heads: Vec<HeadView>,
    /// One for each bottle.
    pub reservoirs: Vec<ReservoirView>,
    pub inputs: Vec<InputView>,
    /// Alarms, latched ones included.
    pub alarms: Vec<AlarmView>,
    /// How a changeover stands, in words; null when none is under way.
    pub changeover: Option<String>,
    /// Starting values of plan.toml that are not in force any more, in words.
    pub starts_not_in_force: Vec<String>,
    /// Alkalinity; absent when the configuration has no limits for it.
    pub alkalinity: Option<AlkalinityView>,
    /// How the connection to the MQTT broker is; absent when MQTT is off.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub mqtt: Option<String>,
}

/// A hold in force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HoldView {
    /// The line; null for all dosing.
    pub line: Option<String>,
    pub reason: String,
    pub who: String,
    pub since: String,
}

/// Whether the clock is trusted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ClockView {
    pub trusted: bool,
    /// `kernel`, `owner`, `virtual`, or null.
    pub by: Option<String>,
    /// Why not; null when it is.
    pub reason: Option<String>,
}

/// Whether doses can be recorded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LedgerView {
    pub writable: bool,
    /// Why not; null when they can.
    pub reason: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineView {
    pub name: String,
    pub solution: String,
    pub reservoir: String,
    /// `dosing`, `waiting`, `held`, `blocked` or `unplanned`.
    pub state: String,
    /// Why it does not dose; null when nothing keeps it.
    pub reason: Option<String>,
    /// Stable code of the reason; null when nothing keeps it.
    pub reason_code: Option<String>,
    /// Until when, if that is known.
    pub until: Option<String>,
    /// Dose that runs: meant.
    pub running_volume_ul: Option<i64>,
    /// Dose that runs: gone in by now, by time.
    pub running_so_far_ul: Option<i64>,
    /// Volume in the last 24 h of elapsed time.
    pub delivered_24h_ul: i64,
    /// Volume on this local day.
    pub delivered_today_ul: i64,
    /// Volume a day by the plan in force.
    pub planned_24h_ul: i64,
    /// Volume a day by the standing plan, before limits.
    pub plan_standing_ul: i64,
    /// Most in any 24 h.
    pub daily_cap_ul: i64,
    /// Most in one dose.
    pub dose_cap_ul: i64,
    /// What the cap leaves now.
    pub cap_left_ul: i64,
    /// Content of its bottle by the books; null when nobody has told.
    pub reservoir_left_ul: Option<i64>,
    /// The next slot; null when there is none within 400 days.
    pub next_slot: Option<SlotView>,
    /// When the last dose ended.
    pub last_dose_at: Option<String>,
    pub last_dose_ul: Option<i64>,
    /// The last slot that was refused since the last dose.
    pub last_refusal: Option<String>,
    pub last_refusal_at: Option<String>,
}

/// A planned time and volume.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SlotView {
    pub at: String,
    pub volume_ul: i64,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HeadView {
    pub name: String,
    /// Whether it is calibrated.
    pub calibrated: bool,
    pub rate_ml_per_min: Option<f64>,
    pub offset_ul: Option<i64>,
    /// Smallest dose that is metered, by calibration and configuration; null when none is.
    pub dose_min_ul: Option<i64>,
    /// Largest dose that is metered, by calibration and configuration; null when none is.
    pub dose_max_ul: Option<i64>,
    /// Shortest run that the calibration covers; null when it is not from runs.
    pub run_min_ms: Option<i64>,
    /// Longest run that the calibration covers; null when it is not from runs.
    pub run_max_ms: Option<i64>,
    /// How far a dose within these limits may be off at 95 % confidence.
    pub tolerance_percent: Option<f64>,
    /// Why a calibrated head meters no dose; null when it does.
    pub meters_nothing: Option<String>,
    /// How the calibration was got.
    pub calibration_method: Option<String>,
    pub calibration_age_days: Option<f64>,
    pub run_since_calibration_s: f64,
    /// `real_time`, or `ordinary: ` and why real time was refused; absent for a head that drives nothing.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub thread_priority: Option<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReservoirView {
    pub name: String,
    /// By the books; null when nobody has told.
    pub left_ul: Option<i64>,
    pub capacity_ul: i64,
    pub reserve_ul: i64,
    /// Until it is used up by the plan in force; null when nothing draws on it.
    pub days_left: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InputView {
    pub name: String,
    /// Whether it counts as safe.
    pub safe: bool,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmView {
    pub code: String,
    /// Line, head, bottle or input; empty for the whole.
    pub subject: String,
    pub text: String,
    pub since: String,
    /// Whether its cause lasts.
    pub active: bool,
    /// Whether somebody has seen it.
    pub acknowledged: bool,
}

/// Alkalinity of the tank, in German degrees.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlkalinityView {
    /// Established uptake; null when none is declared.
    pub uptake_dkh_per_day: Option<f64>,
    /// By the standing plan.
    pub planned_dkh_per_day: f64,
    /// By the plan in force.
    pub in_force_dkh_per_day: f64,
    /// Most that may be added in 24 h.
    pub allowed_dkh_per_day: Option<f64>,
    pub allowed_because: Option<String>,
    /// Prediction; null without a reading.
    pub predicted_dkh: Option<f64>,
    /// One standard uncertainty of the prediction.
    pub predicted_uncertainty_dkh: Option<f64>,
    /// Age of the last reading.
    pub reading_age_days: Option<f64>,
}

/// What of the shell belongs into the view.
#[derive(Debug, Clone)]
pub struct ShellFacts {
    /// Why outputs are not driven although the configuration says live.
    pub not_live: Option<String>,
    /// The warp factor, if time is warped.
    pub warp: Option<u32>,
    pub controller: String,
    /// Version of the daemon.
    pub version: String,
    /// Identifies the controller file's meaning.
    pub controller_fingerprint: String,
    /// Identifies the plan's meaning.
    pub plan_fingerprint: String,
    pub zone: TimeZone,
    pub zone_name: String,
    /// How the connection to the MQTT broker is; `None` when MQTT is off.
    pub mqtt: Option<String>,
    /// How the thread of each driven head is scheduled, as the view shows it.
    pub thread_priority: BTreeMap<String, String>,
}

/// The view of a status.
pub fn status_view(status: &Status, shell: &ShellFacts) -> StatusView {
    let show = |at: Timestamp| rfc3339(at, &shell.zone);
    StatusView {
        changeover: status.changeover.clone(),
        starts_not_in_force: status.starts_not_in_force.clone(),
        mode: if status.live { "live" } else { "dry_run" }.to_owned(),
        not_live_because: shell.not_live.clone(),
        warp: shell.warp,
        controller: shell.controller.clone(),
        version: shell.version.clone(),
        controller_fingerprint: shell.controller_fingerprint.clone(),
        plan_fingerprint: shell.plan_fingerprint.clone(),
        time: show(status.now.wall),
        time_zone: shell.zone_name.clone(),
        held: !status.holds.is_empty(),
        holds: status
            .holds
            .iter()
            .map(|h| HoldView {
                line: match &h.scope {
                    HoldScope::All => None,
                    HoldScope::Line(line) => Some(line.to_string()),
                },
                reason: h.reason.clone(),
                who: h.who.to_string(),
                since: show(h.since),
            })
            .collect(),
        clock: clock_view(status),
        ledger: LedgerView {
            writable: status.ledger_fault.is_none(),
            reason: status.ledger_fault.clone(),
        },
        lines: status
            .lines
            .iter()
            .map(|line| line_view(line, status, &show))
            .collect(),
        heads: heads_view(status, shell),
        reservoirs: reservoirs_view(status),
        inputs: status
            .inputs
            .iter()
            .map(|(name, safe)| InputView {
                name: name.to_string(),
                safe: *safe,
            })
            .collect(),
        alarms: status
            .alarms
            .iter()
            .map(|a| AlarmView {
                code: a.code.as_str().to_owned(),
                subject: a.subject.clone(),
                text: a.text.clone(),
                since: show(a.since),
                active: a.active,
                acknowledged: a.acknowledged,
            })
            .collect(),
        alkalinity: alkalinity_view(status),
        mqtt: shell.mqtt.clone(),
    }
}

fn clock_view(status: &Status) -> ClockView {
    let by = status.clock_source.map(|source| match source {
        TrustSource::Kernel => "kernel",
        TrustSource::Owner => "owner",
        TrustSource::Virtual => "virtual",
    });
    ClockView {
        trusted: status.clock_unsure.is_none(),
        by: by.map(str::to_owned),
        reason: status.clock_unsure.clone(),
    }
}

fn line_view(line: &LineStatus, status: &Status, show: &impl Fn(Timestamp) -> String) -> LineView {
    let left = status
        .reservoirs
        .iter()
        .find(|r| r.name == line.reservoir)
        .and_then(|r| r.left);
    let reason = line.reason.as_ref();
    LineView {
        name: line.name.to_string(),
        solution: line.solution.to_string(),
        reservoir: line.reservoir.to_string(),
        state: line.state.as_str().to_owned(),
        reason: reason.map(|(_, text, _)| text.clone()),
        reason_code: reason.map(|(code, _, _)| code.clone()),
        until: reason.and_then(|(_, _, until)| *until).map(show),
        running_volume_ul: line.running.as_ref().map(|r| r.volume.as_ul()),
        running_so_far_ul: line.running.as_ref().map(|r| r.so_far.as_ul()),
        delivered_24h_ul: line.delivered_24h.as_ul(),
        delivered_today_ul: line.delivered_today.as_ul(),
        planned_24h_ul: line.planned_24h.as_ul(),
        plan_standing_ul: line.plan_standing.as_ul(),
        daily_cap_ul: line.daily_cap.as_ul(),
        dose_cap_ul: line.dose_cap.as_ul(),
        cap_left_ul: line.cap_left.as_ul(),
        reservoir_left_ul: left.map(Volume::as_ul),
        next_slot: line.next_slot.as_ref().map(|s| SlotView {
            at: show(s.at),
            volume_ul: s.volume.as_ul(),
        }),
        last_dose_at: line.last_dose.map(|(at, _)| show(at)),
        last_dose_ul: line.last_dose.map(|(_, volume)| volume.as_ul()),
        last_refusal: line.last_refusal.as_ref().map(|(text, _)| text.clone()),
        last_refusal_at: line.last_refusal.as_ref().map(|(_, at)| show(*at)),
    }
}

fn heads_view(status: &Status, shell: &ShellFacts) -> Vec<HeadView> {
    let limits = |h: &HeadStatus| h.coverage.as_ref().and_then(Coverage::limits);
    let view = |h: &HeadStatus| HeadView {
        name: h.name.to_string(),
        calibrated: h.calibration.is_some(),
        rate_ml_per_min: h.calibration.map(|(rate, _)| rate.as_ml_per_min()),
        offset_ul: h.calibration.map(|(_, offset)| offset.as_ul()),
        dose_min_ul: h.doses.map(|(smallest, _)| smallest.as_ul()),
        dose_max_ul: h.doses.map(|(_, largest)| largest.as_ul()),
        run_min_ms: limits(h).map(|l| l.run_min.as_ms()),
        run_max_ms: limits(h).map(|l| l.run_max.as_ms()),
        tolerance_percent: limits(h).map(|l| l.tolerance_percent),
        meters_nothing: match &h.coverage {
            Some(Coverage::Unknown(why)) => Some(why.to_string()),
            Some(Coverage::Limits(_) | Coverage::Assumed) | None => None,
        },
        calibration_method: h.method.clone(),
        calibration_age_days: h.calibration_age.map(crate::quantity::Millis::as_days),
        run_since_calibration_s: h.run_since.as_secs(),
        thread_priority: shell.thread_priority.get(h.name.as_str()).cloned(),
    };
    status.heads.iter().map(view).collect()
}

fn reservoirs_view(status: &Status) -> Vec<ReservoirView> {
    let view = |r: &crate::engine::ReservoirStatus| ReservoirView {
        name: r.name.to_string(),
        left_ul: r.left.map(Volume::as_ul),
        capacity_ul: r.capacity.as_ul(),
        reserve_ul: r.reserve.as_ul(),
        days_left: r.days_left,
    };
    status.reservoirs.iter().map(view).collect()
}

fn alkalinity_view(status: &Status) -> Option<AlkalinityView> {
    let allowance = status.allowance.as_ref();
    if status.uptake.is_none() && status.planned_alkalinity.as_meq_per_l() <= 0.0 {
        return None;
    }
    let prediction = status.prediction.as_ref();
    Some(AlkalinityView {
        uptake_dkh_per_day: status.uptake.map(Alkalinity::as_dkh),
        planned_dkh_per_day: status.planned_alkalinity.as_dkh(),
        in_force_dkh_per_day: status
            .planned_alkalinity
            .times(status.share_in_force)
            .as_dkh(),
        allowed_dkh_per_day: allowance.map(|a| a.per_day.as_dkh()),
        allowed_because: allowance.map(|a| a.reason.to_string()),
        predicted_dkh: prediction.map(|p| p.value.as_dkh()),
        predicted_uncertainty_dkh: prediction.map(|p| p.uncertainty.as_dkh()),
        reading_age_days: prediction.map(|p| p.age.as_days()),
    })
}

/// An instant with the offset of a zone, to the second.
pub fn rfc3339(at: Timestamp, zone: &TimeZone) -> String {
    let whole = Timestamp::from_second(at.as_second()).unwrap_or(at);
    whole.display_with_offset(zone.to_offset(whole)).to_string()
}
