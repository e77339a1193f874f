//! Exit codes, and the one way in which a command fails.

use std::error::Error;
use std::io::{self, Write};
use std::process::ExitCode;

use super::out::Out;
use crate::control::{ClientError, Response};
use crate::daemon::DaemonError;
use crate::ledger::LedgerError;

/// Asked for and refused, or a check that found something.
pub(super) const REFUSED: u8 = 1;
/// The command line is wrong.
pub(super) const USAGE: u8 = 2;
/// No daemon answers (EX_UNAVAILABLE of sysexits).
pub(super) const NO_DAEMON: u8 = 69;
/// Something broke that should not (EX_SOFTWARE).
pub(super) const BROKEN: u8 = 70;
/// A file or the system failed (EX_IOERR).
pub(super) const IO: u8 = 74;
/// Another daemon is in the way (EX_TEMPFAIL).
pub(super) const TAKEN: u8 = 75;
/// The configuration has mistakes (EX_CONFIG).
pub(super) const CONFIG: u8 = 78;

/// How a command ends, or a part of it.
pub(crate) type Result<T = (), E = Failure> = std::result::Result<T, E>;

/// A command that did not do what was asked.
#[derive(Debug)]
pub(super) enum Failure {
    /// With this text and exit code.
    Said { text: String, code: u8 },
    /// The reader of the output has gone; no failure at all.
    ClosedPipe,
}

impl Failure {
    /// A failure in words.
    pub(super) fn new(code: u8, text: impl Into<String>) -> Self {
        Self::Said {
            text: text.into(),
            code,
        }
    }

    /// Prints the text and gives the exit code.
    pub(super) fn report(&self) -> ExitCode {
        match self {
            Self::ClosedPipe => ExitCode::SUCCESS,
            Self::Said { text, code } => {
                // A closed standard error leaves the exit code to speak.
                let written = if text.is_empty() {
                    Ok(())
                } else {
                    writeln!(Out::stderr(), "{text}")
                };
                drop(written);
                ExitCode::from(*code)
            }
        }
    }
}

/// An error with its causes, separated by colons.
pub(super) fn chain(error: &dyn Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_text = cause.to_string();
        if !text.contains(&cause_text) {
            text.push_str(": ");
            text.push_str(&cause_text);
        }
        source = cause.source();
    }
    text
}

/// What was asked for and is not done.
pub(crate) fn refused(why: impl std::fmt::Display) -> Failure {
    Failure::new(REFUSED, why.to_string())
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Self::ClosedPipe
        } else {
            Self::new(IO, format!("cannot write the output: {error}"))
        }
    }
}

impl From<ClientError> for Failure {
    fn from(error: ClientError) -> Self {
        Self::new(NO_DAEMON, chain(&error))
    }
}

impl From<LedgerError> for Failure {
    fn from(error: LedgerError) -> Self {
        Self::new(IO, chain(&error))
    }
}

impl From<DaemonError> for Failure {
    fn from(error: DaemonError) -> Self {
        let code = match &error {
            DaemonError::Config(_) | DaemonError::WarpInLive => CONFIG,
            DaemonError::Lock(crate::daemon::LockError::Taken { .. }) => TAKEN,
            DaemonError::Lock(crate::daemon::LockError::Make { .. })
            | DaemonError::Socket(_)
            | DaemonError::State { .. }
            | DaemonError::System(_) => IO,
            DaemonError::Head { .. } | DaemonError::Board { .. } | DaemonError::Broken { .. } => {
                BROKEN
            }
        };
        Self::new(code, chain(&error))
    }
}

/// The response, when it is a yes.
///
/// # Errors
/// The denial's text, with exit code [`REFUSED`].
pub(super) fn accepted(response: Response) -> Result<Response> {
    if response.ok {
        Ok(response)
    } else {
        Err(Failure::new(REFUSED, format!("refused: {}", response.text)))
    }
}
