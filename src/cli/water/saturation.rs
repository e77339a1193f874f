//! Aragonite saturation of the water, and where a dose meets it.

use std::io::Write;

use clap::Args;
use serde_json::{Value, json};

use crate::chemistry::{
    Base, CarbonateUncertainty, CarbonateWater, Caution, Celsius, Measurand, MixedStock, Ph,
    PhScale, SATURATION_LIMITS, Salinity,
};
use crate::cli::record::ledger::open;
use crate::cli::water::told::{Row, rows};
use crate::cli::words::{celsius, minute, ph_scale, salinity, usage, zone};
use crate::cli::{Out, Place, Result, Tone, refused};
use crate::config::{Controller, Solution, load};
use crate::quantity::{Alkalinity, Concentration, parse_alkalinity, parse_concentration};
use crate::record::Found;

#[derive(Debug, Args)]
#[command(
    after_help = "Examples: dosewright saturation --ph 8.2 --ph-scale nbs\n          dosewright saturation --alkalinity \"8.1 dKH\" --calcium \"420 mg/L\" --ph 8.05 --ph-scale total --salinity 35 --temperature \"25 C\"\nWhat is left out is taken from the newest readings of the record."
)]
pub(crate) struct Saturation {
    /// Alkalinity
    #[arg(long, value_parser = parse_alkalinity)]
    alkalinity: Option<Alkalinity>,
    /// Calcium
    #[arg(long, value_parser = parse_concentration)]
    calcium: Option<Concentration>,
    /// pH; its scale must be given with it
    #[arg(long, requires = "ph_scale")]
    ph: Option<f64>,
    /// The scale the pH is on: nbs (an electrode calibrated in the usual buffers), total, seawater or free
    #[arg(long, value_parser = ph_scale)]
    ph_scale: Option<PhScale>,
    /// Salinity: practical ("35"), or specific gravity with both temperatures ("1.0264 sg 25/25 C")
    #[arg(long, value_parser = salinity)]
    salinity: Option<Salinity>,
    /// Temperature
    #[arg(long, value_parser = celsius)]
    temperature: Option<Celsius>,
    /// Standard uncertainty of the pH
    #[arg(long, default_value_t = 0.1)]
    ph_uncertainty: f64,
}

/// Standard uncertainties of what is typed: alkalinity in dKH, calcium as part of the value, salinity, temperature in C (common practice, no
/// source).
const TYPED_ALKALINITY_DKH: f64 = 0.2;
const TYPED_CALCIUM: f64 = 0.03;
const TYPED_SALINITY: f64 = 0.5;
const TYPED_DEGREES: f64 = 0.5;

/// What is known, typed or from the record.
struct Known {
    water: CarbonateWater,
    uncertainty: CarbonateUncertainty,
    /// Where each value is from.
    sources: Vec<String>,
}

pub(crate) fn saturation(place: &Place, options: &Saturation, out: &mut Out) -> Result {
    let known = known(place, options)?;
    let estimate = known
        .water
        .saturation_with(known.uncertainty)
        .map_err(refused)?;
    let controller = load(&place.config, &crate::plan::check_plan)
        .ok()
        .map(|loaded| loaded.controller);
    let mixing = controller
        .as_ref()
        .map_or_else(Vec::new, |controller| mixing(&known.water, controller));
    let caution = estimate.saturation.caution();
    if place.json {
        let mixing: Vec<Value> = mixing
            .iter()
            .map(|(line, ml, omega)| json!({ "line": line, "ml_per_l": ml, "omega": omega }))
            .collect();
        return Ok(out.json(&json!({
            "omega_aragonite": estimate.saturation.omega, "low": estimate.low, "high": estimate.high,
            "ph_total": estimate.saturation.ph_total, "carbonate_umol_per_kg": estimate.saturation.carbonate_umol_per_kg,
            "inorganic_carbon_umol_per_kg": estimate.saturation.inorganic_carbon_umol_per_kg,
            "caution": caution.to_string(), "mixing_point": mixing, "from": known.sources, "limits": SATURATION_LIMITS,
        }))?);
    }
    let tone = match caution {
        Caution::Ordinary => Tone::Good,
        Caution::Noted => Tone::Strong,
        Caution::Warned => Tone::Bad,
    };
    writeln!(out, "{}", out.tone(tone, &estimate.to_string()))?;
    writeln!(out, "from {}", known.sources.join("; "))?;
    for (line, ml, omega) in &mixing {
        writeln!(
            out,
            "where a dose of line {line} meets the water, {ml} mL in a litre: {}",
            omega.map_or("outside what can be computed".to_owned(), |o| format!(
                "about {o:.1}"
            ))
        )?;
    }
    if !mixing.is_empty() {
        writeln!(
            out,
            "dose into strong flow: the first seconds decide whether crystals form there"
        )?;
    }
    writeln!(out, "{SATURATION_LIMITS}")?;
    Ok(())
}

/// The readings of the record, and which of them were used.
struct Record {
    rows: Vec<Row>,
    zone: jiff::tz::TimeZone,
    used: Vec<String>,
}

impl Record {
    /// What of the newest found value of something, its value and its uncertainty.
    fn newest(&mut self, word: &str, option: &str) -> Result<(Measurand, f64, f64)> {
        let found = self.rows.iter().rev().find_map(|row| {
            let counts = row.counts() && row.reading.of.as_str() == word;
            let Found::Value { value, uncertainty } = row.reading.found else {
                return None;
            };
            counts.then_some((row, value, uncertainty))
        });
        let (row, value, uncertainty) = found.ok_or_else(|| {
            usage(format!(
                "there is no reading of {word} on record; give it with {option}"
            ))
        })?;
        let when = minute(row.told.happened, &self.zone);
        self.used.push(format!("{word} {} of {when}", row.shown()));
        Ok((row.reading.of.clone(), value, uncertainty))
    }
}

fn known(place: &Place, options: &Saturation) -> Result<Known> {
    let mut record = Record {
        rows: match open(place) {
            Ok(reader) => rows(&reader)?,
            Err(_) => Vec::new(),
        },
        zone: zone(place),
        used: Vec::new(),
    };
    let (alkalinity, alkalinity_u) = match options.alkalinity {
        Some(typed) => (typed.as_dkh(), TYPED_ALKALINITY_DKH),
        None => two(record.newest("alkalinity", "--alkalinity")?),
    };
    let (calcium, calcium_u) = match options.calcium.map(Concentration::as_mg_per_l) {
        Some(typed) => (typed, typed * TYPED_CALCIUM),
        None => two(record.newest("calcium", "--calcium")?),
    };
    let (ph, ph_u) = match (options.ph, options.ph_scale) {
        (Some(value), Some(scale)) => (Ph { value, scale }, options.ph_uncertainty),
        _ => match record.newest("pH", "--ph and --ph-scale")? {
            (Measurand::Ph(scale), value, uncertainty) => (Ph { value, scale }, uncertainty),
            (of, ..) => return Err(usage(format!("a reading of {of} is no pH"))),
        },
    };
    let (salinity, salinity_u) = match options.salinity {
        Some(typed) => (typed.as_practical(), TYPED_SALINITY),
        None => two(record.newest("salinity", "--salinity")?),
    };
    let (degrees, degrees_u) = match options.temperature {
        Some(typed) => (typed.as_degrees(), TYPED_DEGREES),
        None => two(record.newest("temperature", "--temperature")?),
    };
    let mut sources = record.used;
    if sources.is_empty() {
        sources.push("what was typed".to_owned());
    }
    if options.ph.is_some() {
        sources.push(format!("{ph} as typed"));
    }
    Ok(Known {
        water: CarbonateWater {
            alkalinity: Alkalinity::from_dkh(alkalinity),
            calcium: Concentration::from_mg_per_l(calcium),
            ph,
            salinity: Salinity::from_practical(salinity),
            temperature: Celsius::from_degrees(degrees),
        },
        uncertainty: CarbonateUncertainty {
            alkalinity: Alkalinity::from_dkh(alkalinity_u),
            calcium: Concentration::from_mg_per_l(calcium_u),
            ph: ph_u,
            salinity: salinity_u,
            degrees: degrees_u,
        },
        sources,
    })
}

fn two((_, value, uncertainty): (Measurand, f64, f64)) -> (f64, f64) {
    (value, uncertainty)
}

/// What an alkalinity solution is made of; a label claim is taken for carbonate.
fn base(solution: &Solution) -> Base {
    if !solution.effect.carries_alkalinity() {
        return Base::None;
    }
    let main = solution
        .salts
        .iter()
        .max_by(|a, b| (a.0.meq_per_g() * a.1).total_cmp(&(b.0.meq_per_g() * b.1)));
    match main.map(|(salt, _)| salt.formula()) {
        Some("NaOH" | "Ca(OH)2" | "KOH") => Base::Hydroxide,
        Some("NaHCO3" | "KHCO3") => Base::Bicarbonate,
        Some(_) | None => Base::Carbonate,
    }
}

/// Omega where 1 mL of each alkalinity or calcium solution meets a litre.
fn mixing(water: &CarbonateWater, controller: &Controller) -> Vec<(String, f64, Option<f64>)> {
    const ML_PER_L: f64 = 1.0;
    controller
        .lines
        .iter()
        .filter_map(|line| {
            let solution = controller.solution_of(&line.name)?;
            let calcium = solution
                .effect
                .dissolved_mg_per_l
                .iter()
                .find(|(e, _)| e.symbol() == "Ca")
                .map_or(0.0, |(_, mg)| *mg);
            let meq = solution.effect.alkalinity_meq_per_l;
            if meq <= 0.0 && calcium <= 0.0 {
                return None;
            }
            let stock = MixedStock {
                alkalinity_meq_per_l: meq,
                calcium_mg_per_l: calcium,
                base: base(solution),
            };
            let mixed = water.saturation_at_mixing_point(stock, ML_PER_L).ok();
            Some((line.name.to_string(), ML_PER_L, mixed.map(|s| s.omega)))
        })
        .collect()
}
