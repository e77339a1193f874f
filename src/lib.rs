//! dosewright: a daemon that doses a reef aquarium from a plan, and its command line.
//!
//! The house has a pure core and a thin shell. Everything that decides is pure: no clock, no file, no
//! network, no randomness in [`quantity`], [`statistics`], [`chemistry`], [`metering`], [`plan`],
//! [`estimate`], [`record`], [`guard`] and [`engine`], and in [`report`], which draws what they say.
//! What shells share without doing anything themselves is in [`shell`].
//! The shell ([`daemon`], [`ledger`], [`pump`], [`control`], [`cli`]) feeds events in and carries effects out.
//! `tests/architecture` fails when an import goes against the direction written in DEVELOPERS.md.

pub mod chemistry;
pub mod cli;
pub mod config;
pub mod control;
pub mod daemon;
pub mod engine;
pub mod estimate;
pub mod guard;
pub mod ledger;
pub mod metering;
pub mod mqtt;
pub mod plan;
pub mod pump;
pub mod quantity;
pub mod record;
pub mod rehearsal;
pub mod report;
pub mod shell;
pub mod statistics;
pub mod tell;
