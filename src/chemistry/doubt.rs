//! Values that look like a slip of the finger or of the unit, and are asked about before they count.

use super::natural::{Sureness, natural_level};
use super::show::figures;
use super::solution::Element;

/// A value this many times the last one, or less than one in as many, may be a decimal point in the wrong place. Ours.
const SLIP_FACTOR: f64 = 5.0;

/// A lab's value this many times the natural one or that of the report before, or less than one in as many, may be another unit or decimal
/// sign. Wider than for one test, because traces swing. Ours.
const LAB_FACTOR: f64 = 10.0;

/// Where values of a reef tank lie, by the word and in the unit of the record; outside, the unit or the test is wrong more often than the
/// water (ours). `None` for what is not known to lie anywhere.
fn plausible(word: &str) -> Option<(f64, f64)> {
    match word {
        "alkalinity" => Some((
            3.0 * crate::quantity::MEQ_PER_DKH,
            20.0 * crate::quantity::MEQ_PER_DKH,
        )),
        "salinity" => Some((25.0, 42.0)),
        "pH" => Some((7.2, 8.9)),
        "temperature" => Some((18.0, 32.0)),
        "nitrate" => Some((0.0, 200.0)),
        "phosphate" => Some((0.0, 5.0)),
        "Ca" | "calcium" | "K" | "potassium" => Some((200.0, 700.0)),
        "Mg" | "magnesium" => Some((700.0, 2000.0)),
        "Sr" | "strontium" => Some((1.0, 30.0)),
        "I" | "iodine" => Some((0.0, 0.5)),
        _ => None,
    }
}

/// The unit of such a value in the record; empty for what has none.
fn unit(word: &str) -> &'static str {
    match word {
        "alkalinity" => " meq/L",
        "salinity" | "pH" => "",
        "temperature" => " C",
        _ => " mg/L",
    }
}

/// Why a value should be asked about; `None` when nothing speaks against it. `last` is the newest earlier one, in the same unit.
pub fn doubt(word: &str, value: f64, last: Option<f64>) -> Option<String> {
    let unit = unit(word);
    if let Some((low, high)) = plausible(word)
        && !(low..=high).contains(&value)
    {
        return Some(format!(
            "{word} {}{unit} is outside {} to {}{unit}, where reef tanks lie; is the unit right?",
            figures(value),
            figures(low),
            figures(high)
        ));
    }
    let last = last.filter(|v| *v > 0.0)?;
    let factor = value / last;
    (factor >= SLIP_FACTOR || factor <= 1.0 / SLIP_FACTOR).then(|| {
        format!(
            "{word} {}{unit} is {factor:.2} times the last reading ({}{unit}); is the decimal point right?",
            figures(value),
            figures(last)
        )
    })
}

/// Why a lab's value should be asked about, mg/L. `before` is that of the report before.
pub fn doubt_of_lab(element: &Element, mg_per_l: f64, before: Option<f64>) -> Option<String> {
    if let Some(why) = doubt(element.symbol(), mg_per_l, None) {
        return Some(why);
    }
    // Surface water has much less of some than the mean that is known, and tanks have more: nothing follows from those.
    let natural = natural_level(element)
        .filter(|level| level.sureness != Sureness::CeilingOnly)
        .map(|level| level.mg_per_kg_at_35);
    let off = |known: Option<f64>, what: &str| {
        let known = known.filter(|known| *known > 0.0)?;
        let factor = mg_per_l / known;
        (factor >= LAB_FACTOR || factor <= 1.0 / LAB_FACTOR).then(|| {
            format!(
                "{element} {} mg/L is {factor:.3} times {what} ({} mg/L); are the unit and the decimal sign right?",
                figures(mg_per_l),
                figures(known)
            )
        })
    };
    off(natural, "that of natural seawater").or_else(|| off(before, "that of the report before"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tenfold_slip_against_the_last_reading_is_asked_about() {
        assert!(doubt("I", 0.4, Some(0.05)).is_some());
        assert!(doubt("I", 0.4, Some(0.1)).is_none());
        assert!(doubt("I", 0.4, None).is_none());
        assert!(doubt("I", 0.005, Some(0.05)).is_some());
    }

    #[test]
    fn a_value_that_no_reef_has_is_asked_about() {
        // 420 ug/L where mg/L was meant.
        assert!(doubt("Ca", 0.42, None).is_some());
        assert_eq!(doubt("Ca", 420.0, Some(415.0)), None);
    }

    #[test]
    fn a_lab_value_ten_times_off_nature_or_the_report_before_is_asked_about() {
        let of =
            |symbol: &str, mg, before| doubt_of_lab(&Element::new(symbol).unwrap(), mg, before);
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
}
