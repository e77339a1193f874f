//! Quantities as they are written down: bare numbers and words. The unit is in the name of the field that holds one.
//!
//! What is read is checked like anything typed: a number that is not finite, or a name that is none, is refused here, whichever door it
//! comes in by.

use std::borrow::Cow;

use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

use super::{Alkalinity, Concentration, FlowRate, Millis, Name, TankVolume, Volume};

/// A type that is written as one number.
macro_rules! written_as_number {
    ($($kind:ident: $number:ty, $from:ident, $to:ident, $unit:literal;)*) => {$(
        impl Serialize for $kind {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                self.$to().serialize(serializer)
            }
        }

        impl<'de> Deserialize<'de> for $kind {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let value = <$number>::deserialize(deserializer)?;
                if is_sound(value) {
                    Ok(Self::$from(value))
                } else {
                    Err(D::Error::custom(format!("{value} is no number of {}", $unit)))
                }
            }
        }

        impl JsonSchema for $kind {
            fn inline_schema() -> bool {
                true
            }

            fn schema_name() -> Cow<'static, str> {
                stringify!($kind).into()
            }

            fn json_schema(generator: &mut SchemaGenerator) -> Schema {
                <$number>::json_schema(generator)
            }
        }
    )*};
}

written_as_number! {
    Volume: i64, from_ul, as_ul, "microlitres";
    Millis: i64, new, as_ms, "milliseconds";
    Alkalinity: f64, from_dkh, as_dkh, "dKH";
    Concentration: f64, from_mg_per_l, as_mg_per_l, "mg/L";
    FlowRate: f64, from_ml_per_min, as_ml_per_min, "mL/min";
    TankVolume: f64, from_litres, as_litres, "litres";
}

/// Numbers that JSON readers keep exactly.
trait Sound: Copy {
    fn sound(self) -> bool;
}

impl Sound for i64 {
    fn sound(self) -> bool {
        self.unsigned_abs() < (1 << 53) || self == Self::MAX
    }
}

impl Sound for f64 {
    fn sound(self) -> bool {
        self.is_finite()
    }
}

fn is_sound(value: impl Sound) -> bool {
    value.sound()
}

impl Serialize for Name {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

impl<'de> Deserialize<'de> for Name {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::new(&text).map_err(D::Error::custom)
    }
}

impl JsonSchema for Name {
    fn inline_schema() -> bool {
        true
    }

    fn schema_name() -> Cow<'static, str> {
        "Name".into()
    }

    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        schemars::json_schema!({ "type": "string", "pattern": "^[a-z][a-z0-9-]{0,31}$" })
    }
}

/// Reads a volume that somebody asks for or tells.
///
/// # Errors
/// Of `deserializer`, and in words when it is not from 0.001 mL to 1000 L.
pub fn positive<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Volume, D::Error> {
    let volume = Volume::deserialize(deserializer)?;
    if volume.is_told() {
        Ok(volume)
    } else {
        Err(D::Error::custom(format!(
            "{volume} is out of range; give 0.001 mL to 1000 L"
        )))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_reads_back_as_itself() {
        let volume = Volume::from_ul(3_150);
        assert_eq!(serde_json::to_string(&volume).unwrap(), "3150");
        assert_eq!(serde_json::from_str::<Volume>("3150").unwrap(), volume);
        let level = Alkalinity::from_meq_per_l(2.9);
        let text = serde_json::to_string(&level).unwrap();
        assert_eq!(serde_json::from_str::<Alkalinity>(&text).unwrap(), level);
        let name: Name = serde_json::from_str("\"soda-ash\"").unwrap();
        assert_eq!(name.as_str(), "soda-ash");
    }

    #[test]
    fn what_is_no_quantity_is_refused_where_it_is_read() {
        assert!(serde_json::from_str::<Volume>("1.5").is_err());
        assert!(serde_json::from_str::<Volume>("9007199254740992").is_err());
        assert!(serde_json::from_str::<Alkalinity>("1e999").is_err());
        assert!(serde_json::from_str::<Name>("\"Soda ash\"").is_err());
    }
}
