//! What a water test or a lab can be of.

use std::fmt;

use super::carbonate::PhScale;
use super::quantity::Quantity;
use super::show::figures;
use super::unit::Unit;

/// What is read of the water, in its own unit: dKH for alkalinity, mg/L for what is dissolved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Measurand {
    Of(Quantity),
    /// Practical salinity, which has no unit.
    Salinity,
    Ph(PhScale),
    /// In C.
    Temperature,
    /// As NO3.
    Nitrate,
    /// As PO4.
    Phosphate,
}

impl From<Quantity> for Measurand {
    fn from(of: Quantity) -> Self {
        Self::Of(of)
    }
}

impl Measurand {
    /// From its word, or a water quantity's; `unit` may be left out of all but pH, where it is the scale.
    ///
    /// # Errors
    /// In words.
    pub fn new(word: &str, unit: Option<&str>) -> Result<Self, String> {
        let found = match word {
            "salinity" => Self::Salinity,
            "temperature" => Self::Temperature,
            "nitrate" | "NO3" => Self::Nitrate,
            "phosphate" | "PO4" => Self::Phosphate,
            "pH" | "ph" => unit.and_then(PhScale::from_word).map(Self::Ph).ok_or(
                "a pH is nothing without its scale: nbs (an electrode calibrated in the usual buffers), total, seawater or free; they differ by more than a tank swings in a day",
            )?,
            word => Quantity::from_word(word).map(Self::Of).ok_or_else(|| {
                format!(
                    "\"{word:.60}\" is not measured here; give alkalinity, salinity, pH, temperature, nitrate, phosphate or an element such as calcium or Ca"
                )
            })?,
        };
        match unit {
            Some(unit) if unit != found.unit() => Err(format!(
                "a reading of {found} is in {}, not {unit:.20?}",
                found.unit()
            )),
            Some(_) | None => Ok(found),
        }
    }

    /// The word everywhere; pH is one thing on all of its scales.
    pub fn as_str(&self) -> &str {
        match self {
            Self::Of(of) => of.as_str(),
            Self::Salinity => "salinity",
            Self::Ph(_) => "pH",
            Self::Temperature => "temperature",
            Self::Nitrate => "nitrate",
            Self::Phosphate => "phosphate",
        }
    }

    /// The scale of a pH; empty for salinity.
    pub const fn unit(&self) -> &'static str {
        match self {
            Self::Of(of) => of.unit().as_str(),
            Self::Salinity => "",
            Self::Ph(scale) => scale.as_str(),
            Self::Temperature => "C",
            Self::Nitrate | Self::Phosphate => Unit::MgPerL.as_str(),
        }
    }

    pub const fn quantity(&self) -> Option<&Quantity> {
        if let Self::Of(of) = self {
            Some(of)
        } else {
            None
        }
    }

    /// Of what there is so much in each litre.
    pub const fn per_litre(&self) -> Option<Unit> {
        match self {
            Self::Of(of) => Some(of.unit()),
            Self::Nitrate | Self::Phosphate => Some(Unit::MgPerL),
            Self::Salinity | Self::Ph(_) | Self::Temperature => None,
        }
    }

    /// Whether a method can fail to find any.
    pub const fn has_detection_limit(&self) -> bool {
        matches!(self.per_litre(), Some(Unit::MgPerL))
    }

    /// A value with its unit.
    pub fn shown(&self, value: f64) -> String {
        match (self, self.unit()) {
            (Self::Of(Quantity::Alkalinity), _) => Quantity::Alkalinity.amount(value),
            (_, "") => figures(value),
            (_, unit) => format!("{} {unit}", figures(value)),
        }
    }

    /// Where values of a reef tank lie; outside, the unit or the test is wrong more often than the water (ours). `None` for what is not
    /// known to lie anywhere.
    pub(super) fn plausible(&self) -> Option<(f64, f64)> {
        match self {
            Self::Of(Quantity::Alkalinity) => Some((3.0, 20.0)),
            Self::Of(Quantity::Element(element)) => match element.symbol() {
                "Ca" | "K" => Some((200.0, 700.0)),
                "Mg" => Some((700.0, 2000.0)),
                "Sr" => Some((1.0, 30.0)),
                "I" => Some((0.0, 0.5)),
                _ => None,
            },
            Self::Salinity => Some((25.0, 42.0)),
            Self::Ph(_) => Some((7.2, 8.9)),
            Self::Temperature => Some((18.0, 32.0)),
            Self::Nitrate => Some((0.0, 200.0)),
            Self::Phosphate => Some((0.0, 5.0)),
        }
    }
}

impl fmt::Display for Measurand {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}
