//! The two files a keeper writes: `controller.toml` (board, heads, bottles, limits) and `plan.toml` (daily volumes and times).
//!
//! `model.rs` and `calendar.rs` are pure and hold the checked types that the core takes as they are. The rest reads
//! files: raw shapes, checks that collect every mistake with its place, and their explanation. A changed controller file
//! needs a restart; a plan may be reloaded any day and can never lift a limit, because every limit is in the controller file.
//!
//! The way of a text: `raw.rs` reads it along the one table of keys in `keys.rs` (types, ranges, defaults, unknown keys) into the
//! tree of `tree.rs`; `controller.rs` and the files it calls, `mqtt.rs` and `plan_file.rs` take the values out of the tree by the
//! table's own constants and build the checked types; `relations.rs` holds the parts of the controller against each other;
//! `load.rs` puts the two files together. How a whole plan is held against a whole controller is not known here: who loads gives
//! that check, and `plan` has it. `scenario.rs` reads what a rehearsal assumes, by a table of keys of its own. `json_schema.rs` writes the table out for editors. Only `load.rs` touches the disk.

mod board;
mod bottles;
mod calendar;
mod contents;
mod controller;
mod drive;
mod heads;
mod home;
mod input;
mod json_schema;
mod keys;
mod leaf;
mod load;
mod mistake;
mod model;
mod mqtt;
mod nearest;
mod outlet;
mod peer;
mod pin;
mod plan_file;
mod pwm;
mod raw;
mod relations;
mod scenario;
mod scenario_fault;
mod scenario_keys;
mod schema;
mod solution;
mod stepper;
mod take;
#[cfg(test)]
pub(crate) mod tests;
mod tree;
mod water;
mod words;

pub use calendar::{CronError, CronTimes};
pub use contents::{Contents, TubeContent};
pub use controller::{Zones, rests_on_at_boot};
pub use drive::{ActiveLevel, HeadOutput, Output, Pwm, StepSpeed, Stepper};
pub use heads::NoSuchHead;
pub use json_schema::{controller_schema, plan_schema};
pub use load::{
    CONTROLLER_FILE, Loaded, LoadedPlan, MachineCheck, PLAN_FILE, check_plan_text, check_texts,
    fingerprint, fnv1a, load, load_plan, load_with, system_zone,
};
pub use mistake::{ConfigMistakes, Finding, Mistake, PlanPlace, Purpose, Warning};
pub use model::{
    ApartRule, Blocks, Board, BoardDriver, Controller, Gives, Head, Input, InputRole, Job, Line,
    Origin, Plan, PlannedLine, Reservoir, RunSense, SimulatedHead, Solution, StartUptake,
    TimeLimits, Times, TrackedLimits, Uptakes, WaterLimits,
};
pub use mqtt::{Mqtt, RemoteKind, Tls};
pub use outlet::Outlet;
pub use peer::{Peer, PeerName, Person, Right, allows};
pub use pin::{header_pin, parse_pin, pin_words};
pub use plan_file::PlanCheck;
pub use pwm::{WrittenChannel, WrittenPwm};
pub use relations::ALL_LINES;
pub use scenario::{Kit, Owner, OwnerKind, Scenario, TrueHeads, TrueUptake, TrueWater};
pub use scenario_fault::{Fault, FaultKind, FaultWhen};
pub use words::{AlarmAction, LineBy, Mode, OldCalibration};
