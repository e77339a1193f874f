//! Typed text. One rule for all of it, whichever door it comes in by: it can neither break a line of a log nor move a terminal's cursor,
//! and its length is bounded.

use std::fmt;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize};

/// One line that somebody typed: a reason, a note, a method. What could break the line is a space in it, and what is too long is cut, so
/// that a stop is never refused for its words.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(transparent)]
pub struct Words(String);

/// Whether a character moves the cursor, breaks the line or turns the direction of writing.
fn is_unruly(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

impl Words {
    /// Longest text, in characters: it has to fit a display.
    pub const CHARS_MAX: usize = 200;

    pub fn new(text: &str) -> Self {
        let tame = text.chars().map(|c| if is_unruly(c) { ' ' } else { c });
        let bounded: String = tame.take(Self::CHARS_MAX).collect();
        Self(bounded.trim().to_owned())
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl From<&str> for Words {
    fn from(text: &str) -> Self {
        Self::new(text)
    }
}

impl From<Words> for String {
    fn from(words: Words) -> Self {
        words.0
    }
}

impl fmt::Display for Words {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl<'de> Deserialize<'de> for Words {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Ok(Self::new(&String::deserialize(deserializer)?))
    }
}

/// Several lines that somebody typed or a lab sent. Line breaks and tabs stay; too long a text is refused, because a part of a report
/// would be taken for the whole.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct Lines(String);

impl Lines {
    /// Longest text, in characters: a lab report of all elements.
    pub const CHARS_MAX: usize = 8_000;

    /// # Errors
    /// In words, when it is too long.
    pub fn new(text: &str) -> Result<Self, String> {
        if text.chars().count() > Self::CHARS_MAX {
            return Err(format!(
                "a text of more than {} characters is not kept; shorten it",
                Self::CHARS_MAX
            ));
        }
        let tame = |c| {
            if is_unruly(c) && c != '\n' && c != '\t' {
                ' '
            } else {
                c
            }
        };
        Ok(Self(text.chars().map(tame).collect()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl From<Words> for Lines {
    fn from(words: Words) -> Self {
        Self(words.0)
    }
}

impl From<Lines> for String {
    fn from(lines: Lines) -> Self {
        lines.0
    }
}

impl<'de> Deserialize<'de> for Lines {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Self::new(&String::deserialize(deserializer)?).map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_words_stay_on_one_line_and_cannot_move_a_cursor() {
        let words = Words::new("looks\r\nwrong\u{1b}[2J\u{9b}31m \u{2028}today\u{202e}\t");
        assert!(!words.as_str().chars().any(is_unruly), "{words:?}");
        assert!(words.as_str().starts_with("looks  wrong [2J"), "{words}");
        assert_eq!(
            Words::new(&"\u{e4}".repeat(500)).as_str().chars().count(),
            200
        );
        let read: Words = serde_json::from_str(r#""a\nb""#).unwrap();
        assert_eq!(read.as_str(), "a b");
    }

    #[test]
    fn lines_keep_their_breaks_and_nothing_else_that_is_unruly() {
        let lines = Lines::new("Ca\t412\nMg\t1290\u{1b}[0m").unwrap();
        assert_eq!(lines.as_str(), "Ca\t412\nMg\t1290 [0m");
        assert!(Lines::new(&"x".repeat(Lines::CHARS_MAX)).is_ok());
        assert!(Lines::new(&"x".repeat(Lines::CHARS_MAX + 1)).is_err());
        let long = serde_json::to_string(&"x".repeat(8_001)).unwrap();
        assert!(serde_json::from_str::<Lines>(&long).is_err());
    }
}
