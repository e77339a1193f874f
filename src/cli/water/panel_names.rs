//! What the rows of a lab report are called.

use crate::chemistry::{Element, Measurand, Quantity};

/// Names in other spellings and languages, by the symbol: what labs write besides the symbol and the English name.
#[rustfmt::skip]
const OTHER_NAMES: [(&str, &[&str]); 31] = [
    ("Ag", &["silber", "argent"]), ("Al", &["aluminum"]), ("As", &["arsen"]), ("B", &["bor", "bore"]),
    ("Ba", &["baryum"]), ("Br", &["brom", "brome", "bromide", "bromid"]), ("Ca", &["kalzium"]),
    ("Cl", &["chlor", "chlore", "chloride", "chlorid"]), ("Co", &["kobalt"]), ("Cr", &["chrom", "chrome"]), ("Cs", &["cesium"]),
    ("Cu", &["kupfer", "cuivre"]), ("F", &["fluor", "fluoride", "fluorid"]), ("Fe", &["eisen", "fer"]), ("Hg", &["quecksilber", "mercure"]),
    ("I", &["iod", "jod", "iode"]), ("K", &["kalium"]), ("Mn", &["mangan"]), ("Mo", &["molybdän"]), ("N", &["stickstoff"]),
    ("Na", &["natrium"]), ("P", &["phosphor", "phosphore"]), ("Pb", &["blei", "plomb"]), ("S", &["schwefel", "sulphur", "soufre"]),
    ("Sb", &["antimon"]), ("Se", &["selen"]), ("Si", &["silizium", "silicium"]), ("Sn", &["zinn", "étain"]), ("Ti", &["titan"]),
    ("U", &["uran"]), ("Zn", &["zink", "zinc"]),
];
const ALKALINITY: [&str; 6] = [
    "kh",
    "dkh",
    "alk",
    "karbonathärte",
    "carbonate hardness",
    "alkalinität",
];
const NITRATE: [&str; 2] = ["no3", "nitrat"];
const PHOSPHATE: [&str; 2] = ["po4", "phosphat"];

/// By a symbol as it is written, or by any name.
fn named(word: &str) -> Option<Measurand> {
    let lower = word.to_lowercase();
    let is = |words: &[&str]| words.contains(&lower.as_str());
    if is(&ALKALINITY) {
        return Some(Quantity::Alkalinity.into());
    }
    let other = OTHER_NAMES.iter().find(|(_, names)| is(names));
    if let Some(element) = other.and_then(|(symbol, _)| Element::new(symbol)) {
        return Some(Quantity::Element(element).into());
    }
    if is(&NITRATE) || lower == "nitrate" {
        return Some(Measurand::Nitrate);
    }
    if is(&PHOSPHATE) || lower == "phosphate" {
        return Some(Measurand::Phosphate);
    }
    let found = Quantity::from_word(word).or_else(|| Quantity::from_word(&lower));
    found.map(Measurand::from)
}

/// What a cell names: "Calcium (Ca)" as well as "Ca" and "calcium", "Nitrate NO3", "Jod". A salinity or a temperature has scales that a
/// report does not say.
pub(super) fn measurand(cell: &str) -> Result<Measurand, String> {
    let words = cell.split(|c: char| !c.is_alphanumeric());
    let mut found: Vec<Measurand> = Vec::new();
    for of in [cell].into_iter().chain(words).filter_map(named) {
        if !found.contains(&of) {
            found.push(of);
        }
    }
    match (found.pop(), found.pop()) {
        (Some(of), None) => Ok(of),
        (Some(of), Some(other)) => Err(format!("\"{cell}\" names both {other} and {of}")),
        (None, _) => Err(format!(
            "\"{cell}\" is no element, nor alkalinity, nitrate or phosphate"
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_as_well_as_symbols_and_what_names_two_things_is_none() {
        for (cell, word) in [
            ("Ca", "calcium"),
            ("CALCIUM", "calcium"),
            ("Calcium (Ca)", "calcium"),
            ("Iodine, total", "iodine"),
            ("Kalium [K]", "potassium"),
            ("Jod", "iodine"),
            ("Aluminum", "aluminium"),
            ("Nitrate (NO3)", "nitrate"),
            ("Phosphat", "phosphate"),
            ("Karbonathärte", "alkalinity"),
            ("Alkalinity (KH)", "alkalinity"),
        ] {
            assert_eq!(measurand(cell).unwrap().as_str(), word, "{cell}");
        }
        assert!(measurand("Phosphate (P)").unwrap_err().contains("both"));
        assert!(measurand("Salinity").is_err() && measurand("").is_err());
    }
}
