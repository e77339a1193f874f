//! A talk with whoever stands at the bench.

use std::io::Write;

use crate::cli::heads::keys::Ear;
use crate::cli::{Out, Result};
use crate::daemon::machine_now;
use crate::quantity::Millis;

/// Who is talked to.
pub(super) trait Talk {
    fn say(&mut self, text: &str) -> Result;

    /// Asks, and waits for a line; it comes back trimmed.
    fn ask(&mut self, question: &str) -> Result<String>;

    /// The time, on a clock that runs evenly.
    fn now(&self) -> Millis;
}

/// Somebody at a terminal, or what is piped in.
pub(super) struct Person<'a> {
    pub(super) ear: &'a mut Ear,
    pub(super) out: &'a mut Out,
    /// Standard output belongs to a program: everything is said on standard error.
    pub(super) aside: bool,
    /// What is as before when the talk ends early.
    pub(super) kept: &'static str,
}

impl Talk for Person<'_> {
    fn say(&mut self, text: &str) -> Result {
        if self.aside {
            return Ok(writeln!(Out::stderr(), "{text}")?);
        }
        Ok(writeln!(self.out, "{text}")?)
    }

    fn ask(&mut self, question: &str) -> Result<String> {
        if self.aside {
            writeln!(Out::stderr(), "{question}")?;
        } else {
            write!(self.out, "{question} ")?;
            self.out.flush()?;
        }
        self.ear.line()?.answer(self.kept)
    }

    fn now(&self) -> Millis {
        machine_now().elapsed
    }
}

#[cfg(test)]
pub(super) mod scripted {
    //! Somebody who answers from a list.

    use std::cell::Cell;
    use std::collections::VecDeque;

    use super::{Millis, Talk};
    use crate::cli::{Result, refused};

    pub(crate) struct Answers {
        pub(crate) lines: VecDeque<String>,
        pub(crate) said: Vec<String>,
        /// Time that passes before each look at the clock.
        pub(crate) pace: Millis,
        clock: Cell<Millis>,
    }

    impl Answers {
        pub(crate) fn new(answers: &[&str]) -> Self {
            Self {
                lines: answers.iter().map(|a| (*a).to_owned()).collect(),
                said: Vec::new(),
                pace: Millis::from_secs(30),
                clock: Cell::new(Millis::ZERO),
            }
        }

        pub(crate) fn heard(&self, text: &str) -> bool {
            self.said.iter().any(|said| said.contains(text))
        }
    }

    impl Talk for Answers {
        fn say(&mut self, text: &str) -> Result {
            self.said.push(text.to_owned());
            Ok(())
        }

        fn ask(&mut self, question: &str) -> Result<String> {
            self.said.push(question.to_owned());
            let answer = self.lines.pop_front();
            answer.ok_or_else(|| refused("gone"))
        }

        fn now(&self) -> Millis {
            self.clock.set(self.clock.get().plus(self.pace));
            self.clock.get()
        }
    }
}
