//! Tests of the engine.

mod faults;
mod owner;
mod properties;
mod rig;
mod time;
