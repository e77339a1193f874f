//! The tree of checked values that the files are read into, each with its place.

use crate::quantity::Volume;

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
    fn value(&self, name: &str) -> Option<&RawValue> {
        let found = self.values.iter().find(|(key, _)| key == name);
        found.map(|(_, value)| value)
    }

    /// Where the value of a key stands, or the table when it is absent.
    pub(super) fn place(&self, name: &str) -> usize {
        self.value(name).map_or(self.at, |value| value.at)
    }

    /// A number, when it was there (or has a default) and was in range.
    pub(super) fn number(&self, name: &str) -> Option<f64> {
        let Data::Number(value) = self.value(name)?.data else {
            return None;
        };
        Some(value)
    }

    /// A number of mL as an exact volume.
    pub(super) fn volume(&self, name: &str) -> Option<Volume> {
        Volume::from_ml(self.number(name)?)
    }

    pub(super) fn flag(&self, name: &str) -> Option<bool> {
        let Data::Flag(value) = self.value(name)?.data else {
            return None;
        };
        Some(value)
    }

    pub(super) fn text(&self, name: &str) -> Option<&str> {
        let Data::Text(value) = &self.value(name)?.data else {
            return None;
        };
        Some(value)
    }

    /// A list of texts; `None` when absent.
    pub(super) fn texts(&self, name: &str) -> Option<&[RawText]> {
        let Data::Texts(value) = &self.value(name)?.data else {
            return None;
        };
        Some(value)
    }

    /// A table; `None` when absent.
    pub(super) fn table(&self, name: &str) -> Option<&RawTable> {
        let Data::Table(value) = &self.value(name)?.data else {
            return None;
        };
        Some(value)
    }

    /// Tables by name, in the order of the file.
    pub(super) fn named(&self, name: &str) -> &[(String, RawTable)] {
        let Some(Data::Named(value)) = self.value(name).map(|value| &value.data) else {
            return &[];
        };
        value
    }

    /// A list of tables.
    pub(super) fn list(&self, name: &str) -> &[RawTable] {
        let Some(Data::List(value)) = self.value(name).map(|value| &value.data) else {
            return &[];
        };
        value
    }

    /// The names of all keys that stand here, in order.
    pub(super) fn keys(&self) -> impl Iterator<Item = &str> {
        self.values.iter().map(|(key, _)| key.as_str())
    }

    /// The meaning as text, one value a line, free of comments, spacing, key order and number spelling. The order of
    /// `[line.*]` tables is kept, because earlier lines get the better times.
    pub(super) fn canonical(&self) -> String {
        let mut out = Vec::new();
        self.write_canonical("", &mut out);
        out.join("\n")
    }

    fn write_canonical(&self, path: &str, out: &mut Vec<String>) {
        let mut values: Vec<&(String, RawValue)> = self.values.iter().collect();
        values.sort_by(|a, b| a.0.cmp(&b.0));
        for (key, value) in values {
            let here = format!("{path}{key}");
            // Who may ask for what does not bear on what is dosed.
            if here == "peer" {
                continue;
            }
            match &value.data {
                Data::Number(number) => out.push(format!("{here}={number:?}")),
                Data::Flag(flag) => out.push(format!("{here}={flag}")),
                Data::Text(text) => out.push(format!("{here}={text:?}")),
                Data::Texts(texts) => {
                    let texts: Vec<&str> = texts.iter().map(|text| text.text.as_str()).collect();
                    out.push(format!("{here}={texts:?}"));
                }
                Data::Table(table) => table.write_canonical(&format!("{here}."), out),
                Data::Named(tables) => {
                    let mut tables: Vec<&(String, RawTable)> = tables.iter().collect();
                    if here != "line" {
                        tables.sort_by(|a, b| a.0.cmp(&b.0));
                    }
                    for (name, table) in tables {
                        out.push(format!("[{here}.{name}]"));
                        table.write_canonical(&format!("{here}.{name}."), out);
                    }
                }
                Data::List(tables) => {
                    for table in tables {
                        out.push(format!("[[{here}]]"));
                        table.write_canonical(&format!("{here}."), out);
                    }
                }
            }
        }
    }
}
