//! The arithmetic of the water: what solutions carry and do, and what seawater is.
//!
//! A *rise* is what is added to the tank's water; alkalinity is kept in meq/L and elements in mg/L of water.
//! Pure: no tank state, no clock, no file, no randomness. Nothing here estimates, doses, schedules or enforces a limit.
//!
//! | question | where |
//! |---|---|
//! | what is in the bottle, what is weighed in | `salts`, `recipe`, `stock`, `solution`, `batch` |
//! | what a day's plan does and leaves behind, what skeleton takes along | `rises`, `skeleton` |
//! | what a quantity is counted in, typed, shown | `unit` |
//! | salinity, density, natural levels | `water`, `seawater`, `conductivity`, `natural` |
//! | aragonite saturation | `carbonate`, `saturation` |
//! | water changes and dosed water | `dilution` |

mod batch;
mod carbonate;
mod conductivity;
mod dilution;
mod doubt;
mod element;
mod measurand;
mod natural;
mod quantity;
mod recipe;
mod rises;
pub mod salts;
mod saturation;
mod seawater;
mod show;
mod skeleton;
mod solution;
mod stock;
mod unit;
mod water;

pub use batch::{cautions, grams, sea_salt_g, third_part};
pub use carbonate::{Ph, PhScale};
pub use conductivity::salinity_from_conductivity;
pub use dilution::{
    Between, ChangeShare, DilutionError, DosedWater, Level, SteadyLevel, dosed_water,
    left_after_continuous, litres_for_continuous, share_to_reach,
};
pub use doubt::{Finder, doubt};
pub use element::Element;
pub use measurand::Measurand;
pub use natural::{NaturalLevel, Sureness, matters, natural_level, natural_of};
pub use quantity::Quantity;
pub use recipe::{ALKALINITY_MEQ_PER_L_MAX, ELEMENT_MG_PER_L_MAX, RecipeError, SALT_G_PER_L_MAX};
pub use rises::{Balance, CALCIUM_MG_PER_MEQ, Residue, Rises, drift_words, rises_words};
pub use salts::Salt;
pub use saturation::{
    Base, CarbonateUncertainty, CarbonateWater, Caution, MixedStock, OMEGA_NOTED, OMEGA_WARNED,
    SATURATION_LIMITS, Saturation, SaturationError, SaturationEstimate,
};
pub use seawater::{
    SpecificGravity, WaterError, concentration_from_mg_per_kg, density_kg_per_m3, scaled_to_35,
};
pub use show::amount;
pub(crate) use show::figures;
pub use skeleton::{TakenAlong, taken_along};
pub use solution::SolutionEffect;
pub use stock::{Dissolves, Recipe, StockError, check_dissolves, recipe_for, saturated_g_per_l};
pub use unit::Unit;
pub use water::{Celsius, Salinity};
