//! The state machine: an event and the time go in, effects come out. No clock, no I/O, no randomness.

pub use crate::record;
