//! Mistakes and warnings with their place in a file.

use std::cell::RefCell;
use std::fmt;
use std::rc::Rc;

use crate::quantity::Name;

/// One mistake in a file: where, what stands there, what is allowed, what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// The file's name as it is shown.
    pub file: String,
    /// Line and column, both counted from 1, the column in characters; `None` when the whole file is meant.
    pub place: Option<(usize, usize)>,
    /// The words, without the place.
    pub message: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.place {
            Some((line, column)) => {
                write!(f, "{}:{line}:{column}: {}", self.file, self.message)
            }
            None => write!(f, "{}: {}", self.file, self.message),
        }
    }
}

/// Something legal but doubtful, with its place. Shown by `check` and logged at start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning(pub Mistake);

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.0, f)
    }
}

/// What a part above this one found when it looked at what was read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding<At> {
    /// Where it is told.
    pub at: At,
    /// A mistake, or only doubtful.
    pub is_mistake: bool,
    /// In words, with the key's path.
    pub message: String,
}

/// Where in a plan something is told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlanPlace {
    /// The file as a whole.
    File,
    Uptake,
    /// The table of a line.
    Line(Name),
    /// The key that makes the volume of a line.
    Volume(Name),
}

/// What was wanted when the mistakes were found; it decides what the last line says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// To start, or to check before a start.
    Start,
    /// To take a new plan into a running daemon.
    Reload,
}

/// All mistakes of a load, in the order of the files. Never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ConfigMistakes {
    /// The mistakes, sorted by file and place.
    pub mistakes: Vec<Mistake>,
    /// What the load was for.
    pub purpose: Purpose,
}

/// One line a mistake, and a last line with their number and what follows from them.
impl fmt::Display for ConfigMistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for mistake in &self.mistakes {
            writeln!(f, "{mistake}")?;
        }
        let count = self.mistakes.len();
        let noun = if count == 1 { "mistake" } else { "mistakes" };
        let outcome = match self.purpose {
            Purpose::Start => "nothing was started",
            Purpose::Reload => "the running plan stays in force",
        };
        write!(f, "{count} {noun}; {outcome}")
    }
}

impl std::error::Error for ConfigMistakes {}

/// Collects mistakes and warnings of one file.
#[derive(Debug, Default)]
pub(super) struct Sink {
    file: String,
    text: String,
    mistakes: RefCell<Vec<(usize, Mistake)>>,
    warnings: RefCell<Vec<Warning>>,
}

impl Sink {
    pub(super) fn new(file: &str, text: &str) -> Rc<Self> {
        let (file, text) = (file.to_owned(), text.to_owned());
        Rc::new(Self {
            file,
            text,
            ..Self::default()
        })
    }

    /// Notes a mistake at a byte of the text.
    pub(super) fn mistake(&self, at: usize, message: impl Into<String>) {
        let found = self.placed(at, message.into());
        self.mistakes.borrow_mut().push((at, found));
    }

    /// Notes what a part above this one found; `at` is the byte for its place.
    pub(super) fn found<At>(&self, at: usize, found: Finding<At>) {
        if found.is_mistake {
            self.mistake(at, found.message);
        } else {
            self.warn(at, found.message);
        }
    }

    /// Notes something doubtful at a byte of the text.
    pub(super) fn warn(&self, at: usize, message: impl Into<String>) {
        let found = self.placed(at, message.into());
        self.warnings.borrow_mut().push(Warning(found));
    }

    /// The line, from 1, in which a byte stands.
    pub(super) fn line_of(&self, at: usize) -> usize {
        place(&self.text, at).0
    }

    /// Whether nothing was wrong so far.
    pub(super) fn is_clean(&self) -> bool {
        self.mistakes.borrow().is_empty()
    }

    /// The mistakes in the order of the file, and the warnings.
    pub(super) fn finish(&self) -> (Vec<Mistake>, Vec<Warning>) {
        let mut mistakes = self.mistakes.take();
        mistakes.sort_by_key(|(at, _)| *at);
        let mistakes = mistakes.into_iter().map(|(_, found)| found).collect();
        (mistakes, self.warnings.take())
    }

    fn placed(&self, at: usize, message: String) -> Mistake {
        Mistake {
            file: self.file.clone(),
            place: Some(place(&self.text, at)),
            message,
        }
    }
}

/// Line and column of a byte, both from 1. A byte beyond the end or inside a character is taken back to where one begins.
fn place(text: &str, at: usize) -> (usize, usize) {
    let mut end = at.min(text.len());
    while !text.is_char_boundary(end) {
        end = end.saturating_sub(1);
    }
    let before = text.get(..end).unwrap_or_default();
    let line = before.matches('\n').count().saturating_add(1);
    let column = before
        .rsplit('\n')
        .next()
        .unwrap_or_default()
        .chars()
        .count()
        .saturating_add(1);
    (line, column)
}

/// A piece of a file as it may be quoted in a message: one line, no control characters, at most 60 characters.
pub(super) fn quoted(piece: &str) -> String {
    let clean: String = piece
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(60)
        .collect();
    if clean.chars().count() < piece.chars().count() {
        format!("{clean}...")
    } else {
        clean
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_counted_in_lines_and_characters_from_one() {
        let text = "a = 1\n\u{e9}\u{e9} = 2\n";
        assert_eq!(place(text, 0), (1, 1));
        assert_eq!(place(text, 4), (1, 5));
        assert_eq!(place(text, 6), (2, 1));
        assert_eq!(place(text, 7), (2, 1), "inside a character");
        assert_eq!(place(text, 10), (2, 3));
        assert_eq!(place(text, 9_999), (3, 1));
    }

    #[test]
    fn what_is_quoted_cannot_move_the_cursor_of_a_terminal() {
        assert_eq!(quoted("a\u{1b}[2J\nb"), "a [2J b");
        assert_eq!(quoted(&"x".repeat(70)), format!("{}...", "x".repeat(60)));
    }
}
