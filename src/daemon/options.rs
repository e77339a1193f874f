//! What the daemon is told on its command line.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

/// Options of `dosewright run`.
#[derive(Debug, Clone)]
pub struct RunOptions {
    /// Folder of `controller.toml` and `plan.toml`.
    pub config: PathBuf,
    /// Folder of the ledger, the hold file, the lock and the control socket.
    pub state: PathBuf,
    /// How many times faster than real time a dry run goes; real time when `None`.
    pub warp: Option<u32>,
    /// Where virtual time begins in a new state folder; the real time when `None`.
    pub start_at: Option<Timestamp>,
}

/// The ledger of a state folder.
pub fn ledger_path(state: &Path) -> PathBuf {
    state.join("ledger.db")
}
