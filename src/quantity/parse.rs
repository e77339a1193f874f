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
    #[error(
        "\"{text}\" has a comma in its number; write decimals behind a point, as in 2.5, and thousands without a mark"
    )]
    Comma { text: String },
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
    /// A figure that would have to be rounded, and so was not meant.
    #[error("\"{text}\" is finer than can be held: {limit}")]
    Fine {
        text: String,
        /// How finely it is held.
        limit: &'static str,
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

/// Decimal figures that a floating-point number always gives back as they were (IEEE 754, binary64).
const FIGURES_MAX: u32 = 15;

fn shown(text: &str) -> String {
    text.chars().take(60).collect()
}

/// A number as it was written.
struct Figures {
    value: f64,
    /// All its digits as one whole number, and how many of them are behind the point; zeros at the end left out.
    digits: i64,
    decimals: u32,
}

impl Figures {
    /// As a floating-point number, if it has no more figures than that holds.
    fn float(&self, text: &str) -> Result<f64, QuantityError> {
        if self.digits.unsigned_abs() < 10_u64.pow(FIGURES_MAX) {
            return Ok(self.value);
        }
        Err(QuantityError::Fine {
            text: shown(text),
            limit: "give 15 figures at most",
        })
    }
}

/// A plain decimal number with no unit, for example a ratio.
///
/// # Errors
/// [`QuantityError::Number`] unless the whole text is digits with at most one decimal point and an optional sign; more than 15 figures.
pub fn parse_plain_number(text: &str) -> Result<f64, QuantityError> {
    let (figures, rest) = split_number(text.trim(), "none")?;
    if rest.is_empty() {
        figures.float(text)
    } else {
        Err(QuantityError::Number {
            text: shown(text),
            units: "none",
        })
    }
}

/// Splits a leading decimal number from what follows it.
fn split_number<'a>(
    text: &'a str,
    units: &'static str,
) -> Result<(Figures, &'a str), QuantityError> {
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
    let digit = |c: char| c.is_ascii_digit();
    if rest.strip_prefix(',').is_some_and(|r| r.starts_with(digit)) {
        return Err(QuantityError::Comma { text: shown(text) });
    }
    let glued = exponent || rest.starts_with([',', '\'', '_']);
    if glued || number.len() > 18 {
        return Err(bad());
    }
    let (whole, fraction) = number.split_once('.').unwrap_or((number, ""));
    let fraction = fraction.trim_end_matches('0');
    let digits = format!("0{whole}{fraction}").parse().map_err(|_| bad())?;
    let value: f64 = number.parse().map_err(|_| bad())?;
    let sign = if text.starts_with('-') { -1 } else { 1 };
    let figures = Figures {
        value: value * f64::from(sign),
        digits: i64::from(sign).saturating_mul(digits),
        decimals: u32::try_from(fraction.len()).map_err(|_| bad())?,
    };
    Ok((figures, rest.trim()))
}

/// Reads number and unit; `accepted` pairs each unit with its factor. A litre is also written `l`, a micro also as the Greek letter.
fn figures_with_unit<T: Copy>(
    text: &str,
    accepted: &[(&str, T)],
    units: &'static str,
) -> Result<(Figures, T), QuantityError> {
    let (figures, unit) = split_number(text.trim(), units)?;
    if unit.is_empty() {
        return Err(QuantityError::NoUnit {
            text: shown(text),
            units,
        });
    }
    let spelt = unit.split_whitespace().collect::<Vec<_>>().join(" ");
    let spelt = spelt.replace(['\u{b5}', '\u{3bc}'], "u").replace('l', "L");
    let known = accepted.iter().find(|(known, _)| *known == spelt);
    match known {
        Some((_, factor)) => Ok((figures, *factor)),
        None => Err(QuantityError::Unit {
            text: shown(text),
            unit: shown(unit),
            units,
        }),
    }
}

fn number_with_unit(
    text: &str,
    accepted: &[(&str, f64)],
    units: &'static str,
) -> Result<f64, QuantityError> {
    let (figures, factor) = figures_with_unit(text, accepted, units)?;
    Ok(figures.float(text)? * factor)
}

/// What is counted in whole parts, exactly: `accepted` says how many parts each unit has. `None` when it cannot be counted.
fn parts_with_unit(
    text: &str,
    accepted: &[(&str, i64)],
    units: &'static str,
    limit: &'static str,
) -> Result<Option<i64>, QuantityError> {
    let (figures, factor) = figures_with_unit(text, accepted, units)?;
    let parts = i128::from(figures.digits) * i128::from(factor);
    let tens = 10_i128.pow(figures.decimals);
    if parts % tens == 0 {
        return Ok(i64::try_from(parts / tens).ok());
    }
    Err(QuantityError::Fine {
        text: shown(text),
        limit,
    })
}

/// A value that may be, or that it is out of range.
fn in_range<T>(
    value: Option<T>,
    text: &str,
    (low, high): (&'static str, &'static str),
) -> Result<T, QuantityError> {
    value.ok_or_else(|| QuantityError::Range {
        text: shown(text),
        low,
        high,
    })
}

/// A positive volume: `2.5 mL`, `250 uL`, `1 L`. Spellings `ml`, `l`, `µL` are read too.
///
/// # Errors
/// No number, no unit, another unit, zero, negative, over 1,000 L, or finer than a microlitre.
pub fn parse_volume(text: &str) -> Result<Volume, QuantityError> {
    let accepted = [("uL", 1), ("mL", 1_000), ("L", 1_000_000)];
    let limit = "a volume is whole microlitres, at most three decimals of a mL";
    let ul = parts_with_unit(text, &accepted, VOLUME_UNITS, limit)?;
    let told = ul.map(Volume::from_ul).filter(|v| v.is_told());
    in_range(told, text, ("0.001 mL", "1000 L"))
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
        ("mg/L CaCO3", caco3),
    ];
    let meq = number_with_unit(text, &accepted, ALKALINITY_UNITS)?;
    let told = (0.0..=20.0).contains(&meq);
    let told = told.then(|| Alkalinity::from_meq_per_l(meq));
    in_range(told, text, ("0 meq/L", "20 meq/L (56 dKH)"))
}

/// A concentration: `420 mg/L`, `60 ug/L`. Not negative. `ppm` is refused: it may mean mg/kg or mg/L.
///
/// # Errors
/// No number, no unit, another unit, or outside 0 to 100,000 mg/L.
pub fn parse_concentration(text: &str) -> Result<Concentration, QuantityError> {
    let value = number_with_unit(text, &[("mg/L", 1.0), ("ug/L", 1e-3)], CONCENTRATION_UNITS)?;
    let told = (0.0..=100_000.0).contains(&value);
    let told = told.then(|| Concentration::from_mg_per_l(value));
    in_range(told, text, ("0 mg/L", "100000 mg/L"))
}

/// A duration: `30 s`, `15 min`, `24 h`, `14 d`, `250 ms`. Positive.
///
/// # Errors
/// No number, no unit, another unit, zero, negative, or over 10 years.
pub fn parse_duration(text: &str) -> Result<Millis, QuantityError> {
    let accepted = [
        ("ms", 1),
        ("s", 1_000),
        ("min", 60_000),
        ("h", 3_600_000),
        ("d", 86_400_000),
    ];
    let limit = "a time is whole milliseconds";
    let ms = parts_with_unit(text, &accepted, DURATION_UNITS, limit)?;
    let range = Millis::new(1)..=Millis::new(3650 * 86_400_000);
    let told = ms.map(Millis::new).filter(|time| range.contains(time));
    in_range(told, text, ("1 ms", "3650 d"))
}

/// A flow rate: `29.5 mL/min`, `0.5 mL/s`, `1.8 L/h`.
///
/// # Errors
/// No number, no unit, another unit, or outside 0.05 to 500 mL/min, the range of dosing heads (a plausibility window, ours).
pub fn parse_flow_rate(text: &str) -> Result<FlowRate, QuantityError> {
    let accepted = [("mL/min", 1.0), ("mL/s", 60.0), ("L/h", 1000.0 / 60.0)];
    let value = number_with_unit(text, &accepted, FLOW_UNITS)?;
    let told = (0.05..=500.0).contains(&value);
    let told = told.then(|| FlowRate::from_ml_per_min(value));
    in_range(told, text, ("0.05 mL/min", "500 mL/min"))
}

/// A tank volume: `300 L`. Gallons are refused: there are two of them.
///
/// # Errors
/// No number, no unit, another unit, or outside 5 to 100,000 L.
pub fn parse_tank_volume(text: &str) -> Result<TankVolume, QuantityError> {
    let value = number_with_unit(text, &[("L", 1.0)], TANK_UNITS)?;
    let told = (5.0..=100_000.0).contains(&value);
    let told = told.then(|| TankVolume::from_litres(value));
    in_range(told, text, ("5 L", "100000 L"))
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
    fn zero_negative_and_huge_volumes_are_out_of_range() {
        for text in ["0 mL", "-1 mL", "1000.001 L", "99999999999999999 L"] {
            assert!(
                matches!(parse_volume(text), Err(QuantityError::Range { .. })),
                "{text}"
            );
        }
    }

    #[test]
    fn a_figure_finer_than_can_be_held_is_refused_with_how_fine_it_may_be() {
        for text in [
            "0.0001 mL",
            "2.00001 mL",
            "2.0000000001 mL",
            "0.5 uL",
            "0.0000001 L",
        ] {
            let message = parse_volume(text).unwrap_err().to_string();
            assert!(
                message.contains("at most three decimals of a mL"),
                "{message}"
            );
        }
        assert_eq!(parse_volume("2.00000000000000 mL").unwrap().as_ul(), 2_000);
        assert!(parse_duration("1.0004 s").is_err() && parse_duration("0.00001 min").is_err());
        assert_eq!(parse_duration("0.05 min").unwrap(), Millis::from_secs(3));
        let many = "8.1000000000000001";
        for message in [
            parse_alkalinity(&format!("{many} dKH"))
                .unwrap_err()
                .to_string(),
            parse_concentration(&format!("{many} mg/L"))
                .unwrap_err()
                .to_string(),
            parse_flow_rate(&format!("{many} mL/min"))
                .unwrap_err()
                .to_string(),
            parse_tank_volume(&format!("{many} L"))
                .unwrap_err()
                .to_string(),
            parse_plain_number(many).unwrap_err().to_string(),
        ] {
            assert!(message.contains("15 figures at most"), "{message}");
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
