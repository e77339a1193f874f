//! What a dose most probably brought into the water. The estimate goes by this; guard and books go by the most that it can have been, and the two
//! are never mixed.

use std::sync::Arc;

use jiff::Timestamp;

use super::dose::{Carried, DoseEnd, DoseId};
use crate::chemistry::Quantity;
use crate::quantity::{Millis, Volume, f64_from_i64};

/// What there is an estimate of, by its word.
pub const ESTIMATED: [&str; 3] = ["alkalinity", "calcium", "magnesium"];

/// The same, in the same order.
pub fn estimated() -> impl Iterator<Item = Quantity> {
    ESTIMATED.into_iter().filter_map(Quantity::from_word)
}

/// The estimate goes by readings that are at most this much older than the newest, of each quantity.
pub const ESTIMATE_SPAN: Millis = Millis::from_mins(180 * 24 * 60);

/// It goes by so many of the newest readings of a quantity. Fewer than can be taken back ([`super::TOLD_MAX`]), so that there are always enough.
pub const ESTIMATE_READINGS_MAX: usize = 500;

/// It goes by doses with the newest so many numbers; where that is less than the span, by the readings since then.
pub const ESTIMATE_DOSES_MAX: i64 = 20_000;

/// Boots of a rehearsal begin so: what they gave was no live dose and went into the water of a model all the same.
pub const REHEARSED_BOOT: &str = "rehearsal-";

/// One dose that went into the water: outputs were driven and the outlet was in the tank. What was done at the bench or in a dry run is none.
#[derive(Debug, Clone, PartialEq)]
pub struct Brought {
    pub id: DoseId,
    pub at: Timestamp,
    /// Whether `at` was written by a clock that was right, as far as is known.
    pub timed: bool,
    /// What the whole dose carries.
    pub carries: Arc<Carried>,
    /// How much of the whole went in.
    pub part: f64,
    /// One standard deviation of that.
    pub part_sd: f64,
}

/// How much of a dose went in, as part of the whole, and the standard deviation of that.
///
/// One that ran its time, or was stopped after a time that was measured, gave what the calibration says. Of one that failed, or that nobody saw end,
/// only the most is known: anything from nothing to that is equally likely, so that its mean is the middle and its variance the width
/// squared / 12 (uniform distribution).
pub fn likely_part(end: DoseEnd, volume: Volume, counted: Volume) -> (f64, f64) {
    let most = f64_from_i64(counted.as_ul()) / f64_from_i64(volume.as_ul().max(1));
    match end {
        DoseEnd::Delivered | DoseEnd::Interrupted => (most, 0.0),
        DoseEnd::Failed | DoseEnd::Uncertain => (most / 2.0, most / 12.0_f64.sqrt()),
        DoseEnd::NotStarted => (0.0, 0.0),
    }
}
