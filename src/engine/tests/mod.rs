//! Tests of the engine.

mod faults;
mod properties;
mod rig;
mod time;
