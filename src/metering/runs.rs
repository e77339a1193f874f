//! Calibration runs: what was measured, sorted into lengths, and which one looks wrong.
//!
//! Terms: a *length* is a group of runs of about the same time (within 5 % or 50 ms, since measured on-times differ
//! a little); its *bend* is how far its mean lies off the fitted line, in per cent: a systematic error.

use crate::quantity::{FlowRate, Millis, Volume, f64_from_i64, f64_from_usize, i64_from_f64, said};
use crate::statistics::{Line, t_probability_two_sided};

/// How often each length is run when nobody says otherwise. Ours: from five the scatter of a length is known well enough that limits are not
/// mostly doubt of it.
pub const REPEATS: u32 = 5;

/// Shortest and longest length against the usual dose: less than half of it, so that half the plan is still covered by a head that turns out
/// faster than was thought, and twice.
const AROUND: (f64, f64) = (0.4, 2.0);

/// A shorter and a longer run than a usual dose takes at about `rate`, within what the head may run, and far enough apart for a line.
pub fn lengths_around(usual: Volume, rate: FlowRate, run_max: Millis) -> [Millis; 2] {
    let time = |share: f64| {
        Millis::from_secs_f64(usual.as_ml() * share / rate.as_ml_per_min() * 60.0)
            .unwrap_or(run_max)
    };
    let (less, more) = AROUND;
    let quarter = Millis::new(run_max.as_ms() / 4);
    let short = time(less).max(Millis::new(500)).min(quarter);
    let long = time(more).max(Millis::new(short.as_ms().saturating_mul(4)));
    [short, long.min(run_max)]
}

/// One calibration run: how long the head was on, and what came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Run {
    pub on_time: Millis,
    pub volume: Volume,
}

impl Run {
    /// A run from a reading in mL; `None` when that is not a number or too large to be a volume.
    pub fn from_ml(on_time: Millis, ml: f64) -> Option<Self> {
        Volume::from_ml(ml).map(|volume| Self { on_time, volume })
    }

    /// As a point for the line: seconds and millilitres.
    pub(super) fn point(&self) -> (f64, f64) {
        (self.on_time.as_secs(), self.volume.as_ml())
    }
}

/// All runs of about one length, against the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LengthStats {
    pub on_time: Millis,
    pub runs: usize,
    pub mean_ml: f64,
    /// Standard deviation about their own mean, n - 1 in the denominator, mL; `None` for a single run.
    pub sd_ml: Option<f64>,
    /// Coefficient of variation: standard deviation in % of the mean; `None` for a single run.
    pub cv_percent: Option<f64>,
    /// Mean off the line, in % of the line. Not finite when the line delivers nothing here.
    pub bend_percent: f64,
}

impl LengthStats {
    /// Groups the runs by length, shortest first.
    pub(super) fn of(runs: &[Run], line: &Line) -> Vec<Self> {
        group(runs)
            .iter()
            .map(|group| Self::of_group(group, line))
            .collect()
    }

    fn of_group(group: &[Run], line: &Line) -> Self {
        let count = f64_from_usize(group.len());
        let mean = |of: &dyn Fn(&Run) -> f64| group.iter().map(of).sum::<f64>() / count;
        let mean_ml = mean(&|run| run.volume.as_ml());
        // Spread is taken off the line, so that a few milliseconds between repeats do not count as scatter.
        let off = |run: &Run| run.volume.as_ml() - line.at(run.on_time.as_secs());
        let off_mean = mean(&off);
        let squares: f64 = group.iter().map(|run| (off(run) - off_mean).powi(2)).sum();
        let sd_ml = (group.len() > 1).then(|| (squares / (count - 1.0)).sqrt());
        Self {
            on_time: i64_from_f64(mean(&|run| f64_from_i64(run.on_time.as_ms())))
                .map_or(Millis::ZERO, Millis::new),
            runs: group.len(),
            mean_ml,
            sd_ml,
            cv_percent: sd_ml.map(|sd| 100.0 * sd / mean_ml),
            bend_percent: 100.0 * off_mean / (mean_ml - off_mean),
        }
    }

    /// Degrees of freedom for scatter: runs less one.
    pub(super) const fn dof(&self) -> usize {
        self.runs.saturating_sub(1)
    }
}

/// Sorts runs into groups of about one length, shortest first.
pub(super) fn group(runs: &[Run]) -> Vec<Vec<Run>> {
    let mut sorted = runs.to_vec();
    sorted.sort_by_key(|run| run.on_time);
    let mut groups: Vec<Vec<Run>> = Vec::new();
    for run in sorted {
        let fits = |group: &&mut Vec<Run>| {
            group.first().is_some_and(|first| {
                let slack = (first.on_time.as_ms() / 20).max(50);
                run.on_time <= first.on_time.plus(Millis::new(slack))
            })
        };
        match groups.last_mut().filter(fits) {
            Some(group) => group.push(run),
            None => groups.push(vec![run]),
        }
    }
    groups
}

/// Scatter of all lengths together, in %: the root of the mean of the squared coefficients of variation, each
/// weighted by its runs less one. What a step of `step_ml` may make of equal runs is left out: readings on either side of one edge of it.
pub(super) fn pooled_cv_percent(lengths: &[LengthStats], step_ml: f64) -> f64 {
    let dof: usize = lengths.iter().map(LengthStats::dof).sum();
    let square = |length: &LengthStats| {
        let dof = f64_from_usize(length.dof());
        let squares = length.sd_ml?.powi(2) * dof - step_ml.powi(2) / 4.0 * (dof + 1.0);
        Some(squares.max(0.0) * (100.0 / length.mean_ml).powi(2))
    };
    let squares: f64 = lengths.iter().filter_map(square).sum();
    (squares / f64_from_usize(dof)).sqrt()
}

/// The run that lies farthest off what the other runs say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SuspectRun {
    /// Its place in the list, from 1.
    pub number: usize,
    pub run: Run,
    /// What the line through all the other runs gives for its time, mL.
    pub expected_ml: f64,
    /// Externally studentised residual; infinite when the others are exactly on a line.
    pub studentised: f64,
    /// Probability that the worst of so many good runs would lie this far off by chance (Bonferroni), at most 1.
    pub probability: f64,
}

impl SuspectRun {
    /// The one run that stands out; `None` when another one is about as bad (within 10 %), so that naming one would be a guess.
    pub(super) fn among(runs: &[Run], line: &Line) -> Option<Self> {
        let mut ranked: Vec<(usize, &Run, f64)> = (1..)
            .zip(runs)
            .map(|(number, run)| (number, run, line.studentised(run.point())))
            .collect();
        ranked.sort_by(|a, b| b.2.abs().total_cmp(&a.2.abs()));
        let (number, run, studentised) = *ranked.first()?;
        let next = ranked.get(1).map_or(0.0, |other| other.2.abs());
        if studentised.abs() * 0.9 <= next {
            return None;
        }
        let dof = f64_from_usize(line.dof.saturating_sub(1));
        let by_chance = t_probability_two_sided(studentised, dof);
        Some(Self {
            number,
            run: *run,
            expected_ml: line.without(run.point()),
            studentised,
            probability: (by_chance * f64_from_usize(runs.len())).min(1.0),
        })
    }
}

said! {
    SuspectRun: it => "run {} ({}, {}) looks wrong, the others say {:.3} mL: repeat it",
        it.number, it.run.on_time, it.run.volume, it.expected_ml;
}
