//! How far a line through runs, and one dose by it, may be off.
//!
//! Each length is taken by its own scatter, because nobody knows beforehand whether a head scatters by so much or by so many per
//! cent: one scatter for all lengths makes the limits of one of the two kinds wrong. In between the variance goes by the square
//! of the volume, which is right for both kinds and for their mixture; beyond the longest length by so many per cent.
//!
//! A reading is only known within half a step of its cylinder or scale either way. Where the repeats of a length scatter enough, each is rounded
//! otherwise and their scatter has it in it; where they do not, all of them may be rounded the same way, and no number of repeats
//! averages that out (JCGM 100:2008 F.2.2.1; Cordero, Seckmeyer and Labbe 2006, Metrologia 43, L33).

use super::runs::{Run, group};
use crate::quantity::f64_from_usize;
use crate::statistics::{Combined, Confidence, Line, t_probability_two_sided};

/// What a length says of scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
struct OfLength {
    seconds: f64,
    ml: f64,
    runs: f64,
    /// Of one run, mL2.
    variance: f64,
    dof: f64,
    /// Whether the step may hide more than the readings show.
    hidden: bool,
}

#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scatter {
    line: Line,
    step_ml: f64,
    /// Shortest first.
    lengths: Vec<OfLength>,
}

impl Scatter {
    pub(super) fn of(runs: &[Run], line: &Line, step_ml: f64, confidence: Confidence) -> Self {
        let of_group = |group: &Vec<Run>| {
            let runs = f64_from_usize(group.len());
            let points = || group.iter().map(Run::point);
            let (seconds, ml) = points().fold((0.0, 0.0), |sum, (x, y)| {
                (sum.0 + x / runs, sum.1 + y / runs)
            });
            // The line has taken its share of two degrees of freedom out of this length.
            let dof = runs - points().map(|(x, _)| line.leverage(x)).sum::<f64>();
            let squares: f64 = points().map(|(x, y)| (y - line.at(x)).powi(2)).sum();
            let variance = squares / dof;
            let reach = confidence.as_fraction() * step_ml / 2.0;
            let by_chance = t_probability_two_sided(reach / (variance / runs).sqrt(), dof);
            OfLength {
                seconds,
                ml,
                runs,
                variance,
                dof,
                hidden: by_chance < 1.0 - confidence.as_fraction(),
            }
        };
        Self {
            line: *line,
            step_ml,
            lengths: group(runs).iter().map(of_group).collect(),
        }
    }

    /// Error of the slope, mL/s.
    pub(super) fn of_slope(&self) -> Combined {
        self.error(
            |x| (x - self.line.x_mean) / self.line.x_spread,
            |_| 0.0,
            None,
        )
    }

    /// Error of the line itself at `seconds`, mL.
    pub(super) fn of_line(&self, seconds: f64) -> Combined {
        self.error(self.share_at(seconds), |_| 0.0, None)
    }

    /// How far one dose of a run of `seconds` is off what the line says, mL; `repeats` puts that many runs of each length in place of
    /// those there are.
    pub(super) fn of_one(&self, seconds: f64, repeats: Option<f64>) -> Combined {
        let weights = self.weights(self.line.at(seconds));
        let weight = |index: usize| {
            let each = weights.iter().filter(|(of, _)| *of == index);
            each.map(|(_, weight)| weight).sum()
        };
        self.error(self.share_at(seconds), weight, repeats)
    }

    /// Most runs of one length.
    pub(super) fn repeats(&self) -> f64 {
        self.lengths.iter().map(|of| of.runs).fold(0.0, f64::max)
    }

    /// What one run at a place in time counts in the line at `seconds`.
    fn share_at(&self, seconds: f64) -> impl Fn(f64) -> f64 {
        let Line {
            weight,
            x_mean,
            x_spread,
            ..
        } = self.line;
        move |x| 1.0 / weight + (seconds - x_mean) * (x - x_mean) / x_spread
    }

    /// Of which lengths, and by how much of each, the variance of one dose of `ml` is.
    fn weights(&self, ml: f64) -> [(usize, f64); 2] {
        let above = self.lengths.iter().position(|of| of.ml > ml);
        let last = self.lengths.len().saturating_sub(1);
        let of = |index: usize| self.lengths.get(index).map_or(1.0, |of| of.ml);
        match above {
            None => [(last, (ml / of(last)).powi(2).max(1.0)), (last, 0.0)],
            Some(0) => [(0, 1.0), (0, 0.0)],
            Some(index) => {
                let below = index - 1;
                let (low, high) = (of(below).powi(2), of(index).powi(2));
                let part = (ml * ml - low) / (high - low);
                [(below, 1.0 - part), (index, part)]
            }
        }
    }

    fn error(
        &self,
        share: impl Fn(f64) -> f64,
        weight: impl Fn(usize) -> f64,
        repeats: Option<f64>,
    ) -> Combined {
        let each = self.lengths.iter().enumerate();
        each.fold(Combined::default(), |sum, (index, of)| {
            let of_mean = share(of.seconds) * of.runs;
            let runs = repeats.unwrap_or(of.runs);
            let dof = repeats.map_or(of.dof, |repeats| repeats - 1.0);
            let weight = weight(index);
            if of.hidden {
                let floor = of.variance.max(self.step_ml.powi(2) / 12.0);
                sum.with_bound(of_mean.abs() * self.step_ml / 2.0)
                    .with_scatter(weight * floor, dof)
            } else {
                sum.with_scatter((weight + of_mean * of_mean / runs) * of.variance, dof)
            }
        })
    }
}
