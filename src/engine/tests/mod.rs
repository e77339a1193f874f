//! Tests of the engine.

mod alkalinity;
mod bench;
mod changeover;
mod faults;
mod golden;
mod inputs;
mod owner;
mod properties;
mod proposal;
mod rig;
mod speed;
mod steppers;
mod swap;
mod time;
