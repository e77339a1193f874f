//! What of the change journal is not told by the owner: bottles filled, courses, plans, new tubes and calibrations.

use jiff::Timestamp;

use super::entry::Entry;

/// So many of the newest are kept at hand.
pub const CHANGES_MAX: usize = 300;

/// One change, in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Change {
    pub at: Timestamp,
    pub what: String,
}

impl Change {
    /// `None` for what changes nothing in the water or in what is given.
    pub fn of(entry: &Entry) -> Option<Self> {
        let what = entry.change()?;
        let at = entry.at().wall;
        Some(Self { at, what })
    }
}
