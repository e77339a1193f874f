//! What solutions do to the water. Pure arithmetic; no tank state, no I/O.

mod solution;

pub use solution::{Element, SolutionEffect};
