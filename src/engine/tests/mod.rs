//! Tests of the engine.

mod bench;
mod changeover;
mod faults;
mod inputs;
mod owner;
mod properties;
mod proposal;
mod rig;
mod speed;
mod steppers;
mod time;
mod told;
mod water;
