//! How values are typed that a reading can have.

use crate::chemistry::{Measurand, Unit};
use crate::cli::Result;
use crate::cli::words::{celsius, dotted, salinity};
use crate::quantity::parse_plain_number;
use crate::record::{Found, Reading};

/// Usual standard uncertainties when none is given (common practice, no source).
const SALINITY_UNCERTAINTY: f64 = 0.5;
const PH_UNCERTAINTY: f64 = 0.1;
const TEMPERATURE_UNCERTAINTY_C: f64 = 0.3;

/// Reads a value of what `word` names, and its uncertainty; the usual one when that is left out.
pub(crate) fn reading(
    word: &str,
    text: &str,
    uncertainty: Option<&str>,
) -> Result<Reading, String> {
    let plain = dotted(text)?;
    let (of, below, plain) = measurand(word, &plain)?;
    if below && !of.has_detection_limit() {
        return Err(format!(
            "{of} is never below a detection limit; give its value"
        ));
    }
    let value = value(&of, plain)?;
    let found = if below {
        Found::Below(value)
    } else {
        let uncertainty = match uncertainty {
            Some(text) => told_uncertainty(&of, &dotted(text)?)?,
            None => usual_uncertainty(&of, value),
        };
        Found::Value { value, uncertainty }
    };
    // Only these two can be read on more than one scale.
    let scaled = matches!(of, Measurand::Salinity) && plain.contains(' ');
    Ok(Reading {
        found,
        step: None,
        as_read: if scaled { text.trim() } else { "" }.to_owned(),
        of,
    })
}

/// What is measured, whether it is below a limit, and the number with its unit: a pH has its scale behind it.
fn measurand<'a>(word: &str, text: &'a str) -> Result<(Measurand, bool, &'a str), String> {
    let text = text.trim();
    let (below, plain) = text
        .strip_prefix('<')
        .map_or((false, text), |rest| (true, rest.trim()));
    if !matches!(word, "pH" | "ph") {
        return Ok((Measurand::new(word, None)?, below, plain));
    }
    let (number, scale) = plain.split_once(' ').unwrap_or((plain, ""));
    let scale = scale.trim().to_lowercase();
    let of = Measurand::new(word, Some(&scale)).map_err(|why| {
        format!("\"{text}\" is no pH with its scale; write for example \"8.2 nbs\" or \"8.05 total\": {why}")
    })?;
    Ok((of, below, number))
}

fn value(of: &Measurand, text: &str) -> Result<f64, String> {
    let found = match of {
        Measurand::Of(of) => of.unit().parse(text),
        Measurand::Nitrate | Measurand::Phosphate => Unit::MgPerL.parse(text),
        Measurand::Salinity => return Ok(salinity(text)?.as_practical()),
        Measurand::Temperature => return Ok(celsius(text)?.as_degrees()),
        Measurand::Ph(_) => parse_plain_number(text),
    };
    found.map_err(|error| error.to_string())
}

fn told_uncertainty(of: &Measurand, text: &str) -> Result<f64, String> {
    let found = amount_told(of, text)?;
    if found > 0.0 {
        return Ok(found);
    }
    Err(format!(
        "an uncertainty of {text} is none; no test is exact, give what one reading can be off by"
    ))
}

/// A difference in the measurand's unit.
pub(crate) fn amount_told(of: &Measurand, text: &str) -> Result<f64, String> {
    match of {
        Measurand::Of(_) | Measurand::Nitrate | Measurand::Phosphate => value(of, text),
        Measurand::Salinity | Measurand::Ph(_) | Measurand::Temperature => {
            let number = text.trim().trim_end_matches('C').trim();
            parse_plain_number(number).map_err(|error| error.to_string())
        }
    }
}

fn usual_uncertainty(of: &Measurand, value: f64) -> f64 {
    match of {
        Measurand::Of(of) => of.unit().usual_uncertainty(value),
        Measurand::Nitrate | Measurand::Phosphate => Unit::MgPerL.usual_uncertainty(value),
        Measurand::Salinity => SALINITY_UNCERTAINTY,
        Measurand::Ph(_) => PH_UNCERTAINTY,
        Measurand::Temperature => TEMPERATURE_UNCERTAINTY_C,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_below_the_detection_limit_stays_one() {
        let below = reading("I", "<0.02 mg/L", None).unwrap();
        assert_eq!(below.found, Found::Below(0.02));
        assert!(reading("alkalinity", "<2 dKH", None).is_err());
    }

    #[test]
    fn a_ph_without_its_scale_is_not_taken() {
        assert!(reading("pH", "8.2", None).is_err());
        assert!(reading("pH", "8.2 electrode", None).is_err());
        let typed = reading("pH", "8.2 nbs", None).unwrap();
        assert!((typed.found.amount().0 - 8.2).abs() < 1e-12);
        assert_eq!(typed.of.unit(), "nbs");
    }

    #[test]
    fn an_uncertainty_of_nothing_is_not_taken() {
        assert!(reading("alkalinity", "8 dKH", Some("0 dKH")).is_err());
        assert!(reading("Ca", "420 mg/L", Some("10 mg/L")).is_ok());
    }

    #[test]
    fn a_decimal_comma_is_understood_where_it_can_be_nothing_else() {
        let value = |text| reading("Ca", text, None).map(|r| r.found.amount().0);
        assert_eq!(value("412,5 mg/L"), Ok(412.5));
        assert_eq!(value("0,125 mg/L"), Ok(0.125));
        assert_eq!(value("1290,125 mg/L"), Ok(1290.125));
        let asked = value("1,290 mg/L").unwrap_err();
        assert!(asked.contains("1.290") && asked.contains("1290"), "{asked}");
        assert!(value("1.290,5 mg/L").is_err());
        assert_eq!(
            reading("alkalinity", "8,1 dKH", Some("0,2 dKH"))
                .unwrap()
                .to_string(),
            "alkalinity 8.10 dKH +- 0.20 dKH"
        );
    }
}
