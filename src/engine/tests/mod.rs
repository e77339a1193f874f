//! Tests of the engine.

mod alkalinity;
mod bench;
mod faults;
mod inputs;
mod owner;
mod properties;
mod rig;
mod time;
