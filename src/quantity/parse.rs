//! Reading what people type: a number and its unit.
//!
//! A number is decimal digits with at most one point: `.5`, `0.5`, `5`, `5.`; a leading plus or minus is read. Commas,
//! exponents, other digits than 0 to 9, and anything after the unit are refused with the text as it was given, because a
//! dropped decimal point is a tenfold dose (a 2023 correction letter for an insulin app: `.5` became 5).

use thiserror::Error;

use super::{Alkalinity, Concentration, FlowRate, Millis, TankVolume, Volume};

/// Why a text is not a quantity.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum QuantityError {
    /// The text is no decimal number, or has no number.
    #[error(
        "\"{text}\" is not a number; write digits with at most one decimal point, then the unit: {units}"
    )]
    Number {
        text: String,
        /// The units accepted here.
        units: &'static str,
    },
    /// A number without a unit.
    #[error("\"{text}\" has no unit, and none is guessed; write one of: {units}")]
    NoUnit {
        text: String,
        /// The units accepted here.
        units: &'static str,
    },
    /// A unit that does not belong to this quantity.
    #[error("\"{text}\": unit \"{unit}\" is not one of: {units}")]
    Unit {
        text: String,
        /// The unit that was found.
        unit: String,
        /// The units accepted here.
        units: &'static str,
    },
    /// Right form, impossible size.
    #[error("\"{text}\" is out of range; give a value from {low} to {high}")]
    Range {
        text: String,
        /// Smallest accepted value with its unit.
        low: &'static str,
        /// Largest accepted value with its unit.
        high: &'static str,
    },
    #[error("\"{text}\" is not a name; use 1 to 32 of a-z, 0-9 and \"-\", beginning with a letter")]
    Name { text: String },
}

const VOLUME_UNITS: &str = "uL, mL, L";
const ALKALINITY_UNITS: &str = "dKH, meq/L, mg/L CaCO3";
const CONCENTRATION_UNITS: &str = "mg/L, ug/L";
const DURATION_UNITS: &str = "ms, s, min, h, d";
const FLOW_UNITS: &str = "mL/min, mL/s, L/h";
const TANK_UNITS: &str = "L";

fn shown(text: &str) -> String {
    text.chars().take(60).collect()
}

/// A plain decimal number with no unit, for example a ratio.
///
/// # Errors
/// [`QuantityError::Number`] unless the whole text is digits with at most one decimal point and an optional sign.
pub fn parse_plain_number(text: &str) -> Result<f64, QuantityError> {
    let (value, rest) = split_number(text.trim(), "none")?;
    if rest.is_empty() {
        Ok(value)
    } else {
        Err(QuantityError::Number {
            text: shown(text),
            units: "none",
        })
    }
}

/// Splits a leading decimal number from what follows it.
fn split_number<'a>(text: &'a str, units: &'static str) -> Result<(f64, &'a str), QuantityError> {
    let bad = || QuantityError::Number {
        text: shown(text),
        units,
    };
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let is_number = |c: char| c.is_ascii_digit() || c == '.';
    let number_length = unsigned.find(|c| !is_number(c)).unwrap_or(unsigned.len());
    let (number, rest) = unsigned.split_at(number_length);
    let points = number.matches('.').count();
    if points > 1 || !number.contains(|c: char| c.is_ascii_digit()) {
        return Err(bad());
    }
    // A comma or an exponent glued to the digits is a slip, not a unit.
    let exponent = rest
        .strip_prefix(['e', 'E'])
        .is_some_and(|r| r.starts_with(|c: char| c.is_ascii_digit() || c == '-' || c == '+'));
    let glued = exponent || rest.starts_with([',', '\'', '_']);
    if glued || number.len() > 18 {
        return Err(bad());
    }
    let value: f64 = number.parse().map_err(|_| bad())?;
    let value = if text.starts_with('-') { -value } else { value };
    Ok((value, rest.trim()))
}

/// Reads number and unit; `units` pairs each accepted spelling with its factor.
fn number_with_unit(
    text: &str,
    accepted: &[(&str, f64)],
    units: &'static str,
) -> Result<f64, QuantityError> {
    let (value, unit) = split_number(text.trim(), units)?;
    if unit.is_empty() {
        return Err(QuantityError::NoUnit {
            text: shown(text),
            units,
        });
    }
    let unit_folded = unit.split_whitespace().collect::<Vec<_>>().join(" ");
    accepted
        .iter()
        .find(|(spelling, _)| *spelling == unit_folded)
        .map(|(_, factor)| value * factor)
        .ok_or_else(|| QuantityError::Unit {
            text: shown(text),
            unit: shown(unit),
            units,
        })
}

/// A positive volume: `2.5 mL`, `250 uL`, `1 L`. Spellings `ml`, `l`, `µL` are read too.
///
/// # Errors
/// No number, no unit, another unit, zero, negative, over 1,000 L, or finer than a microlitre.
pub fn parse_volume(text: &str) -> Result<Volume, QuantityError> {
    let accepted = [
        ("uL", 1e-3),
        ("ul", 1e-3),
        ("\u{b5}L", 1e-3),
        ("\u{3bc}L", 1e-3),
        ("mL", 1.0),
        ("ml", 1.0),
        ("L", 1000.0),
        ("l", 1000.0),
    ];
    let ml = number_with_unit(text, &accepted, VOLUME_UNITS)?;
    let range = || QuantityError::Range {
        text: shown(text),
        low: "0.001 mL",
        high: "1000 L",
    };
    let volume = Volume::from_ml(ml).ok_or_else(range)?;
    let whole_microlitres = (volume.as_ml() - ml).abs() < 1e-9 * ml.abs().max(1.0);
    if volume <= Volume::ZERO || ml > 1e6 || !whole_microlitres {
        Err(range())
    } else {
        Ok(volume)
    }
}

/// Alkalinity: `8.1 dKH`, `2.9 meq/L`, `145 mg/L CaCO3`. Not negative.
///
/// # Errors
/// No number, no unit, another unit (`ppm` is not guessed to be CaCO3), or outside 0 to 56 dKH.
pub fn parse_alkalinity(text: &str) -> Result<Alkalinity, QuantityError> {
    let dkh = Alkalinity::from_dkh(1.0).as_meq_per_l();
    let caco3 = Alkalinity::from_mg_per_l_caco3(1.0).as_meq_per_l();
    let accepted = [
        ("dKH", dkh),
        ("dkh", dkh),
        ("\u{b0}dKH", dkh),
        ("meq/L", 1.0),
        ("meq/l", 1.0),
        ("mg/L CaCO3", caco3),
        ("mg/l CaCO3", caco3),
    ];
    let meq = number_with_unit(text, &accepted, ALKALINITY_UNITS)?;
    if (0.0..=20.0).contains(&meq) {
        Ok(Alkalinity::from_meq_per_l(meq))
    } else {
        Err(QuantityError::Range {
            text: shown(text),
            low: "0 meq/L",
            high: "20 meq/L (56 dKH)",
        })
    }
}

/// A concentration: `420 mg/L`, `60 ug/L`. Not negative. `ppm` is refused: it may mean mg/kg or mg/L.
///
/// # Errors
/// No number, no unit, another unit, or outside 0 to 100,000 mg/L.
pub fn parse_concentration(text: &str) -> Result<Concentration, QuantityError> {
    let accepted = [
        ("mg/L", 1.0),
        ("mg/l", 1.0),
        ("ug/L", 1e-3),
        ("ug/l", 1e-3),
        ("\u{b5}g/L", 1e-3),
        ("\u{3bc}g/L", 1e-3),
    ];
    let value = number_with_unit(text, &accepted, CONCENTRATION_UNITS)?;
    if (0.0..=100_000.0).contains(&value) {
        Ok(Concentration::from_mg_per_l(value))
    } else {
        Err(QuantityError::Range {
            text: shown(text),
            low: "0 mg/L",
            high: "100000 mg/L",
        })
    }
}

/// A duration: `30 s`, `15 min`, `24 h`, `14 d`, `250 ms`. Positive.
///
/// # Errors
/// No number, no unit, another unit, zero, negative, or over 10 years.
pub fn parse_duration(text: &str) -> Result<Millis, QuantityError> {
    let accepted = [
        ("ms", 1e-3),
        ("s", 1.0),
        ("min", 60.0),
        ("h", 3600.0),
        ("d", 86_400.0),
    ];
    let seconds = number_with_unit(text, &accepted, DURATION_UNITS)?;
    let range = || QuantityError::Range {
        text: shown(text),
        low: "1 ms",
        high: "3650 d",
    };
    let millis = Millis::from_secs_f64(seconds).ok_or_else(range)?;
    if millis <= Millis::ZERO || seconds > 3650.0 * 86_400.0 {
        Err(range())
    } else {
        Ok(millis)
    }
}

/// A flow rate: `29.5 mL/min`, `0.5 mL/s`, `1.8 L/h`.
///
/// # Errors
/// No number, no unit, another unit, or outside 0.05 to 500 mL/min, the range of dosing heads (a plausibility window, ours).
pub fn parse_flow_rate(text: &str) -> Result<FlowRate, QuantityError> {
    let accepted = [
        ("mL/min", 1.0),
        ("ml/min", 1.0),
        ("mL/s", 60.0),
        ("ml/s", 60.0),
        ("L/h", 1000.0 / 60.0),
        ("l/h", 1000.0 / 60.0),
    ];
    let value = number_with_unit(text, &accepted, FLOW_UNITS)?;
    if (0.05..=500.0).contains(&value) {
        Ok(FlowRate::from_ml_per_min(value))
    } else {
        Err(QuantityError::Range {
            text: shown(text),
            low: "0.05 mL/min",
            high: "500 mL/min",
        })
    }
}

/// A tank volume: `300 L`. Gallons are refused: there are two of them.
///
/// # Errors
/// No number, no unit, another unit, or outside 5 to 100,000 L.
pub fn parse_tank_volume(text: &str) -> Result<TankVolume, QuantityError> {
    let value = number_with_unit(text, &[("L", 1.0), ("l", 1.0)], TANK_UNITS)?;
    if (5.0..=100_000.0).contains(&value) {
        Ok(TankVolume::from_litres(value))
    } else {
        Err(QuantityError::Range {
            text: shown(text),
            low: "5 L",
            high: "100000 L",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn volumes_are_read_with_their_unit() {
        for (text, ul) in [
            ("2.5 mL", 2_500),
            ("2.5mL", 2_500),
            (".5 ml", 500),
            ("5. mL", 5_000),
            (" 0.5 mL ", 500),
            ("+.5 mL", 500),
            ("250 uL", 250),
            ("250 \u{b5}L", 250),
            ("1 L", 1_000_000),
            ("0.001 mL", 1),
        ] {
            assert_eq!(parse_volume(text).unwrap().as_ul(), ul, "{text}");
        }
    }

    /// Fault row FT-INFUS-02: each of these is read exactly or refused, never read as something else.
    #[test]
    fn a_doubtful_number_is_refused_and_never_read_as_another() {
        for text in [
            "0,5 mL",
            "5e-1 mL",
            "\u{661} mL",
            "..5 mL",
            "0..5 mL",
            "1.234,5 mL",
            "1 234 mL",
            "1_000 mL",
            "nan mL",
            "inf mL",
            "- mL",
            "",
            "mL",
            ".",
            "0x10 mL",
            "1'000 mL",
        ] {
            assert!(
                parse_volume(text).is_err(),
                "{text:?} was read as {:?}",
                parse_volume(text)
            );
        }
    }

    #[test]
    fn a_bare_number_is_an_error_that_lists_the_units() {
        let message = parse_volume("2.5").unwrap_err().to_string();
        assert!(
            message.contains("uL, mL, L") && message.contains("2.5"),
            "{message}"
        );
        assert!(
            parse_alkalinity("8")
                .unwrap_err()
                .to_string()
                .contains("dKH, meq/L, mg/L CaCO3")
        );
        assert!(
            parse_duration("30")
                .unwrap_err()
                .to_string()
                .contains("ms, s, min, h, d")
        );
    }

    #[test]
    fn another_unit_is_named_in_the_error() {
        let message = parse_alkalinity("145 ppm").unwrap_err().to_string();
        assert!(
            message.contains("\"ppm\"") && message.contains("mg/L CaCO3"),
            "{message}"
        );
        assert!(parse_tank_volume("80 gal").is_err());
        assert!(parse_volume("2.5 oz").is_err());
    }

    #[test]
    fn zero_negative_huge_and_too_fine_volumes_are_out_of_range() {
        for text in [
            "0 mL",
            "-1 mL",
            "1000.001 L",
            "0.0001 mL",
            "99999999999999999 L",
            "2.00001 mL",
        ] {
            assert!(
                matches!(parse_volume(text), Err(QuantityError::Range { .. })),
                "{text}"
            );
        }
    }

    #[test]
    fn the_three_alkalinity_units_name_the_same_water() {
        let dkh = parse_alkalinity("8 dKH").unwrap().as_meq_per_l();
        assert!((parse_alkalinity("2.85322 meq/L").unwrap().as_meq_per_l() - dkh).abs() < 1e-4);
        assert!(
            (parse_alkalinity("142.784 mg/L CaCO3")
                .unwrap()
                .as_meq_per_l()
                - dkh)
                .abs()
                < 1e-4
        );
    }

    proptest! {
        #[test]
        fn a_printed_volume_reads_back_as_itself(ul in 1_i64..1_000_000_000) {
            let volume = Volume::from_ul(ul);
            prop_assert_eq!(parse_volume(&volume.to_string()).unwrap(), volume);
        }

        #[test]
        fn no_text_makes_the_parsers_panic(text in "\\PC{0,40}") {
            let all = (parse_volume(&text).is_ok(), parse_alkalinity(&text).is_ok(), parse_duration(&text).is_ok(), parse_flow_rate(&text).is_ok(), parse_concentration(&text).is_ok());
            prop_assert!(all != (true, true, true, true, true));
        }
    }
}
