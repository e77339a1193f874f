//! Tests of the engine.

mod advice;
mod alarms;
mod away;
mod bench;
mod changeover;
mod estimate;
mod faults;
mod forgotten;
mod holds;
mod hours;
mod inputs;
mod owner;
mod properties;
mod proposal;
mod refill;
mod rig;
mod session;
mod speed;
mod steppers;
mod time;
mod timed_holds;
mod told;
mod unseen;
mod water;
mod wrong_dates;
