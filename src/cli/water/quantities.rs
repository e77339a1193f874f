//! What a reading can be of, and how its value is written.

use crate::chemistry::Element;
use crate::cli::exit::Failure;
use crate::cli::words::{celsius, ph_scale, salinity, usage};
use crate::quantity::{parse_alkalinity, parse_concentration, parse_plain_number};

/// A value as it is typed, in the unit of the record.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) struct Typed {
    /// In the record's unit.
    pub(in crate::cli) value: f64,
    /// One standard uncertainty in the same unit.
    pub(in crate::cli) uncertainty: f64,
    /// Below the detection limit, which is the value.
    pub(in crate::cli) below: bool,
    /// What was typed: the number alone would lose a scale, or the two temperatures of a specific gravity.
    pub(in crate::cli) as_read: String,
}

/// What a reading is of.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::cli) enum Measurand {
    Alkalinity,
    Element(Element),
    Salinity,
    /// pH on a named scale.
    Ph,
    Temperature,
    /// Nitrate as NO3, mg/L.
    Nitrate,
    /// Phosphate as PO4, mg/L.
    Phosphate,
}

/// Usual standard uncertainties when none is given: one drop of a titration kit, 5 % of a concentration, 0.5 of salinity, 0.1 of
/// pH, 0.3 C (common practice, no source).
const ALKALINITY_UNCERTAINTY_DKH: f64 = 0.2;
const CONCENTRATION_UNCERTAINTY: f64 = 0.05;
const SALINITY_UNCERTAINTY: f64 = 0.5;
const PH_UNCERTAINTY: f64 = 0.1;
const TEMPERATURE_UNCERTAINTY_C: f64 = 0.3;

impl Measurand {
    /// By the word that is typed.
    pub(in crate::cli) fn from_word(word: &str) -> Result<Self, Failure> {
        match word {
            "alkalinity" => Ok(Self::Alkalinity),
            "salinity" => Ok(Self::Salinity),
            "pH" | "ph" => Ok(Self::Ph),
            "temperature" => Ok(Self::Temperature),
            "nitrate" => Ok(Self::Nitrate),
            "phosphate" => Ok(Self::Phosphate),
            symbol => Element::new(symbol).map(Self::Element).ok_or_else(|| {
                usage(format!(
                    "\"{symbol}\" is not measured here; give alkalinity, salinity, pH, temperature, nitrate, phosphate or an element's symbol, for example Ca"
                ))
            }),
        }
    }

    /// The word of the record.
    pub(in crate::cli) fn word(&self) -> &str {
        match self {
            Self::Alkalinity => "alkalinity",
            Self::Element(element) => element.symbol(),
            Self::Salinity => "salinity",
            Self::Ph => "pH",
            Self::Temperature => "temperature",
            Self::Nitrate => "nitrate",
            Self::Phosphate => "phosphate",
        }
    }

    /// The unit of the record.
    pub(in crate::cli) const fn unit(&self) -> &'static str {
        match self {
            Self::Alkalinity => "meq/L",
            Self::Element(_) | Self::Nitrate | Self::Phosphate => "mg/L",
            Self::Salinity | Self::Ph => "",
            Self::Temperature => "C",
        }
    }

    /// Reads a value and its uncertainty.
    pub(in crate::cli) fn parse(
        &self,
        text: &str,
        uncertainty: Option<&str>,
    ) -> Result<Typed, Failure> {
        let (below, plain) = text
            .trim()
            .strip_prefix('<')
            .map_or((false, text.trim()), |rest| (true, rest.trim()));
        if below && !matches!(self, Self::Element(_) | Self::Nitrate | Self::Phosphate) {
            return Err(usage(format!(
                "{} is never below a detection limit; give its value",
                self.word()
            )));
        }
        let value = self.value(plain)?;
        let uncertainty = match uncertainty {
            Some(text) => self.uncertainty(text)?,
            None => self.usual_uncertainty(value),
        };
        let as_read = text.trim().to_owned();
        Ok(Typed {
            value,
            uncertainty,
            below,
            as_read,
        })
    }

    fn value(&self, text: &str) -> Result<f64, Failure> {
        match self {
            Self::Alkalinity => Ok(parse_alkalinity(text).map_err(usage)?.as_meq_per_l()),
            Self::Element(_) | Self::Nitrate | Self::Phosphate => {
                Ok(parse_concentration(text).map_err(usage)?.as_mg_per_l())
            }
            Self::Salinity => Ok(salinity(text)?.as_practical()),
            Self::Temperature => Ok(celsius(text)?.as_degrees()),
            Self::Ph => {
                let wrong = || {
                    usage(format!(
                        "\"{text}\" is no pH with its scale; write for example \"8.2 nbs\" (an electrode calibrated in the usual buffers) or \"8.05 total\"; the scales differ by more than a tank swings in a day"
                    ))
                };
                let (number, scale) = text.split_once(' ').ok_or_else(wrong)?;
                ph_scale(&scale.trim().to_lowercase()).ok_or_else(wrong)?;
                parse_plain_number(number).map_err(|_| wrong())
            }
        }
    }

    fn uncertainty(&self, text: &str) -> Result<f64, Failure> {
        match self {
            Self::Alkalinity | Self::Element(_) | Self::Nitrate | Self::Phosphate => {
                self.value(text)
            }
            Self::Salinity | Self::Ph => parse_plain_number(text).map_err(usage),
            Self::Temperature => {
                let number = text.trim().trim_end_matches('C').trim();
                parse_plain_number(number).map_err(usage)
            }
        }
        .and_then(|value| {
            if value > 0.0 {
                Ok(value)
            } else {
                Err(usage(format!(
                    "an uncertainty of {text} is none; no test is exact, give what one reading can be off by"
                )))
            }
        })
    }

    fn usual_uncertainty(&self, value: f64) -> f64 {
        match self {
            Self::Alkalinity => ALKALINITY_UNCERTAINTY_DKH * crate::quantity::MEQ_PER_DKH,
            Self::Element(_) | Self::Nitrate | Self::Phosphate => value * CONCENTRATION_UNCERTAINTY,
            Self::Salinity => SALINITY_UNCERTAINTY,
            Self::Ph => PH_UNCERTAINTY,
            Self::Temperature => TEMPERATURE_UNCERTAINTY_C,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calcium() -> Measurand {
        Measurand::from_word("Ca").unwrap()
    }

    #[test]
    fn a_value_below_the_detection_limit_stays_one() {
        let iodine = Measurand::from_word("I").unwrap();
        let below = iodine.parse("<0.02 mg/L", None).unwrap();
        assert!(below.below);
        assert!(Measurand::Alkalinity.parse("<2 dKH", None).is_err());
    }

    #[test]
    fn a_ph_without_its_scale_is_not_taken() {
        assert!(Measurand::Ph.parse("8.2", None).is_err());
        assert!(Measurand::Ph.parse("8.2 electrode", None).is_err());
        let typed = Measurand::Ph.parse("8.2 nbs", None).unwrap();
        assert!((typed.value - 8.2).abs() < 1e-12);
        assert_eq!(typed.as_read, "8.2 nbs");
    }

    #[test]
    fn an_uncertainty_of_nothing_is_not_taken() {
        assert!(Measurand::Alkalinity.parse("8 dKH", Some("0 dKH")).is_err());
        assert!(calcium().parse("420 mg/L", Some("10 mg/L")).is_ok());
    }
}
