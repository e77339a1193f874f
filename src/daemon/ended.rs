//! How a daemon ends, and why one does not start.

use std::io;
use std::path::PathBuf;

use thiserror::Error;

use super::lock::LockError;
use crate::config::ConfigMistakes;
use crate::control::ServeError;
use crate::quantity::Name;
use crate::record::Hold;
use crate::shell::MustEnd;

/// Why the daemon did not start. Nothing was started then, and all outputs are off.
#[derive(Debug, Error)]
pub enum DaemonError {
    /// The configuration has mistakes.
    #[error("{0}")]
    Config(ConfigMistakes),
    /// Virtual time is for dry runs.
    #[error(
        "--warp is for dry runs only, and controller.toml says mode = \"live\"; leave --warp out, or set mode = \"dry-run\""
    )]
    WarpInLive,
    /// The lock is not ours.
    #[error(transparent)]
    Lock(#[from] LockError),
    /// The control socket cannot be made.
    #[error("{0}")]
    Socket(#[source] ServeError),
    /// The state folder cannot be made.
    #[error("cannot make the state folder {path}: {source}")]
    State { path: PathBuf, source: io::Error },
    /// The system gave no thread, signal or runtime.
    #[error("the system refused what the daemon needs: {0}")]
    System(#[from] io::Error),
    /// A head cannot be switched off.
    #[error("head {head}: {why}; nothing is started with a head that does not obey")]
    Head { head: Name, why: String },
    /// The cut-off or the heartbeat cannot be driven.
    #[error("[board]: {why}; nothing is started with a board that does not obey")]
    Board { why: String },
    /// It ran, and something in it broke.
    #[error("the daemon ended because {why}; all heads were switched off")]
    Broken { why: String },
}

/// How a run of the loop ended.
#[derive(Debug)]
pub enum Ended {
    /// It was told to stop.
    Stopped,
    /// The ledger can be opened now, so everything is started anew with it.
    StartAgain {
        /// Holds that were in force, whatever the hold file says.
        holds: Vec<Hold>,
    },
    /// Something can no longer be relied on.
    Broken { why: String },
}

impl std::fmt::Display for Ended {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Stopped => f.write_str("stopped in order"),
            Self::StartAgain { .. } => f.write_str("started again with the ledger"),
            Self::Broken { why } => write!(f, "ended because {why}"),
        }
    }
}

impl From<MustEnd> for Ended {
    fn from(end: MustEnd) -> Self {
        Self::Broken { why: end.why }
    }
}

impl Ended {
    /// What broke on the way out counts more than a way out in order.
    pub(super) fn or_broken(self, on_the_way: Result<(), MustEnd>) -> Self {
        match (self, on_the_way) {
            (ended @ (Self::Stopped | Self::StartAgain { .. }), Ok(())) => ended,
            (Self::Stopped | Self::StartAgain { .. }, Err(end)) => end.into(),
            (broken @ Self::Broken { .. }, _) => broken,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_breaks_on_the_way_out_is_how_it_ended() {
        let broke = || {
            Err(MustEnd {
                why: "the clock went back".to_owned(),
            })
        };
        let again = Ended::StartAgain { holds: Vec::new() };
        for in_order in [Ended::Stopped, again] {
            let ended = in_order.or_broken(Ok(())).or_broken(broke());
            assert!(matches!(ended, Ended::Broken { why } if why == "the clock went back"));
        }
        let first = Ended::Broken {
            why: "a head hangs".to_owned(),
        };
        let ended = first.or_broken(broke());
        assert!(matches!(ended, Ended::Broken { why } if why == "a head hangs"));
    }
}
