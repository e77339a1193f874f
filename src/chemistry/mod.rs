//! What solutions do to the water. Pure arithmetic; no tank state, no I/O.

mod recipe;
pub mod salts;
mod solution;

pub use recipe::{ClaimRise, RecipeError};
pub use salts::Salt;
pub use solution::{Element, SolutionEffect};
