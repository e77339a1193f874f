//! The shell round the engine: clocks, threads, socket, signals. The only module that knows all the others.
//!
//! One event loop on one thread turns what happens into events and carries the engine's effects out. Everything that can
//! block has a thread of its own: the ledger, the hold file, each head, the inputs, and the heart that watches over the others. Any of them ending before its time stops all heads and
//! ends the process with an error.

mod arming;
mod clock;
mod displays;
mod driving;
mod heart;
mod holdfile;
mod lock;
mod log;
mod options;
mod people;
mod pwm;
mod settings;
mod shell;
mod start;

pub use arming::{Acceptance, level_text, pins_on_at_boot};
pub(crate) use clock::machine_now;
pub use clock::{LogTime, ShellClock, kernel_clock_is_synchronised};
pub use displays::machine_id;
pub use holdfile::{HoldFileError, add_hold_offline, read_holds};
pub use lock::{InstanceLock, LockError};
pub use options::RunOptions;
pub use settings::{All, load_all};
pub use start::{DaemonError, Ended, WARP_MAX, run};

use std::path::{Path, PathBuf};

/// The ledger of a state folder.
pub fn ledger_path(state: &Path) -> PathBuf {
    state.join("ledger.db")
}
