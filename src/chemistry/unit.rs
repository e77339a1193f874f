//! The units of water quantities. What goes by the unit of a quantity and not by the quantity itself stands here.

use super::show::{amount as dissolved, figures};
use crate::quantity::{
    Alkalinity, Concentration, QuantityError, parse_alkalinity, parse_concentration, worded,
};

worded! {
    /// What an amount of a water quantity per litre of water is counted in.
    pub enum Unit {
        /// Degrees of carbonate hardness.
        Dkh = "dKH",
        MgPerL = "mg/L",
    }
}

impl Unit {
    /// The units in which people may give it, in words.
    pub const fn typed(self) -> &'static str {
        match self {
            Self::Dkh => "dKH, meq/L or mg/L CaCO3",
            Self::MgPerL => "mg/L or ug/L",
        }
    }

    /// What is counted in it, as it stands in the headings of the files: `NAME` where that is more than one.
    pub const fn whose(self) -> &'static str {
        match self {
            Self::Dkh => "alkalinity",
            Self::MgPerL => "NAME",
        }
    }

    /// The largest uptake that is taken at all, a day. Ours.
    pub const fn uptake_max(self) -> f64 {
        match self {
            Self::Dkh => 10.0,
            Self::MgPerL => 200.0,
        }
    }

    /// The usual standard uncertainty of a test when none is given: one drop of a titration kit, 5 % of a concentration (common practice, no source).
    pub fn usual_uncertainty(self, value: f64) -> f64 {
        match self {
            Self::Dkh => 0.2,
            Self::MgPerL => value * 0.05,
        }
    }

    /// From a number with its unit.
    ///
    /// # Errors
    /// [`QuantityError`] for what is none, or has another unit.
    pub fn parse(self, text: &str) -> Result<f64, QuantityError> {
        match self {
            Self::Dkh => parse_alkalinity(text).map(Alkalinity::as_dkh),
            Self::MgPerL => parse_concentration(text).map(Concentration::as_mg_per_l),
        }
    }

    /// An amount as it is shown.
    pub fn amount(self, amount: f64) -> String {
        match self {
            Self::Dkh => Alkalinity::from_dkh(amount).to_string(),
            Self::MgPerL => Concentration::from_mg_per_l(amount).to_string(),
        }
    }

    /// With four figures, in ug/L where that reads better.
    pub fn figures(self, amount: f64) -> String {
        match self {
            Self::Dkh => format!("{} dKH", figures(amount)),
            Self::MgPerL => dissolved(amount),
        }
    }

    /// With the decimals that tell two sums of a day apart.
    pub fn sum(self, amount: f64) -> String {
        match self {
            Self::Dkh => format!("{amount:.3} dKH"),
            Self::MgPerL => format!("{amount:.4} mg/L"),
        }
    }

    /// Of what was reckoned from an uptake, which is not known to more.
    pub fn roughly(self, amount: f64) -> String {
        match self {
            Self::Dkh => format!("{amount:.1} dKH"),
            Self::MgPerL => self.amount(amount),
        }
    }

    /// The number alone, as a kit is read.
    pub fn as_read(self, value: f64) -> String {
        match self {
            Self::Dkh => format!("{value:.2}"),
            Self::MgPerL if value.abs() >= 50.0 => format!("{value:.0}"),
            Self::MgPerL if value.abs() >= 1.0 => format!("{value:.1}"),
            Self::MgPerL => figures(value),
        }
    }

    /// The number alone, of an uptake a day.
    pub fn rate(self, value: f64) -> String {
        match self {
            Self::Dkh => format!("{value:.3}"),
            Self::MgPerL => self.as_read(value),
        }
    }
}
