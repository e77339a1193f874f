//! Standard output: buffered, coloured on a terminal only.

use std::io::{self, BufWriter, IsTerminal, Write};

/// Where a command prints.
pub(super) struct Out {
    writer: BufWriter<Box<dyn Write>>,
    colour: bool,
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
        Self {
            writer: BufWriter::new(Box::new(io::stdout())),
            colour,
        }
    }

    /// Standard error, for what must not get into what a program reads.
    pub(super) fn stderr() -> Self {
        Self {
            writer: BufWriter::new(Box::new(io::stderr())),
            colour: false,
        }
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

    /// A JSON value on lines of its own.
    ///
    /// # Errors
    /// When the output cannot be written.
    pub(super) fn json(&mut self, value: &impl serde::Serialize) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut self.writer, value).map_err(io::Error::from)?;
        writeln!(self.writer)
    }
}

impl Write for Out {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.writer.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.writer.flush()
    }
}
