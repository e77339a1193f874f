//! Temperature and salinity of water, as types.

use std::fmt;

use crate::quantity::Kelvins;

/// A temperature in degrees Celsius (ITS-90).
#[derive(Clone, Copy, PartialEq, PartialOrd)]
pub struct Celsius(f64);

impl Celsius {
    pub const fn from_degrees(value: f64) -> Self {
        Self(value)
    }

    pub const fn from_fahrenheit(value: f64) -> Self {
        Self((value - 32.0) / 1.8)
    }

    pub const fn as_degrees(self) -> f64 {
        self.0
    }

    pub const fn as_kelvin(self) -> f64 {
        self.0 + Kelvins::AT_ZERO_CELSIUS
    }
}

impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{:.1} C", self.0))
    }
}

impl fmt::Debug for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} C", self.0)
    }
}

/// Practical salinity (PSS-78), a number without a unit; natural reef water is near 35.
#[derive(Clone, Copy, PartialEq, PartialOrd)]
pub struct Salinity(f64);

impl Salinity {
    /// The salinity to which readings are scaled before they are compared.
    pub const STANDARD: Self = Self(35.0);

    pub const fn from_practical(value: f64) -> Self {
        Self(value)
    }

    pub const fn as_practical(self) -> f64 {
        self.0
    }

    /// g of salt per kg of seawater of the Reference Composition: 35.16504 / 35 of the practical salinity (Millero et al. 2008, row `a1.ref_salinity`).
    pub const fn as_reference_g_per_kg(self) -> f64 {
        self.0 * 35.165_04 / 35.0
    }
}

impl fmt::Display for Salinity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("salinity {:.2}", self.0))
    }
}

impl fmt::Debug for Salinity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "S {}", self.0)
    }
}
