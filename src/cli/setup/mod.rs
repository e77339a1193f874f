//! The first hour: both files from what their owner knows.

mod content;
mod files;
pub(crate) mod new;
mod sheet;
