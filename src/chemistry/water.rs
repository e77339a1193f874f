//! Temperature and salinity of water, as types.

use crate::quantity::{Kelvins, measured};

measured! {
    /// A temperature in degrees Celsius (ITS-90).
    Celsius: from_degrees, as_degrees, "{} C", |v| format!("{v:.1} C");
    /// Practical salinity (PSS-78), a number without a unit; natural reef water is near 35.
    Salinity: from_practical, as_practical, "S {}", |v| format!("salinity {v:.2}");
}

impl Celsius {
    pub const fn from_fahrenheit(value: f64) -> Self {
        Self((value - 32.0) / 1.8)
    }

    pub const fn as_kelvin(self) -> f64 {
        self.0 + Kelvins::AT_ZERO_CELSIUS
    }
}

impl Salinity {
    /// The salinity to which readings are scaled before they are compared.
    pub const STANDARD: Self = Self(35.0);

    /// g of salt per kg of seawater of the Reference Composition: 35.16504 / 35 of the practical salinity (Millero et al. 2008, row `a1.ref_salinity`).
    pub const fn as_reference_g_per_kg(self) -> f64 {
        self.0 * 35.165_04 / 35.0
    }
}
