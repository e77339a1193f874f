//! What a person at the bench wants while a program that can run a head listens: lines, any key, Ctrl-C, a terminal that goes away, a
//! polite kill.
//!
//! The kernel's own answer to a signal ends a program before it could stop a head, so signals are listened to from the first question
//! on, and they are heard at questions as well as in runs. Whoever waits for a line by other means would never hear them.

use std::io::{self, IsTerminal};
use std::time::Duration;

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use tokio::runtime::Runtime;
use tokio::signal::unix::{Signal, SignalKind, signal};

use crate::cli::{Result, refused};

/// How often a run is looked after while no key is pressed.
const LOOK_MS: i64 = 100;

/// Longest line that is taken as one, in bytes.
const LINE_MAX: usize = 4_096;

/// What came instead of silence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Heard {
    /// A line, without its end.
    Line(String),
    /// Nothing will come any more.
    End,
    /// Ctrl-C, a polite kill, or a terminal that goes away.
    Signal,
}

impl Heard {
    /// The line, trimmed.
    ///
    /// # Errors
    /// When there is none: `kept` says what stays as it was.
    pub(crate) fn answer(self, kept: &str) -> Result<String> {
        let why = match self {
            Self::Line(text) => return Ok(text.trim().to_owned()),
            Self::End => "ended without an answer",
            Self::Signal => "ended by a signal, the head is off",
        };
        Err(refused(format!("{why}: {kept}")))
    }
}

/// Listens to standard input and to signals.
pub(crate) struct Ear {
    runtime: Runtime,
    signals: [Signal; 3],
    /// What was read beyond the last line.
    typed: Vec<u8>,
}

impl Ear {
    /// From here on a signal is something that is heard, not a death that would let a head run on.
    ///
    /// # Errors
    /// When the system refuses.
    pub(crate) fn open() -> io::Result<Self> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        let signals = {
            let _inside = runtime.enter();
            [
                signal(SignalKind::interrupt())?,
                signal(SignalKind::terminate())?,
                signal(SignalKind::hangup())?,
            ]
        };
        Ok(Self {
            runtime,
            signals,
            typed: Vec::new(),
        })
    }

    /// Waits for a line, or for something that ends the waiting.
    ///
    /// # Errors
    /// When standard input cannot be read.
    pub(crate) fn line(&mut self) -> io::Result<Heard> {
        let mut bytes = [0; 512];
        loop {
            if let Some(end) = self.typed.iter().position(|byte| *byte == b'\n') {
                let line: Vec<u8> = self.typed.drain(..=end).collect();
                return Ok(Heard::Line(String::from_utf8_lossy(&line).into_owned()));
            }
            if self.signalled(Duration::ZERO) {
                return Ok(Heard::Signal);
            }
            if !key_within(LOOK_MS) {
                continue;
            }
            match rustix::io::read(io::stdin(), &mut bytes) {
                Ok(0) | Err(Errno::IO) => {
                    let rest = std::mem::take(&mut self.typed);
                    return Ok(if rest.is_empty() {
                        Heard::End
                    } else {
                        Heard::Line(String::from_utf8_lossy(&rest).into_owned())
                    });
                }
                Ok(count) => self.typed.extend(bytes.iter().take(count)),
                Err(Errno::INTR) => {}
                Err(error) => return Err(error.into()),
            }
            if self.typed.len() > LINE_MAX {
                self.typed.push(b'\n');
            }
        }
    }

    /// Takes keys one by one and unseen, until what it gives is dropped.
    ///
    /// # Errors
    /// When the terminal refuses.
    pub(crate) fn keys(&mut self) -> io::Result<Keys<'_>> {
        let before = if io::stdin().is_terminal() {
            let before = tcgetattr(io::stdin())?;
            let mut raw = before.clone();
            raw.local_modes
                .remove(LocalModes::ICANON | LocalModes::ECHO);
            tcsetattr(io::stdin(), OptionalActions::Flush, &raw)?;
            Some(before)
        } else {
            None
        };
        Ok(Keys {
            ear: self,
            before,
            signalled: false,
        })
    }

    /// Whether a signal came, or comes within a time.
    pub(crate) fn signalled(&mut self, wait: Duration) -> bool {
        let [interrupt, terminate, hangup] = &mut self.signals;
        self.runtime.block_on(async {
            tokio::select! {
                biased;
                _ = interrupt.recv() => true,
                _ = terminate.recv() => true,
                _ = hangup.recv() => true,
                () = tokio::time::sleep(wait) => false,
            }
        })
    }
}

/// Watches while a run goes on; the terminal is as it was when this is dropped.
pub(crate) struct Keys<'a> {
    ear: &'a mut Ear,
    /// How the terminal was; `None` when there is none.
    before: Option<Termios>,
    signalled: bool,
}

impl Keys<'_> {
    /// Waits a moment; whether a key was pressed or a signal came in it.
    pub(crate) fn wants_stop(&mut self) -> bool {
        let key = self.before.is_some() && key_within(LOOK_MS);
        let wait = if self.before.is_some() {
            Duration::ZERO
        } else {
            Duration::from_millis(LOOK_MS.unsigned_abs())
        };
        self.signalled |= self.ear.signalled(wait);
        key || self.signalled
    }

    /// Whether it was a signal, which ends more than the run.
    pub(crate) const fn signalled(&self) -> bool {
        self.signalled
    }
}

impl Drop for Keys<'_> {
    fn drop(&mut self) {
        if let Some(before) = &self.before {
            // What was typed to stop the run is not the answer to the next question. A terminal that has gone needs no restoring.
            let _gone = tcsetattr(io::stdin(), OptionalActions::Flush, before);
        }
    }
}

/// Whether standard input has something to read within so many milliseconds, or has gone.
fn key_within(ms: i64) -> bool {
    let stdin = io::stdin();
    let mut fds = [PollFd::new(&stdin, PollFlags::IN)];
    let limit = Timespec {
        tv_sec: 0,
        tv_nsec: ms.saturating_mul(1_000_000),
    };
    match poll(&mut fds, Some(&limit)) {
        Ok(ready) => ready > 0,
        // A signal; which one is told by who waits for it.
        Err(Errno::INTR) => false,
        Err(_) => true,
    }
}
