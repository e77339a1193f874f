//! What a key of the two files is: its name, what stands behind it, whether it may be left out. The keys themselves stand in `keys.rs`.

use std::fmt;
use std::marker::PhantomData;

use crate::chemistry::{Quantity, Unit};

/// The keys of one table.
pub(super) struct Section {
    /// Known keys, in the order they are listed to the reader.
    pub(super) keys: &'static [Key],
    /// When given, keys `SYMBOL-mg` are taken too, one for each element, with this range.
    pub(super) element_mg: Option<Range>,
}

#[derive(Clone, Copy)]
pub(super) struct Key {
    /// As written in the file; its unit is the end of it.
    pub(super) name: &'static str,
    /// What stands behind it.
    pub(super) kind: Kind,
    /// Whether it may be left out.
    pub(super) need: Need,
}

/// A key by which a value is taken out of the tree, with the type of that value: the same constant stands in the table of keys, so
/// that neither a slip in a name nor a wrong type compiles.
pub(super) struct Of<T> {
    pub(super) key: Key,
    holds: PhantomData<T>,
}

impl<T> Clone for Of<T> {
    fn clone(&self) -> Self {
        *self
    }
}

impl<T> Copy for Of<T> {}

impl<T> Of<T> {
    const fn new(name: &'static str, kind: Kind, need: Need) -> Self {
        Self {
            key: Key { name, kind, need },
            holds: PhantomData,
        }
    }

    pub(super) const fn name(self) -> &'static str {
        self.key.name
    }
}

/// As written in the file.
impl<T> fmt::Display for Of<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.key.name)
    }
}

/// What a key holds, as a type: see [`Of`].
pub(super) struct Number;
pub(super) struct Whole;
pub(super) struct Flag;
pub(super) struct Text;
pub(super) struct Texts;
pub(super) struct Table;
pub(super) struct Named;
pub(super) struct List;

/// A number; the unit is told from the range.
pub(super) const fn number(
    name: &'static str,
    low: f64,
    high: f64,
    unit: &'static str,
    need: Need,
) -> Of<Number> {
    Of::new(name, Kind::Number(Range { low, high, unit }), need)
}

/// A whole number; the unit is told from the range.
pub(super) const fn whole(
    name: &'static str,
    low: f64,
    high: f64,
    unit: &'static str,
    need: Need,
) -> Of<Whole> {
    Of::new(name, Kind::Whole(Range { low, high, unit }), need)
}

pub(super) const fn flag(name: &'static str, need: Need) -> Of<Flag> {
    Of::new(name, Kind::Flag, need)
}

/// `what` says what is wanted, as it follows "give".
pub(super) const fn text(name: &'static str, what: &'static str, need: Need) -> Of<Text> {
    Of::new(name, Kind::Text(what), need)
}

pub(super) const fn choice(
    name: &'static str,
    words: &'static [&'static str],
    need: Need,
) -> Of<Text> {
    Of::new(name, Kind::Choice(words), need)
}

pub(super) const fn texts(name: &'static str, what: &'static str, need: Need) -> Of<Texts> {
    Of::new(name, Kind::Texts(what), need)
}

pub(super) const fn choices(
    name: &'static str,
    words: &'static [&'static str],
    need: Need,
) -> Of<Texts> {
    Of::new(name, Kind::Choices(words), need)
}

pub(super) const fn table(name: &'static str, section: &'static Section, need: Need) -> Of<Table> {
    Of::new(name, Kind::Table(section), need)
}

pub(super) const fn named(
    name: &'static str,
    section: &'static Section,
    naming: Naming,
    need: Need,
) -> Of<Named> {
    Of::new(name, Kind::Named(section, naming), need)
}

pub(super) const fn list(name: &'static str, section: &'static Section, need: Need) -> Of<List> {
    Of::new(name, Kind::List(section), need)
}

/// A module with one constant for each key of a table, and the table itself.
macro_rules! section {
    ($(#[$doc:meta])* $module:ident $(+ $range:expr)?; $($(#[$about:meta])* $name:ident: $holds:ident = $key:expr;)*) => {
        $(#[$doc])*
        pub(in crate::config) mod $module {
            use super::*;
            $($(#[$about])* pub(in crate::config) const $name: Of<$holds> = $key;)*
            pub(in crate::config) const SECTION: Section = Section {
                keys: &[$($name.key),*],
                element_mg: section!(@range $($range)?),
            };
        }
    };
    (@range) => { None };
    (@range $range:expr) => { Some($range) };
}
pub(super) use section;

/// What stands under another key, or in another section, for each unit of a water quantity.
macro_rules! in_units {
    ($($name:ident: $what:ty = $dkh:expr, $mg_per_l:expr;)*) => {$(
        pub(super) const fn $name(unit: Unit) -> $what {
            match unit {
                Unit::Dkh => $dkh,
                Unit::MgPerL => $mg_per_l,
            }
        }
    )*};
}
pub(super) use in_units;

/// An inclusive range and its unit.
#[derive(Clone, Copy)]
pub(super) struct Range {
    pub(super) low: f64,
    pub(super) high: f64,
    /// Unit, empty for a plain number.
    pub(super) unit: &'static str,
}

/// What a key holds.
#[derive(Clone, Copy)]
pub(super) enum Kind {
    Number(Range),
    /// A whole number that is a count.
    Whole(Range),
    Flag,
    /// Text, with words for what is wanted.
    Text(&'static str),
    /// One of these words.
    Choice(&'static [&'static str]),
    /// A list of texts, with words for what is wanted; a single text is read as a list of one.
    Texts(&'static str),
    /// A list of these words, which may be empty.
    Choices(&'static [&'static str]),
    Table(&'static Section),
    /// Tables by name: `[head.NAME]`.
    Named(&'static Section, Naming),
    /// A list of tables: `[[apart]]`.
    List(&'static Section),
}

/// What the names of a group of tables are.
#[derive(Clone, Copy)]
pub(super) enum Naming {
    Own,
    /// Water quantities by their names; the keys go by the unit.
    Quantity(fn(Unit) -> &'static Section),
}

impl Naming {
    /// The keys of the table of this name, where `section` has those of most.
    pub(super) fn section_of(self, name: &str, section: &'static Section) -> &'static Section {
        match self {
            Self::Own => section,
            Self::Quantity(keys) => Quantity::from_word(name).map_or(section, |of| keys(of.unit())),
        }
    }
}

/// Whether a key may be left out.
#[derive(Clone, Copy)]
pub(super) enum Need {
    /// A limit or a fact that only the owner knows: never assumed.
    Required,
    /// The same, unless one of these keys is there, which takes its place.
    Unless(&'static [&'static str]),
    /// May be absent; the check of relations decides what that means.
    Optional,
    /// This number when absent.
    Number(f64),
    /// This word when absent.
    Text(&'static str),
    Flag(bool),
}

impl Section {
    /// The key of this name.
    pub(super) fn find(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

impl Range {
    /// Whether a value is in it; never for a value that is not a number.
    pub(super) fn contains(&self, value: f64) -> bool {
        value.is_finite() && self.low <= value && value <= self.high
    }

    /// `0.1 to 5000 mL`.
    pub(super) fn words(&self) -> String {
        let space = if self.unit.is_empty() { "" } else { " " };
        format!("{} to {}{space}{}", self.low, self.high, self.unit)
    }
}

impl Kind {
    /// The keys of the tables behind it, and what those are named by; `None` for a value.
    pub(super) const fn tables(&self) -> Option<(&'static Section, Option<Naming>)> {
        match self {
            Self::Table(section) | Self::List(section) => Some((section, None)),
            Self::Named(section, naming) => Some((section, Some(*naming))),
            Self::Number(_)
            | Self::Whole(_)
            | Self::Flag
            | Self::Text(_)
            | Self::Choice(_)
            | Self::Texts(_)
            | Self::Choices(_) => None,
        }
    }

    /// What is wanted, as it follows "give".
    pub(super) fn wanted(&self) -> String {
        match self {
            Self::Number(range) => range.words(),
            Self::Whole(range) => format!("a whole number from {}", range.words()),
            Self::Flag => "true or false".to_owned(),
            Self::Text(what) | Self::Texts(what) => (*what).to_owned(),
            Self::Choice(words) => quoted_words(words, " or "),
            Self::Choices(words) => format!("a list of {}", quoted_words(words, ", ")),
            Self::Table(_) => "a table".to_owned(),
            Self::Named(_, Naming::Own) => "tables by name, one for each".to_owned(),
            Self::Named(_, Naming::Quantity(_)) => {
                "tables by water quantity, alkalinity or the name of an element".to_owned()
            }
            Self::List(_) => "a list of tables".to_owned(),
        }
    }
}

fn quoted_words(words: &[&str], between: &str) -> String {
    let quoted: Vec<String> = words.iter().map(|word| format!("\"{word}\"")).collect();
    quoted.join(between)
}
