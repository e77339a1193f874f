//! The two files a keeper writes: `controller.toml` (board, heads, bottles, limits) and `plan.toml` (daily volumes and times).
//!
//! `model.rs` and `calendar.rs` are pure and hold the checked types that the core takes as they are. The rest reads
//! files: raw shapes, checks that collect every mistake with its place, and their explanation. A changed controller file
//! needs a restart; a plan may be reloaded any day and can never lift a limit, because every limit is in the controller file.

mod calendar;
mod model;

pub use calendar::{CronError, CronTimes, UnevenStep};
pub use model::{
    ActiveLevel, AlarmAction, AlkalinityLimits, ApartRule, Blocks, Controller, Head, Input,
    InputRole, Line, Mode, OldCalibration, Output, Plan, PlannedLine, Reservoir, SimulatedHead,
    Solution, TimeLimits, Times,
};
