//! What is told of the water and listed of it, whatever its kind.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde_json::{Value, json};

use crate::chemistry::{Measurand, Quantity, Salinity, figures, scaled_to_35};
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::{Mistake, Told};
use crate::cli::{Out, Place, Result};
use crate::engine::{Command, Lab, Replaces, Tell};
use crate::ledger::LedgerReader;
use crate::quantity::{Alkalinity, Concentration, Words};
use crate::record::{Found, Observation, Observed, Reading, TakenBack};

/// A salinity this far from a reading in time still scales it, in days.
const SALINITY_DAYS_MAX: f64 = 7.0;

/// Tells it, in the place of a mistake if there is one.
pub(crate) fn tell(
    place: &Place,
    items: Vec<Observed>,
    lab: Option<Lab>,
    (told, mistake): (&Told, Option<&Mistake>),
    out: &mut Out,
) -> Result {
    let command = Command::Tell(Tell {
        items,
        lab: lab.map(Box::new),
        method: Words::new(&told.method),
        happened: told.happened(place)?,
        replaces: mistake.map(|mistake| Replaces {
            number: mistake.number,
            why: Words::new(&mistake.reason),
        }),
        sure: told.sure,
    });
    ask(place, &command.into(), out).map(drop)
}

/// Takes back anything that was told: a reading, a lab report, a water change, a note.
pub(crate) fn take_back(place: &Place, mistake: &Mistake, out: &mut Out) -> Result {
    let command = Command::TakeBack {
        number: mistake.number,
        why: Words::new(&mistake.reason),
    };
    ask(place, &command.into(), out).map(drop)
}

/// One reading, as it is listed.
pub(crate) struct Row {
    pub(crate) told: Observation,
    pub(crate) reading: Reading,
    /// Why it counts no longer.
    pub(crate) back: Option<TakenBack>,
    at_35: Option<f64>,
}

/// Every reading of the record, by the time it was taken.
pub(crate) fn rows(reader: &LedgerReader) -> Result<Vec<Row>> {
    let all = reader.all_told()?;
    let back = reader.taken_back()?;
    let mut rows: Vec<Row> = all
        .into_iter()
        .filter_map(|told| {
            Some(Row {
                reading: told.reading()?.clone(),
                back: why_not(&told, &back).cloned(),
                at_35: None,
                told,
            })
        })
        .collect();
    let salinities: Vec<(Timestamp, f64)> = rows
        .iter()
        .filter(|row| row.counts() && row.reading.of == Measurand::Salinity)
        .map(|row| (row.told.happened, row.reading.found.amount().0))
        .collect();
    for row in &mut rows {
        let element = row.reading.of.quantity().and_then(Quantity::element);
        let salinity = nearest(&salinities, row.told.happened);
        if let (Some(element), Some(salinity), Found::Value { value, .. }) =
            (element, salinity, row.reading.found)
        {
            let (value, at) = (
                Concentration::from_mg_per_l(value),
                Salinity::from_practical(salinity),
            );
            let scaled = scaled_to_35(element, value, at).ok();
            row.at_35 = scaled.map(Concentration::as_mg_per_l);
        }
    }
    Ok(rows)
}

/// Why it, or the report that it is a row of, counts no longer.
fn why_not<'a>(told: &Observation, back: &'a BTreeMap<i64, TakenBack>) -> Option<&'a TakenBack> {
    let of_report = || back.get(&told.panel?);
    back.get(&told.number).or_else(of_report)
}

/// The salinity nearest in time, within a week.
fn nearest(salinities: &[(Timestamp, f64)], at: Timestamp) -> Option<f64> {
    let distance = |t: &Timestamp| t.as_millisecond().abs_diff(at.as_millisecond());
    let (when, value) = salinities.iter().min_by_key(|(t, _)| distance(t))?;
    let days = when.duration_since(at).abs().as_secs_f64() / 86_400.0;
    (days <= SALINITY_DAYS_MAX).then_some(*value)
}

impl Row {
    pub(crate) const fn counts(&self) -> bool {
        self.back.is_none()
    }

    /// The value in words, with unit and 95 % interval.
    pub(crate) fn shown(&self) -> String {
        let Reading {
            of, found, as_read, ..
        } = &self.reading;
        let (value, half) = match found {
            Found::Below(limit) => return format!("below {}", of.shown(*limit)),
            Found::Value { value, uncertainty } => (*value, 1.96 * uncertainty),
        };
        if *of == Measurand::Of(Quantity::Alkalinity) {
            return format!(
                "{value:.2} dKH ({:.2} to {:.2} at 95 %), {:.2} meq/L",
                value - half,
                value + half,
                Alkalinity::from_dkh(value).as_meq_per_l()
            );
        }
        let as_read = if as_read.is_empty() {
            String::new()
        } else {
            format!(", read as {as_read}")
        };
        let scaled = self.at_35.map_or(String::new(), |scaled| {
            format!("; {} mg/L at salinity 35", figures(scaled))
        });
        format!(
            "{} ({} to {} at 95 %){as_read}{scaled}",
            of.shown(value),
            figures((value - half).max(0.0)),
            figures(value + half)
        )
    }

    /// As it is on record, and what became of it.
    pub(crate) fn json(&self) -> Value {
        let mut row = json!(self.told);
        if let Some(row) = row.as_object_mut() {
            let back = self.back.as_ref();
            row.insert("counts".to_owned(), self.counts().into());
            row.insert("why_not".to_owned(), json!(back.map(|b| &b.why)));
            row.insert(
                "replaced_by".to_owned(),
                json!(back.and_then(|b| b.replaced_by)),
            );
            row.insert("at_salinity_35_mg_per_l".to_owned(), json!(self.at_35));
        }
        row
    }
}
