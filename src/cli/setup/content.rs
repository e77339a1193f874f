//! What is in a bottle, as people can tell it.

use std::fmt::Write;

use crate::chemistry::{Celsius, Quantity, Salt, SolutionEffect, StockError, check_dissolves};
use crate::cli::Result;
use crate::cli::words::{Amount, amount, dotted};
use crate::quantity::{TankVolume, parse_plain_number, parse_volume};

/// The coldest a bottle gets when nobody says otherwise, as controller.toml has it.
const COLDEST_C: f64 = 15.0;

/// The four ways, with an example of each.
pub(super) const WAYS: &str = "What a bottle holds is told in one of four ways:
  a recipe, grams of each salt in a litre of the finished solution: Na2CO3 60 g/L   or: MgCl2.6H2O 100 g/L + MgSO4.7H2O 20 g/L
  what the label claims: 10 mL raise 100 L by 0.5 dKH   or: 1 mL raises 100 L by 4 mg/L Ca
  element by element, per litre: per litre: Mn 4 mg, Fe 3 mg, alkalinity 500 meq
  a bought mix that does not say: unknown";

/// What a bottle holds.
#[derive(Debug, Clone)]
pub(super) struct Content {
    pub(super) effect: SolutionEffect,
    /// Its key and value in controller.toml.
    pub(super) toml: String,
    pub(super) caustic: bool,
    pub(super) unstated: bool,
}

/// Reads one of the four.
pub(super) fn content(text: &str) -> Result<Content, String> {
    let text = text.trim();
    if text == "unknown" {
        return Ok(Content {
            effect: SolutionEffect::default(),
            toml: "unstated = true".to_owned(),
            caustic: true,
            unstated: true,
        });
    }
    let stated = |effect: SolutionEffect, toml| Content {
        // Carbonate and hydroxide burn; of other things it is said when in doubt, by who knows the bottle.
        caustic: effect.carries_alkalinity(),
        unstated: false,
        effect,
        toml,
    };
    if let Some(rest) = text.strip_prefix("per litre") {
        return per_litre(rest.trim_start_matches(':')).map(|(effect, toml)| stated(effect, toml));
    }
    if text.contains(" raise") {
        return claim(text).map(|(effect, toml)| stated(effect, toml));
    }
    recipe(text).map(|(effect, toml)| stated(effect, toml))
}

fn wrong(text: &str) -> String {
    format!("\"{text:.60}\" is none of these. {WAYS}")
}

fn number(text: &str) -> Result<f64, String> {
    parse_plain_number(&dotted(text.trim())?).map_err(|error| error.to_string())
}

fn recipe(text: &str) -> Result<(SolutionEffect, String), String> {
    let mut salts = Vec::new();
    let mut written = Vec::new();
    for part in text.split(" + ") {
        let (formula, grams) = part.trim().split_once(' ').ok_or_else(|| wrong(text))?;
        let grams = grams
            .trim()
            .strip_suffix("g/L")
            .ok_or_else(|| wrong(text))?;
        let salt = Salt::from_formula(formula).map_err(|error| error.to_string())?;
        let grams = number(grams)?;
        written.push(format!("{{ salt = \"{formula}\", g-per-l = {grams} }}"));
        salts.push((salt, grams));
    }
    let effect = SolutionEffect::from_salts(&salts).map_err(|error| error.to_string())?;
    let dissolves = check_dissolves(&salts, Celsius::from_degrees(COLDEST_C));
    if let Err(error @ (StockError::TooMuch { .. } | StockError::TooMuchTogether { .. })) =
        dissolves
    {
        return Err(error.to_string());
    }
    Ok((effect, format!("salts = [{}]", written.join(", "))))
}

fn claim(text: &str) -> Result<(SolutionEffect, String), String> {
    let (ml, rest) = text.split_once(" raise").ok_or_else(|| wrong(text))?;
    let rest = rest.strip_prefix('s').unwrap_or(rest);
    let (litres, by) = rest.split_once(" by ").ok_or_else(|| wrong(text))?;
    let volume = |text: &str| {
        let plain = dotted(text.trim())?;
        parse_volume(&plain).map_err(|error| error.to_string())
    };
    let (ml, litres) = (volume(ml)?, volume(litres)?.as_ml() / 1000.0);
    let (by, of) = split_of(by.trim());
    let of = match of {
        Some(word) => Quantity::from_word(word).ok_or_else(|| wrong(text))?,
        None => Quantity::Alkalinity,
    };
    let Amount::PerLitre(unit, rise) = amount(by)? else {
        return Err(wrong(text));
    };
    if unit != of.unit() {
        return Err(format!(
            "a rise of {of} is in {}; an element is named behind its amount, such as \"by 4 mg/L Ca\"",
            of.unit().typed()
        ));
    }
    let water = TankVolume::from_litres(litres);
    let effect =
        SolutionEffect::from_claim(ml, water, (&of, rise)).map_err(|error| error.to_string())?;
    let raises = of
        .element()
        .map_or("alkalinity", |element| element.symbol());
    let toml = format!(
        "claim = {{ ml = {}, litres = {litres}, raises = \"{raises}\", by = \"{rise} {}\" }}",
        ml.as_ml(),
        of.unit()
    );
    Ok((effect, toml))
}

/// An amount and the quantity that may stand behind it.
fn split_of(by: &str) -> (&str, Option<&str>) {
    let last = by.rsplit_once(' ');
    // CaCO3 belongs to the unit.
    let named = last.filter(|(_, word)| Quantity::from_word(word).is_some() && *word != "dKH");
    named.map_or((by, None), |(by, word)| {
        (by.trim_end_matches(" of"), Some(word))
    })
}

fn per_litre(text: &str) -> Result<(SolutionEffect, String), String> {
    let mut effect = SolutionEffect::default();
    let mut written = String::new();
    for part in text.split(", ") {
        let (word, much) = part.trim().split_once(' ').ok_or_else(|| wrong(text))?;
        let of = Quantity::from_word(word).ok_or_else(|| wrong(text))?;
        let (unit, key) = of
            .element()
            .map_or(("meq", "alkalinity-meq".to_owned()), |element| {
                ("mg", format!("{}-mg", element.symbol()))
            });
        let much = much.trim().strip_suffix(unit);
        let much =
            much.ok_or_else(|| format!("{of} is given in {unit} per litre of the solution"))?;
        let much = number(much)?;
        let separator = if written.is_empty() { "" } else { ", " };
        // Writing into a text does not fail.
        write!(written, "{separator}{key} = {much}").ok();
        match of.element() {
            None => effect.alkalinity_meq_per_l = much,
            Some(_) => drop(effect.dissolved_mg_per_l.insert(of, much)),
        }
    }
    Ok((effect, format!("per-litre = {{ {written} }}")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Volume;

    /// dKH or mg/L that 1 mL adds to 100 L.
    fn adds(text: &str, of: &str) -> f64 {
        let tank = TankVolume::from_litres(100.0);
        let carried = content(text)
            .unwrap()
            .effect
            .carried(Volume::from_ul(1_000), tank);
        carried[&Quantity::from_word(of).unwrap()]
    }

    #[test]
    fn four_ways_of_telling_what_a_bottle_holds_come_to_what_it_does() {
        // 60 g/L of Na2CO3 (105.988 g/mol) are 1.1322 meq/mL: 0.011322 meq/L in 100 L, 2.8 dKH per meq/L (reference row a3).
        assert!((adds("Na2CO3 60 g/L", "alkalinity") - 0.0317).abs() < 1e-4);
        assert!((adds("CaCl2.2H2O 83,2 g/L", "calcium") - 0.2268).abs() < 1e-3);
        assert!((adds("10 mL raise 100 L by 0.5 dKH", "KH") - 0.05).abs() < 1e-9);
        assert!((adds("1 mL raises 100 L by 4 mg/L Ca", "Ca") - 4.0).abs() < 1e-9);
        assert!((adds("per litre: Mn 4 mg, alkalinity 500 meq", "Mn") - 0.00004).abs() < 1e-9);
        assert!(content("unknown").unwrap().unstated);
        for (text, why) in [
            ("Na2CO3", "one of four ways"),
            ("Na2CO3 600 g/L", "dissolve"),
            ("sugar 60 g/L", "sugar"),
            ("10 mL raise 100 L by 20 ppm Ca", "ppm"),
            ("10 mL raise 100 L by 20 mg/L", "named behind its amount"),
        ] {
            let said = content(text).unwrap_err();
            assert!(said.contains(why), "{text}: {said}");
        }
    }
}
