//! What solutions do to the water. Pure arithmetic; no tank state, no I/O.

mod recipe;
mod rises;
pub mod salts;
mod show;
mod solution;
mod stock;
mod water;

pub use recipe::{
    ALKALINITY_MEQ_PER_L_MAX, ClaimRise, ELEMENT_MG_PER_L_MAX, RecipeError, SALT_G_PER_L_MAX,
};
pub use rises::{Balance, CALCIUM_MG_PER_MEQ, Residue, Rises};
pub use salts::Salt;
pub use solution::{Element, SolutionEffect};
pub use stock::{Dissolves, Recipe, StockError, check_dissolves, recipe_for, saturated_g_per_l};
pub use water::{Celsius, Salinity};
