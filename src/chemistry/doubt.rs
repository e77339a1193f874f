//! Values that look like a slip of the finger or of the unit, and are asked about before they count.

use super::measurand::Measurand;
use super::natural::{Sureness, natural_level};
use super::quantity::Quantity;

/// A value this many times the last one, or less than one in as many, may be a decimal point in the wrong place. Ours.
const SLIP_FACTOR: f64 = 5.0;

/// A value this many times the natural one, or a lab's that of the report before, or less than one in as many, may be another unit or
/// decimal sign. Wider than for a test, because traces swing. Ours.
const FAR_FACTOR: f64 = 10.0;

/// An alkalinity this far from the last one is asked about, dKH. Ours.
const FAR_DKH: f64 = 3.0;

/// Who found a value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Finder {
    Test,
    Lab,
}

/// Why a value should be asked about; `None` when nothing speaks against it. `last` is the newest earlier one: of a lab's, that of the
/// report before.
pub fn doubt(of: &Measurand, value: f64, last: Option<f64>, by: Finder) -> Option<String> {
    let shown = of.shown(value);
    if let Some((low, high)) = of.plausible()
        && !(low..=high).contains(&value)
    {
        return Some(format!(
            "{of} {shown} is outside {} to {}, where reef tanks lie; is the unit right?",
            of.shown(low),
            of.shown(high)
        ));
    }
    let last = last.filter(|last| *last > 0.0);
    if let (Measurand::Of(Quantity::Alkalinity), Some(last)) = (of, last)
        && (value - last).abs() > FAR_DKH
    {
        return Some(format!(
            "{of} {shown} is more than {FAR_DKH} dKH away from the last reading ({})",
            of.shown(last)
        ));
    }
    let off = |known: Option<f64>, factor: f64, what: &str, right: &str| {
        let known = known?;
        let times = value / known;
        (times >= factor || times <= 1.0 / factor).then(|| {
            format!(
                "{of} {shown} is {times:.3} times {what} ({}); {right}",
                of.shown(known)
            )
        })
    };
    // Surface water has much less of some than the mean that is known, and tanks have more: nothing follows from those.
    let element = of.quantity().and_then(Quantity::element);
    let natural = element
        .and_then(natural_level)
        .filter(|level| level.sureness != Sureness::CeilingOnly)
        .map(|level| level.mg_per_kg_at_35);
    let units = "are the unit and the decimal sign right?";
    let (factor, before, right) = match by {
        Finder::Test => (
            SLIP_FACTOR,
            "the last reading",
            "is the decimal point right?",
        ),
        Finder::Lab => (FAR_FACTOR, "that of the report before", units),
    };
    off(natural, FAR_FACTOR, "that of natural seawater", units)
        .or_else(|| off(last, factor, before, right))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn test(word: &str, value: f64, last: Option<f64>) -> Option<String> {
        doubt(
            &Measurand::new(word, None).unwrap(),
            value,
            last,
            Finder::Test,
        )
    }

    #[test]
    fn a_tenfold_slip_against_the_last_reading_is_asked_about() {
        assert!(test("I", 0.4, Some(0.05)).is_some());
        assert!(test("I", 0.4, Some(0.1)).is_none());
        assert!(test("I", 0.4, None).is_none());
        assert!(test("I", 0.005, Some(0.05)).is_some());
    }

    #[test]
    fn a_value_that_no_reef_has_is_asked_about() {
        for (word, none, some) in [
            ("alkalinity", 2.9, 8.0),
            ("salinity", 1.026, 35.0),
            ("temperature", 77.0, 25.0),
            ("nitrate", 500.0, 5.0),
            ("phosphate", 20.0, 0.05),
        ] {
            assert!(test(word, none, None).is_some(), "{word}");
            assert_eq!(test(word, some, None), None);
        }
        let ph = Measurand::new("pH", Some("total")).unwrap();
        assert!(doubt(&ph, 81.0, None, Finder::Test).is_some());
        // 420 ug/L where mg/L was meant.
        assert!(test("Ca", 0.42, None).is_some());
        assert_eq!(test("Ca", 420.0, Some(415.0)), None);
    }

    #[test]
    fn a_lab_value_ten_times_off_nature_or_the_report_before_is_asked_about() {
        let of = |symbol: &str, mg, before| {
            doubt(
                &Measurand::new(symbol, None).unwrap(),
                mg,
                before,
                Finder::Lab,
            )
        };
        // 1.290 read as a decimal dot where 1290 was meant.
        assert!(of("Mg", 1.29, None).is_some());
        assert_eq!(of("Mg", 1290.0, Some(1310.0)), None);
        // Natural bromide is 69 mg/L, and no range of reef tanks is known.
        assert!(of("Br", 6.5, None).unwrap().contains("natural"));
        // The natural level of zinc is a ceiling of surface water only, so the report before is all there is.
        assert_eq!(of("Zn", 0.02, None), None);
        assert_eq!(of("Zn", 0.02, Some(0.004)), None);
        assert!(
            of("Zn", 0.02, Some(0.002))
                .unwrap()
                .contains("report before")
        );
    }

    #[test]
    fn a_test_ten_times_off_nature_is_asked_about_too() {
        assert!(test("Br", 6.5, None).unwrap().contains("natural"));
        assert_eq!(test("Br", 65.0, None), None);
    }

    #[test]
    fn an_alkalinity_three_degrees_from_the_last_one_is_asked_about() {
        assert!(test("alkalinity", 11.1, Some(8.0)).is_some());
        assert_eq!(test("alkalinity", 10.9, Some(8.0)), None);
    }
}
