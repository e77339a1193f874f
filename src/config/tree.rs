//! The tree of checked values that the files are read into, each with its place.

use std::fmt;
use std::rc::Rc;

use super::mistake::Sink;
use super::schema::{Flag, List, Named, Number, Of, Table, Text, Texts, Whole};
use crate::quantity::{Volume, i64_from_f64};

#[derive(Debug, Default)]
pub(super) struct RawTable {
    /// How messages name this table, with what joins it to a key: `line "alkalinity": `, `tank.`.
    pub(super) label: String,
    /// Byte where the table is named.
    pub(super) at: usize,
    /// Whether something in it was wrong or unknown, so that what is missing may not be missing at all.
    pub(super) spoiled: bool,
    /// The values that are right, by key.
    pub(super) values: Vec<(String, RawValue)>,
    /// Where mistakes of its file go.
    pub(super) sink: Rc<Sink>,
}

#[derive(Debug)]
pub(super) struct RawValue {
    /// Byte where the value stands; the table's for a default.
    pub(super) at: usize,
    pub(super) data: Data,
}

#[derive(Debug)]
pub(super) enum Data {
    Number(f64),
    Flag(bool),
    Text(String),
    Texts(Vec<RawText>),
    Table(RawTable),
    Named(Vec<(String, RawTable)>),
    List(Vec<RawTable>),
}

/// One text of a list.
#[derive(Debug)]
pub(super) struct RawText {
    /// Byte where it stands.
    pub(super) at: usize,
    pub(super) text: String,
}

impl RawTable {
    /// A mistake at one of its keys, or where the table begins when the key is not there.
    pub(super) fn refuse<T>(&self, key: Of<T>, words: impl fmt::Display) {
        let message = format!("{}{words}", self.label);
        self.sink.mistake(self.place(key), message);
    }

    pub(super) fn refuse_whole(&self, words: impl fmt::Display) {
        let message = format!("{}{words}", self.before_words());
        self.sink.mistake(self.at, message);
    }

    /// A warning at one of its keys, or where the table begins when the key is not there.
    pub(super) fn doubt<T>(&self, key: Of<T>, words: impl fmt::Display) {
        let message = format!("{}{words}", self.label);
        self.sink.warn(self.place(key), message);
    }

    pub(super) fn doubt_whole(&self, words: impl fmt::Display) {
        let message = format!("{}{words}", self.before_words());
        self.sink.warn(self.at, message);
    }

    /// The label, where words follow and no key.
    fn before_words(&self) -> String {
        let inner = self.label.strip_suffix('.');
        inner.map_or_else(|| self.label.clone(), |label| format!("{label}: "))
    }

    fn value(&self, name: &str) -> Option<&RawValue> {
        let found = self.values.iter().find(|(key, _)| key == name);
        found.map(|(_, value)| value)
    }

    /// Where the value of a key stands, or the table when it is absent.
    pub(super) fn place<T>(&self, key: Of<T>) -> usize {
        self.place_named(key.name())
    }

    /// The same by a name out of [`RawTable::keys`].
    pub(super) fn place_named(&self, name: &str) -> usize {
        self.value(name).map_or(self.at, |value| value.at)
    }

    /// A number, when it was there (or has a default) and was in range.
    pub(super) fn number(&self, key: Of<Number>) -> Option<f64> {
        self.number_named(key.name())
    }

    /// A number of a table whose keys are made of the symbols of elements.
    pub(super) fn number_named(&self, name: &str) -> Option<f64> {
        let Data::Number(value) = self.value(name)?.data else {
            return None;
        };
        Some(value)
    }

    /// A whole number in the width that is wanted; its range lies within it.
    pub(super) fn whole<N: TryFrom<i64>>(&self, key: Of<Whole>) -> Option<N> {
        N::try_from(i64_from_f64(self.number_named(key.name())?)?).ok()
    }

    /// A number of mL as an exact volume.
    pub(super) fn volume(&self, key: Of<Number>) -> Option<Volume> {
        Volume::from_ml(self.number(key)?)
    }

    pub(super) fn flag(&self, key: Of<Flag>) -> Option<bool> {
        let Data::Flag(value) = self.value(key.name())?.data else {
            return None;
        };
        Some(value)
    }

    pub(super) fn text(&self, key: Of<Text>) -> Option<&str> {
        let Data::Text(value) = &self.value(key.name())?.data else {
            return None;
        };
        Some(value)
    }

    /// A list of texts; `None` when absent.
    pub(super) fn texts(&self, key: Of<Texts>) -> Option<&[RawText]> {
        let Data::Texts(value) = &self.value(key.name())?.data else {
            return None;
        };
        Some(value)
    }

    /// A table; `None` when absent.
    pub(super) fn table(&self, key: Of<Table>) -> Option<&RawTable> {
        let Data::Table(value) = &self.value(key.name())?.data else {
            return None;
        };
        Some(value)
    }

    /// Tables by name, in the order of the file.
    pub(super) fn named(&self, key: Of<Named>) -> &[(String, RawTable)] {
        let Some(Data::Named(value)) = self.value(key.name()).map(|value| &value.data) else {
            return &[];
        };
        value
    }

    /// A list of tables.
    pub(super) fn list(&self, key: Of<List>) -> &[RawTable] {
        let Some(Data::List(value)) = self.value(key.name()).map(|value| &value.data) else {
            return &[];
        };
        value
    }

    /// Whether a value stands here, of whatever kind.
    pub(super) fn has<T>(&self, key: Of<T>) -> bool {
        self.value(key.name()).is_some()
    }

    /// The names of all keys that stand here, in order.
    pub(super) fn keys(&self) -> impl Iterator<Item = &str> {
        self.values.iter().map(|(key, _)| key.as_str())
    }

    /// The meaning as text, one value a line, free of comments, spacing, key order and number spelling, without the tables that are
    /// `left_out`. The order of `[line.*]` tables is kept, because earlier lines get the better times.
    pub(super) fn canonical(&self, left_out: &[&str]) -> String {
        let mut out = Vec::new();
        let counted = self
            .values
            .iter()
            .filter(|(key, _)| !left_out.contains(&key.as_str()));
        write_canonical(counted, "", &mut out);
        out.join("\n")
    }
}

fn write_canonical<'a>(
    values: impl Iterator<Item = &'a (String, RawValue)>,
    path: &str,
    out: &mut Vec<String>,
) {
    let mut values: Vec<&(String, RawValue)> = values.collect();
    values.sort_by(|a, b| a.0.cmp(&b.0));
    for (key, value) in values {
        let here = format!("{path}{key}");
        match &value.data {
            Data::Number(number) => out.push(format!("{here}={number:?}")),
            Data::Flag(flag) => out.push(format!("{here}={flag}")),
            Data::Text(text) => out.push(format!("{here}={text:?}")),
            Data::Texts(texts) => {
                let texts: Vec<&str> = texts.iter().map(|text| text.text.as_str()).collect();
                out.push(format!("{here}={texts:?}"));
            }
            Data::Table(table) => write_canonical(table.values.iter(), &format!("{here}."), out),
            Data::Named(tables) => {
                let mut tables: Vec<&(String, RawTable)> = tables.iter().collect();
                if here != "line" {
                    tables.sort_by(|a, b| a.0.cmp(&b.0));
                }
                for (name, table) in tables {
                    out.push(format!("[{here}.{name}]"));
                    write_canonical(table.values.iter(), &format!("{here}.{name}."), out);
                }
            }
            Data::List(tables) => {
                for table in tables {
                    out.push(format!("[[{here}]]"));
                    write_canonical(table.values.iter(), &format!("{here}."), out);
                }
            }
        }
    }
}
