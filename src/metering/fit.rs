//! From calibration runs to a calibration, or to a refusal that says what to do.
//!
//! The line is fitted by ordinary least squares on time (s) and volume (mL). It is refused when there are too few runs,
//! when repeats scatter, when the lengths do not lie on a line, or when the result is not that of a dosing head.
//! How far it may be off is the business of `scatter.rs`, whether a dose can be metered by it that of `dose.rs`.

use super::calibration::{Calibration, CalibrationError};
use super::refusal::CalibrationRefusal;
use super::runs::{LengthStats, Run, SuspectRun, group, pooled_cv_percent};
use super::scatter::Scatter;
use crate::quantity::{FlowRate, Millis, Volume, f64_from_i64, f64_from_usize, i64_from_f64};
use crate::statistics::{Confidence, Line, f_probability_upper};

/// What a set of runs must meet. A limit that is NaN refuses everything.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FitRules {
    /// Fewest runs. Default 4, and never taken as fewer (our rule; fewer leave nothing over to judge by).
    pub runs_min: usize,
    /// Fewest different lengths. Default 2, and never taken as fewer.
    pub lengths_min: usize,
    /// Least ratio of the longest to the shortest length. Default 2 (our rule).
    pub length_ratio_min: f64,
    /// Largest coefficient of variation of repeats, all lengths together, %, beside what the step of the readings makes of it and what
    /// chance makes of so few of them (one time in 100). Default 3: our choice, the figure that API 675 allows for repeatability of
    /// metering pumps. To refuse whatever lies above by chance would keep the lucky ones only, whose limits are too narrow.
    pub cv_percent_max: f64,
    /// Largest distance of a length's mean from the line, % of the line. Default 5 (our rule).
    pub bend_percent_max: f64,
    /// Longest run that is covered, as a multiple of the longest calibrated length, 1 to 10. Default 2 (our rule).
    /// Downwards nothing is extrapolated, because start and stop dominate there.
    pub extrapolation: f64,
    /// Step of the cylinder or scale, as a volume; never taken as finer than the microlitre in which volumes are kept. Equal
    /// readings on a coarse scale are no sign of precision.
    pub resolution: Volume,
    pub confidence: Confidence,
}

impl Default for FitRules {
    fn default() -> Self {
        Self {
            runs_min: 4,
            lengths_min: 2,
            length_ratio_min: 2.0,
            cv_percent_max: 3.0,
            bend_percent_max: 5.0,
            extrapolation: 2.0,
            resolution: Volume::ZERO,
            confidence: Confidence::P95,
        }
    }
}

impl FitRules {
    /// The step that volumes were read by, mL; they are kept in whole microlitres.
    fn step_ml(&self) -> f64 {
        self.resolution.max(Volume::from_ul(1)).as_ml()
    }
}

/// A calibration with everything that says how good it is.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationFit {
    calibration: Calibration,
    line: Line,
    scatter: Scatter,
    lengths: Vec<LengthStats>,
    suspect: Option<SuspectRun>,
    run_min: Millis,
    run_max: Millis,
    rules: FitRules,
}

/// Whether the lengths bend away from the line more than repeats scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// Mean square of the bends over mean square of the repeats; infinite when the repeats are exact.
    pub f: f64,
    /// Probability of an F this large by chance on a straight line. Below 0.05 the line is doubtful.
    pub probability: f64,
}

/// Fits `volume = rate x time + offset` to the runs.
///
/// # Errors
/// [`CalibrationRefusal`]: too few runs or lengths, a length not repeated, lengths too alike, a run without time or
/// volume, repeats that scatter, lengths off the line, or a line that is not a dosing head's. Scatter is judged
/// before the line, because one wrong entry explains an impossible line better than the line does.
pub fn fit(runs: &[Run], rules: &FitRules) -> Result<CalibrationFit, CalibrationRefusal> {
    check_each(runs)?;
    let (shortest, longest) = check_lengths(runs, rules)?;
    let points: Vec<(f64, f64)> = runs.iter().map(Run::point).collect();
    let line = Line::through(&points).ok_or(CalibrationRefusal::NoLine)?;
    let lengths = LengthStats::of(runs, &line);
    let suspect = SuspectRun::among(runs, &line);
    check_scatter(&lengths, suspect, rules)?;
    let calibration = calibration_of(&line)?;
    Ok(CalibrationFit {
        calibration,
        line,
        scatter: Scatter::of(runs, &line, rules.step_ml(), rules.confidence),
        lengths,
        suspect: suspect.filter(|run| run.probability < 0.05),
        run_min: shortest.max(Calibration::RUN_MIN),
        run_max: i64_from_f64(f64_from_i64(longest.as_ms()) * rules.extrapolation.clamp(1.0, 10.0))
            .map_or(longest, Millis::new),
        rules: *rules,
    })
}

fn check_each(runs: &[Run]) -> Result<(), CalibrationRefusal> {
    for (number, run) in (1..).zip(runs) {
        let Run { on_time, volume } = *run;
        if !(Calibration::RUN_MIN..=Millis::DAY).contains(&on_time) {
            return Err(CalibrationRefusal::RunTime { number, on_time });
        }
        if volume <= Volume::ZERO {
            return Err(CalibrationRefusal::RunVolume {
                number,
                on_time,
                volume,
            });
        }
    }
    Ok(())
}

/// Checks number, repeats and spread of the lengths; gives the shortest and longest run time.
fn check_lengths(runs: &[Run], rules: &FitRules) -> Result<(Millis, Millis), CalibrationRefusal> {
    let groups = group(runs);
    let (runs_min, lengths_min) = (rules.runs_min.max(4), rules.lengths_min.max(2));
    let ends = groups.first().zip(groups.last());
    let Some((first, last)) =
        ends.filter(|_| runs.len() >= runs_min && groups.len() >= lengths_min)
    else {
        return Err(CalibrationRefusal::TooFew {
            runs: runs.len(),
            lengths: groups.len(),
            runs_min,
            lengths_min,
        });
    };
    for end in [first, last] {
        if let [only] = end.as_slice() {
            return Err(CalibrationRefusal::NotRepeated {
                on_time: only.on_time,
            });
        }
    }
    let times = || runs.iter().map(|run| run.on_time);
    let (shortest, longest) = times()
        .min()
        .zip(times().max())
        .ok_or(CalibrationRefusal::NoLine)?;
    let ratio_min = rules.length_ratio_min;
    if longest.as_secs() / shortest.as_secs() >= ratio_min {
        Ok((shortest, longest))
    } else {
        Err(CalibrationRefusal::LengthsTooClose {
            shortest,
            longest,
            ratio_min,
        })
    }
}

fn check_scatter(
    lengths: &[LengthStats],
    suspect: Option<SuspectRun>,
    rules: &FitRules,
) -> Result<(), CalibrationRefusal> {
    // Asked as "is it within", so that NaN is not within.
    let within = |value: f64, limit: f64| value.abs() <= limit;
    let cv_percent = pooled_cv_percent(lengths, rules.step_ml());
    let over = (cv_percent / rules.cv_percent_max).powi(2);
    let dof = lengths.iter().map(LengthStats::dof).sum();
    // One slip among good runs is no chance. A limit that is no number leaves nothing to chance.
    let by_chance = suspect.is_none_or(|run| run.probability > 0.001)
        && over > 1.0
        && f_probability_upper(over, dof, usize::MAX) > 0.01;
    if !(within(cv_percent, rules.cv_percent_max) || by_chance) {
        return Err(CalibrationRefusal::TooScattered {
            cv_percent,
            limit_percent: rules.cv_percent_max,
            suspect,
        });
    }
    let worst = lengths
        .iter()
        .max_by(|a, b| a.bend_percent.abs().total_cmp(&b.bend_percent.abs()))
        .ok_or(CalibrationRefusal::NoLine)?;
    if within(worst.bend_percent, rules.bend_percent_max) {
        Ok(())
    } else {
        Err(CalibrationRefusal::Bent {
            on_time: worst.on_time,
            bend_percent: worst.bend_percent,
            limit_percent: rules.bend_percent_max,
            suspect,
        })
    }
}

/// The line in the units that are metered with: mL/min, and an offset in whole microlitres.
fn calibration_of(line: &Line) -> Result<Calibration, CalibrationRefusal> {
    let rate = FlowRate::from_ml_per_min(line.slope * 60.0);
    let offset = Volume::from_ml(line.intercept).ok_or(CalibrationError::Offset {
        offset: Volume::from_ul(i64::MAX),
        rate,
    });
    offset
        .and_then(|offset| Calibration::new(rate, offset))
        .map_err(CalibrationRefusal::NotAHead)
}

impl CalibrationFit {
    /// What is metered with.
    pub const fn calibration(&self) -> Calibration {
        self.calibration
    }

    /// The line behind it: seconds against millilitres, with its standard errors.
    pub const fn line(&self) -> &Line {
        &self.line
    }

    /// The rules it was made by.
    pub const fn rules(&self) -> &FitRules {
        &self.rules
    }

    /// Scatter and systematic error of each length, shortest first.
    pub fn lengths(&self) -> &[LengthStats] {
        &self.lengths
    }

    /// Shortest and longest run that the calibration covers: from the shortest calibrated run to the longest times
    /// the extrapolation factor of the rules.
    pub const fn run_range(&self) -> (Millis, Millis) {
        (self.run_min, self.run_max)
    }

    /// Coefficient of variation of repeats, all lengths together, %.
    pub fn cv_percent(&self) -> f64 {
        pooled_cv_percent(&self.lengths, 0.0)
    }

    pub(super) const fn scatter(&self) -> &Scatter {
        &self.scatter
    }

    /// A run that is accepted but stands out with less than 5 % chance, for a warning.
    pub const fn suspect(&self) -> Option<&SuspectRun> {
        self.suspect.as_ref()
    }

    /// Confidence limits of the rate, mL/min, low and high.
    pub fn rate_limits(&self) -> (FlowRate, FlowRate) {
        let half = self.scatter.of_slope().half_width(self.rules.confidence);
        let limit = |slope: f64| FlowRate::from_ml_per_min(slope * 60.0);
        (limit(self.line.slope - half), limit(self.line.slope + half))
    }

    /// Confidence limits of the offset, mL, low and high.
    pub fn offset_limits_ml(&self) -> (f64, f64) {
        let half = self.scatter.of_line(0.0).half_width(self.rules.confidence);
        (self.line.intercept - half, self.line.intercept + half)
    }

    /// Test of the straight line against the repeats; `None` with only two lengths, through which any line goes.
    pub fn lack_of_fit(&self) -> Option<LackOfFit> {
        let above = self.lengths.len().checked_sub(2).filter(|dof| *dof > 0)?;
        let below: usize = self.lengths.iter().map(LengthStats::dof).sum();
        let pure: f64 = self
            .lengths
            .iter()
            .filter_map(|length| Some(length.sd_ml?.powi(2) * f64_from_usize(length.dof())))
            .sum();
        let whole = self.line.residual_sd.powi(2) * f64_from_usize(self.line.dof);
        let bends = (whole - pure).max(0.0) / f64_from_usize(above);
        let f = bends / (pure / f64_from_usize(below));
        Some(LackOfFit {
            f,
            probability: f_probability_upper(f, above, below),
        })
    }
}
