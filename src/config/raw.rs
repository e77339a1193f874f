//! From text to a tree of values that have the right type and lie in their range, every mistake on the way collected.
//!
//! The tree is read along `schema.rs`, not through derived structs: those stop at the first wrong type or unknown key, and an
//! owner who mends a file at midnight wants all of them at once. A value that is wrong is reported here and then missing from
//! the tree, so what is built from the tree need not report it again.

use std::rc::Rc;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::home::schema_home;
use super::mistake::{Sink, quoted};
use super::nearest::nearest;
use super::schema::{Key, Kind, Naming, Need, Range, Section};
use super::tree::{Data, RawTable, RawValue};
use crate::chemistry::Quantity;
use crate::quantity::Name;

/// The line of a place, and the number with a decimal comma that stands in it as a value.
fn decimal_comma(text: &str, at: usize) -> Option<(std::ops::Range<usize>, &str)> {
    let begin = text.get(..at)?.rfind('\n').map_or(0, |end| end + 1);
    let end = text.get(at..)?.find('\n').map_or(text.len(), |n| at + n);
    let line = text.get(begin..end)?;
    let values = line.split('=').skip(1).map(str::trim_start);
    let number = values.filter_map(|value| {
        let end = |text: &str, from: usize| {
            let digits = text.get(from..)?.bytes().take_while(u8::is_ascii_digit);
            Some(from + digits.count())
        };
        let whole = end(value, usize::from(value.starts_with('-')))?;
        let decimals = end(value, whole + 1)?;
        let is_number = value.get(whole..)?.starts_with(',') && whole > 0 && decimals > whole + 1;
        value.get(..decimals).filter(|_| is_number)
    });
    Some((begin..end + 1, { number }.next()?))
}

/// A table of which nothing was written: the defaults of its keys.
pub(super) fn defaults(section: &'static Section) -> RawTable {
    Walk::new("", &Sink::new("", "")).table(&DeTable::new(), section, Spot::default())
}

/// Reads a whole file along its schema. `None` when its syntax is broken, which is then among the mistakes.
pub(super) fn read(text: &str, section: &'static Section, sink: &Rc<Sink>) -> Option<RawTable> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut readable = true;
    // Within a table that stands twice every key stands twice; one mistake is enough for all of it.
    let mut doubled_table: Option<usize> = None;
    let mut with_comma = 0..0;
    for error in &errors {
        let span = error.span().unwrap_or(0..0);
        let at = span.start;
        let what = quoted(error.message().trim());
        if !what.starts_with("duplicate key") {
            readable = false;
            if with_comma.contains(&at) {
                continue;
            }
            if let Some((line, number)) = decimal_comma(text, at) {
                with_comma = line;
                sink.mistake(
                    at,
                    format!(
                        "{number} has a comma in its number; write {}, in these files decimals stand behind a point",
                        number.replacen(',', ".", 1)
                    ),
                );
                continue;
            }
            sink.mistake(
                at,
                format!("this is not TOML: {what}; mend the line, then check again"),
            );
            continue;
        }
        let since = doubled_table.and_then(|table| text.get(table..at));
        if since.is_some_and(|between| !between.contains("\n[")) {
            continue;
        }
        let before = text.get(..at).unwrap_or_default();
        if before
            .rsplit('\n')
            .next()
            .unwrap_or_default()
            .starts_with('[')
        {
            doubled_table = Some(at);
        }
        let name = text.get(span).map(quoted).unwrap_or_default();
        sink.mistake(
            at,
            format!("{name} stands here a second time; keep one of the two"),
        );
    }
    if !readable {
        return None;
    }
    Some(Walk::new(text, sink).table(document.get_ref(), section, Spot::default()))
}

/// How a table is named in messages, and where it stands.
#[derive(Default)]
struct Spot {
    label: String,
    at: usize,
}

pub(super) struct Walk<'a> {
    pub(super) text: &'a str,
    pub(super) sink: Rc<Sink>,
}

impl<'a> Walk<'a> {
    fn new(text: &'a str, sink: &Rc<Sink>) -> Self {
        let sink = Rc::clone(sink);
        Self { text, sink }
    }

    fn table(&self, table: &DeTable<'_>, section: &'static Section, spot: Spot) -> RawTable {
        let mut suggested: Vec<&'static str> = Vec::new();
        let mut values = Vec::new();
        let mut spoiled = false;
        let mut entries: Vec<_> = table.iter().collect();
        entries.sort_by_key(|(key, _)| key.span().start);
        for (key, value) in entries {
            let name: &str = key.get_ref();
            if let Some(known) = section.find(name) {
                let place = Spot {
                    label: spot.label.clone(),
                    at: key.span().start,
                };
                let found = self.value(known, value, &place);
                spoiled |= found.is_none();
                values.extend(found.map(|v| (name.to_owned(), v)));
            } else if let Some(range) = element_range(section, name) {
                let label = format!("{}{name}", spot.label);
                let number = self.number(&label, value, range);
                spoiled |= number.is_none();
                let at = value.span().start;
                values.extend(number.map(|n| {
                    (
                        name.to_owned(),
                        RawValue {
                            at,
                            data: Data::Number(n),
                        },
                    )
                }));
            } else {
                spoiled = true;
                suggested.extend(self.unknown(section, name, key.span().start, &spot.label));
            }
        }
        let given = |name: &str| table.get(name).is_some();
        for key in section.keys.iter().filter(|key| !given(key.name)) {
            let replaced =
                matches!(key.need, Need::Unless(others) if others.iter().any(|other| given(other)));
            if !replaced && !suggested.contains(&key.name) {
                values.extend(self.absent(key, &spot));
            }
        }
        RawTable {
            label: spot.label,
            at: spot.at,
            spoiled,
            values,
            sink: Rc::clone(&self.sink),
        }
    }

    /// Reports an unknown key; returns the known one that was probably meant.
    fn unknown(
        &self,
        section: &'static Section,
        name: &str,
        at: usize,
        label: &str,
    ) -> Option<&'static str> {
        let near = nearest(name, section.keys.iter().map(|key| key.name));
        let known: Vec<&str> = section.keys.iter().map(|key| key.name).collect();
        let known = known.join(", ");
        let element = section
            .element_mg
            .map_or("", |_| ", SYMBOL-mg such as Ca-mg");
        let hint = match (near, schema_home(name)) {
            (_, Some(home)) if section.find(name).is_none() => {
                format!("it belongs in {home}; known here: {known}{element}")
            }
            (Some(near), _) => format!("did you mean {near}?"),
            (None, _) => format!("known here: {known}{element}"),
        };
        let shown = quoted(name);
        self.sink
            .mistake(at, format!("{label}{shown} is an unknown key; {hint}"));
        near
    }

    /// The default of an absent key, or the mistake of leaving it out.
    fn absent(&self, key: &'static Key, spot: &Spot) -> Option<(String, RawValue)> {
        let data = match key.need {
            Need::Optional => return None,
            Need::Required | Need::Unless(_) => {
                let wanted = key.kind.wanted();
                let message = if key.kind.tables().is_some() {
                    format!("{}[{}] is missing; it has no default", spot.label, key.name)
                } else {
                    format!(
                        "{}{} is missing; give {wanted}, it has no default",
                        spot.label, key.name
                    )
                };
                self.sink.mistake(spot.at, message);
                return None;
            }
            Need::Number(value) => Data::Number(value),
            Need::Text(word) => Data::Text(word.to_owned()),
            Need::Flag(flag) => Data::Flag(flag),
        };
        Some((key.name.to_owned(), RawValue { at: spot.at, data }))
    }

    /// A value by its kind; `None` when it was wrong, which is then reported. `spot.at` is where the key stands.
    fn value(&self, key: &Key, value: &Spanned<DeValue<'_>>, spot: &Spot) -> Option<RawValue> {
        let label = format!("{}{}", spot.label, key.name);
        let data = match key.kind {
            Kind::Number(range) => Data::Number(self.number(&label, value, range)?),
            Kind::Whole(range) => Data::Number(self.whole(&label, value, range)?),
            Kind::Flag => match value.get_ref().as_bool() {
                Some(flag) => Data::Flag(flag),
                None => return self.wrong(&label, value, &key.kind.wanted()),
            },
            Kind::Text(what) => Data::Text(self.text(&label, value, what)?),
            Kind::Choice(words) => {
                let found = value.get_ref().as_str().filter(|text| words.contains(text));
                match found {
                    Some(word) => Data::Text(word.to_owned()),
                    None => return self.wrong(&label, value, &key.kind.wanted()),
                }
            }
            Kind::Texts(what) => Data::Texts(self.texts(&label, value, what)?),
            Kind::Choices(words) => Data::Texts(self.choices(&label, value, words)?),
            Kind::Table(section) => match value.get_ref().as_table() {
                Some(table) => {
                    let inner = Spot {
                        label: format!("{label}."),
                        at: spot.at,
                    };
                    Data::Table(self.table(table, section, inner))
                }
                None => return self.wrong(&label, value, &key.kind.wanted()),
            },
            Kind::Named(section, naming) => {
                Data::Named(self.named(key, value, (section, naming), spot)?)
            }
            Kind::List(section) => Data::List(self.list(&label, value, section)?),
        };
        Some(RawValue {
            at: value.span().start,
            data,
        })
    }

    fn named(
        &self,
        key: &Key,
        value: &Spanned<DeValue<'_>>,
        kind: (&'static Section, Naming),
        spot: &Spot,
    ) -> Option<Vec<(String, RawTable)>> {
        let (section, naming) = kind;
        let label = format!("{}{}", spot.label, key.name);
        let Some(table) = value.get_ref().as_table() else {
            return self.wrong(&label, value, &key.kind.wanted());
        };
        let mut entries: Vec<_> = table.iter().collect();
        entries.sort_by_key(|(name, _)| name.span().start);
        let mut tables = Vec::new();
        for (name, value) in entries {
            let (text, at): (&str, usize) = (name.get_ref(), name.span().start);
            let bad_name = match naming {
                Naming::Own => Name::new(text).err().map(|error| error.to_string()),
                Naming::Quantity(_) => not_a_quantity(text),
            };
            if let Some(error) = bad_name {
                self.sink.mistake(at, format!("{label}: {error}"));
                continue;
            }
            let label = match naming {
                Naming::Own => format!("{} \"{text}\": ", key.name),
                Naming::Quantity(_) => format!("{label}.{text}."),
            };
            if let Some(inner) = value.get_ref().as_table() {
                tables.push((
                    text.to_owned(),
                    self.table(inner, naming.section_of(text, section), Spot { label, at }),
                ));
            } else {
                let label = label.trim_end_matches([':', ' ', '.']).to_owned();
                let _: Option<()> = self.wrong(&label, value, "a table of its keys");
            }
        }
        if table.is_empty() && matches!(key.need, Need::Required) {
            self.sink.mistake(
                spot.at,
                format!("{label} has no entry; give at least one [{label}.NAME]"),
            );
        }
        Some(tables)
    }

    fn list(
        &self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        section: &'static Section,
    ) -> Option<Vec<RawTable>> {
        let Some(array) = value.get_ref().as_array() else {
            return self.wrong(label, value, "a list of tables");
        };
        let mut tables = Vec::new();
        for (index, item) in array.iter().enumerate() {
            let label = format!("{label} {}", index.saturating_add(1));
            match item.get_ref().as_table() {
                Some(table) => {
                    let spot = Spot {
                        label: format!("{label}: "),
                        at: item.span().start,
                    };
                    tables.push(self.table(table, section, spot));
                }
                None => {
                    let _: Option<()> = self.wrong(&label, item, "a table of its keys");
                }
            }
        }
        Some(tables)
    }
}

/// Why a text is not the name of a water quantity; symbols are not taken, so that one quantity has one table.
fn not_a_quantity(text: &str) -> Option<String> {
    let found = Quantity::from_word(text);
    if found.as_ref().is_some_and(|of| of.as_str() == text) {
        return None;
    }
    let near = found.map(|of| format!("write {of}, ")).unwrap_or_default();
    Some(format!(
        "\"{}\" is not the name of a water quantity known here; {near}alkalinity or an element such as calcium, magnesium, iodine",
        quoted(text)
    ))
}

/// The range of a key `SYMBOL-mg` in a table that takes such keys.
fn element_range(section: &Section, name: &str) -> Option<Range> {
    let symbol = name.strip_suffix("-mg")?;
    Quantity::dissolved(symbol)?;
    section.element_mg
}
