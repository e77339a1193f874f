//! Standard output: buffered; coloured, and wrapped at words, on a terminal only.

use std::borrow::Cow;
use std::io::{self, BufWriter, IsTerminal, Write};
use std::os::fd::AsFd;

use rustix::termios::tcgetwinsize;
use textwrap::{Options, WordSeparator, WordSplitter, WrapAlgorithm};

/// Where a command prints.
pub(super) struct Out {
    writer: BufWriter<Box<dyn Write>>,
    colour: bool,
    /// Columns of the terminal; `None` where there is none, and nothing is wrapped.
    width: Option<usize>,
    /// A line of which the end has not been written yet.
    begun: Vec<u8>,
}

/// What a coloured word says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tone {
    /// As it should be.
    Good,
    Bad,
    Strong,
    Quiet,
}

impl Out {
    /// Standard output. No colour when it is no terminal, or `NO_COLOR` is set (no-color.org).
    pub(super) fn stdout() -> Self {
        let colour = io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
        let mut out = Self::onto(Box::new(io::stdout()), columns(io::stdout()));
        out.colour = colour;
        out
    }

    /// Standard error, for what must not get into what a program reads.
    pub(super) fn stderr() -> Self {
        Self::onto(Box::new(io::stderr()), columns(io::stderr()))
    }

    pub(super) fn onto(writer: Box<dyn Write>, width: Option<usize>) -> Self {
        Self {
            writer: BufWriter::new(writer),
            colour: false,
            width,
            begun: Vec::new(),
        }
    }

    pub(super) const fn width(&self) -> Option<usize> {
        self.width
    }

    /// A text in a tone, or plain.
    pub(super) fn tone(&self, tone: Tone, text: &str) -> String {
        if !self.colour {
            return text.to_owned();
        }
        let code = match tone {
            Tone::Good => "32",
            Tone::Bad => "1;31",
            Tone::Strong => "1",
            Tone::Quiet => "2",
        };
        format!("\x1b[{code}m{text}\x1b[0m")
    }

    /// Whether this is a terminal with colours.
    pub(super) fn is_terminal(&self) -> bool {
        self.colour || io::stdout().is_terminal()
    }

    /// For what a program reads: nothing is wrapped.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub(super) fn verbatim(&mut self) -> io::Result<&mut impl Write> {
        self.end_line()?;
        Ok(&mut self.writer)
    }

    /// A JSON value on lines of its own.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub(super) fn json(&mut self, value: &impl serde::Serialize) -> io::Result<()> {
        let writer = self.verbatim()?;
        serde_json::to_writer_pretty(&mut *writer, value).map_err(io::Error::from)?;
        writeln!(writer)
    }

    fn end_line(&mut self) -> io::Result<()> {
        let line = std::mem::take(&mut self.begun);
        match (self.width, String::from_utf8(line)) {
            (Some(width), Ok(line)) => self.writer.write_all(wrapped(&line, width).as_bytes()),
            (None, Ok(line)) => self.writer.write_all(line.as_bytes()),
            (_, Err(other)) => self.writer.write_all(other.as_bytes()),
        }
    }
}

/// A line broken at words; what is broken off stands under its line's own indentation and two more. A word is never broken, so that a path
/// can be copied.
pub(super) fn wrapped(line: &str, width: usize) -> Cow<'_, str> {
    if textwrap::core::display_width(line) <= width {
        return Cow::Borrowed(line);
    }
    let leading = line.len() - line.trim_start_matches(' ').len();
    let hanging = " ".repeat((leading + 2).min(width / 2));
    let options = Options::new(width)
        .subsequent_indent(&hanging)
        .break_words(false)
        .word_separator(WordSeparator::AsciiSpace)
        .word_splitter(WordSplitter::NoHyphenation)
        .wrap_algorithm(WrapAlgorithm::FirstFit);
    // Behind a question stands a space.
    let (said, trailing) = line.split_at(line.trim_end().len());
    Cow::Owned(textwrap::wrap(said, options).join("\n") + trailing)
}

/// Columns of a terminal that knows them.
pub(super) fn columns(of: impl IsTerminal + AsFd) -> Option<usize> {
    let size = of.is_terminal().then(|| tcgetwinsize(of).ok()).flatten()?;
    Some(usize::from(size.ws_col)).filter(|columns| *columns > 0)
}

impl Write for Out {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        for part in bytes.split_inclusive(|byte| *byte == b'\n') {
            if let Some((b'\n', line)) = part.split_last() {
                self.begun.extend_from_slice(line);
                self.end_line()?;
                self.writer.write_all(b"\n")?;
            } else {
                self.begun.extend_from_slice(part);
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.end_line()?;
        self.writer.flush()
    }
}

impl Drop for Out {
    fn drop(&mut self) {
        // As a buffered writer does: an error here has nobody to be told to.
        drop(self.flush());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_broken_at_words_under_its_own_beginning_and_colours_take_no_room() {
        let line = "  calcium: the last reading does not fit; test again";
        assert_eq!(
            wrapped(line, 30),
            "  calcium: the last reading\n    does not fit; test again"
        );
        assert_eq!(wrapped(line, line.len()), line);
        assert_eq!(
            wrapped("\x1b[1;31mheld\x1b[0m now", 8),
            "\x1b[1;31mheld\x1b[0m now"
        );
        let path = "write /var/lib/dosewright/ledger.db";
        assert_eq!(wrapped(path, 12), "write\n  /var/lib/dosewright/ledger.db");
    }

    #[test]
    fn what_a_program_reads_is_not_wrapped_and_an_unended_question_is_not_lost() {
        let (mut reads, writes) = io::pipe().unwrap();
        let mut out = Out::onto(Box::new(writes), Some(10));
        out.json(&"one two three four").unwrap();
        write!(out, "one two three? ").unwrap();
        drop(out);
        let mut seen = String::new();
        io::Read::read_to_string(&mut reads, &mut seen).unwrap();
        assert_eq!(seen, "\"one two three four\"\none two\n  three? ");
    }
}
