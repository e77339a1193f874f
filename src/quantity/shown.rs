//! Quantities as displays read them: numbers with few decimals, in the unit that the field's name says. Unknown is null, and so is a
//! number that is not finite.
//!
//! For `#[serde(with = "...")]`, which takes the JSON schema along.

use std::borrow::Cow;

use jiff::Timestamp;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::{Alkalinity, Concentration, FlowRate, Volume};

/// What is shown as one number.
pub(crate) trait Shown: Sized {
    const DECIMALS: i32;
    fn number(&self) -> f64;
    fn of(number: f64) -> Option<Self>;
}

/// In mL: exact, since its microlitres are the third decimal.
impl Shown for Volume {
    const DECIMALS: i32 = 3;

    fn number(&self) -> f64 {
        self.as_ml()
    }

    fn of(number: f64) -> Option<Self> {
        Self::from_ml(number)
    }
}

macro_rules! shown {
    ($($kind:ty: $decimals:literal, $to:expr, $of:expr;)*) => {$(
        impl Shown for $kind {
            const DECIMALS: i32 = $decimals;

            fn number(&self) -> f64 {
                $to(*self)
            }

            fn of(number: f64) -> Option<Self> {
                Some($of(number))
            }
        }
    )*};
}

shown! {
    Alkalinity: 3, Alkalinity::as_dkh, Alkalinity::from_dkh;
    Concentration: 6, Concentration::as_mg_per_l, Concentration::from_mg_per_l;
    FlowRate: 3, FlowRate::as_ml_per_min, FlowRate::from_ml_per_min;
    f64: 2, std::convert::identity, std::convert::identity;
}

/// A volume that is known, in mL.
#[derive(Debug)]
pub struct Ml;

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde passes so")]
impl Ml {
    pub(crate) fn serialize<S: Serializer>(volume: &Volume, out: S) -> Result<S::Ok, S::Error> {
        volume.as_ml().serialize(out)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Volume, D::Error> {
        let ml = f64::deserialize(from)?;
        Volume::from_ml(ml).ok_or_else(|| D::Error::custom(format!("{ml} is no number of mL")))
    }
}

/// A quantity that may be unknown.
#[derive(Debug)]
pub struct Known;

#[expect(clippy::ref_option, reason = "serde passes so")]
impl Known {
    pub(crate) fn serialize<T: Shown, S: Serializer>(
        value: &Option<T>,
        out: S,
    ) -> Result<S::Ok, S::Error> {
        let factor = 10_f64.powi(T::DECIMALS);
        // Zero never shows a sign: -0.0 + 0.0 is 0.0.
        let rounded = |value: &T| (value.number() * factor).round() / factor + 0.0;
        let number = value.as_ref().map(rounded).filter(|n| n.is_finite());
        number.serialize(out)
    }

    pub(crate) fn deserialize<'de, T: Shown, D: Deserializer<'de>>(
        from: D,
    ) -> Result<Option<T>, D::Error> {
        Ok(Option::<f64>::deserialize(from)?.and_then(T::of))
    }
}

/// An instant, to the second, in UTC.
#[derive(Debug)]
pub struct Second;

fn to_second(at: Timestamp) -> Timestamp {
    Timestamp::from_second(at.as_second()).unwrap_or(at)
}

impl Second {
    pub(crate) fn serialize<S: Serializer>(at: &Timestamp, out: S) -> Result<S::Ok, S::Error> {
        to_second(*at).serialize(out)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Timestamp, D::Error> {
        Timestamp::deserialize(from)
    }
}

/// An instant that may be unknown.
#[derive(Debug)]
pub struct KnownSecond;

#[expect(clippy::ref_option, reason = "serde passes so")]
impl KnownSecond {
    pub(crate) fn serialize<S: Serializer>(
        at: &Option<Timestamp>,
        out: S,
    ) -> Result<S::Ok, S::Error> {
        at.map(to_second).serialize(out)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<Option<Timestamp>, D::Error> {
        Option::deserialize(from)
    }
}

/// The shape of what a marker writes.
macro_rules! shaped {
    ($($kind:ident: $shape:tt;)*) => {$(
        impl JsonSchema for $kind {
            fn inline_schema() -> bool {
                true
            }

            fn schema_name() -> Cow<'static, str> {
                stringify!($kind).into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!($shape)
            }
        }
    )*};
}

shaped! {
    Ml: { "type": "number" };
    Known: { "type": ["number", "null"] };
    Second: { "type": "string", "format": "date-time" };
    KnownSecond: { "type": ["string", "null"], "format": "date-time" };
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Serialize, Deserialize, PartialEq, Debug)]
    struct Both {
        #[serde(with = "Ml")]
        given_ml: Volume,
        #[serde(with = "Known")]
        level_dkh: Option<Alkalinity>,
    }

    #[test]
    fn every_microlitre_comes_back_and_what_is_not_finite_is_unknown() {
        for ul in [0, 1, -1, 999, 12_345, 9_876_543_211] {
            let shown = Both {
                given_ml: Volume::from_ul(ul),
                level_dkh: Some(Alkalinity::from_dkh(7.85)),
            };
            let text = serde_json::to_string(&shown).unwrap();
            assert_eq!(serde_json::from_str::<Both>(&text).unwrap(), shown);
            let decimals = text.split(['.', ',']).nth(1).unwrap();
            assert!(decimals.len() <= 3, "{text}");
        }
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e308] {
            let shown = Both {
                given_ml: Volume::ZERO,
                level_dkh: Some(Alkalinity::from_meq_per_l(bad)),
            };
            let text = serde_json::to_string(&shown).unwrap();
            assert_eq!(text, r#"{"given_ml":0.0,"level_dkh":null}"#);
        }
        assert!(serde_json::from_str::<Both>(r#"{"given_ml":null,"level_dkh":1}"#).is_err());
        assert!(serde_json::from_str::<Both>(r#"{"given_ml":1e300,"level_dkh":1}"#).is_err());
    }
}
