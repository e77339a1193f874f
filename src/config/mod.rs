//! The two files a keeper writes: `controller.toml` (board, heads, bottles, limits) and `plan.toml` (daily volumes and times).
//!
//! `model.rs` and `calendar.rs` are pure and hold the checked types that the core takes as they are. The rest reads
//! files: raw shapes, checks that collect every mistake with its place, and their explanation. A changed controller file
//! needs a restart; a plan may be reloaded any day and can never lift a limit, because every limit is in the controller file.
//!
//! The way of a text: `raw.rs` reads it along the table of keys in `schema.rs` (types, ranges, defaults, unknown keys),
//! `controller.rs`, `board.rs`, `limits.rs`, `solution.rs`, `stepper.rs`, `pwm.rs`, `input.rs` and `plan_file.rs` build the checked types, `relations.rs` and
//! `plan_relations.rs` hold the parts against each other,
//! `load.rs` puts the two files together. Only `load.rs` touches the disk.

mod board;
mod calendar;
mod controller;
mod explain;
mod heads;
mod input;
mod limits;
mod load;
mod mistake;
mod model;
mod nearest;
mod pin;
mod plan_file;
mod plan_relations;
mod plan_uptake;
mod pwm;
mod raw;
mod relations;
mod schema;
mod solution;
mod stepper;
#[cfg(test)]
mod tests;
mod tree;

pub use calendar::{CronError, CronTimes};
pub use controller::{Zones, rests_on_at_boot};
pub use explain::explain;
pub use heads::NoSuchHead;
pub use load::{
    CONTROLLER_FILE, ForeignCheck, Loaded, LoadedPlan, PLAN_FILE, check_plan_text, check_texts,
    fingerprint, load, load_plan, load_with, system_zone,
};
pub use mistake::{ConfigMistakes, ForeignFinding, Mistake, Purpose, Warning};
pub use model::{
    ActiveLevel, AlarmAction, AlkalinityLimits, ApartRule, Blocks, Board, BoardDriver, Controller,
    Gives, Head, Input, InputRole, Line, LineBy, Mode, OldCalibration, Output, Plan, PlannedLine,
    Reservoir, RunSense, SimulatedHead, Solution, StartUptake, TimeLimits, Times, Uptakes,
};
pub use pin::{header_pin, parse_pin};
pub use plan_relations::UPTAKE_TOLERANCE_DKH_PER_DAY;
pub use plan_uptake::UPTAKE_DOUBTFUL_DKH_PER_DAY;
pub use pwm::Pwm;
pub use stepper::{HeadOutput, StepSpeed, Stepper};
