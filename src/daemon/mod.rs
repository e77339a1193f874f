//! The shell round the engine: clocks, threads, socket, signals. The only module that knows all the others.
//!
//! One event loop on one thread turns what happens into events and carries the engine's effects out. Everything that can
//! block has a thread of its own: the ledger, the hold file, each head, the inputs, and the heart that
//! watches over the others. Any of them ending before its time stops all heads and ends the process with an error.

mod alarm_output;
mod arming;
mod belongings;
mod books;
mod clock;
mod displays;
mod driving;
mod ended;
mod event_loop;
mod happening;
mod heart;
mod holdfile;
mod lines;
mod lock;
mod log;
mod options;
mod parts;
mod people;
mod pwm;
mod seen;
mod settings;
mod start;
mod totals;

pub use arming::{Acceptance, pins_on_at_boot};
pub(crate) use clock::machine_now;
pub use clock::{LogTime, ShellClock, kernel_clock_is_synchronised};
pub use displays::machine_id;
pub use ended::{DaemonError, Ended};
pub use holdfile::{HoldFileError, add_hold, read_holds};
pub use lock::{InstanceLock, LockError};
pub use options::{RunOptions, ledger_path};
pub use seen::OutputsSeen;
pub use settings::load_all;
pub use start::{WARP_MAX, run};
