//! What the owner's commands share: the configuration they work from, quantities only they read, times.

use std::collections::BTreeMap;
use std::io::{self, BufRead, Write};

use jiff::Timestamp;
use jiff::tz::TimeZone;

use crate::chemistry::{
    Celsius, PhScale, Quantity, Rises, Salinity, SpecificGravity, Unit, salinity_from_conductivity,
};
use crate::cli::exit::chain;
use crate::cli::{Failure, Out, Place, Result, exit, refused};
use crate::config::{Loaded, load};
use crate::daemon::{ledger_path, machine_now};
use crate::ledger::{Ledger, LedgerReader};
use crate::plan::{check_plan, worked_out};
use crate::quantity::{
    Millis, QuantityError, TankVolume, Volume, parse_duration, parse_plain_number,
    parse_tank_volume, parse_volume,
};
use crate::record::{Carried, Uptake, starts_not_in_force};

/// A mistake on the command line.
pub(super) fn usage(error: impl std::fmt::Display) -> Failure {
    Failure::new(exit::USAGE, error.to_string())
}

/// Asks for the word to go on.
pub(super) fn agreed(question: &str, otherwise: &str, out: &mut Out) -> Result {
    writeln!(out, "{question}")?;
    out.flush()?;
    let mut typed = String::new();
    io::stdin().lock().read_line(&mut typed)?;
    if typed.trim() == "yes" {
        Ok(())
    } else {
        Err(refused(otherwise))
    }
}

/// What the ledger would not tell.
pub(super) fn unread(error: &crate::ledger::LedgerError) -> Failure {
    Failure::new(exit::IO, chain(error))
}

/// Both files, checked as the daemon does, with the uptakes that the ledger has, if it can be read.
pub(super) fn configuration(place: &Place) -> Result<Loaded> {
    let mut loaded = load(&place.config, &check_plan)
        .map_err(|mistakes| Failure::new(exit::CONFIG, mistakes.to_string()))?;
    put_in_force(place, &mut loaded);
    Ok(loaded)
}

/// Puts what the ledger has in place of the starting values of the plan and of what bottles are taken to hold, and names those starts
/// that are not in force any more.
pub(super) fn put_in_force(place: &Place, loaded: &mut Loaded) -> Vec<String> {
    let read = |reader: LedgerReader| Ok((reader.uptakes()?, reader.contents()?));
    let (recorded, contents) = match Ledger::open_to_read(&ledger_path(&place.state)).and_then(read)
    {
        Ok(recorded) => recorded,
        Err(error) => {
            return vec![format!(
                "no ledger to read, so uptakes are the starts of plan.toml and bottles hold the first of their solutions ({})",
                chain(&error)
            )];
        }
    };
    let newest: BTreeMap<Quantity, Uptake> =
        recorded.into_iter().map(|u| (u.of.clone(), u)).collect();
    let mut notes = starts_not_in_force(&loaded.plan, &newest, &loaded.controller.time_zone);
    for content in contents {
        if !content.put_into(&mut loaded.controller) {
            notes.push(content.not_in_file());
        }
    }
    let recorded = newest.into_values().map(|u| (u.of, u.uptake)).collect();
    loaded.plan = worked_out(&loaded.plan, &loaded.controller, &recorded);
    notes
}

/// The tank as typed, or as configured.
pub(super) fn tank(place: &Place, typed: Option<TankVolume>) -> Result<TankVolume> {
    typed.map_or_else(|| Ok(configuration(place)?.controller.tank), Ok)
}

/// The owner's time zone; UTC when the configuration cannot be read.
pub(super) fn zone(place: &Place) -> TimeZone {
    load(&place.config, &check_plan).map_or(TimeZone::UTC, |loaded| loaded.controller.time_zone)
}

/// Date and minute in a zone.
pub(super) fn minute(at: Timestamp, zone: &TimeZone) -> String {
    let t = zone.to_datetime(at);
    format!("{} {:02}:{:02}", t.date(), t.hour(), t.minute())
}

/// The present of a ledger: of the machine, or of virtual time.
pub(super) fn present(reader: &LedgerReader) -> Result<Timestamp> {
    if reader.is_virtual()?
        && let Some(newest) = reader.newest_wall()?
    {
        return Ok(newest);
    }
    Ok(machine_now().wall)
}

/// `25 C` or `77 F`.
pub(super) fn celsius(text: &str) -> Result<Celsius, String> {
    let wrong = || {
        format!(
            "\"{text}\" is no temperature; give it with its unit, for example \"25 C\" or \"77 F\""
        )
    };
    let text_ = text.trim().trim_end_matches(['C', 'F', '\u{b0}']).trim();
    let number = parse_plain_number(text_).map_err(|_| wrong())?;
    if text.trim().ends_with('C') {
        Ok(Celsius::from_degrees(number))
    } else if text.trim().ends_with('F') {
        Ok(Celsius::from_fahrenheit(number))
    } else {
        Err(wrong())
    }
}

/// `35` (practical salinity, which has no unit); `1.0264 sg 25/25 C`: what was read, sample temperature, reference temperature; or
/// `53.1 mS/cm 25 C`: uncompensated conductivity and the temperature of the water.
pub(super) fn salinity(text: &str) -> Result<Salinity, String> {
    let wrong = || {
        format!(
            "\"{text}\" is no salinity; give the practical salinity such as \"35\", specific gravity with the temperature of the sample and of the reference such as \"1.0264 sg 25/25 C\", or conductivity with the temperature of the water such as \"53.1 mS/cm 25 C\""
        )
    };
    let number = |text: &str| parse_plain_number(text.trim()).map_err(|_| wrong());
    let plain = text.trim();
    if let Some((value, temperature)) = plain.split_once("mS/cm") {
        let (value, temperature) = (number(value)?, celsius(temperature).map_err(|_| wrong())?);
        return salinity_from_conductivity(value, temperature).map_err(|error| error.to_string());
    }
    if let Some((value, temperatures)) = plain.split_once(" sg").or_else(|| plain.split_once(" SG"))
    {
        let (sample, reference) = temperatures.trim().split_once('/').ok_or_else(wrong)?;
        let unit = reference.trim().chars().next_back().ok_or_else(wrong)?;
        let gravity = SpecificGravity {
            value: number(value)?,
            sample: celsius(&format!("{} {unit}", sample.trim()))?,
            reference: celsius(reference)?,
        };
        return gravity.to_salinity().map_err(|error| error.to_string());
    }
    let value = number(plain)?;
    if value < 2.0 {
        return Err(bare_gravity(value).unwrap_or_else(wrong));
    }
    if value > 50.0 {
        return Err(format!(
            "a salinity of {value} is outside 2 to 50; a conductivity is given with its unit and the temperature of the water, \"{value} mS/cm 25 C\""
        ));
    }
    Ok(Salinity::from_practical(value))
}

/// 1.026 without its temperatures is a specific gravity of four different waters; two of them are named.
fn bare_gravity(value: f64) -> Option<String> {
    let at = |degrees: f64| {
        let temperature = Celsius::from_degrees(degrees);
        let gravity = SpecificGravity {
            value,
            sample: temperature,
            reference: temperature,
        };
        Some(gravity.to_salinity().ok()?.as_practical())
    };
    let (at_20, at_25) = (at(20.0)?, at(25.0)?);
    Some(format!(
        "{value} is a salinity of {at_25:.1} by an instrument made for 25 C and of {at_20:.1} by one made for 20 C; write \"{value} sg 25/25 C\" or \"{value} sg 20/20 C\", as is printed on yours"
    ))
}

/// A number with a dot before its decimals, from one that may have a comma there. A comma that could stand between thousands is not
/// guessed at.
pub(super) fn dotted(text: &str) -> Result<String, String> {
    let Some((whole, rest)) = text.split_once(',') else {
        return Ok(text.to_owned());
    };
    let digits = |text: &str| text.chars().rev().take_while(char::is_ascii_digit).count();
    let decimals = rest.chars().take_while(char::is_ascii_digit).count();
    let before = digits(whole);
    let leading_zero = before == 1 && whole.ends_with('0');
    let thousands = decimals == 3 && (1..=3).contains(&before) && !leading_zero;
    let tail = rest.get(decimals..).unwrap_or("");
    if thousands {
        let start = whole
            .get(whole.len().saturating_sub(before)..)
            .unwrap_or("");
        let decimal = rest.get(..decimals).unwrap_or("");
        return Err(format!(
            "\"{text}\" can be {start}.{decimal} or {start}{decimal}; write it without the comma"
        ));
    }
    if decimals == 0 || whole.contains('.') || tail.contains([',', '.']) {
        return Err(format!("\"{text}\" is no number with its unit"));
    }
    Ok(format!("{whole}.{rest}"))
}

/// An amount of a water quantity per litre, or a volume: whichever its unit says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Amount {
    PerLitre(Unit, f64),
    Volume(Volume),
}

/// Reads one, with a decimal comma where that can be nothing else.
pub(super) fn amount(text: &str) -> Result<Amount, String> {
    let plain = dotted(text)?;
    let read = |unit: Unit| Some(Amount::PerLitre(unit, unit.parse(&plain).ok()?));
    let amount = Unit::ALL.into_iter().find_map(read);
    let volume = || parse_volume(&plain).ok().map(Amount::Volume);
    amount.or_else(volume).ok_or_else(|| {
        let [dkh, mg] = [Unit::Dkh, Unit::MgPerL].map(Unit::typed);
        format!(
            "\"{text}\" is no amount; give it with its unit: {dkh} of alkalinity, {mg} of an element, mL of a solution"
        )
    })
}

impl Amount {
    /// As a plain number in the quantity's unit.
    pub(super) fn of(self, of: &Quantity) -> Result<f64, String> {
        match self {
            Self::PerLitre(unit, amount) if unit == of.unit() => Ok(amount),
            Self::PerLitre(..) | Self::Volume(_) => Err(format!(
                "an amount of {of} is given in {}",
                of.unit().typed()
            )),
        }
    }
}

/// A water quantity by its word.
pub(super) fn quantity(word: &str) -> Result<Quantity, String> {
    Quantity::from_word(word).ok_or_else(|| {
        format!("\"{word}\" is not known; give alkalinity, or an element such as calcium or Ca")
    })
}

/// What new water held: a comma with a letter behind it stands between two things.
pub(super) fn held(text: &str) -> Result<Carried, String> {
    let mut held = Carried::new();
    let mut parts: Vec<String> = Vec::new();
    for part in text.split(',').filter(|part| !part.trim().is_empty()) {
        match parts.last_mut() {
            Some(last) if part.starts_with(|c: char| c.is_ascii_digit()) => {
                last.push(',');
                last.push_str(part);
            }
            Some(_) | None => parts.push(part.to_owned()),
        }
    }
    for part in &parts {
        let (word, level) = part.split_once('=').ok_or_else(|| {
            format!(
                "\"{part}\" says nothing of the new water; write for example \"alkalinity=8.0 dKH,Ca=420 mg/L\""
            )
        })?;
        let of = quantity(word.trim())?;
        let level = amount(level.trim())?.of(&of)?;
        held.insert(of, level);
    }
    Ok(held)
}

/// A part, "10%".
pub(super) fn percent(text: &str) -> Result<f64, String> {
    let number = text.trim().strip_suffix('%').map(str::trim);
    let percent = number.and_then(|number| dotted(number).ok()?.parse::<f64>().ok());
    percent
        .map(|percent| percent / 100.0)
        .ok_or_else(|| format!("\"{text}\" is no part; write for example \"10%\""))
}

/// Whole days, "60d".
pub(super) fn days(text: &str) -> Result<u32, String> {
    let length = parse_duration(text).map_err(|error| error.to_string())?;
    let days = length.as_ms() / Millis::DAY.as_ms();
    let whole = length.as_ms() % Millis::DAY.as_ms() == 0;
    let days = u32::try_from(days).ok().filter(|_| whole);
    days.ok_or_else(|| format!("\"{text}\" are no whole days; write for example \"60d\""))
}

pub(super) fn ph_scale(word: &str) -> Result<PhScale, String> {
    PhScale::from_word(word)
        .ok_or_else(|| format!("\"{word}\" is no scale of pH; give nbs, total, seawater or free"))
}

/// A volume of water, with a decimal comma where that can be nothing else.
pub(super) fn tank_volume(text: &str) -> Result<TankVolume, String> {
    parse_tank_volume(&dotted(text)?).map_err(|error| error.to_string())
}

/// A smaller one.
pub(super) fn litres(text: &str) -> Result<TankVolume, QuantityError> {
    Ok(TankVolume::from_litres(
        parse_volume(text)?.as_ml() / 1000.0,
    ))
}

/// What is added, for programs.
pub(super) fn rises_json(rises: &Rises) -> serde_json::Value {
    let elements: serde_json::Map<String, serde_json::Value> = rises
        .dissolved
        .iter()
        .map(|(e, rise)| (e.symbol().to_owned(), rise.as_mg_per_l().into()))
        .collect();
    serde_json::json!({
        "alkalinity_dkh": rises.alkalinity.as_dkh(),
        "alkalinity_meq_per_l": rises.alkalinity.as_meq_per_l(),
        "elements_mg_per_l": elements,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_salinity_is_practical_or_a_specific_gravity_with_both_its_temperatures() {
        assert!((salinity("35").unwrap().as_practical() - 35.0).abs() < 1e-12);
        // Row a1.sg25.S35: salinity 35 has specific gravity 1.02637 at 25/25 C (TEOS-10; tolerance 2e-5, which is 0.03 of salinity).
        let read = salinity("1.02637 sg 25/25 C").unwrap().as_practical();
        assert!((read - 35.0).abs() < 0.03, "{read}");
        // Row a1.cond.SP_from_C.50.0: 50.0 mS/cm at 25 C are salinity 32.7332 (PSS-78; tolerance 0.002).
        for typed in ["50.0 mS/cm 25 C", "50 mS/cm 77 F"] {
            let read = salinity(typed).unwrap().as_practical();
            assert!((read - 32.7332).abs() < 0.002, "{typed}: {read}");
        }
        assert!(
            salinity("1.02637")
                .unwrap_err()
                .contains("35.0 by an instrument made for 25 C")
        );
        for wrong in [
            "1.026",
            "1.026 sg",
            "53 mS/cm",
            "1.026 sg 25",
            "53",
            "35 ppt",
            "",
        ] {
            assert!(salinity(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_temperature_needs_its_unit() {
        assert!((celsius("25 C").unwrap().as_degrees() - 25.0).abs() < 1e-12);
        assert!((celsius("77 F").unwrap().as_degrees() - 25.0).abs() < 1e-9);
        assert!(celsius("25").is_err());
        assert!(celsius("warm C").is_err());
    }

    #[test]
    fn a_rise_of_an_element_is_not_read_as_degrees() {
        let rise = |word: &str, by: &str| amount(by).unwrap().of(&quantity(word).unwrap());
        assert!(rise("Ca", "10 mg/L").is_ok());
        assert!(rise("Ca", "1 dKH").is_err());
        assert!(rise("Ca", "1 mL").is_err());
        assert!(rise("alkalinity", "1 dKH").is_ok());
        assert!(quantity("alk").is_err());
    }
}
