//! What a report is made of.

use jiff::Timestamp;

use super::days::Days;
use super::model::Rehearsed;
use crate::config::Controller;
use crate::engine::{Engine, Event, Now};
use crate::record::{Entry, GivenDose, Observation, StoredCalibration, StoredVerification, Uptake};
use crate::shell::{Known, Terms, setup};

/// The longest window, days.
pub const DAYS_MAX: u32 = 366;

/// What the ledger says, as far as a report looks back.
#[derive(Debug)]
pub struct Material<'a> {
    pub controller: &'a Controller,
    pub now: Now,
    /// 1 to [`DAYS_MAX`]; the last one is today.
    pub days: u32,
    /// Whether the ledger counts virtual days.
    pub invented: bool,
    pub rehearsed: Option<Rehearsed>,
    /// Newest of the window, from its begin or before it.
    pub doses: Vec<GivenDose>,
    /// The same of everything else that was written down.
    pub entries: Vec<Entry>,
    /// What of all that was told still counts.
    pub told: Vec<Observation>,
    /// All of them, oldest first.
    pub uptakes: Vec<Uptake>,
    pub calibrations: Vec<StoredCalibration>,
    pub checks: Vec<StoredVerification>,
}

/// The engine as it would be started now, to be asked for what it believes and advises. It is fed nothing but that its contacts are safe, for
/// nobody has looked at them, and a look at the time; what it wants done is left undone.
pub fn present_engine(terms: Terms, known: Known) -> Engine {
    let now = terms.now;
    let inputs: Vec<_> = terms.controller.inputs.keys().cloned().collect();
    let (mut engine, _) = Engine::start(setup(terms, known));
    for input in inputs {
        let safe = Some(true);
        drop(engine.handle(Event::Input { input, safe }, now));
    }
    drop(engine.handle(Event::Tick, now));
    engine
}

/// When the window of so many days begins that ends now.
impl Material<'_> {
    pub fn since(controller: &Controller, now: Timestamp, days: u32) -> Timestamp {
        Days::new(&controller.time_zone, now, days).since()
    }
}
