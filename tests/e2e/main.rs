//! End to end: the real binary is started in a temporary folder, killed, stopped, starved and shouted at, and its books are
//! looked at afterwards. Nothing here waits a fixed time and then hopes: every wait is for a condition, with a deadline.
#![cfg(test)]

mod clocks;
mod config;
mod doses;
mod holds;
mod kills;
mod ledgers;
mod live;
mod marks;
mod rig;
mod signals;
mod socket;
mod stops;
mod tells;
