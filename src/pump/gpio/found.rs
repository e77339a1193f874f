//! What a pin was found doing.

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Found {
    /// Driven to its on level.
    On,
    /// Driven to its off level.
    Off,
    /// Not driven at all.
    NotDriven,
    /// In another function: hardware PWM or a bus.
    Other,
    /// It could not be looked at.
    Unknown,
}

impl Found {
    /// In words, and for JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Off => "off",
            Self::NotDriven => "not driven",
            Self::Other => "in another function",
            Self::Unknown => "unknown",
        }
    }
}
