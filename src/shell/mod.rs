//! What every shell round the engine needs, whether its heads are real or rehearsed: how the engine is started from what is
//! known, how events are fed to it and its effects carried out, what the ledger has not taken yet and who waits for it, and the
//! rules of the hold file and of the mark beside the ledger.
//!
//! Values only: no thread, no socket, no file and no clock. A shell lends its [`Hands`] for those.

mod arming;
mod core;
mod desk;
mod holds;
mod mark;
mod seldom;
mod setup;
mod virtual_time;

pub use arming::check_arming;
pub use core::{Core, Hands, MustEnd};
pub use desk::{Books, Desk, Verdict, Write};
pub use holds::{HoldOrders, HoldsWritten, Order, hold_text, parse_holds};
pub use mark::{
    FoundMark, Mark, Recorded, SLOT_BYTES, SLOTS, before_start, doubt, read_slots, slot,
};
pub use seldom::Seldom;
pub use setup::{Known, Read, Terms, setup};
pub use virtual_time::VirtualTime;

#[cfg(test)]
mod tests;
