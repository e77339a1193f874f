//! Why runs make no calibration, and why a calibration does not meter a dose.

use thiserror::Error;

use super::calibration::CalibrationError;
use super::runs::SuspectRun;
use crate::quantity::{Millis, Volume};

/// Why a set of runs was not turned into a calibration.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum CalibrationRefusal {
    #[error(
        "{runs} runs of {lengths} different lengths are too few; at least {runs_min} runs of at least {lengths_min} lengths are needed, the shortest and the longest length repeated"
    )]
    TooFew {
        runs: usize,
        /// Different lengths there are.
        lengths: usize,
        runs_min: usize,
        lengths_min: usize,
    },
    #[error("the length {on_time} was run only once; run it again, so that its scatter is known")]
    NotRepeated { on_time: Millis },
    #[error(
        "run times from {shortest} to {longest} are too alike; the longest must be at least {ratio_min} times the shortest"
    )]
    LengthsTooClose {
        shortest: Millis,
        longest: Millis,
        /// Least ratio of longest to shortest.
        ratio_min: f64,
    },
    #[error("run {number} lasted {on_time}; a run must last from 0.2 s to 24 h")]
    RunTime {
        /// Place in the list, from 1.
        number: usize,
        on_time: Millis,
    },
    #[error(
        "run {number} ({on_time}) delivered {volume}; it must deliver something: prime the tube, and check the vessel's own weight"
    )]
    RunVolume {
        /// Place in the list, from 1.
        number: usize,
        on_time: Millis,
        volume: Volume,
    },
    #[error(
        "repeats of the same length scatter by {cv_percent:.1} %, the limit is {limit_percent:.1} %; {}",
        advice(suspect.as_ref())
    )]
    TooScattered {
        /// Coefficient of variation of all lengths together, %.
        cv_percent: f64,
        limit_percent: f64,
        /// The run that stands out, if one does.
        suspect: Option<SuspectRun>,
    },
    #[error(
        "runs of {on_time} lie {bend_percent:+.1} % off the line through all runs, the limit is {limit_percent:.1} %; {}",
        advice(suspect.as_ref())
    )]
    Bent {
        /// The length that is farthest off.
        on_time: Millis,
        /// By how much, %.
        bend_percent: f64,
        limit_percent: f64,
        /// The run that stands out, if one does.
        suspect: Option<SuspectRun>,
    },
    #[error(
        "the runs give no dosing head's calibration; check that volumes are in mL and times in seconds"
    )]
    NotAHead(#[source] CalibrationError),
    #[error(
        "no line can be put through these runs; check every time and volume for a slip of the pen"
    )]
    NoLine,
}

/// What to do about scatter.
fn advice(suspect: Option<&SuspectRun>) -> String {
    suspect.map_or_else(
        || "no single run stands out: check for air in the tube and a slipping head, then repeat all runs".to_owned(),
        SuspectRun::to_string,
    )
}

fn more_runs(repeats: Option<u32>) -> String {
    repeats.map_or_else(
        || "20 runs of each length would not do either: read the volumes more finely, calibrate with longer runs, see why the head scatters, or set a wider tolerance-percent".to_owned(),
        |repeats| format!("{repeats} runs of each length would do if they scatter as these did, or read the volumes more finely"),
    )
}

/// Why a volume is not metered by a calibration.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum DoseRefusal {
    #[error(
        "{volume} would need a run shorter than the shortest calibrated one of {run_min}; the smallest dose is {smallest}: dose more at a time, or calibrate with shorter runs"
    )]
    BelowRange {
        volume: Volume,
        /// Shortest run that the calibration covers.
        run_min: Millis,
        /// What that run delivers.
        smallest: Volume,
    },
    #[error(
        "{volume} would need a run longer than {run_max}, the longest that the calibration covers; the largest dose is {largest}: split it, or calibrate with longer runs"
    )]
    AboveRange {
        volume: Volume,
        /// Longest run that the calibration covers.
        run_max: Millis,
        /// What that run delivers.
        largest: Volume,
    },
    #[error(
        "{volume} cannot be metered within {tolerance_percent} %; the smallest dose that can is {smallest}"
    )]
    BelowTolerance {
        volume: Volume,
        tolerance_percent: f64,
        /// Smallest dose that meets it.
        smallest: Volume,
    },
    #[error(
        "no dose of this head is known within {tolerance_percent} %, the best is {best_percent:.1} %; {}",
        more_runs(*repeats)
    )]
    NeverPrecise {
        tolerance_percent: f64,
        /// The best relative half-width within the range, %.
        best_percent: f64,
        /// How many runs of each length would do; `None` when 20 would not.
        repeats: Option<u32>,
    },
    #[error(transparent)]
    Uncovered(Uncovered),
    #[error("a tolerance of {tolerance_percent} % makes no sense; it must be from 0.1 to 50 %")]
    Tolerance { tolerance_percent: f64 },
}

/// Why nobody knows which doses a calibration covers.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum Uncovered {
    #[error("the record does not say which doses it meters: calibrate the head again")]
    NoLimits,
    #[error(
        "it was made for {made_for} %, tolerance-percent is now {now} %, and {why}: calibrate the head again, or set the tolerance back"
    )]
    OtherTolerance {
        /// What it was made for, %.
        made_for: f64,
        /// What is set now, %.
        now: f64,
        /// Why its runs do not tell.
        why: NoRefit,
    },
}

/// Why runs on record are not fitted again.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum NoRefit {
    #[error("its runs are not on record")]
    NoRuns,
    /// Coarse readings look more precise than they are.
    #[error("the step of the cylinder or scale that its runs were read by is not on record")]
    NoResolution,
    #[error("its runs on record make no calibration ({0})")]
    Runs(CalibrationRefusal),
    #[error("its runs on record give another rate than it has")]
    OtherRate,
    #[error("its runs do not show that any dose is within that ({0})")]
    Never(Box<DoseRefusal>),
}
