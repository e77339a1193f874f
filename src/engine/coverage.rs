//! Which doses the calibrations cover, with the tolerances that are set now, and what of the plan they do not.

use super::event::Now;
use super::state::{Engine, HeadMemory};
use crate::config::Line;
use crate::metering::Coverage;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseId, StoredCalibration, StoredVerification, Who};

/// Planned doses that the calibration of their head does not cover.
#[derive(Debug)]
pub(super) struct Unmetered {
    pub(super) line: Name,
    pub(super) head: Name,
    /// In words, with what to do.
    pub(super) text: String,
}

impl HeadMemory {
    /// A calibration as it holds within the tolerance that is set now, %.
    ///
    /// Its limits become those of that tolerance, so that whoever looks at them sees what is in force.
    pub(super) fn with(
        mut stored: StoredCalibration,
        tolerance_percent: f64,
        run_since: Millis,
    ) -> Self {
        let coverage = stored.coverage(tolerance_percent);
        stored.limits = coverage.limits();
        Self {
            measured: Vec::new(),
            calibration: Some(stored),
            coverage: Some(coverage),
            other_speed: None,
            run_since,
            verified: false,
            dose_first: DoseId(0),
        }
    }

    /// Why it doses nothing until a run was checked; `None` when that is not so.
    pub(super) fn unverified(&self) -> Option<&str> {
        let stored = self.calibration.as_ref()?;
        (!self.verified && !stored.questioned.is_empty()).then_some(stored.questioned.as_str())
    }
}

impl Engine {
    /// Takes what the record knows of the heads, in words what changed because another tolerance is set.
    pub(super) fn take_calibrations(
        &mut self,
        calibrations: Vec<(StoredCalibration, Millis)>,
        checks: &[StoredVerification],
    ) -> Vec<String> {
        let mut changed = Vec::new();
        for (stored, run_since) in calibrations {
            // What was only assumed for a dry run meters no real head.
            if self.live && (stored.variation.is_none() || stored.simulated) {
                continue;
            }
            let Some(head) = self.controller().heads.get(&stored.head) else {
                continue;
            };
            if !head.output.is_driven_at(&stored.drive) {
                let memory = HeadMemory {
                    other_speed: Some(stored.drive),
                    run_since,
                    ..HeadMemory::default()
                };
                self.heads.insert(stored.head, memory);
                continue;
            }
            let made_for = stored.limits.map(|l| l.tolerance_percent);
            let name = stored.head.clone();
            let mut memory = HeadMemory::with(stored, head.tolerance_percent, run_since);
            memory.verified = checks.iter().any(|c| c.head == name && c.passed());
            match &memory.coverage {
                Some(Coverage::Limits(limits)) if made_for != Some(limits.tolerance_percent) => {
                    changed.push(format!(
                        "head {name}: tolerance-percent is {} % now, so doses of at least {} are metered",
                        limits.tolerance_percent, limits.dose_min
                    ));
                }
                Some(Coverage::Unknown(why)) => {
                    changed.push(format!(
                        "head {name} meters nothing: its calibration does not cover any dose: {why}"
                    ));
                }
                Some(Coverage::Limits(_) | Coverage::Assumed) | None => {}
            }
            self.heads.insert(name, memory);
        }
        changed
    }

    /// Writes down at the start what another tolerance changed, and what of the plan will not be given: calibration or plan may
    /// have been edited while nobody was there to say so.
    pub(super) fn tell_coverage(&mut self, changed: Vec<String>, now: Now) {
        for text in changed {
            self.note("tolerance-changed", None, text, Who::Daemon, now);
        }
        for gap in self.unmetered() {
            self.note(
                "plan-not-metered",
                Some(&gap.line),
                gap.text,
                Who::Daemon,
                now,
            );
        }
    }

    /// Smallest and largest dose that a head meters, by its calibration and the configuration; `None` when it meters none.
    pub(super) fn doses_of(&self, head: &Name) -> Option<(Volume, Volume)> {
        let config = self.controller().heads.get(head)?;
        let memory = self.heads.get(head)?;
        let calibration = memory.calibration.as_ref()?.calibration;
        let (smallest, longest) = match memory.coverage.as_ref()? {
            Coverage::Limits(limits) => (limits.smallest(&calibration), limits.run_max),
            Coverage::Assumed => (Volume::ZERO, config.run_max),
            Coverage::Unknown(_) => return None,
        };
        Some((
            smallest.max(config.dose_min),
            calibration.volume(longest.min(config.run_max)),
        ))
    }

    /// Planned doses that the calibrations do not cover.
    pub(super) fn unmetered(&self) -> Vec<Unmetered> {
        let of_line = |line: &Line| {
            let memory = self.heads.get(&line.head)?;
            let stored = memory.calibration.as_ref()?;
            // The doses of a day differ by a microlitre at most.
            let daily = self.in_force.standing_volumes();
            let volume = self.in_force.schedule.largest_slot(&line.name, &daily)?;
            let coverage = memory.coverage.as_ref()?;
            let why = coverage.check(&stored.calibration, volume).err()?;
            Some(Unmetered {
                line: line.name.clone(),
                head: line.head.clone(),
                text: format!(
                    "line {} is planned with doses that the calibration of head {} does not cover, and they will not be given: {why}",
                    line.name, line.head
                ),
            })
        };
        self.in_force
            .controller
            .lines
            .iter()
            .filter_map(of_line)
            .collect()
    }
}
