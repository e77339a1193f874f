//! Tests of the engine.

mod alkalinity;
mod faults;
mod inputs;
mod properties;
mod rig;
mod time;
