//! The bank of hypotheses on how uptake behaves, and how a reading weighs them.

use super::event::Prior;
use super::state::{Covariance, Noise, State};
use crate::statistics::{normal_below, normal_density};

/// How much the level wanders by itself, in shares of the scale per square root of a day: evaporation, top-off, skimming. A guess of ours.
const LEVEL_NOISE: f64 = 0.01;
/// Change of uptake from one day to the next of a steady, a lively and a wild tank, in shares of the scale per square root of a day. The lively
/// one makes 13 % in a hundred days, the wild one 40 %; the steady one is there so that a tank that stands still is not chased. Judged by the readings.
const STEADY: f64 = 0.000_5;
const LIVELY: f64 = 0.013;
const WILD: f64 = 0.04;
/// Standard deviation of the trend of a drifting tank: 0.5 % of the scale each day, a colony that doubles in 200 days.
const DRIFT: f64 = 0.005;
/// A break changes uptake by some 15 % within a week, and comes once in a year or two. Our rule; the readings decide.
pub(super) const BREAK_SHARE: f64 = 0.15;
const BREAK_DAYS: f64 = 7.0;
pub(super) const BREAKS_PER_DAY: f64 = 0.002;
/// For so long a break may still be told from what was before; then it is what is.
const BREAK_REMEMBERED_DAYS: f64 = 21.0;
/// How fast a tank changes its kind: once in some years.
const CHANGES_OF_KIND_PER_DAY: f64 = 0.000_5;

/// How uptake behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    Steady,
    Lively,
    Wild,
    Drifting,
}

impl Kind {
    /// Weight before any reading: of the ordinary kinds none is more likely than another.
    const fn prior(self) -> f64 {
        match self {
            Self::Steady | Self::Lively | Self::Drifting => 0.32,
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

    fn broken(self, scale: f64) -> Noise {
        let noise = self.noise(scale);
        Noise {
            uptake: noise.uptake + (BREAK_SHARE * scale).powi(2) / BREAK_DAYS,
            ..noise
        }
    }
}

/// A kind, and what is believed should the tank be of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Hypothesis {
    pub(super) kind: Kind,
    /// Should uptake have gone on as it was.
    whole: Weighted,
    /// Should it have broken since the last reading.
    breaking: State,
    /// Should it have broken some readings ago.
    broken: Weighted,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Weighted {
    weight: f64,
    state: State,
}

impl Hypothesis {
    pub(super) fn new(kind: Kind, prior: &Prior, level: f64, variance: f64) -> Self {
        let trend_sd = match kind {
            Kind::Drifting => DRIFT * prior.scale,
            Kind::Steady | Kind::Lively | Kind::Wild => 0.0,
        };
        let state = State {
            level,
            uptake: prior.uptake,
            trend: 0.0,
            cov: Covariance {
                ll: variance,
                uu: prior.uptake_sd.powi(2),
                tt: trend_sd.powi(2),
                ..Covariance::default()
            },
        };
        Self {
            kind,
            whole: Weighted {
                weight: kind.prior(),
                state,
            },
            breaking: state,
            broken: Weighted { weight: 0.0, state },
        }
    }

    pub(super) fn map(&mut self, change: impl Fn(State) -> State) {
        for state in [
            &mut self.whole.state,
            &mut self.breaking,
            &mut self.broken.state,
        ] {
            *state = change(*state);
        }
    }

    pub(super) fn pass(&mut self, days: f64, scale: f64) {
        let quiet = self.kind.noise(scale);
        self.whole.state = self.whole.state.after(days, quiet);
        self.broken.state = self.broken.state.after(days, quiet);
        self.breaking = self.breaking.after(days, self.kind.broken(scale));
    }

    pub(super) fn weight(&self) -> f64 {
        self.whole.weight + self.broken.weight
    }

    /// Whole, breaking and broken with their weights, some days after a reading.
    pub(super) fn parts(&self, days: f64) -> [(f64, State); 3] {
        let broke = break_probability(days);
        [
            (self.whole.weight * (1.0 - broke), self.whole.state),
            (self.whole.weight * broke, self.breaking),
            (self.broken.weight, self.broken.state),
        ]
    }
}

pub(super) type Bank = [Hypothesis; 4];

/// Probability that uptake breaks within so many days.
fn break_probability(days: f64) -> f64 {
    -(-BREAKS_PER_DAY * days).exp_m1()
}

pub(super) fn parts(bank: &Bank, days: f64) -> Vec<(f64, State)> {
    bank.iter().flat_map(|one| one.parts(days)).collect()
}

pub(super) struct Weighed {
    pub(super) bank: Bank,
    pub(super) ln_likelihood: f64,
    /// Probability that uptake broke before this reading, or some readings ago.
    pub(super) broke: f64,
}

/// Each hypothesis corrected by a reading, the first in so many days, and weighed by how well it foretold it. A break of long ago is no break any more: what it
/// became is whole.
///
/// # Source
/// A bank of filters that merges after each reading what need not be told apart any more (Bar-Shalom, Li & Kirubarajan 2001, section 11.6; from memory).
pub(super) fn weigh(bank: &Bank, days: f64, value: f64, variance: f64) -> Weighed {
    let ln = |state: &State| ln_density(value - state.level, (state.cov.ll + variance).sqrt());
    let corrected = |state: State| state.corrected(value, variance);
    let most = parts(bank, days)
        .iter()
        .map(|(_, state)| ln(state))
        .fold(f64::MIN, f64::max);
    let kept = (-CHANGES_OF_KIND_PER_DAY * days).exp();
    let remembered = (-days / BREAK_REMEMBERED_DAYS).exp();
    let before: f64 = bank.iter().map(Hypothesis::weight).sum();
    let (mut sum, mut sum_broken) = (0.0, 0.0);
    let mut weighed = bank.map(|one| {
        // A hair of weight for each, so that none of them is nothing.
        let [whole, breaking, broken] = one.parts(days).map(|(weight, state)| {
            let weight = weight / before * (ln(&state) - most).exp() + f64::MIN_POSITIVE;
            (weight, corrected(state))
        });
        sum += whole.0 + breaking.0 + broken.0;
        sum_broken += breaking.0 + broken.0;
        let forgotten = (broken.0 * (1.0 - remembered), broken.1);
        let broken = (broken.0 * remembered, broken.1);
        let state = State::merged(&[whole, forgotten]);
        Hypothesis {
            kind: one.kind,
            whole: Weighted {
                weight: whole.0 + forgotten.0,
                state,
            },
            breaking: state,
            broken: Weighted {
                weight: breaking.0 + broken.0,
                state: State::merged(&[breaking, broken]),
            },
        }
    });
    for one in &mut weighed {
        let factor = (kept + (1.0 - kept) * one.kind.prior() * sum / one.weight()) / sum;
        one.whole.weight *= factor;
        one.broken.weight *= factor;
    }
    Weighed {
        bank: weighed,
        ln_likelihood: most + sum.ln(),
        broke: sum_broken / sum,
    }
}

/// The value below which this part of a mixture of normal distributions lies, each given by weight, mean and standard deviation: by Newton's
/// steps from `near`, halved where they leave what is known to hold it.
pub(super) fn quantile(mixture: &[(f64, f64, f64)], part: f64, near: f64) -> f64 {
    let total: f64 = mixture.iter().map(|(weight, ..)| weight).sum();
    let edges = |sign: f64| {
        mixture
            .iter()
            .map(move |(_, mean, sd)| mean + sign * 9.0 * sd)
    };
    let mut low = edges(-1.0).fold(near, f64::min);
    let mut high = edges(1.0).fold(near, f64::max);
    let mut at = near;
    for _ in 0..30 {
        let (mut below, mut density) = (-part, 0.0);
        for (weight, mean, sd) in mixture {
            let z = (at - mean) / sd;
            below += weight / total * normal_below(z);
            density += weight / total * normal_density(z) / sd;
        }
        if below.abs() < 1e-6 {
            break;
        }
        if below < 0.0 {
            low = at;
        } else {
            high = at;
        }
        let next = at - below / density;
        at = if low < next && next < high {
            next
        } else {
            f64::midpoint(low, high)
        };
    }
    at
}

pub(super) fn ln_density(difference: f64, sd: f64) -> f64 {
    -0.5 * (difference / sd).powi(2) - sd.ln() - 0.5 * std::f64::consts::TAU.ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1: `norm.cdf` of the two, summed, by `brentq`.
    #[test]
    fn the_interval_of_a_mixture_is_narrower_than_its_variance_says_where_a_part_is_wide() {
        let mixture = [(1.8, 8.0, 0.1), (0.2, 8.2, 0.5)];
        for (part, near, want) in [
            (0.975, 8.37, 8.537_245_425_051_67),
            (0.025, 7.67, 7.754_559_681_101_155),
            (0.025, 20.0, 7.754_559_681_101_155),
        ] {
            let got = quantile(&mixture, part, near);
            assert!((got - want).abs() < 1e-4, "{got}");
        }
    }

    /// By hand: whole and broken alike foretell the reading, so what tells them apart is time. Of a break as probable as none, e^-1 is left after
    /// 21 days, and 1 - e^(-21 x 0.002) of the other half may have broken since.
    #[test]
    fn a_break_of_some_readings_ago_is_told_apart_for_a_while_and_then_is_what_is() {
        let mut bank = [Kind::Steady, Kind::Lively, Kind::Wild, Kind::Drifting]
            .map(|kind| Hypothesis::new(kind, &Prior::told(0.8), 8.3, 0.02));
        for one in &mut bank {
            one.broken.weight = one.whole.weight;
        }
        for (days, want) in [(0.0, 0.5), (21.0, f64::midpoint(0.041_130, 0.367_879))] {
            let weighed = weigh(&bank, days, 8.3, 0.02);
            let broken: f64 = weighed.bank.iter().map(|one| one.broken.weight).sum();
            let all: f64 = weighed.bank.iter().map(Hypothesis::weight).sum();
            assert!(
                (broken / all - want).abs() < 1e-5,
                "{days}: {broken} of {all}"
            );
        }
    }
}
