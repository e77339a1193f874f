//! Puts together what is shown.

use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::alarms::AlarmCode;
use super::event::Now;
use super::state::{Engine, LedgerState};
use super::status::{
    ClockStatus, CourseStatus, HeadStatus, HoldStatus, InputStatus, LastDose, LastRefusal,
    LedgerStatus, LineState, LineStatus, NextDose, ReadingStatus, Reason, ReservoirStatus,
    RunningStatus, ShellFacts, SlotStatus, Status, TubeStatus, WaterStatus,
};
use super::watch::AHEAD_DAYS;
use crate::chemistry::Quantity;
use crate::config::Mode;
use crate::guard::{Refusal, Request, allowance, examine};
use crate::metering::Coverage;
use crate::plan::Slot;
use crate::quantity::{Alkalinity, Millis, Name, Volume, f64_from_i64};
use crate::record::{Course, DoseId, DoseKind, HoldScope};

impl Engine {
    /// Everything at this moment.
    pub fn status(&mut self, now: Now, shell: &ShellFacts) -> Status {
        let slots = self.next_slots(now);
        let lines = self.controller().lines.iter().filter_map(|line| {
            let next = slots.iter().find(|s| s.key.line == line.name);
            self.line_status(&line.name, next, now, shell)
        });
        let lines: Vec<LineStatus> = lines.collect();
        let is_held = |line: &Name| {
            let mut lines = lines.iter();
            lines.any(|shown| shown.name == *line && shown.state == LineState::Held)
        };
        let next = slots
            .iter()
            .filter(|s| !is_held(&s.key.line))
            .min_by_key(|s| s.at);
        let ledger_fault = match &self.ledger {
            LedgerState::Writable => None,
            LedgerState::NotWritable { why } | LedgerState::Unread { why } => Some(why.clone()),
        };
        Status {
            mode: if self.live { Mode::Live } else { Mode::DryRun },
            at: now.wall,
            name: self.controller().name.clone(),
            daemon: shell.daemon.clone(),
            held: self.holds.has(&HoldScope::All),
            holds: self.holds_status(now),
            clock: ClockStatus {
                trusted: self.clock.unsure.is_none(),
                by: self.clock.source,
                reason: self.clock.unsure.clone(),
            },
            ledger: LedgerStatus {
                writable: ledger_fault.is_none(),
                reason: ledger_fault,
            },
            courses: self.courses_status(),
            next_dose: next.map(|slot| NextDose {
                line: slot.key.line.clone(),
                at: slot.at,
                volume: slot.volume,
            }),
            inputs: self
                .inputs
                .levels()
                .map(|(name, safe)| InputStatus {
                    name: name.clone(),
                    safe,
                })
                .collect(),
            lines,
            heads: self.heads_status(now, shell),
            reservoirs: self.reservoirs_status(now),
            water: self.water_status(now),
            alarms: self.alarms.list(now),
            jobs: self.jobs_status(now),
        }
    }

    /// Whether any dose is being stored or runs.
    pub fn is_dosing(&self) -> bool {
        !self.books.active.is_empty()
    }

    /// A ledger that could not be read at the start tells nothing of what was given and what is left.
    const fn knows_its_past(&self) -> bool {
        !matches!(self.ledger, LedgerState::Unread { .. })
    }

    fn courses_status(&self) -> Vec<CourseStatus> {
        let status = |course: &Course| CourseStatus {
            course: course.clone(),
            words: self.course_words(course),
        };
        self.in_force.courses().iter().map(status).collect()
    }

    fn holds_status(&self, now: Now) -> Vec<HoldStatus> {
        let shown = self.holds.list().iter().map(|hold| HoldStatus {
            line: match &hold.scope {
                HoldScope::All => None,
                HoldScope::Line(line) => Some(line.clone()),
            },
            reason: hold.reason.clone(),
            who: hold.who.to_string(),
            since: hold.since,
            until: hold.until,
            age_s: now.age_s(hold.since),
        });
        shown.collect()
    }

    fn line_status(
        &self,
        name: &Name,
        next: Option<&Slot>,
        now: Now,
        shell: &ShellFacts,
    ) -> Option<LineStatus> {
        let facts = self.facts(name, now)?;
        let memory = self.lines.get(name)?;
        let within = |window| {
            self.knows_its_past()
                .then(|| self.books.window.volume_within(window, name, now.elapsed))
        };
        let (delivered_24h, hour) = (within(Millis::DAY), within(Millis::HOUR));
        let running = self.running_on(name, now);
        let (state, reason) = self.what_it_does(name, next, running.is_some(), now)?;
        let today = self.in_force.local_date(now.wall);
        let planned = self.daily_volumes().get(name).copied().unwrap_or_default();
        Some(LineStatus {
            name: name.clone(),
            solution: facts.outlet.solution().name.clone(),
            tube: facts.outlet.tube.map(|(solution, left)| TubeStatus {
                solution: solution.name.clone(),
                left,
            }),
            reservoir: facts.line.reservoir.clone(),
            uptake_from: crate::plan::uptake_from(&self.in_force.plan, name),
            state,
            reason,
            running,
            delivered_today: delivered_24h.map(|_| {
                let day = memory.today.filter(|(day, _)| *day == today);
                day.map_or(Volume::ZERO, |(_, v)| v)
            }),
            today_since: match self.clock.unsure {
                Some(_) => None,
                None => day_began(now.wall, &self.controller().time_zone),
            },
            delivered_24h,
            delivered_lifetime: shell.delivered.get(name).copied(),
            planned,
            plan_standing: self
                .in_force
                .standing_volumes()
                .get(name)
                .copied()
                .unwrap_or_default(),
            delivered_of_plan_percent: delivered_24h.and_then(|given| percent(given, planned)),
            daily_cap: facts.line.daily_cap,
            dose_cap: facts.line.dose_cap,
            hourly_cap: facts.hourly_cap,
            hour_left: hour.map(|given| facts.hourly_cap.saturating_sub(given).or_zero()),
            cap_left: delivered_24h
                .map(|given| facts.line.daily_cap.saturating_sub(given).or_zero()),
            next_slot: next
                .filter(|_| state != LineState::Held)
                .map(|slot| SlotStatus {
                    at: slot.at,
                    volume: slot.volume,
                }),
            last_dose: memory.last_dose.map(|(at, volume)| LastDose {
                at,
                volume,
                age_s: now.age_s(at),
            }),
            last_refusal: memory.last_refusal.as_ref().map(|(r, at)| LastRefusal {
                at: *at,
                text: r.to_string(),
            }),
        })
    }

    fn what_it_does(
        &self,
        name: &Name,
        next: Option<&Slot>,
        running: bool,
        now: Now,
    ) -> Option<(LineState, Option<Reason>)> {
        let facts = self.facts(name, now)?;
        let request = |slot: &Slot| Request {
            id: self.books.next_dose_id(),
            line: name,
            volume: slot.volume,
            kind: DoseKind::Plan,
            timed: None,
            into: self.destination(name, DoseKind::Plan),
        };
        let refusal = next.and_then(|slot| {
            examine(&request(slot), &facts, now.elapsed)
                .err()
                .filter(|r| Self::outlasts(r, slot, now))
        });
        let held = facts.holds.first().map(|h| Refusal::Held {
            reason: h.reason.clone(),
            who: h.who.to_string(),
            lifted_by: h.scope.lifted_by(),
            at_bench: None,
        });
        let refusal = held.or(refusal);
        let state = match (running, &refusal, next) {
            (true, _, _) => LineState::Dosing,
            (false, Some(Refusal::Held { .. }), _) => LineState::Held,
            (false, _, _) if facts.bench.is_some() => LineState::Bench,
            (false, Some(_), _) => LineState::Blocked,
            (false, None, Some(_)) => LineState::Waiting,
            (false, None, None) => LineState::Unplanned,
        };
        let silent = facts.bench.map(|bench| bench.silent);
        let at_bench = silent.map(|silent| Refusal::AtBench {
            line: name.clone(),
            head: facts.head.name.clone(),
            silent,
        });
        let refusal = match refusal {
            Some(held @ Refusal::Held { .. }) => Some(held),
            other => at_bench.or(other),
        };
        let reason = refusal.map(|r| Reason {
            code: r.code().to_owned(),
            text: r.to_string(),
            until: r.until().and_then(|at| Self::wall_at(at, now)),
        });
        Some((state, reason))
    }

    fn running_on(&self, line: &Name, now: Now) -> Option<RunningStatus> {
        let dose = self.books.active_on(line)?;
        Some(RunningStatus {
            dose: dose.intent.id.0,
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
        let Some(dose) = self.books.active.get(&id).filter(|d| d.permit.is_none()) else {
            return Volume::ZERO;
        };
        let began = self
            .books
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

    fn heads_status(&self, now: Now, shell: &ShellFacts) -> Vec<HeadStatus> {
        let shown = self.heads.iter().map(|(name, memory)| {
            let stored = memory.calibration.as_ref();
            let (limits, meters_nothing) = match &memory.coverage {
                Some(Coverage::Limits(limits)) => (Some(limits), None),
                Some(Coverage::Unknown(why)) => (None, Some(why.to_string())),
                Some(Coverage::Assumed) | None => (None, None),
            };
            let doses = self.doses_of(name);
            HeadStatus {
                name: name.clone(),
                bench: self
                    .benches
                    .of(name)
                    .map(super::state::BenchSession::status),
                rate: stored.map(|c| c.calibration.rate()),
                offset: stored.map(|c| c.calibration.offset()),
                dose_min: doses.map(|(smallest, _)| smallest),
                dose_max: doses.map(|(_, largest)| largest),
                run_min: limits.map(|l| l.run_min),
                run_max: limits.map(|l| l.run_max),
                tolerance_percent: limits.map(|l| l.tolerance_percent),
                meters_nothing,
                calibration_method: stored.map(|c| c.method.clone()),
                calibration_age_s: stored.map(|c| now.age_s(c.at.wall)),
                run_since_calibration_s: stored.map(|_| memory.run_since.as_ms() / 1000),
                thread_priority: shell.thread_priority.get(name).cloned(),
            }
        });
        shown.collect()
    }

    fn reservoirs_status(&self, now: Now) -> Vec<ReservoirStatus> {
        let daily = self.daily_volumes();
        let shown = self
            .controller()
            .reservoirs
            .iter()
            .filter_map(|(name, config)| {
                let left = self.books.left_in(name);
                let left = left.filter(|_| self.knows_its_past());
                let low = self
                    .alarms
                    .is_active(AlarmCode::ReservoirLow, name.as_str());
                Some(ReservoirStatus {
                    name: name.clone(),
                    solution: self.controller().solution_in(name)?.name.clone(),
                    solution_from: self.controller().content_from(name),
                    left,
                    usable: left.map(|l| l.saturating_sub(config.reserve).or_zero()),
                    capacity: config.capacity,
                    reserve: config.reserve,
                    days_left: left
                        .and_then(|_| self.reservoir_lasts(name, &daily, (now, AHEAD_DAYS))),
                    low: left.map(|_| low),
                })
            });
        shown.collect()
    }

    fn water_status(&self, now: Now) -> WaterStatus {
        let of = Quantity::Alkalinity;
        let facts = self.water_fact(&of, now);
        let allowance = facts.and_then(|facts| allowance(&of, &facts));
        let planned = self.planned_alkalinity();
        let readings = self.told.newest_readings().into_iter();
        let readings = readings.map(|(of, (row, _))| {
            let shown = ReadingStatus {
                reading: row.clone(),
                age_s: now.age_s(row.happened),
            };
            (of.to_owned(), shown)
        });
        WaterStatus {
            uptake: self.in_force.uptake(),
            starts_not_in_force: self.in_force.starts_not_in_force(),
            notes: self.water_notes(now),
            planned: Some(planned),
            in_force: Some(planned.times(self.water.share(&of).unwrap_or(1.0))),
            allowed: allowance.map(|a| Alkalinity::from_dkh(a.per_day)),
            allowed_in_hour: facts.map(|f| Alkalinity::from_dkh(f.rise_per_hour)),
            allowed_because: allowance.map(|a| a.reason.words(&of)),
            estimates: self.estimates_status(now),
            corridors: self.corridors_status(now),
            readings: readings.collect(),
        }
    }
}

fn day_began(wall: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let day = wall.to_zoned_datetime(zone.clone()).start_of_day().ok()?;
    Some(day.timestamp())
}

/// To a tenth; `None` of nothing.
fn percent(part: Volume, whole: Volume) -> Option<f64> {
    let tenths = f64_from_i64(part.as_ul()) * 1000.0 / f64_from_i64(whole.as_ul());
    (whole > Volume::ZERO).then(|| tenths.round() / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_begins_where_the_owner_lives_and_on_a_day_without_midnight_too() {
        let began = |wall: &str, zone: &str| {
            let zone = TimeZone::get(zone).unwrap();
            day_began(wall.parse().unwrap(), &zone).unwrap().to_string()
        };
        assert_eq!(
            began("2026-11-25T10:00:00Z", "Europe/Berlin"),
            "2026-11-24T23:00:00Z"
        );
        // Santiago springs forward at midnight: the day of 2026-09-06 begins at 01:00.
        assert_eq!(
            began("2026-09-06T12:00:00Z", "America/Santiago"),
            "2026-09-06T04:00:00Z"
        );
    }
}
