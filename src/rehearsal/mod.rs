//! The rehearsal: the second shell round the same engine, in virtual time, against a model tank.
//!
//! Engine, start-up from a history, ledger desk and the ledger itself are the daemon's own; clock, heads, bottles, water and owner are
//! models. The clock jumps to whatever comes next, and all chance comes from a seed, so that the same seed gives the same run, event for
//! event.
//!
//! After every event `watch.rs` holds what really reached the tank against what must always hold. It counts with the model's own flows,
//! never with the books, and takes from the record only what was promised there: intents, calibrations, uptakes, holds.
//!
//! No thread, no socket, no real clock: who wants to know how far it is, or to end it, is asked once a day.

mod chance;
mod demo;
mod faults;
mod found;
mod owner;
mod plant;
mod plot;
mod recorded;
mod run;
mod scenarios;
mod stage;
#[cfg(test)]
mod tests;
mod watch;
mod water;
mod words;
mod world;

pub use demo::{Demo, Invented, demo_controller, demo_plans};
pub use found::Found;
pub use run::{Rehearsal, RehearsalError};
pub use scenarios::{SCENARIOS, scenario};
pub use words::summary;
