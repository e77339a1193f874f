//! What a pin was found doing.

use crate::quantity::worded;

worded! {
    pub enum Found {
        /// Driven to its on level.
        On = "on",
        /// Driven to its off level.
        Off = "off",
        /// Not driven at all.
        NotDriven = "not driven",
        /// In another function: hardware PWM or a bus.
        Other = "in another function",
        /// It could not be looked at.
        Unknown = "unknown",
    }
}
