//! The bank of hypotheses on how uptake behaves, and how a reading weighs them.

use super::state::{Noise, State};

/// How much the level wanders by itself, in shares of the scale per square root of a day: evaporation, top-off, skimming. A guess of ours.
const LEVEL_NOISE: f64 = 0.01;
/// Change of uptake from one day to the next of a steady, a lively and a wild tank, in shares of the scale per square root of a day. The lively
/// one makes 13 % in a hundred days, the wild one 40 %; the steady one is there so that a tank that stands still is not chased. Judged by the readings.
const STEADY: f64 = 0.000_5;
const LIVELY: f64 = 0.013;
const WILD: f64 = 0.04;
/// Standard deviation of the trend of a drifting tank: 0.5 % of the scale each day, a colony that doubles in 200 days.
pub(super) const DRIFT: f64 = 0.005;
/// A break changes uptake by some 15 % within a week, and comes about once a year. Our rule; the readings decide.
pub(super) const BREAK_SHARE: f64 = 0.15;
const BREAK_DAYS: f64 = 7.0;
pub(super) const BREAKS_PER_DAY: f64 = 0.003;
/// How fast a tank changes its kind.
const CHANGES_OF_KIND_PER_DAY: f64 = 0.002;

/// How uptake behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Steady,
    Lively,
    Wild,
    Drifting,
}

impl Kind {
    /// Weight before any reading.
    pub(super) const fn prior(self) -> f64 {
        match self {
            Self::Steady => 0.4,
            Self::Lively | Self::Drifting => 0.28,
            Self::Wild => 0.04,
        }
    }

    pub(super) fn noise(self, scale: f64) -> Noise {
        let uptake = match self {
            Self::Lively => LIVELY,
            Self::Wild => WILD,
            Self::Steady | Self::Drifting => STEADY,
        };
        Noise {
            level: (LEVEL_NOISE * scale).powi(2),
            uptake: (uptake * scale).powi(2),
        }
    }

    pub(super) fn broken(self, scale: f64) -> Noise {
        let noise = self.noise(scale);
        Noise {
            uptake: noise.uptake + (BREAK_SHARE * scale).powi(2) / BREAK_DAYS,
            ..noise
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hypothesis {
    pub(super) kind: Kind,
    pub(super) weight: f64,
    /// Should uptake have gone on as it was since the last reading.
    pub(super) whole: State,
    /// Should it have broken since.
    pub(super) broken: State,
}

impl Hypothesis {
    pub(super) fn map(&mut self, change: impl Fn(State) -> State) {
        self.whole = change(self.whole);
        self.broken = change(self.broken);
    }
}

pub(super) type Bank = [Hypothesis; 4];

pub(super) struct Weighed {
    pub(super) bank: Bank,
    pub(super) ln_likelihood: f64,
    /// Probability that uptake broke before this reading.
    pub(super) broke: f64,
}

/// Each hypothesis corrected by a reading and weighed by how well it foretold it; broken and whole are merged into one again.
///
/// # Source
/// A bank of filters with merging after each reading: the generalised pseudo-Bayes filter of first order within each kind (Bar-Shalom, Li &
/// Kirubarajan 2001, section 11.6; from memory).
pub(super) fn weigh(bank: &Bank, broke: f64, days: f64, value: f64, variance: f64) -> Weighed {
    let ln = |state: &State| ln_density(value - state.level, (state.cov.ll + variance).sqrt());
    let most = bank
        .iter()
        .flat_map(|one| [ln(&one.whole), ln(&one.broken)])
        .fold(f64::MIN, f64::max);
    let kept = (-CHANGES_OF_KIND_PER_DAY * days).exp();
    let (mut sum, mut sum_broken) = (0.0, 0.0);
    let total = total(bank);
    let mut weighed = bank.map(|one| {
        let weight = one.weight / total;
        let whole = weight * (1.0 - broke) * (ln(&one.whole) - most).exp();
        let broken = weight * broke * (ln(&one.broken) - most).exp();
        sum += whole + broken;
        sum_broken += broken;
        let corrected = |state: State| state.corrected(value, variance);
        // A hair of weight for each, so that none of them is nothing.
        let state = State::merged(&[
            (whole + f64::MIN_POSITIVE, corrected(one.whole)),
            (broken, corrected(one.broken)),
        ]);
        Hypothesis {
            weight: whole + broken,
            whole: state,
            broken: state,
            ..one
        }
    });
    for one in &mut weighed {
        one.weight = one.weight / sum * kept + (1.0 - kept) * one.kind.prior();
    }
    Weighed {
        bank: weighed,
        ln_likelihood: most + sum.ln(),
        broke: sum_broken / sum,
    }
}

pub(super) fn total(bank: &Bank) -> f64 {
    bank.iter().map(|one| one.weight).sum()
}

pub(super) fn ln_density(difference: f64, sd: f64) -> f64 {
    -0.5 * (difference / sd).powi(2) - sd.ln() - 0.5 * std::f64::consts::TAU.ln()
}
