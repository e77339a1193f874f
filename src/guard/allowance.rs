//! How much of a water quantity may be added in 24 h, by its limits, its uptake and where it is predicted to be.
//!
//! It is established uptake plus the allowed rise. When the prediction of a tracked quantity at its worst case is above the wanted
//! band, or there is no fresh reading, it is uptake alone: the water is held, not raised. Alkalinity is never moved without a known
//! uptake; of an element without one the animals are taken to use nothing. All amounts are in the quantity's own unit: dKH or mg/L.

use crate::chemistry::Quantity;
use crate::config::WaterLimits;
use crate::quantity::Millis;

/// Part of an allowance that is room for rounding.
pub(super) const ROUNDING: f64 = 1e-9;

/// One quantity of the tank as the engine sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WaterFacts {
    pub limits: WaterLimits,
    /// The most that may be added in any hour.
    pub rise_per_hour: f64,
    /// Established uptake per day; `None` when there is none.
    pub uptake: Option<f64>,
    /// Where it should be now; `None` without a reading.
    pub prediction: Option<Prediction>,
    /// The last reading, when it is below the alarm limit and that keeps additions down.
    pub low: Option<LowReading>,
}

/// A reading below the alarm limit that nothing was begun against since.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LowReading {
    pub read: f64,
    /// What may be added in 24 h all the same: uptake, or the standing plan where no uptake is established. Less would let what falls
    /// fall faster.
    pub keeps: f64,
}

/// Predicted level: last reading, plus what was added, minus uptake times time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    pub value: f64,
    /// One standard uncertainty; it grows with the reading's age.
    pub uncertainty: f64,
    /// Age of the reading.
    pub age: Millis,
}

impl Prediction {
    /// Predicts from a reading (value, uncertainty) taken `age` ago. Uncertainties add as squares: the reading's own, and drift times
    /// age.
    pub fn new(
        (reading, uncertainty): (f64, f64),
        added: f64,
        uptake_per_day: f64,
        age: Millis,
        drift_per_day: f64,
    ) -> Self {
        let days = age.as_days().max(0.0);
        Self {
            value: reading + added - uptake_per_day * days,
            uncertainty: uncertainty.hypot(drift_per_day * days),
            age,
        }
    }

    /// The highest value that must be reckoned with: two standard uncertainties up.
    pub fn worst_high(&self) -> f64 {
        self.value + 2.0 * self.uncertainty
    }
}

/// How much may be added in 24 h, and why that much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance {
    /// The most in 24 h.
    pub per_day: f64,
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
        worst: f64,
        /// Top of the band.
        top: f64,
    },
    /// The last reading is below the alarm limit: nothing above uptake until it is known to be right, or its owner raises it.
    BelowAlarm { low: LowReading, limit: f64 },
}

impl AllowanceReason {
    /// For the keeper.
    pub fn words(&self, of: &Quantity) -> String {
        match self {
            Self::UptakePlusRise => "uptake plus the largest allowed rise".to_owned(),
            Self::NoReading => format!(
                "uptake only: there is no {of} reading to go by (none, its age or what was added since is not known, or the water was changed since); test, then `dosewright reading add {of}`"
            ),
            Self::StaleReading { age, limit } => {
                format!("uptake only: the last {of} reading is {age} old, over {limit}; test again")
            }
            Self::AboveBand { worst, top } => format!(
                "uptake only: predicted up to {}, over the band's top of {}",
                of.amount(*worst),
                of.amount(*top)
            ),
            Self::BelowAlarm { low, limit } => format!(
                "uptake only: the last {of} reading, {}, is below the alarm limit of {}; test again, and if it is right, raise it with `dosewright course raise`",
                of.amount(low.read),
                of.amount(*limit)
            ),
        }
    }
}

/// The uptake that is reckoned with; `None` when nothing may be added because it is not known.
pub fn uptake_counted(of: &Quantity, established: Option<f64>) -> Option<f64> {
    established.or((!of.needs_uptake()).then_some(0.0))
}

/// The allowance for now; `None` when nothing may be added because no uptake is established.
pub fn allowance(of: &Quantity, facts: &WaterFacts) -> Option<Allowance> {
    let uptake = uptake_counted(of, facts.uptake)?;
    let reason = match (&facts.limits.tracked, &facts.prediction) {
        (Some(_), None) => AllowanceReason::NoReading,
        (Some(band), Some(p)) if p.age > band.stale_after => AllowanceReason::StaleReading {
            age: p.age,
            limit: band.stale_after,
        },
        (Some(band), Some(p)) if p.worst_high() > band.band_high => AllowanceReason::AboveBand {
            worst: p.worst_high(),
            top: band.band_high,
        },
        (Some(band), Some(_)) if let Some(low) = facts.low => AllowanceReason::BelowAlarm {
            low,
            limit: band.alarm_low,
        },
        (Some(_), Some(_)) | (None, _) => AllowanceReason::UptakePlusRise,
    };
    let per_day = match reason {
        AllowanceReason::UptakePlusRise => uptake + facts.limits.max_rise,
        AllowanceReason::NoReading
        | AllowanceReason::StaleReading { .. }
        | AllowanceReason::AboveBand { .. } => uptake,
        AllowanceReason::BelowAlarm { low, .. } => low.keeps,
    };
    Some(Allowance { per_day, reason })
}

/// What part of the planned addition is in force: the plan clamped between uptake minus the allowed fall and the allowance.
///
/// `planned` is what the plan adds per day over all lines. The share applies to every line that carries the quantity. It is 1 when the
/// plan lies inside the limits, when nothing is planned, and without an established uptake or a band.
pub fn effective_share(of: &Quantity, planned: f64, facts: &WaterFacts) -> f64 {
    let (Some(uptake), Some(allowed), Some(band)) =
        (facts.uptake, allowance(of, facts), &facts.limits.tracked)
    else {
        return 1.0;
    };
    let (low, high) = ((uptake - band.max_fall).max(0.0), allowed.per_day);
    let inside = low * (1.0 - ROUNDING)..=high * (1.0 + ROUNDING);
    if planned <= 0.0 || inside.contains(&planned) {
        1.0
    } else {
        planned.clamp(low.min(high), high) / planned
    }
}
