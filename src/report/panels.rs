//! Lab reports against natural seawater.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::days::Days;
use super::material::Material;
use super::model::{PanelReport, PanelValue};
use crate::chemistry::{Celsius, Measurand, Quantity, Salinity};
use crate::estimate::{Band, Detected, PanelEntry, PanelUnit};
use crate::record::{Observation, Reading};

/// A report's litre is meant at room temperature.
const LAB_C: f64 = 25.0;

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
    let element = reading.of.quantity()?.element()?.clone();
    let (value, uncertainty) = reading.found.amount();
    let below = reading.found.value().is_none();
    let entry = PanelEntry {
        element,
        value,
        detected: if below {
            Detected::BelowLimit
        } else {
            Detected::Yes
        },
        unit: PanelUnit::MilligramPerL,
        uncertainty_percent: 100.0 * uncertainty / value.max(f64::MIN_POSITIVE),
    };
    let salinity = salinity_at(&material.told, told.happened);
    let found = entry.compare(salinity, Celsius::from_degrees(LAB_C)).ok()?;
    let natural = found.natural.map(|(natural, _)| natural.as_mg_per_l());
    Some((
        natural,
        PanelValue {
            at: told.happened,
            lab: told.method.clone(),
            mg_per_l: value,
            below,
            low: found.band == Band::Low,
            high: found.band == Band::High,
        },
    ))
}

/// Of the reading nearest in time.
fn salinity_at(told: &[Observation], at: Timestamp) -> Salinity {
    let read = told
        .iter()
        .filter_map(|told| Some((told.happened, told.reading()?)))
        .filter(|(_, reading)| reading.of == Measurand::Salinity);
    let nearest =
        read.min_by_key(|(taken, _)| taken.as_millisecond().abs_diff(at.as_millisecond()));
    nearest.map_or(Salinity::STANDARD, |(_, reading)| {
        Salinity::from_practical(reading.found.amount().0)
    })
}
