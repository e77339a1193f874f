//! Model heads and bottles: what really flows, and what is really left.

use super::chance::{Chance, DRAW_MAX};
use crate::config::SimulatedHead;
use crate::metering::Calibration;
use crate::quantity::{Millis, Name, Volume, f64_from_i64, i64_from_f64};
use crate::record::Intent;

/// A run that is under way.
#[derive(Debug, Clone)]
pub(super) struct Run {
    pub(super) intent: Intent,
    pub(super) began: Millis,
    factor: f64,
    /// By what factor a right run of this head may give more than was metered: its rate is not what it was at the calibration, and
    /// scatters.
    pub(super) over: f64,
}

#[derive(Debug, Clone)]
pub(super) struct Head {
    /// As it was when the rehearsal began.
    truth: SimulatedHead,
    drift_per_day: f64,
    /// What its tube still gives of that.
    pub(super) worn: f64,
    /// Until then it turns and gives nothing.
    pub(super) blocked_until: Millis,
    chance: Chance,
    /// By which it is metered.
    pub(super) calibration: Calibration,
    pub(super) run: Option<Run>,
    #[cfg(test)]
    pub(super) gives_times: f64,
}

impl Head {
    pub(super) const fn new(
        truth: SimulatedHead,
        calibration: Calibration,
        drift_per_day: f64,
        chance: Chance,
    ) -> Self {
        Self {
            truth,
            drift_per_day,
            worn: 1.0,
            blocked_until: Millis::ZERO,
            chance,
            calibration,
            run: None,
            #[cfg(test)]
            gives_times: 1.0,
        }
    }

    /// Microlitres of a run without scatter.
    fn mean(&self, on_time: Millis, now: Millis) -> f64 {
        if now < self.blocked_until {
            return 0.0;
        }
        let drift = 1.0 + self.drift_per_day * now.as_days();
        let ideal = self.truth.rate.as_ul_per_ms() * f64_from_i64(on_time.as_ms())
            + f64_from_i64(self.truth.offset.as_ul());
        (ideal * self.worn * drift.max(0.0)).max(0.0)
    }

    /// What comes out in a vessel in a run of this time.
    pub(super) fn measured(&mut self, on_time: Millis, now: Millis) -> Volume {
        let scatter = 1.0 + self.truth.scatter * self.chance.normal();
        whole(self.mean(on_time, now) * scatter)
    }

    pub(super) fn begin(&mut self, intent: Intent, lasts: Millis, now: Millis) {
        let metered = f64_from_i64(self.calibration.volume(lasts).as_ul()).max(1.0);
        let mean = self.mean(lasts, now);
        let factor = 1.0 + self.truth.scatter * self.chance.normal();
        #[cfg(test)]
        let factor = factor * self.gives_times;
        self.run = Some(Run {
            intent,
            began: now,
            factor,
            over: (mean / metered).max(1.0) * (1.0 + DRAW_MAX * self.truth.scatter),
        });
    }

    /// Microlitres that the run has given so far.
    pub(super) fn flowed(&self, now: Millis) -> f64 {
        self.run.as_ref().map_or(0.0, |run| {
            self.mean(now.minus(run.began), run.began) * run.factor
        })
    }
}

pub(super) fn whole(ul: f64) -> Volume {
    i64_from_f64(ul).map_or(Volume::ZERO, Volume::from_ul)
}

#[derive(Debug, Clone)]
pub(super) struct Bottle {
    pub(super) capacity: Volume,
    pub(super) reserve: Volume,
    /// Of the outlet, by the books of who fills it.
    pub(super) solution: Name,
    /// When the rehearsal began.
    pub(super) began: Volume,
    /// What is really in it; never below nothing, because then it is air that is pumped.
    pub(super) holds: Volume,
    /// What the record says: what was told at the last refill, less what was booked since.
    pub(super) booked: Volume,
    /// From when on its float, if it has one, must have been seen to be dry.
    pub(super) dry: Option<Millis>,
}

/// What the models do wrong, so that it must be found.
#[cfg(test)]
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum Trouble {
    #[default]
    None,
    /// Heads run on when they are told to stop.
    IgnoresStops,
    /// Heads do not end by themselves.
    NeverEnds,
    /// The ledger says that an intent is stored, and has not stored it.
    Lies,
}
