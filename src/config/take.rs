//! Values out of the tree that need more than a look: names, references to other tables, times.

use super::nearest::did_you_mean;
use super::schema::{Named, Number, Of, Text, Texts};
use super::tree::RawTable;
use crate::quantity::{Millis, Name};

/// A text that must be a name.
pub(super) fn named(raw: &RawTable, key: Of<Text>) -> Option<Name> {
    let text = raw.text(key)?;
    match Name::new(text) {
        Ok(name) => Some(name),
        Err(error) => {
            raw.refuse(key, format!("{key}: {error}"));
            None
        }
    }
}

/// A text that must name one of the tables `[group.NAME]`.
pub(super) fn reference(
    raw: &RawTable,
    key: Of<Text>,
    group: (&RawTable, Of<Named>),
) -> Option<Name> {
    let (whole, group) = group;
    let text = raw.text(key)?;
    known(
        text,
        (raw.place(key), &format!("{}{key}", raw.label)),
        (whole, group),
    )
}

/// Texts that must each name one of the tables `[group.NAME]`.
pub(super) fn references(
    raw: &RawTable,
    key: Of<Texts>,
    group: (&RawTable, Of<Named>),
) -> Option<Vec<Name>> {
    let label = format!("{}{key}", raw.label);
    let texts = raw.texts(key)?.iter();
    let each = texts.map(|text| known(&text.text, (text.at, &label), group));
    // All of them are looked at, so that all mistakes are named.
    each.collect::<Vec<_>>().into_iter().collect()
}

/// The name `text` when a table `[group.NAME]` has it; otherwise a mistake that lists the names there are.
pub(super) fn known(
    text: &str,
    place: (usize, &str),
    group: (&RawTable, Of<Named>),
) -> Option<Name> {
    let (whole, group) = group;
    let names: Vec<&str> = whole
        .named(group)
        .iter()
        .map(|(name, _)| name.as_str())
        .collect();
    if names.contains(&text) {
        return Name::new(text).ok();
    }
    let near = did_you_mean(text, names.iter().copied());
    let (at, label) = place;
    let shown = super::mistake::quoted(text);
    whole.sink.mistake(
        at,
        format!(
            "{label} = \"{shown}\" is no {group} of this file; {near}known: {}",
            names.join(", ")
        ),
    );
    None
}

/// A number in some unit of time as milliseconds.
pub(super) fn time(raw: &RawTable, key: Of<Number>, seconds_per_unit: f64) -> Option<Millis> {
    Millis::from_secs_f64(raw.number(key)? * seconds_per_unit)
}

/// Seconds in a day, for [`time`].
pub(super) const DAY: f64 = 86_400.0;
