//! Alarms leave the box: a process of its own that looks at the daemon's status and runs a program of the owner's for each alarm that was
//! raised or is over, so that no network code enters the process that doses.
//!
//! [`Desk`] decides what is to be told, from what was seen and what was told; it is pure. [`Program`] runs the owner's program, [`run`]
//! does the looking and the waiting. Nothing is kept over a restart: alarms that stand then are told again, because nobody could say
//! whether they were told before.

mod desk;
mod message;
mod program;
mod run;

pub use desk::{Desk, Look, Silence};
pub use message::{Happened, Message};
pub use program::Program;
pub use run::{Looking, run};

#[cfg(test)]
mod tests;
