//! Lab reports against natural seawater.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::days::Days;
use super::material::Material;
use super::model::{PanelReport, PanelValue};
use crate::chemistry::{Celsius, Measurand, Quantity, Salinity};
use crate::config::Controller;
use crate::estimate::{Band, Comparison, Finding, PanelError};
use crate::record::{Found, Observation, Reading};

/// Temperature at which the litre of a report is meant, C; reports do not say.
pub const LAB_C: f64 = 25.0;

/// Elements in the order of what natural seawater holds of them.
pub(super) fn panels(material: &Material<'_>, days: &Days) -> Vec<PanelReport> {
    let mut all: BTreeMap<Quantity, PanelReport> = BTreeMap::new();
    for told in &material.told {
        let Some(reading) = told
            .reading()
            .filter(|_| told.panel.is_some() && told.happened >= days.since())
        else {
            continue;
        };
        let Some(of) = reading.of.quantity().filter(|of| of.element().is_some()) else {
            continue;
        };
        let Some((natural, value)) = compared(material, told, reading) else {
            continue;
        };
        let row = all.entry(of.clone()).or_insert_with(|| PanelReport {
            element: of.clone(),
            natural_mg_per_l: natural,
            values: Vec::new(),
        });
        row.values.push(value);
    }
    let mut rows: Vec<PanelReport> = all.into_values().collect();
    let natural = |row: &PanelReport| row.natural_mg_per_l.unwrap_or(0.0);
    rows.sort_by(|a, b| natural(b).total_cmp(&natural(a)));
    rows
}

fn compared(
    material: &Material<'_>,
    told: &Observation,
    reading: &Reading,
) -> Option<(Option<f64>, PanelValue)> {
    let salinity = nearest_salinity(&material.told, told.happened);
    let salinity = salinity.map_or(Salinity::STANDARD, |(_, salinity)| salinity);
    let found = lab_comparison(reading, salinity, Some(material.controller)).ok()?;
    Some((
        found.natural.map(|natural| natural.level),
        PanelValue {
            at: told.happened,
            lab: told.method.clone(),
            mg_per_l: found.finding.at_most(),
            below: matches!(found.finding, Finding::Below(_)),
            low: found.band == Band::Low,
            high: found.band == Band::High,
        },
    ))
}

/// A row of a report against natural seawater, what is known to matter, and the owner's band.
///
/// # Errors
/// As [`Comparison::new`].
pub fn lab_comparison(
    Reading { of, found, .. }: &Reading,
    salinity: Salinity,
    controller: Option<&Controller>,
) -> Result<Comparison, PanelError> {
    let limits = of.quantity().and_then(|of| controller?.tracked(of));
    let own = limits.map(|limits| (limits.band_low, limits.band_high));
    let finding = match *found {
        Found::Value { value, uncertainty } => Finding::Found { value, uncertainty },
        Found::Below(limit) => Finding::Below(limit),
    };
    Comparison::new(of, finding, (salinity, Celsius::from_degrees(LAB_C)), own)
}

/// Of the reading nearest in time, with when that was taken.
pub fn nearest_salinity(told: &[Observation], at: Timestamp) -> Option<(Timestamp, Salinity)> {
    let read = told
        .iter()
        .filter_map(|told| Some((told.happened, told.reading()?)))
        .filter(|(_, reading)| reading.of == Measurand::Salinity);
    let nearest =
        read.min_by_key(|(taken, _)| taken.as_millisecond().abs_diff(at.as_millisecond()));
    nearest.map(|(taken, reading)| {
        let salinity = Salinity::from_practical(reading.found.amount().0);
        (taken, salinity)
    })
}
