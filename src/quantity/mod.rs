//! Quantities with their units: volumes, durations, alkalinity, concentrations, rates.
//!
//! Terms: a *volume* is a whole number of microlitres, so that books add up exactly; *alkalinity* is kept in
//! dKH and read in meq/L or mg/L as CaCO3 too; *elapsed* time is milliseconds on a clock that never steps.
//! Nothing here guesses a unit: a bare number where a unit is needed is an error that lists the units.
//! This module does no I/O and knows nothing of tanks, lines or plans.

mod amount;
mod convert;
mod local;
mod parse;
mod said;
mod serial;
mod shown;
mod volume;
mod words;

pub(crate) use amount::measured;
pub use amount::{
    Alkalinity, Concentration, FlowRate, Kelvins, MEQ_PER_DKH, MG_CACO3_PER_MEQ, TankVolume,
};
pub use convert::{f64_from_i64, f64_from_usize, i64_from_f64};
pub use local::local;
pub use parse::{
    QuantityError, parse_alkalinity, parse_concentration, parse_duration, parse_flow_rate,
    parse_plain_number, parse_tank_volume, parse_volume,
};
pub(crate) use said::{said, worded};
pub use serial::positive;
pub use shown::{Known, KnownSecond, Ml, Second};
pub use volume::{Millis, Volume};
pub use words::{Lines, Words};

use std::fmt;
use std::sync::Arc;

/// The name of a line, head, solution, reservoir or input: lower-case letters, digits and hyphens, 1 to 32 of them.
///
/// Cheap to clone; ordered by text so that maps of names iterate the same way in every run.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(Arc<str>);

impl Name {
    /// Longest name, in characters.
    pub const LENGTH_MAX: usize = 32;

    /// Stands where no line, head or bottle was: something was added by hand.
    pub fn by_hand() -> Self {
        Self("by-hand".into())
    }

    /// Makes a name from text.
    ///
    /// # Errors
    /// [`QuantityError::Name`] when the text is empty, too long, or has a character other than `a-z`, `0-9`, `-`,
    /// or does not begin with a letter.
    pub fn new(text: &str) -> Result<Self, QuantityError> {
        let allowed = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        let good = !text.is_empty()
            && text.len() <= Self::LENGTH_MAX
            && text.starts_with(|c: char| c.is_ascii_lowercase())
            && text.chars().all(allowed);
        if good {
            Ok(Self(text.into()))
        } else {
            Err(QuantityError::Name {
                text: text.chars().take(60).collect(),
            })
        }
    }

    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// With its first letter as a capital.
pub fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Names, separated by commas.
pub fn listed<'a>(names: impl IntoIterator<Item = &'a Name>) -> String {
    let names: Vec<&str> = names.into_iter().map(Name::as_str).collect();
    names.join(", ")
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Debug for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "\"{}\"", self.0)
    }
}

/// A name that is one, for tests.
#[cfg(test)]
pub(crate) fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_takes_lower_case_letters_digits_and_hyphens_only() {
        assert_eq!(Name::new("alkalinity-2").unwrap().as_str(), "alkalinity-2");
        for bad in [
            "",
            "Alk",
            "2nd",
            "a b",
            "a/b",
            "a\u{e9}",
            "-a",
            &"a".repeat(33),
        ] {
            assert!(Name::new(bad).is_err(), "{bad:?} was taken");
        }
    }
}
