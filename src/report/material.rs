//! What a report is made of.

use jiff::Timestamp;

use super::bottles::bottles;
use super::days::Days;
use super::doses::lines;
use super::glance::{glance, todo};
use super::heads::heads;
use super::journal::{changes, events, holds};
use super::model::Report;
use super::panels::panels;
use super::story::story;
use super::water::{readings, water};
use crate::config::Controller;
use crate::engine::{Engine, Event, Now, ShellFacts, Status};
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

impl Report {
    pub fn of(material: &Material<'_>, engine: &mut Engine) -> Self {
        let Material {
            controller, now, ..
        } = material;
        let days = Days::new(&controller.time_zone, now.wall, material.days);
        let status: Status = engine.status(*now, &ShellFacts::default());
        let mut report = Self {
            name: controller.name.clone(),
            at: now.wall,
            since: days.since(),
            days: material.days,
            time_zone: controller.time_zone_name.clone(),
            zone: controller.time_zone.clone(),
            live: status.mode == crate::config::Mode::Live,
            invented: material.invented,
            glance: super::model::Glance {
                wellness: super::model::Wellness::Well,
                sentence: String::new(),
            },
            todo: Vec::new(),
            story: Vec::new(),
            water: water(material, engine, &status, &days),
            readings: readings(material, &days),
            lines: lines(material, &status, &days),
            bottles: bottles(material, &status, &days),
            panels: panels(material, &days),
            heads: heads(material, &status, &days),
            holds: holds(material, &status),
            changes: changes(material, &days),
            events: events(material),
        };
        report.todo = todo(&report, engine, &status, *now);
        report.glance = glance(&report, &status);
        report.story = story(&report);
        report
    }
}
