//! Values that look like a slip of the finger or of the unit, and are asked about before they count.

use super::show::figures;

/// A value this many times the last one, or less than one in as many, may be a decimal point in the wrong place. Ours.
const SLIP_FACTOR: f64 = 5.0;

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
