//! Water tests: entered with a question where they look like a slip, corrected without losing the old entry, listed for people.

use std::collections::BTreeMap;
use std::io::Write;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::{Value, json};

use crate::chemistry::Quantity;
use crate::chemistry::{Salinity, figures, scaled_to_35};
use crate::cli::args::{Reading, ReadingAdd, ReadingCommand};
use crate::cli::exit::{self, Failure};
use crate::cli::out::{Out, Tone};
use crate::cli::place::Place;
use crate::cli::record::ledger::open;
use crate::cli::running::daemon::ask;
use crate::cli::water::owner_args::{ReadingCorrect, TakeBack};
use crate::cli::water::quantities::{Measurand, Typed};
use crate::cli::words::{minute, unread, usage, zone};
use crate::engine::{Command, NewFact, NewReading, Replaces};
use crate::ledger::LedgerReader;
use crate::quantity::{Alkalinity, Concentration, Lines, Words};
use crate::record::{self, FactKind, ReadingValue, TakenBack};

/// A salinity this far from a reading in time still scales it, in days.
const SALINITY_DAYS_MAX: f64 = 7.0;

/// Enters, corrects or lists readings.
pub(in crate::cli) fn reading(
    place: &Place,
    options: &Reading,
    out: &mut Out,
) -> Result<(), Failure> {
    match &options.command {
        ReadingCommand::Add(add) => reading_add(place, add, out),
        ReadingCommand::Correct(correct) => reading_correct(place, correct, out),
        ReadingCommand::TakeBack(back) => take_back(place, back, out),
        ReadingCommand::List { json } => {
            let entries = entries(&open(place)?)?;
            if *json {
                let rows: Vec<Value> = entries.iter().map(Entry::json).collect();
                return Ok(out.json(&rows)?);
            }
            list(&entries, &zone(place), out)
        }
    }
}

/// One reading of any kind, as it is listed.
pub(in crate::cli) struct Entry {
    number: i64,
    pub(in crate::cli) taken: Timestamp,
    pub(in crate::cli) word: String,
    /// In the record's unit.
    pub(in crate::cli) value: f64,
    /// `None` for below the detection limit.
    pub(in crate::cli) uncertainty: Option<f64>,
    unit: &'static str,
    /// What was typed, where the number alone would lose something.
    pub(in crate::cli) as_read: String,
    method: String,
    who: String,
    /// Why it counts no longer.
    pub(in crate::cli) taken_back: Option<TakenBack>,
    at_35: Option<f64>,
}

/// Every reading of the record, by the time it was taken.
pub(in crate::cli) fn entries(reader: &LedgerReader) -> Result<Vec<Entry>, Failure> {
    let water = reader.all_facts(FactKind::Water).map_err(|e| unread(&e))?;
    let back = reader.taken_back().map_err(|e| unread(&e))?;
    let mut all: Vec<Entry> = water
        .into_iter()
        .filter_map(|fact| {
            let quantity = Measurand::from_word(&fact.name).ok()?;
            let (as_read, method) = fact.text.split_once('\n').unwrap_or(("", ""));
            Some(Entry {
                taken_back: back.get(&fact.number).cloned(),
                number: fact.number,
                taken: fact.happened,
                word: quantity.word().to_owned(),
                value: fact.value?,
                uncertainty: fact.uncertainty,
                unit: quantity.unit(),
                as_read: as_read.to_owned(),
                method: method.to_owned(),
                who: fact.who.to_string(),
                at_35: None,
            })
        })
        .collect();
    let salinities: Vec<(Timestamp, f64)> = all
        .iter()
        .filter(|e| e.word == "salinity" && e.counts())
        .map(|e| (e.taken, e.value))
        .collect();
    let stored = reader.readings().map_err(|e| unread(&e))?;
    all.extend(stored.into_iter().map(|r| entry(r, &back, &salinities)));
    all.sort_by_key(|e| e.taken);
    Ok(all)
}

fn entry(
    reading: record::Reading,
    back: &BTreeMap<i64, TakenBack>,
    salinities: &[(Timestamp, f64)],
) -> Entry {
    let (value, uncertainty) = match reading.value {
        ReadingValue::Alkalinity { value, uncertainty } => {
            (value.as_meq_per_l(), Some(uncertainty.as_meq_per_l()))
        }
        ReadingValue::Concentration { value, uncertainty } => {
            (value.as_mg_per_l(), Some(uncertainty.as_mg_per_l()))
        }
        ReadingValue::Below { limit } => (limit.as_mg_per_l(), None),
    };
    let (word, unit, at_35) = match &reading.measured {
        Quantity::Alkalinity => ("alkalinity".to_owned(), "meq/L", None),
        Quantity::Element(element) => {
            let near = nearest(salinities, reading.taken).filter(|_| uncertainty.is_some());
            let scaled = near.and_then(|s| {
                let salinity = Salinity::from_practical(s);
                scaled_to_35(element, Concentration::from_mg_per_l(value), salinity).ok()
            });
            let symbol = element.symbol().to_owned();
            (symbol, "mg/L", scaled.map(Concentration::as_mg_per_l))
        }
    };
    Entry {
        number: reading.number,
        taken_back: back.get(&reading.number).cloned(),
        taken: reading.taken,
        word,
        value,
        uncertainty,
        unit,
        as_read: String::new(),
        method: reading.method,
        who: reading.who.to_string(),
        at_35,
    }
}

/// The salinity nearest in time, within a week.
fn nearest(salinities: &[(Timestamp, f64)], at: Timestamp) -> Option<f64> {
    let distance = |t: &Timestamp| t.as_millisecond().abs_diff(at.as_millisecond());
    let (when, value) = salinities.iter().min_by_key(|(t, _)| distance(t))?;
    let days = when.duration_since(at).abs().as_secs_f64() / 86_400.0;
    (days <= SALINITY_DAYS_MAX).then_some(*value)
}

impl Entry {
    pub(in crate::cli) const fn counts(&self) -> bool {
        self.taken_back.is_none()
    }

    /// The value in words, with unit and 95 % interval.
    pub(in crate::cli) fn shown(&self) -> String {
        let unit = if self.unit.is_empty() {
            String::new()
        } else {
            format!(" {}", self.unit)
        };
        let Some(u) = self.uncertainty else {
            return format!("below {}{unit}", figures(self.value));
        };
        let half = 1.96 * u;
        if self.word == "alkalinity" {
            let dkh = |meq: f64| Alkalinity::from_meq_per_l(meq).as_dkh();
            return format!(
                "{:.2} dKH ({:.2} to {:.2} at 95 %), {:.2} meq/L",
                dkh(self.value),
                dkh(self.value - half),
                dkh(self.value + half),
                self.value
            );
        }
        // Only these two can be read on more than one scale.
        let one_scale =
            !matches!(self.word.as_str(), "salinity" | "pH") || !self.as_read.contains(' ');
        let as_read = if one_scale {
            String::new()
        } else {
            format!(", read as {}", self.as_read)
        };
        let scaled = self.at_35.map_or(String::new(), |scaled| {
            format!("; {} mg/L at salinity 35", figures(scaled))
        });
        format!(
            "{}{unit} ({} to {} at 95 %){as_read}{scaled}",
            figures(self.value),
            figures((self.value - half).max(0.0)),
            figures(self.value + half)
        )
    }

    fn json(&self) -> Value {
        json!({
            "number": self.number, "taken": self.taken.to_string(), "measured": self.word,
            "form": if self.uncertainty.is_some() { "value" } else { "below" }, "value": self.value,
            "uncertainty": self.uncertainty, "unit": self.unit, "as_read": self.as_read, "method": self.method,
            "who": self.who, "counts": self.counts(), "why_not": self.taken_back.as_ref().map(|b| &b.why),
            "replaced_by": self.taken_back.as_ref().and_then(|b| b.replaced_by), "at_salinity_35_mg_per_l": self.at_35,
        })
    }
}

fn list(entries: &[Entry], zone: &TimeZone, out: &mut Out) -> Result<(), Failure> {
    if entries.is_empty() {
        writeln!(out, "nothing recorded")?;
        return Ok(());
    }
    let width = |f: fn(&Entry) -> usize| entries.iter().map(f).max().unwrap_or(1);
    let (number, word) = (
        width(|e| e.number.to_string().len()),
        width(|e| e.word.len()),
    );
    for entry in entries {
        let method = if entry.method.is_empty() {
            String::new()
        } else {
            format!("  [{}]", entry.method)
        };
        let line = format!(
            "{:>number$}  {}  {:word$}  {}{method}",
            entry.number,
            minute(entry.taken, zone),
            entry.word,
            entry.shown()
        );
        if let Some(TakenBack {
            replaced_by, why, ..
        }) = &entry.taken_back
        {
            let text = match replaced_by {
                Some(by) => format!("{line}  (corrected by {by}: {why})"),
                None => format!("{line}  (taken back: {why})"),
            };
            writeln!(out, "{}", out.tone(Tone::Quiet, &text))?;
        } else {
            writeln!(out, "{line}")?;
        }
    }
    Ok(())
}

fn command(
    quantity: &Measurand,
    typed: &Typed,
    method: &str,
    (taken, replaces, sure): (Option<Timestamp>, Option<Replaces>, bool),
) -> Result<Command, Failure> {
    let (value, uncertainty) = (typed.value, typed.uncertainty);
    let mg = Concentration::from_mg_per_l;
    let (measured, value) = match quantity {
        Measurand::Alkalinity => (
            Quantity::Alkalinity,
            ReadingValue::Alkalinity {
                value: Alkalinity::from_meq_per_l(value),
                uncertainty: Alkalinity::from_meq_per_l(uncertainty),
            },
        ),
        Measurand::Element(element) => {
            let value = if typed.below {
                ReadingValue::Below { limit: mg(value) }
            } else {
                ReadingValue::Concentration {
                    value: mg(value),
                    uncertainty: mg(uncertainty),
                }
            };
            (Quantity::Element(element.clone()), value)
        }
        Measurand::Salinity
        | Measurand::Ph
        | Measurand::Temperature
        | Measurand::Nitrate
        | Measurand::Phosphate => {
            let text = format!("{}\n{}", typed.as_read, Words::new(method));
            return Ok(Command::AddFact(NewFact {
                kind: FactKind::Water,
                name: quantity.word().into(),
                value: Some(value),
                uncertainty: (!typed.below).then_some(uncertainty),
                text: Lines::new(&text).map_err(usage)?,
                happened: taken,
                replaces,
                sure,
            }));
        }
    };
    Ok(Command::AddReading(NewReading {
        measured,
        value,
        method: method.into(),
        taken,
        replaces,
        sure,
    }))
}

fn reading_add(place: &Place, add: &ReadingAdd, out: &mut Out) -> Result<(), Failure> {
    let quantity = Measurand::from_word(&add.quantity)?;
    let typed = quantity.parse(&add.value, add.uncertainty.as_deref())?;
    let command = command(&quantity, &typed, &add.method, (add.at, None, add.sure))?;
    ask(place, &command.into(), add.json, out).map(drop)
}

fn reading_correct(place: &Place, correct: &ReadingCorrect, out: &mut Out) -> Result<(), Failure> {
    let number = correct.number;
    let missing = || {
        usage(format!(
            "there is no reading {number}; `dosewright reading list` shows the numbers"
        ))
    };
    let old = entries(&open(place)?)?
        .into_iter()
        .find(|e| e.number == number)
        .ok_or_else(missing)?;
    if !old.counts() {
        return Err(Failure::new(
            exit::REFUSED,
            format!(
                "reading {number} was corrected or taken back before; correct the entry that replaced it, or add a new one"
            ),
        ));
    }
    let quantity = Measurand::from_word(&old.word)?;
    let typed = quantity.parse(&correct.value, correct.uncertainty.as_deref())?;
    let replaces = Replaces {
        number,
        why: Words::new(&correct.reason),
    };
    let of = (Some(old.taken), Some(replaces), correct.sure);
    let new = command(&quantity, &typed, &old.method, of)?;
    ask(place, &new.into(), correct.json, out).map(drop)
}

/// Takes back anything that was told: a reading, a lab report, a water change, a note.
pub(in crate::cli) fn take_back(
    place: &Place,
    back: &TakeBack,
    out: &mut Out,
) -> Result<(), Failure> {
    let command = Command::TakeBack {
        number: back.number,
        why: Words::new(&back.reason),
    };
    ask(place, &command.into(), back.json, out).map(drop)
}
