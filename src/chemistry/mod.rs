//! The arithmetic of the water: what solutions carry and do, what readings say, what to do about it.
//!
//! Terms: a *rise* is what is added to the tank's water; *uptake* is what the animals take out of it; alkalinity is kept in meq/L and
//! elements in mg/L of water, and everything a person sees carries its unit and, where it is an estimate, its interval.
//! Pure: no tank state, no clock, no file, no randomness. Nothing here doses, schedules or enforces a limit.
//!
//! | question | where |
//! |---|---|
//! | what is in the bottle | `salts`, `recipe`, `stock`, `solution` |
//! | what a day's plan does and leaves behind, what skeleton takes along | `rises`, `skeleton` |
//! | salinity, density, natural levels | `water`, `seawater`, `conductivity`, `natural` |
//! | aragonite saturation | `carbonate`, `saturation` |
//! | water changes and dosed water | `dilution` |
//! | uptake and advice | `student`, `statistics`, `chart`, `uptake`, `advice` |
//! | lab panels | `panel`, `balance`, `trend` |

mod advice;
mod advice_text;
mod balance;
mod carbonate;
mod chart;
mod conductivity;
mod dilution;
mod doubt;
mod natural;
mod panel;
mod quantity;
mod recipe;
mod rises;
pub mod salts;
mod saturation;
mod seawater;
mod show;
mod skeleton;
mod solution;
mod statistics;
mod stock;
mod student;
mod trend;
mod uptake;
mod water;

pub use advice::{
    Advice, AdviceError, Cause, Dosing, JournalChange, LeaveReason, Patience, Proposal, TestReason,
    Trouble, advise,
};
pub use balance::{Account, Corrosion, Verdict, after_changes, corrosion};
pub use carbonate::{Ph, PhScale};
pub use chart::{Cusum, Direction, Ewma, Signal, first_signal};
pub use conductivity::salinity_from_conductivity;
pub use dilution::{
    ChangeShare, DilutionError, DosedWater, SteadyLevel, dose_against_proportional_loss,
    dosed_water, left_after_continuous, litres_for_continuous, salinity_after_evaporation,
    share_to_reach,
};
pub use doubt::doubt;
pub use natural::{NaturalLevel, Sureness, natural_alkalinity, natural_level};
pub use panel::{
    Band, Comparison, Detected, Finding, PanelEntry, PanelError, PanelUnit, SafeCourse, safe_course,
};
pub use quantity::Quantity;
pub use recipe::{
    ALKALINITY_MEQ_PER_L_MAX, ClaimRise, ELEMENT_MG_PER_L_MAX, RecipeError, SALT_G_PER_L_MAX,
};
pub use rises::{Balance, CALCIUM_MG_PER_MEQ, Residue, Rises, drift_words, rises_words};
pub use salts::Salt;
pub use saturation::{
    Base, CarbonateUncertainty, CarbonateWater, Caution, MixedStock, OMEGA_NOTED, OMEGA_WARNED,
    SATURATION_LIMITS, Saturation, SaturationError, SaturationEstimate,
};
pub use seawater::{
    SpecificGravity, WaterError, alkalinity_meq_per_kg, alkalinity_scaled_to_35,
    concentration_from_mg_per_kg, density_kg_per_m3, scaled_to_35,
};
pub use show::amount;
pub(crate) use show::figures;
pub use skeleton::{TakenAlong, taken_along};
pub use solution::{Element, SolutionEffect};
pub use statistics::{Line, POINTS_MAX, Point, RobustLine, StatisticsError};
pub use stock::{Dissolves, Recipe, StockError, check_dissolves, recipe_for, saturated_g_per_l};
pub use trend::{REPORTS_MIN, Trend};
pub use uptake::{
    Addition, Drift, READINGS_MIN, SPAN_DAYS_MIN, SeriesReading, Tracked, Uptake, UptakeError,
    smallest_difference, uncertainty_of_step,
};
pub use water::{Celsius, Salinity};
