//! The MQTT client task against a real broker, and against scripted ones for what a real one seldom does.
//!
//! Needs `mosquitto` (Debian package of that name). Every wait is for something that is observed, with a generous deadline.

#![cfg(test)]

mod commands;
mod daemon;
mod outages;
mod scripted;
mod secured;
mod shapes;
mod support;
