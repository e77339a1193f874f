//! The standing plan turned into slots: which line, which instant, how much.
//!
//! Pure and deterministic: the same plan, day and calibration-free inputs give the same slots in every run.

use jiff::Timestamp;
use jiff::civil::Date;

use crate::quantity::{Name, Volume};

/// What makes a slot the one it is. A key is settled (dosed, refused or missed) at most once, ever.
///
/// The number is the slot's planned second of the local day before any staggering, counted as elapsed seconds since the
/// local day began. It is not an ordinal, so an edit of the number of doses does not give an old key to a new slot.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SlotKey {
    /// The line.
    pub line: Name,
    /// The local date the slot belongs to.
    pub date: Date,
    /// Planned elapsed second of that local day, 0 to 90,000.
    pub number: u32,
}

/// One planned time and volume.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slot {
    /// Which slot.
    pub key: SlotKey,
    /// The instant it is due, after staggering.
    pub at: Timestamp,
    /// How much.
    pub volume: Volume,
}
