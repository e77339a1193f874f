//! How fast alkalinity may be moved, over all lines that carry it.
//!
//! In every 24 h of elapsed time the alkalinity added stays within established uptake plus the allowed rise. When the
//! prediction at its worst case is above the wanted band, or there is no fresh reading, it stays within uptake alone: the
//! water is held, not raised. A dose counts from the moment it *began*, so that a plan at exactly the limit can repeat
//! itself day after day at the same times.

use std::fmt;

use super::window::alkalinity_in;
use super::{Facts, Refusal, Request};
use crate::config::AlkalinityLimits;
use crate::quantity::{Alkalinity, Millis};
use crate::record::Destination;

/// Rounding room in meq/L: a hundred-millionth of a degree.
const ROUNDING: f64 = 1e-9;

/// Alkalinity of the tank as the engine sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct RampFacts {
    pub limits: AlkalinityLimits,
    /// Established uptake per day; `None` when none is declared.
    pub uptake: Option<Alkalinity>,
    /// What the tank should be at now; `None` without a reading.
    pub prediction: Option<Prediction>,
}

/// Predicted alkalinity: last reading, plus what was added, minus uptake times time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    pub value: Alkalinity,
    /// One standard uncertainty; it grows with the reading's age.
    pub uncertainty: Alkalinity,
    /// Age of the reading.
    pub age: Millis,
}

impl Prediction {
    /// Predicts from a reading taken `age` ago. Uncertainties add as squares: the reading's own, and drift times age.
    pub fn new(
        reading: Alkalinity,
        reading_uncertainty: Alkalinity,
        added: Alkalinity,
        uptake: Alkalinity,
        age: Millis,
        drift_per_day: Alkalinity,
    ) -> Self {
        let days = age.as_days().max(0.0);
        let drift = drift_per_day.as_meq_per_l() * days;
        Self {
            value: reading.plus(added).minus(uptake.times(days)),
            uncertainty: Alkalinity::from_meq_per_l(
                reading_uncertainty.as_meq_per_l().hypot(drift),
            ),
            age,
        }
    }

    /// The highest value that must be reckoned with: two standard uncertainties up.
    pub fn worst_high(&self) -> Alkalinity {
        self.value.plus(self.uncertainty.times(2.0))
    }
}

/// How much alkalinity may be added in 24 h, and why that much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance {
    /// The most in 24 h.
    pub per_day: Alkalinity,
    pub reason: AllowanceReason,
}

/// Why the allowance is what it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum AllowanceReason {
    /// Uptake plus the allowed rise.
    UptakePlusRise,
    /// No reading at all: nothing above uptake.
    NoReading,
    /// The last reading is too old: nothing above uptake.
    StaleReading {
        age: Millis,
        /// The age at which a reading is too old.
        limit: Millis,
    },
    /// The prediction at its worst case is above the wanted band: nothing above uptake.
    AboveBand {
        worst: Alkalinity,
        /// Top of the band.
        top: Alkalinity,
    },
}

impl fmt::Display for AllowanceReason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::UptakePlusRise => f.write_str("uptake plus the largest allowed rise"),
            Self::NoReading => f.write_str("uptake only: there is no alkalinity reading to go by (none, its age or what was added since is not known, or the water was changed since); test, then `dosewright reading add alkalinity`"),
            Self::StaleReading { age, limit } => write!(f, "uptake only: the last alkalinity reading is {age} old, over {limit}; test again"),
            Self::AboveBand { worst, top } => write!(f, "uptake only: predicted up to {worst}, over the band's top of {top}"),
        }
    }
}

/// The allowance for now; `None` when no uptake is established.
pub fn allowance(ramp: &RampFacts) -> Option<Allowance> {
    let uptake = ramp.uptake?;
    let limits = &ramp.limits;
    let reason = match &ramp.prediction {
        None => AllowanceReason::NoReading,
        Some(p) if p.age > limits.stale_after => AllowanceReason::StaleReading {
            age: p.age,
            limit: limits.stale_after,
        },
        Some(p) if p.worst_high() > limits.band_high => AllowanceReason::AboveBand {
            worst: p.worst_high(),
            top: limits.band_high,
        },
        Some(_) => AllowanceReason::UptakePlusRise,
    };
    let per_day = match reason {
        AllowanceReason::UptakePlusRise => uptake.plus(limits.max_rise),
        AllowanceReason::NoReading
        | AllowanceReason::StaleReading { .. }
        | AllowanceReason::AboveBand { .. } => uptake,
    };
    Some(Allowance { per_day, reason })
}

/// What part of the planned alkalinity is in force: the plan clamped between uptake minus the allowed fall and the allowance.
///
/// `planned` is what the plan adds per day over all lines. The share applies to every line that carries alkalinity, and to
/// those that follow them. It is 1 when the plan lies inside the limits, and when nothing is planned.
pub fn effective_share(planned: Alkalinity, ramp: &RampFacts) -> f64 {
    let (Some(uptake), Some(allowed)) = (ramp.uptake, allowance(ramp)) else {
        return 1.0;
    };
    let planned = planned.as_meq_per_l();
    let low = uptake.minus(ramp.limits.max_fall).as_meq_per_l().max(0.0);
    let high = allowed.per_day.as_meq_per_l();
    if planned <= 0.0 || (low - ROUNDING..=high + ROUNDING).contains(&planned) {
        1.0
    } else {
        planned.clamp(low.min(high), high) / planned
    }
}

pub(super) fn check(request: &Request<'_>, facts: &Facts<'_>, now: Millis) -> Result<(), Refusal> {
    let Some(ramp) = facts
        .ramp
        .as_ref()
        .filter(|_| request.into == Destination::Tank)
        .filter(|_| facts.solution.effect.carries_alkalinity())
    else {
        return Ok(());
    };
    let allowed = allowance(ramp).ok_or_else(|| Refusal::NoUptake {
        line: facts.line.name.clone(),
    })?;
    let rise = facts
        .solution
        .effect
        .alkalinity_rise(request.volume, facts.tank);
    let since = now.minus(Millis::DAY);
    let before: f64 = facts
        .window
        .iter()
        .filter(|d| d.began > since && d.id != request.id && d.into == Destination::Tank)
        .map(|d| alkalinity_in(&d.carries).as_meq_per_l())
        .sum();
    let (total, limit) = (
        before + rise.as_meq_per_l(),
        allowed.per_day.as_meq_per_l() + ROUNDING,
    );
    if total <= limit {
        return Ok(());
    }
    let weigh = |d: &super::Counted| {
        let carried = || alkalinity_in(&d.carries).as_meq_per_l();
        (d.id != request.id && d.into == Destination::Tank).then(|| (carried(), Some(d.began)))
    };
    Err(Refusal::Ramp {
        rise,
        total: Alkalinity::from_meq_per_l(total),
        limit: allowed.per_day,
        reason: allowed.reason,
        until: facts.window.room_at(rise.as_meq_per_l(), limit, now, weigh),
    })
}
