//! What is shown of the engine. Core types; their wire form is the control socket's business.

use jiff::Timestamp;

use super::alarms::Alarm;
use super::event::{Now, TrustSource};
use super::state::{Engine, LedgerState};
use crate::guard::{Allowance, Prediction, Refusal, Request, allowance, examine};
use crate::metering::Coverage;
use crate::plan::Slot;
use crate::quantity::{Alkalinity, FlowRate, Millis, Name, Volume};
use crate::record::{DoseId, DoseKind, Hold};

/// Everything at one moment.
#[derive(Debug, Clone)]
pub struct Status {
    pub now: Now,
    /// Whether outputs are driven.
    pub live: bool,
    /// All holds in force.
    pub holds: Vec<Hold>,
    /// Why the clock is not trusted; `None` when it is.
    pub clock_unsure: Option<String>,
    /// Who vouches for it.
    pub clock_source: Option<TrustSource>,
    /// Why the ledger cannot be written; `None` when it can.
    pub ledger_fault: Option<String>,
    /// One for each line of the configuration.
    pub lines: Vec<LineStatus>,
    /// One for each head.
    pub heads: Vec<HeadStatus>,
    /// One for each bottle.
    pub reservoirs: Vec<ReservoirStatus>,
    /// Alarms, latched ones included.
    pub alarms: Vec<Alarm>,
    /// How a changeover stands, in words; `None` when none is under way.
    pub changeover: Option<String>,
    /// Established uptake of alkalinity per day.
    pub uptake: Option<Alkalinity>,
    /// Starting values of plan.toml that are not in force any more, in words.
    pub starts_not_in_force: Vec<String>,
    /// Alkalinity that the standing plan adds per day.
    pub planned_alkalinity: Alkalinity,
    /// What part of it is in force, 1 for all.
    pub share_in_force: f64,
    /// How much may be added in 24 h, and why.
    pub allowance: Option<Allowance>,
    pub prediction: Option<Prediction>,
    /// Each contact and whether it counts as safe.
    pub inputs: Vec<(Name, bool)>,
}

/// What a line is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineState {
    /// A dose runs, or is being stored.
    Dosing,
    /// Waits for its next slot.
    Waiting,
    Held,
    /// An interlock does not allow its next dose.
    Blocked,
    /// The plan does not name it.
    Unplanned,
}

impl LineState {
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Dosing => "dosing",
            Self::Waiting => "waiting",
            Self::Held => "held",
            Self::Blocked => "blocked",
            Self::Unplanned => "unplanned",
        }
    }
}

#[derive(Debug, Clone)]
pub struct LineStatus {
    pub name: Name,
    pub solution: Name,
    pub reservoir: Name,
    /// What it is doing.
    pub state: LineState,
    /// Why it is not dosing, and until when if that is known.
    pub reason: Option<(String, String, Option<Timestamp>)>,
    /// The dose that runs.
    pub running: Option<RunningStatus>,
    /// Volume in the last 24 h of elapsed time.
    pub delivered_24h: Volume,
    /// Volume on this local day.
    pub delivered_today: Volume,
    /// Volume that the plan in force gives a day.
    pub planned_24h: Volume,
    /// Volume of the standing plan a day, before limits.
    pub plan_standing: Volume,
    /// The daily cap, as it is enforced.
    pub daily_cap: Volume,
    /// The dose cap, as it is enforced.
    pub dose_cap: Volume,
    /// What may still be dosed in these 24 h.
    pub cap_left: Volume,
    pub next_slot: Option<Slot>,
    /// When the last dose ended and its volume.
    pub last_dose: Option<(Timestamp, Volume)>,
    /// The last slot that was refused since the last dose, and when.
    pub last_refusal: Option<(String, Timestamp)>,
}

/// A dose that runs.
#[derive(Debug, Clone)]
pub struct RunningStatus {
    pub id: DoseId,
    /// How much is meant.
    pub volume: Volume,
    /// How much has gone in by now, by time.
    pub so_far: Volume,
}

#[derive(Debug, Clone)]
pub struct HeadStatus {
    pub name: Name,
    /// Rate and offset by calibration; `None` when not calibrated.
    pub calibration: Option<(FlowRate, Volume)>,
    /// Which doses the calibration covers; `None` when not calibrated.
    pub coverage: Option<Coverage>,
    /// Smallest and largest dose that is metered, by calibration and configuration; `None` when none is.
    pub doses: Option<(Volume, Volume)>,
    /// How the calibration was got.
    pub method: Option<String>,
    /// Age of the calibration.
    pub calibration_age: Option<Millis>,
    /// Run time since the calibration.
    pub run_since: Millis,
}

#[derive(Debug, Clone)]
pub struct ReservoirStatus {
    pub name: Name,
    /// Content by the books; `None` when nobody has told.
    pub left: Option<Volume>,
    /// What it holds when full.
    pub capacity: Volume,
    /// What is never pumped.
    pub reserve: Volume,
    /// Days until it is used up by the plan in force.
    pub days_left: Option<f64>,
}

impl Engine {
    /// Everything at this moment.
    pub fn status(&mut self, now: Now) -> Status {
        let next = self.next_slots(now);
        let names: Vec<Name> = self
            .controller
            .lines
            .iter()
            .map(|l| l.name.clone())
            .collect();
        let lines = names
            .iter()
            .filter_map(|name| {
                self.line_status(name, next.iter().find(|s| s.key.line == *name), now)
            })
            .collect();
        let ramp = self.ramp_facts(now);
        Status {
            now,
            live: self.live,
            holds: self.holds.clone(),
            clock_unsure: self.clock.unsure.clone(),
            clock_source: self.clock.source,
            ledger_fault: match &self.ledger {
                LedgerState::Writable => None,
                LedgerState::NotWritable { why } | LedgerState::Unread { why } => Some(why.clone()),
            },
            lines,
            heads: self.heads_status(now),
            reservoirs: self.reservoirs_status(),
            alarms: self.alarms.list(),
            changeover: self.changeover_words(),
            uptake: self.uptake(),
            starts_not_in_force: self.starts_not_in_force(),
            planned_alkalinity: self.planned_alkalinity(),
            share_in_force: self.alkalinity.share,
            allowance: ramp.as_ref().and_then(allowance),
            prediction: self.prediction(now),
            inputs: self
                .inputs
                .iter()
                .map(|(name, memory)| (name.clone(), memory.safe))
                .collect(),
        }
    }

    /// Whether any dose is being stored or runs.
    pub fn is_dosing(&self) -> bool {
        !self.active.is_empty()
    }

    fn line_status(&self, name: &Name, next: Option<&Slot>, now: Now) -> Option<LineStatus> {
        let facts = self.facts(name, now)?;
        let memory = self.lines.get(name)?;
        let delivered_24h = self.window.volume_24h(name, now.elapsed);
        let running = self.running_on(name, now);
        let request = |slot: &Slot| Request {
            id: self.next_dose_id(),
            line: name,
            volume: slot.volume,
            kind: DoseKind::Plan,
            timed: None,
        };
        let refusal = next.and_then(|slot| {
            examine(&request(slot), &facts, now.elapsed)
                .err()
                .filter(|r| Self::outlasts(r, slot, now))
        });
        let held = facts.holds.first().map(|h| Refusal::Held {
            reason: h.reason.clone(),
            who: h.who.to_string(),
        });
        let refusal = held.or(refusal);
        let state = match (&running, &refusal, next) {
            (Some(_), _, _) => LineState::Dosing,
            (None, Some(Refusal::Held { .. }), _) => LineState::Held,
            (None, Some(_), _) => LineState::Blocked,
            (None, None, Some(_)) => LineState::Waiting,
            (None, None, None) => LineState::Unplanned,
        };
        let reason = refusal.map(|r| {
            (
                r.code().to_owned(),
                r.to_string(),
                r.until().and_then(|at| Self::wall_at(at, now)),
            )
        });
        Some(LineStatus {
            name: name.clone(),
            solution: facts.line.solution.clone(),
            reservoir: facts.line.reservoir.clone(),
            state,
            reason,
            running,
            delivered_24h,
            delivered_today: memory
                .today
                .filter(|(day, _)| *day == self.local_date(now.wall))
                .map_or(Volume::ZERO, |(_, v)| v),
            planned_24h: self.daily_volumes().get(name).copied().unwrap_or_default(),
            plan_standing: crate::plan::plan_daily_volumes(&self.plan)
                .get(name)
                .copied()
                .unwrap_or_default(),
            daily_cap: facts.line.daily_cap,
            dose_cap: facts.line.dose_cap,
            cap_left: facts.line.daily_cap.saturating_sub(delivered_24h).or_zero(),
            next_slot: next.cloned(),
            last_dose: memory.last_dose,
            last_refusal: memory
                .last_refusal
                .as_ref()
                .map(|(r, at)| (r.to_string(), *at)),
        })
    }

    fn running_on(&self, line: &Name, now: Now) -> Option<RunningStatus> {
        let dose = self.active.values().find(|d| d.intent.line == *line)?;
        Some(RunningStatus {
            id: dose.intent.id,
            volume: dose.intent.volume,
            so_far: self.so_far(dose.intent.id, now),
        })
    }

    /// Whether a refusal will still stand when the slot is due; a gap that is over by then is no reason to show.
    fn outlasts(refusal: &Refusal, slot: &Slot, now: Now) -> bool {
        refusal
            .until()
            .and_then(|at| Self::wall_at(at, now))
            .is_none_or(|at| at > slot.at)
    }

    fn so_far(&self, id: DoseId, now: Now) -> Volume {
        let Some(dose) = self.active.get(&id).filter(|d| d.permit.is_none()) else {
            return Volume::ZERO;
        };
        let began = self
            .window
            .iter()
            .find(|d| d.id == id)
            .map_or(now.elapsed, |d| d.began);
        let calibration = self
            .heads
            .get(&dose.intent.head)
            .and_then(|m| m.calibration.as_ref());
        calibration.map_or(Volume::ZERO, |c| {
            c.calibration
                .volume(now.elapsed.minus(began))
                .min(dose.intent.volume)
        })
    }

    fn heads_status(&self, now: Now) -> Vec<HeadStatus> {
        let age = |at: Timestamp| {
            Millis::new(
                now.wall
                    .as_millisecond()
                    .saturating_sub(at.as_millisecond())
                    .max(0),
            )
        };
        self.heads
            .iter()
            .map(|(name, memory)| HeadStatus {
                name: name.clone(),
                calibration: memory
                    .calibration
                    .as_ref()
                    .map(|c| (c.calibration.rate(), c.calibration.offset())),
                coverage: memory.coverage.clone(),
                doses: self.doses_of(name),
                method: memory.calibration.as_ref().map(|c| c.method.clone()),
                calibration_age: memory.calibration.as_ref().map(|c| age(c.at.wall)),
                run_since: memory.run_since,
            })
            .collect()
    }

    fn reservoirs_status(&self) -> Vec<ReservoirStatus> {
        self.controller
            .reservoirs
            .iter()
            .map(|(name, config)| ReservoirStatus {
                name: name.clone(),
                left: self.reservoirs.get(name).copied(),
                capacity: config.capacity,
                reserve: config.reserve,
                days_left: self.reservoir_lasts(name),
            })
            .collect()
    }
}
