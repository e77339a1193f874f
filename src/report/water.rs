//! Where the water was and is.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;

use super::days::Days;
use super::material::Material;
use super::model::{Read, ReadingsReport, UptakeSet, WaterReport};
use crate::chemistry::{Measurand, Quantity};
use crate::engine::{Engine, Status};
use crate::record::{Observation, estimated};

/// Alkalinity first, then what else there is an estimate of.
pub(super) fn water(
    material: &Material<'_>,
    engine: &mut Engine,
    status: &Status,
    days: &Days,
) -> Vec<WaterReport> {
    let known = |of: &Quantity| status.water.estimates.contains_key(of.as_str());
    let all: Vec<Quantity> = estimated().filter(known).collect();
    let each = all.into_iter().map(|of| {
        let readings = read(material, days, |what| what.quantity() == Some(&of));
        let looks = looks(days, &readings, material.now.wall);
        let estimates = engine.estimates_over(&of, &looks);
        let advice = engine.advice(&of, material.now);
        let limits = material.controller.tracked(&of);
        let at_midnight = |at: Timestamp| days.begins().any(|begin| begin == at);
        let daily: Vec<f64> = estimates
            .iter()
            .filter(|e| at_midnight(e.at))
            .map(|e| e.level)
            .collect();
        let in_band =
            |level: &&f64| limits.is_some_and(|l| (l.band_low..=l.band_high).contains(*level));
        WaterReport {
            unit: of.unit().as_str(),
            target: limits.map(|l| l.target),
            band_low: limits.map(|l| l.band_low),
            band_high: limits.map(|l| l.band_high),
            now: status
                .water
                .estimates
                .get(of.as_str())
                .cloned()
                .unwrap_or_default(),
            days_known: daily.len(),
            days_in_band: daily.iter().filter(in_band).count(),
            estimates,
            outlook: advice.as_it_is.map(|o| o.days).unwrap_or_default(),
            advice: advice.because,
            added: added(material, &of, days),
            uptakes: uptakes(material, &of),
            readings,
            of,
        }
    });
    each.collect()
}

/// Local midnights, and just before and after each reading, where the estimate jumps.
fn looks(days: &Days, readings: &[Read], now: Timestamp) -> Vec<Timestamp> {
    let before = |at: Timestamp| {
        Timestamp::from_millisecond(at.as_millisecond().saturating_sub(1)).unwrap_or(at)
    };
    let mut looks: Vec<Timestamp> = days.begins().chain([now]).collect();
    for read in readings {
        looks.extend([before(read.at), read.at]);
    }
    looks.retain(|at| *at <= now);
    looks.sort();
    looks.dedup();
    looks
}

fn read(material: &Material<'_>, days: &Days, is_of: impl Fn(&Measurand) -> bool) -> Vec<Read> {
    let since = days.since();
    let within = |told: &&Observation| told.happened >= since;
    let told = material.told.iter().filter(within);
    let all = told.filter_map(|told| {
        let reading = told.reading().filter(|reading| is_of(&reading.of))?;
        let (value, uncertainty) = reading.found.amount();
        Some(Read {
            at: told.happened,
            value,
            below: reading.found.value().is_none(),
            uncertainty,
        })
    });
    all.collect()
}

fn added(material: &Material<'_>, of: &Quantity, days: &Days) -> Vec<(Date, f64)> {
    let mut each: Vec<(Date, f64)> = days.each.iter().map(|(date, _)| (*date, 0.0)).collect();
    for dose in material.doses.iter().filter(|dose| dose.in_tank) {
        let amount = dose.carries.get(of).copied().unwrap_or_default();
        if let Some(day) = each.get_mut(days.place(days.date(dose.at))) {
            day.1 += amount;
        }
    }
    each
}

fn uptakes(material: &Material<'_>, of: &Quantity) -> Vec<UptakeSet> {
    let own = material.uptakes.iter().filter(|uptake| uptake.of == *of);
    let each = own.map(|uptake| UptakeSet {
        at: uptake.at.wall,
        per_day: uptake.uptake,
        how: uptake.how,
    });
    each.collect()
}

/// What else the owner tests, nutrients first. Values of lab reports that are elements are among the panels.
pub(super) fn readings(material: &Material<'_>, days: &Days) -> Vec<ReadingsReport> {
    let mut all: BTreeMap<(u8, String), Measurand> = BTreeMap::new();
    for told in &material.told {
        if let Some(reading) = told.reading().filter(|_| told.happened >= days.since()) {
            let rank = match &reading.of {
                Measurand::Nitrate => 0,
                Measurand::Phosphate => 1,
                Measurand::Salinity => 2,
                Measurand::Ph(_) => 3,
                Measurand::Temperature => 4,
                Measurand::Of(of) if estimated().all(|e| e != *of) && told.panel.is_none() => 5,
                Measurand::Of(_) => continue,
            };
            all.insert((rank, reading.of.as_str().to_owned()), reading.of.clone());
        }
    }
    let each = all.into_values().map(|of| ReadingsReport {
        unit: of.unit(),
        readings: read(material, days, |what| *what == of),
        of,
    });
    each.collect()
}
