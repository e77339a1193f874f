//! What the filter is fed with, what it is told beforehand, and what it finds in a reading beside the level.

use crate::quantity::Millis;

/// Standard deviation of what an owner or a plan says of the uptake, as a share of it. Our rule: a plan 8 % off is common, 20 % rare.
const TOLD_SHARE: f64 = 0.1;

/// Something that bears on the level, in the quantity's own unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// A dose, an addition by hand, or the sum of several that no other event lies between: by what most probably reached the water.
    Dosed {
        at: Millis,
        amount: f64,
        variance: f64,
    },
    /// A water change: the part exchanged, and level and standard deviation of the new water where they are known.
    Changed {
        at: Millis,
        fraction: f64,
        held: Option<(f64, f64)>,
    },
    /// The level times a factor: salinity was moved. The factor's standard deviation comes with it.
    Scaled { at: Millis, factor: f64, sd: f64 },
    /// A test: standard error of the kit, and the step to which it is read.
    Reading {
        at: Millis,
        value: f64,
        sd: f64,
        step: f64,
    },
    /// A test that says no more than "below this".
    Below { at: Millis, bound: f64, sd: f64 },
}

impl Event {
    pub const fn at(&self) -> Millis {
        match self {
            Self::Dosed { at, .. }
            | Self::Changed { at, .. }
            | Self::Scaled { at, .. }
            | Self::Reading { at, .. }
            | Self::Below { at, .. } => *at,
        }
    }

    pub(super) fn is_sound(&self) -> bool {
        let finite = |values: &[f64]| values.iter().all(|value| value.is_finite());
        match *self {
            Self::Dosed {
                amount, variance, ..
            } => finite(&[amount, variance]) && variance >= 0.0,
            Self::Changed { fraction, held, .. } => {
                let (level, sd) = held.unwrap_or((0.0, 0.0));
                finite(&[level, sd]) && (0.0..=1.0).contains(&fraction)
            }
            Self::Scaled { factor, sd, .. } => finite(&[factor, sd]) && factor > 0.0,
            Self::Reading {
                value, sd, step, ..
            } => finite(&[value, sd, step]) && sd.hypot(step) > 0.0,
            Self::Below { bound, sd, .. } => finite(&[bound, sd]) && sd > 0.0,
        }
    }
}

/// What is believed of the uptake before there is a reading. Of the level nothing is: the first reading tells it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    pub uptake: f64,
    pub uptake_sd: f64,
    pub scale: f64,
}

impl Prior {
    /// From a plan, or from an owner who gives this much a day and sees the level stand still.
    pub const fn told(uptake: f64) -> Self {
        Self {
            uptake,
            uptake_sd: uptake * TOLD_SHARE,
            scale: uptake,
        }
    }

    /// When nothing was told: anything from none to three times what is ordinary.
    pub const fn unknown(ordinary: f64) -> Self {
        Self {
            uptake: ordinary,
            uptake_sd: ordinary,
            scale: ordinary,
        }
    }
}

/// What a reading told beside the level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Finding {
    /// It does not fit what was foretold, and is not believed until a second one agrees.
    Questioned {
        at: Millis,
        value: f64,
        foretold: f64,
        sd: f64,
    },
    /// A second reading agrees with the one that was questioned: both count.
    LetIn { at: Millis, value: f64 },
    /// Uptake broke between two readings.
    Broke {
        since: Millis,
        seen: Millis,
        before: f64,
        after: f64,
    },
}
