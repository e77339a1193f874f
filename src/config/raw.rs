//! From text to a tree of values that have the right type and lie in their range, every mistake on the way collected.
//!
//! The tree is read along `schema.rs`, not through derived structs: those stop at the first wrong type or unknown key, and an
//! owner who mends a file at midnight wants all of them at once. A value that is wrong is reported here and then missing from
//! the tree, so what is built from the tree need not report it again.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::mistake::{Sink, quoted};
use super::nearest::nearest;
use super::schema::{self, Key, Kind, Naming, Need, Range, Section};
use crate::chemistry::Element;
use crate::quantity::{Name, Volume};

/// A checked table.
#[derive(Debug, Default)]
pub(super) struct RawTable {
    /// How messages name this table, with what joins it to a key: `line "alkalinity": `, `tank.`.
    pub(super) label: String,
    /// Byte where the table is named.
    pub(super) at: usize,
    /// Whether something in it was wrong or unknown, so that what is missing may not be missing at all.
    pub(super) spoiled: bool,
    values: Vec<(String, RawValue)>,
}

#[derive(Debug)]
struct RawValue {
    /// Byte where the value stands; the table's for a default.
    at: usize,
    data: Data,
}

#[derive(Debug)]
enum Data {
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
    /// The text.
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
        match self.value(name)?.data {
            Data::Number(value) => Some(value),
            Data::Flag(_) | Data::Text(_) | Data::Texts(_) | Data::Table(_) => None,
            Data::Named(_) | Data::List(_) => None,
        }
    }

    /// A number of mL as an exact volume.
    pub(super) fn volume(&self, name: &str) -> Option<Volume> {
        Volume::from_ml(self.number(name)?)
    }

    /// A flag.
    pub(super) fn flag(&self, name: &str) -> Option<bool> {
        match self.value(name)?.data {
            Data::Flag(value) => Some(value),
            Data::Number(_) | Data::Text(_) | Data::Texts(_) | Data::Table(_) => None,
            Data::Named(_) | Data::List(_) => None,
        }
    }

    /// A text.
    pub(super) fn text(&self, name: &str) -> Option<&str> {
        match &self.value(name)?.data {
            Data::Text(value) => Some(value),
            Data::Number(_) | Data::Flag(_) | Data::Texts(_) | Data::Table(_) => None,
            Data::Named(_) | Data::List(_) => None,
        }
    }

    /// A list of texts; `None` when absent.
    pub(super) fn texts(&self, name: &str) -> Option<&[RawText]> {
        match &self.value(name)?.data {
            Data::Texts(value) => Some(value),
            Data::Number(_) | Data::Flag(_) | Data::Text(_) | Data::Table(_) => None,
            Data::Named(_) | Data::List(_) => None,
        }
    }

    /// A table; `None` when absent.
    pub(super) fn table(&self, name: &str) -> Option<&RawTable> {
        match &self.value(name)?.data {
            Data::Table(value) => Some(value),
            Data::Number(_) | Data::Flag(_) | Data::Text(_) | Data::Texts(_) => None,
            Data::Named(_) | Data::List(_) => None,
        }
    }

    /// Tables by name, in the order of the file.
    pub(super) fn named(&self, name: &str) -> &[(String, RawTable)] {
        match self.value(name).map(|value| &value.data) {
            Some(Data::Named(value)) => value,
            Some(Data::Number(_) | Data::Flag(_) | Data::Text(_) | Data::Texts(_)) | None => &[],
            Some(Data::Table(_) | Data::List(_)) => &[],
        }
    }

    /// A list of tables.
    pub(super) fn list(&self, name: &str) -> &[RawTable] {
        match self.value(name).map(|value| &value.data) {
            Some(Data::List(value)) => value,
            Some(Data::Number(_) | Data::Flag(_) | Data::Text(_) | Data::Texts(_)) | None => &[],
            Some(Data::Table(_) | Data::Named(_)) => &[],
        }
    }

    /// The names of all keys that stand here, in order.
    pub(super) fn keys(&self) -> impl Iterator<Item = &str> {
        self.values.iter().map(|(key, _)| key.as_str())
    }

    /// The meaning as text, one value a line, free of comments, spacing, key order and number spelling. The order of
    /// `[line.*]` tables is kept, because earlier lines get the better times.
    pub(super) fn canonical(&self) -> String {
        let mut out = String::new();
        self.write_canonical("", &mut out);
        out
    }

    fn write_canonical(&self, path: &str, out: &mut String) {
        let mut values: Vec<&(String, RawValue)> = self.values.iter().collect();
        values.sort_by(|a, b| a.0.cmp(&b.0));
        for (key, value) in values {
            let here = format!("{path}{key}");
            match &value.data {
                Data::Number(number) => out.push_str(&format!("{here}={number:?}\n")),
                Data::Flag(flag) => out.push_str(&format!("{here}={flag}\n")),
                Data::Text(text) => out.push_str(&format!("{here}={text:?}\n")),
                Data::Texts(texts) => {
                    let texts: Vec<&str> = texts.iter().map(|text| text.text.as_str()).collect();
                    out.push_str(&format!("{here}={texts:?}\n"));
                }
                Data::Table(table) => table.write_canonical(&format!("{here}."), out),
                Data::Named(tables) => {
                    let mut tables: Vec<&(String, RawTable)> = tables.iter().collect();
                    if here != "line" {
                        tables.sort_by(|a, b| a.0.cmp(&b.0));
                    }
                    for (name, table) in tables {
                        out.push_str(&format!("[{here}.{name}]\n"));
                        table.write_canonical(&format!("{here}.{name}."), out);
                    }
                }
                Data::List(tables) => {
                    for table in tables {
                        out.push_str(&format!("[[{here}]]\n"));
                        table.write_canonical(&format!("{here}."), out);
                    }
                }
            }
        }
    }
}

/// A table of which nothing was written: the defaults of its keys.
pub(super) fn defaults(section: &'static Section) -> RawTable {
    let mut sink = Sink::new("", "");
    let mut walk = Walk {
        text: "",
        sink: &mut sink,
    };
    walk.table(
        &DeTable::new(),
        section,
        Spot {
            label: String::new(),
            at: 0,
        },
    )
}

/// Reads a whole file along its schema. `None` when its syntax is broken, which is then among the mistakes.
pub(super) fn read(text: &str, section: &'static Section, sink: &mut Sink<'_>) -> Option<RawTable> {
    let (document, errors) = DeTable::parse_recoverable(text);
    let mut readable = true;
    for error in &errors {
        let at = error.span().map_or(0, |span| span.start);
        let what = quoted(error.message().trim());
        if what.starts_with("duplicate key") {
            let name = error
                .span()
                .and_then(|span| text.get(span))
                .map(quoted)
                .unwrap_or_default();
            sink.mistake(
                at,
                format!("{name} stands here a second time; keep one of the two"),
            );
        } else {
            readable = false;
            sink.mistake(
                at,
                format!("this is not TOML: {what}; mend the line, then check again"),
            );
        }
    }
    if !readable {
        return None;
    }
    let mut walk = Walk { text, sink };
    Some(walk.table(
        document.get_ref(),
        section,
        Spot {
            label: String::new(),
            at: 0,
        },
    ))
}

/// How a table is named in messages, and where it stands.
struct Spot {
    label: String,
    at: usize,
}

struct Walk<'a, 'b> {
    text: &'a str,
    sink: &'a mut Sink<'b>,
}

impl Walk<'_, '_> {
    fn table(&mut self, table: &DeTable<'_>, section: &'static Section, spot: Spot) -> RawTable {
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
            if !suggested.contains(&key.name) {
                values.extend(self.absent(key, &spot));
            }
        }
        RawTable {
            label: spot.label,
            at: spot.at,
            spoiled,
            values,
        }
    }

    /// Reports an unknown key; returns the known one that was probably meant.
    fn unknown(
        &mut self,
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
    fn absent(&mut self, key: &'static Key, spot: &Spot) -> Option<(String, RawValue)> {
        let data = match key.need {
            Need::Optional => return None,
            Need::Required => {
                let wanted = key.kind.wanted();
                let message = match key.kind {
                    Kind::Table(_) | Kind::Named(..) | Kind::List(_) => {
                        format!("{}[{}] is missing; it has no default", spot.label, key.name)
                    }
                    Kind::Number(_) | Kind::Whole(_) | Kind::Flag => format!(
                        "{}{} is missing; give {wanted}, it has no default",
                        spot.label, key.name
                    ),
                    Kind::Text(_) | Kind::Choice(_) | Kind::Texts(_) => format!(
                        "{}{} is missing; give {wanted}, it has no default",
                        spot.label, key.name
                    ),
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
    fn value(&mut self, key: &Key, value: &Spanned<DeValue<'_>>, spot: &Spot) -> Option<RawValue> {
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

    fn shown(&self, value: &Spanned<DeValue<'_>>) -> String {
        self.text.get(value.span()).map(quoted).unwrap_or_default()
    }

    fn wrong<T>(&mut self, label: &str, value: &Spanned<DeValue<'_>>, wanted: &str) -> Option<T> {
        let shown = self.shown(value);
        let message = format!("{label} = {shown} cannot be used; give {wanted}");
        self.sink.mistake(value.span().start, message);
        None
    }

    fn number(&mut self, label: &str, value: &Spanned<DeValue<'_>>, range: Range) -> Option<f64> {
        let wanted = range.words();
        let Some(number) = plain_number(value.get_ref()) else {
            let unit = if range.unit.is_empty() {
                ""
            } else {
                " (the unit is not written again)"
            };
            return self.wrong(label, value, &format!("a number, {wanted}{unit}"));
        };
        let mut refuse = |why: String| {
            let shown = self.shown(value);
            let message = format!("{label} = {shown} {why}");
            self.sink.mistake(value.span().start, message);
            None
        };
        if !number.is_finite() {
            return refuse(format!("is no finite number; give {wanted}"));
        }
        if !range.contains(number) {
            return refuse(format!("is out of range; give {wanted}"));
        }
        // Volumes are whole microlitres: what would have to be rounded was not meant.
        let fine = Volume::from_ml(number)
            .is_none_or(|v| (v.as_ml() - number).abs() > 1e-9 * number.abs().max(1.0));
        if range.unit == "mL" && fine {
            return refuse(
                "is finer than a microlitre; give at most three decimals of a mL".to_owned(),
            );
        }
        // Minus zero is zero.
        Some(number + 0.0)
    }

    fn whole(&mut self, label: &str, value: &Spanned<DeValue<'_>>, range: Range) -> Option<f64> {
        let number = self.number(label, value, range)?;
        if number.fract().abs() > 0.0 || !value.get_ref().is_integer() {
            let wanted = Kind::Whole(range).wanted();
            return self.wrong(label, value, &wanted);
        }
        Some(number)
    }

    fn text(&mut self, label: &str, value: &Spanned<DeValue<'_>>, what: &str) -> Option<String> {
        let found = value
            .get_ref()
            .as_str()
            .filter(|text| !text.is_empty() && text.len() <= 200);
        match found {
            Some(text) => Some(text.to_owned()),
            None => self.wrong(label, value, &format!("{what}, as text in quotes")),
        }
    }

    fn texts(
        &mut self,
        label: &str,
        value: &Spanned<DeValue<'_>>,
        what: &str,
    ) -> Option<Vec<RawText>> {
        let one = |text: String, at: usize| RawText { at, text };
        let Some(array) = value.get_ref().as_array() else {
            let text = self.text(label, value, what)?;
            return Some(vec![one(text, value.span().start)]);
        };
        if array.is_empty() {
            return self.wrong(label, value, what);
        }
        let mut texts = Vec::new();
        for item in array.iter() {
            texts.push(
                self.text(label, item, what)
                    .map(|text| one(text, item.span().start)),
            );
        }
        texts.into_iter().collect()
    }

    fn named(
        &mut self,
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
                Naming::Element => Element::new(text).is_none().then(|| {
                    format!("\"{}\" is not the symbol of an element known here; write one such as Ca, Mg, I", quoted(text))
                }),
            };
            if let Some(error) = bad_name {
                self.sink.mistake(at, format!("{label}: {error}"));
                continue;
            }
            let label = match naming {
                Naming::Own => format!("{} \"{text}\": ", key.name),
                Naming::Element => format!("{label}.{text}."),
            };
            match value.get_ref().as_table() {
                Some(inner) => {
                    tables.push((
                        text.to_owned(),
                        self.table(inner, section, Spot { label, at }),
                    ));
                }
                None => {
                    let label = label.trim_end_matches([':', ' ', '.']).to_owned();
                    let _: Option<()> = self.wrong(&label, value, "a table of its keys");
                }
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
        &mut self,
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

/// A decimal number; integers in other bases and numbers that do not fit are none.
fn plain_number(value: &DeValue<'_>) -> Option<f64> {
    if let Some(integer) = value.as_integer() {
        return (integer.radix() == 10)
            .then(|| integer.as_str().parse().ok())
            .flatten();
    }
    value
        .as_float()
        .and_then(|float| float.as_str().parse().ok())
}

/// The range of a key `SYMBOL-mg` in a table that takes such keys.
fn element_range(section: &Section, name: &str) -> Option<Range> {
    let symbol = name.strip_suffix("-mg")?;
    Element::new(symbol)?;
    section.element_mg
}

/// The table in which a key of exactly this name is known, for a key that was written in the wrong one.
fn schema_home(name: &str) -> Option<String> {
    [
        ("controller.toml", &schema::CONTROLLER),
        ("plan.toml", &schema::PLAN),
    ]
    .iter()
    .find_map(|(file, section)| {
        home_below(section, name, "").map(|home| format!("{home} of {file}"))
    })
}

fn home_below(section: &'static Section, name: &str, path: &str) -> Option<String> {
    if section.find(name).is_some() {
        let top = if path.is_empty() {
            "the top".to_owned()
        } else {
            format!("[{path}]")
        };
        return Some(top);
    }
    section.keys.iter().find_map(|key| {
        let dot = if path.is_empty() { "" } else { "." };
        match key.kind {
            Kind::Table(inner) | Kind::List(inner) => {
                home_below(inner, name, &format!("{path}{dot}{}", key.name))
            }
            Kind::Named(inner, _) => {
                home_below(inner, name, &format!("{path}{dot}{}.NAME", key.name))
            }
            Kind::Number(_) | Kind::Whole(_) | Kind::Flag => None,
            Kind::Text(_) | Kind::Choice(_) | Kind::Texts(_) => None,
        }
    })
}
