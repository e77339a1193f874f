//! Words that keys of the files offer, and what they stand for.

use crate::quantity::worded;

worded! {
    /// Whether outputs are driven.
    pub enum Mode {
        /// No output is driven. The default.
        DryRun = "dry-run",
        /// Outputs are driven, when everything else allows it.
        Live = "live",
    }
}

worded! {
    /// How the line of a pin is found on its chip.
    pub enum LineBy {
        /// GPIO17 is the line at offset 17.
        Offset = "offset",
        /// GPIO17 is the line that is named GPIO17; exactly one must be.
        Name = "name",
    }
}

worded! {
    /// What happens when a calibration is past its age or run hours.
    pub enum OldCalibration {
        /// An alarm, and dosing goes on.
        Warn = "warn",
        /// The line does not dose until the head is calibrated.
        Block = "block",
    }
}

worded! {
    /// What a reading outside the alarm band does.
    pub enum AlarmAction {
        /// Nothing above uptake until a reading within the limit, or a course up that is begun after this one.
        UptakeOnly = "uptake-only",
        /// Holds the lines that carry the quantity.
        HoldLines = "hold-lines",
        HoldAll = "hold-all",
        Warn = "warn",
    }
}
