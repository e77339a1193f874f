//! Events for the journal that are nothing else.

use std::borrow::Cow;
use std::fmt;

use serde::{Deserialize, Serialize};

use super::stamp::{Stamp, Who};
use crate::quantity::Name;

/// An event for the journal that is nothing else above.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Note {
    pub code: Code,
    /// The line concerned, if one is.
    pub line: Option<Name>,
    /// In words, with numbers and units.
    pub text: String,
    pub who: Who,
    #[serde(flatten)]
    pub at: Stamp,
}

/// Short stable word, for programs: `started`, `clock-stepped`, `input`, `alarm-raised` and the like. Lower-case letters, digits and
/// hyphens, 1 to 40 of them.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct Code(Cow<'static, str>);

impl Code {
    /// A word of this program.
    ///
    /// # Panics
    /// When it is no such word, which any test that meets it shows.
    pub fn new(word: &'static str) -> Self {
        assert!(is_code(word), "a code is one word in lower case");
        Self(Cow::Borrowed(word))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

fn is_code(word: &str) -> bool {
    let allowed = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    (1..=40).contains(&word.len()) && word.chars().all(allowed)
}

impl TryFrom<String> for Code {
    type Error = String;

    fn try_from(word: String) -> Result<Self, String> {
        if is_code(&word) {
            Ok(Self(Cow::Owned(word)))
        } else {
            Err(format!(
                "{word:.60?} is no code; that is 1 to 40 lower-case letters, digits and hyphens"
            ))
        }
    }
}

impl PartialEq<str> for Code {
    fn eq(&self, other: &str) -> bool {
        self.0 == other
    }
}

impl PartialEq<&str> for Code {
    fn eq(&self, other: &&str) -> bool {
        self.0 == *other
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}
