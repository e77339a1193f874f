//! A rehearsal from its begin to what was found.

use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;
use thiserror::Error;

use super::chance::Chance;
use super::faults::{Faults, unknown};
use super::found::{BottleFound, FaultMet, Found, WaterFound};
use super::owner::Keeper;
use super::plant::{Bottle, Head};
use super::stage::Stage;
use super::water::{Level, Uptake, Water};
use super::world::{Begin, ELAPSED_BEGIN, World};
use crate::chemistry::Quantity;
use crate::config::{Controller, Loaded, Plan, Scenario, SimulatedHead, StartUptake, Uptakes};
use crate::engine::{Now, ShellFacts, Status};
use crate::ledger::{Ledger, LedgerError, OpenAs, SessionStart, Timeline};
use crate::metering::Calibration;
use crate::plan::{planned_rise, worked_out};
use crate::quantity::{Millis, Name, f64_from_i64};
use crate::record::{History, Hold, REHEARSED_BOOT, Stamp};
use crate::shell::{Books, Core, Desk, Hands, Known, MustEnd, Read, Terms, setup};

/// Why one ended that was to end.
const INTERRUPTED: &str = "it was interrupted";

#[derive(Debug, Error)]
pub enum RehearsalError {
    #[error("the ledger of the rehearsal cannot be used")]
    Ledger(#[from] LedgerError),
    #[error("day {days} from {begins} is past the end of the calendar; give fewer --days")]
    Calendar { begins: Date, days: u32 },
    #[error("the engine wanted the end: {0}")]
    Ended(String),
    #[error(
        "{scenario}: fault {number} names {kind} \"{name}\", which controller.toml does not have; it has {known}"
    )]
    NoSuch {
        scenario: String,
        number: usize,
        kind: &'static str,
        name: Name,
        known: String,
    },
}

/// What is rehearsed.
#[derive(Debug, Clone, Copy)]
pub struct Rehearsal<'a> {
    pub loaded: &'a Loaded,
    pub scenario: (&'a str, &'a Scenario),
    pub days: u32,
    pub seed: u64,
    /// When it begins: the local date's first moment, or later on it.
    pub begins: (Date, Timestamp),
    /// A ledger to write in, of nobody else; one that is there already is gone on from.
    pub ledger: &'a Path,
    pub timeline: Timeline,
}

impl Rehearsal<'_> {
    /// Runs it. `goes_on` is asked each day, with the number of days that are over.
    ///
    /// # Errors
    /// Any [`RehearsalError`]. An engine that wants the end is none: what was found until then says so.
    pub fn run(
        &self,
        goes_on: &mut dyn FnMut(u32) -> ControlFlow<()>,
    ) -> Result<Found, RehearsalError> {
        let mut stage = self.begin()?;
        let found = self.play(&mut stage, goes_on)?;
        if found.ended.is_none() {
            // So that no dose stands without its end; what was found is found.
            stage.close("the rehearsal ends here").ok();
        }
        Ok(found)
    }

    pub(super) fn play(
        &self,
        stage: &mut Stage,
        goes_on: &mut dyn FnMut(u32) -> ControlFlow<()>,
    ) -> Result<Found, RehearsalError> {
        let (scenario, controller) = (self.scenario.1, &self.loaded.controller);
        if let Some(unknown) = unknown(scenario, controller) {
            return Err(RehearsalError::NoSuch {
                scenario: self.scenario.0.to_owned(),
                number: unknown.number,
                kind: unknown.kind,
                name: unknown.name,
                known: unknown.known,
            });
        }
        let mut keeper = Keeper::new(scenario, &stage.targets, self.seed);
        let again = |stage: &mut Stage, boot: &str| {
            let begun = self.begin_again(stage, boot);
            begun.map_err(|error| MustEnd {
                why: error.to_string(),
            })
        };
        let mut faults = Faults::of(scenario, (self.days, self.seed), &again);
        let mut ended = stage.started().err().map(|end| end.why);
        for day in 0..self.days {
            if ended.is_some() {
                break;
            }
            if goes_on(day).is_break() {
                ended = Some(INTERRUPTED.to_owned());
                break;
            }
            let visit = self.visit_on(day).ok_or(RehearsalError::Calendar {
                begins: self.begins.0,
                days: self.days,
            })?;
            let went = live_through(i64::from(day), visit, (stage, &mut keeper), &mut faults);
            ended = went.err().map(|end| end.why);
        }
        Ok(self.found(stage, (&keeper, faults.met), ended))
    }

    /// When the owner is there on a day.
    pub(super) fn visit_on(&self, day: u32) -> Option<Millis> {
        let (date, begin) = self.begins;
        let date = date
            .checked_add(jiff::Span::new().try_days(day).ok()?)
            .ok()?;
        let at = date.at(self.scenario.1.owner.hour, 0, 0, 0);
        let zone = &self.loaded.controller.time_zone;
        let at = zone.to_ambiguous_timestamp(at).compatible().ok()?;
        Some(Millis::new(
            at.as_millisecond().saturating_sub(begin.as_millisecond()),
        ))
    }

    /// Start-up from a history, as the daemon's.
    pub(super) fn begin(&self) -> Result<Stage, RehearsalError> {
        self.begin_as(&format!("{REHEARSED_BOOT}1"), false)
    }

    /// In a boot of this name, and by the rules of a dry run or of live mode.
    pub(super) fn begin_as(&self, boot: &str, live: bool) -> Result<Stage, RehearsalError> {
        let now = Now {
            wall: self.begins.1,
            elapsed: ELAPSED_BEGIN,
        };
        // A start that is no rehearsal's is written down before the clock is known, so that what was missed until then counts.
        let (ledger, read) = self.open((boot, live), now, (!live, true))?;
        let terms = self.terms((boot, live), now, Some(1));
        let (world, targets) = self.world(&terms, ledger, &read.history);
        let core = started(terms, read, Vec::new());
        let mut stage = Stage {
            core,
            world,
            targets,
        };
        let status = stage.core.engine.status(now, &ShellFacts::default());
        self.begin_as_known(&status, &mut stage.world);
        Ok(stage)
    }

    /// The next process on the same machine, in a boot of this name.
    pub(super) fn begin_again(&self, stage: &mut Stage, boot: &str) -> Result<(), RehearsalError> {
        let world = &mut stage.world;
        world.forget_process();
        let (now, is_told) = (world.now(), world.time_told_at <= world.now);
        let (ledger, read) = self.open((boot, false), now, (false, is_told))?;
        world.go_by(ledger, &read.history);
        let warp = is_told.then_some(1);
        let terms = self.terms((boot, false), now, warp);
        stage.core = started(terms, read, world.holds.clone());
        Ok(())
    }

    /// The ledger and what it says, where its session and the present are trusted or not.
    fn open(
        &self,
        (boot, live): (&str, bool),
        now: Now,
        (session_trusted, trusted): (bool, bool),
    ) -> Result<(Ledger, Read), LedgerError> {
        let at = Stamp {
            wall: now.wall,
            elapsed: now.elapsed,
            trusted,
        };
        let open_as = OpenAs {
            timeline: self.timeline,
            installation: None,
            session: SessionStart {
                boot: boot.to_owned(),
                at: Stamp {
                    trusted: session_trusted,
                    ..at
                },
                version: env!("CARGO_PKG_VERSION").to_owned(),
                controller_fingerprint: self.loaded.controller_fingerprint.clone(),
                plan_fingerprint: self.loaded.plan_fingerprint.clone(),
                live,
            },
        };
        let ledger = Ledger::open(self.ledger, &open_as)?.rehearsed()?;
        let read = Read {
            told_since_arming: ledger.refilled_since_arming()?,
            history: ledger.history(at)?,
        };
        Ok((ledger, read))
    }

    fn terms(&self, (boot, live): (&str, bool), now: Now, warp: Option<u32>) -> Terms {
        Terms {
            controller: Arc::new(self.loaded.controller.clone()),
            plan: Arc::new(self.loaded.plan.clone()),
            boot: boot.to_owned(),
            live,
            modelled: true,
            warp,
            now,
        }
    }

    fn world(
        &self,
        terms: &Terms,
        ledger: Ledger,
        history: &History,
    ) -> (World, BTreeMap<Quantity, f64>) {
        let mut controller = (*terms.controller).clone();
        for content in &history.contents {
            content.put_into(&mut controller);
        }
        let newest = history.uptakes.iter().map(|u| (u.of.clone(), u.uptake));
        let recorded: Uptakes = newest.collect();
        let plan = worked_out(&terms.plan, &controller, &recorded);
        let mut targets = BTreeMap::new();
        let water = self.water((&controller, &plan), &mut targets);
        let world = World::new(Begin {
            at: terms.now.wall,
            heads: self.heads(&controller, history),
            bottles: bottles(&controller, history),
            controller: Arc::new(controller),
            plan: Arc::clone(&terms.plan),
            ledger,
            water,
            recorded,
            told: told_at(history, terms.now.wall),
            open: &history.open,
        });
        (world, targets)
    }

    /// Where the scenario does not say where the water begins, it is where the record has it: by the estimate, or by the last reading of
    /// what is not estimated.
    fn begin_as_known(&self, status: &Status, world: &mut World) {
        let known = &status.water;
        let silent = |of: &Quantity| self.scenario.1.of(of).start.is_none();
        let levels = world.water.levels.iter_mut();
        for (of, level) in levels.filter(|(of, _)| silent(of)) {
            let estimate = known.estimates.get(of.as_str()).and_then(|e| e.level);
            let reading = || {
                let read = known.readings.get(of.as_str())?;
                read.reading.reading()?.found.value()
            };
            if let Some(value) = estimate.or_else(reading) {
                level.start = value.max(0.0);
            }
        }
    }

    fn heads(&self, controller: &Controller, history: &History) -> BTreeMap<Name, Head> {
        let truth = &self.scenario.1.heads;
        let mut heads = BTreeMap::new();
        for (name, head) in &controller.heads {
            let known = history.calibrations.iter().find(|(c, _)| c.head == *name);
            let known = known.map(|(stored, _)| stored.calibration);
            let simulated = &head.simulated;
            let Some(calibration) =
                known.or_else(|| Calibration::new(simulated.rate, simulated.offset).ok())
            else {
                continue;
            };
            let model = SimulatedHead {
                rate: calibration.rate(),
                offset: calibration.offset(),
                scatter: truth.scatter.unwrap_or(simulated.scatter),
            };
            let chance = Chance::of(self.seed, &format!("head {name}"));
            heads.insert(
                name.clone(),
                Head::new(model, calibration, truth.drift / 30.0, chance),
            );
        }
        heads
    }

    /// Every quantity that has limits or is gone by.
    fn water(
        &self,
        (controller, plan): (&Controller, &Plan),
        targets: &mut BTreeMap<Quantity, f64>,
    ) -> Water {
        let scenario = self.scenario.1;
        let all = controller.water.keys().chain(plan.uptakes.keys());
        let mut water = Water::default();
        for of in all {
            let truth = scenario.of(of);
            let target = controller.tracked(of).map(|t| t.target);
            let target = target
                .or(truth.start)
                .unwrap_or_else(|| of.natural().unwrap_or_default());
            let start = truth.start.unwrap_or(target);
            let tied = plan.starts.get(of) == Some(&StartUptake::WithAlkalinity);
            let followed = if tied && !scenario.names(of) {
                &Quantity::Alkalinity
            } else {
                of
            };
            let planned = plan.uptakes.get(of).copied();
            let uptake = Uptake::new(
                scenario.of(followed).uptake,
                planned.unwrap_or_else(|| planned_rise(plan, controller, of)),
                Chance::of(self.seed, &format!("uptake {followed}")),
            );
            water.levels.insert(of.clone(), Level::new(start, uptake));
            targets.insert(of.clone(), target);
        }
        water
    }

    fn found(
        &self,
        stage: &Stage,
        (keeper, faults): (&Keeper, Vec<FaultMet>),
        ended: Option<String>,
    ) -> Found {
        let world = &stage.world;
        let days = world.now.as_days();
        let water = world.water.levels.iter().map(|(of, level)| {
            let target = stage.targets.get(of).copied().unwrap_or_default();
            let band = world
                .controller
                .tracked(of)
                .map(|t| (t.band_low, t.band_high));
            let mut found = WaterFound::of(of, &level.hours, target, band);
            found.readings = keeper.readings.get(of).cloned().unwrap_or_default();
            found.changes_asked = keeper.asked.get(of).cloned().unwrap_or_default();
            found.put_off = keeper.put_off.get(of).cloned().unwrap_or_default();
            found.asked = found.changes_asked.len();
            (of.clone(), found)
        });
        let mut reservoirs: BTreeMap<Name, BottleFound> = BTreeMap::new();
        for (name, bottle) in &world.bottles {
            let lines = world.controller.drawing_on(name);
            let drawn = lines.filter_map(|l| Some(world.lines.get(&l.name)?.planned.as_ul()));
            let a_day = f64_from_i64(drawn.sum()) / days.max(1e-9);
            let usable = f64_from_i64(
                bottle
                    .began
                    .saturating_sub(bottle.reserve)
                    .or_zero()
                    .as_ul(),
            );
            let used_up = world.used_up.iter().filter(|(bottle, _)| bottle == name);
            let found = BottleFound {
                lasts_days: (a_day > 0.0).then(|| usable / a_day),
                refilled_on: keeper.refills.get(name).cloned().unwrap_or_default(),
                empty_days: used_up.count(),
            };
            reservoirs.insert(name.clone(), found);
        }
        Found {
            scenario: self.scenario.0.to_owned(),
            seed: self.seed,
            begins: self.begins.0,
            zone: world.controller.time_zone.clone(),
            days,
            ends: world.wall(),
            ended,
            events: world.events,
            digest: world.digest.to_string(),
            doses: world.doses,
            violations: world.watch.count(),
            broken: world.watch.broken.clone(),
            asked: keeper.asked.values().map(Vec::len).sum(),
            changes: keeper.changes,
            faults,
            water: water.collect(),
            lines: world.lines.clone(),
            refusals: world.refusals.clone(),
            reservoirs,
            tasks: world.tasks.clone(),
            denied: keeper.denied.clone(),
        }
    }
}

/// One day of 24 h, with a visit of the owner, who finds nothing to talk to while the machine is off.
fn live_through(
    day: i64,
    visit: Millis,
    (stage, keeper): (&mut Stage, &mut Keeper),
    faults: &mut Faults<'_>,
) -> Result<(), MustEnd> {
    let begin = Millis::new(day.saturating_mul(Millis::DAY.as_ms()));
    let end = begin.plus(Millis::DAY);
    // An hour of the clock may be gone by a change of the zone's.
    let due = visit.clamp(begin, end);
    faults.until((stage, keeper), due)?;
    if stage.world.now <= due {
        keeper.visit(stage, day)?;
    }
    faults.until((stage, keeper), end)
}

/// With these holds in their file.
fn started(terms: Terms, read: Read, hold_file: Vec<Hold>) -> Core<()> {
    let known = Known {
        ledger: Ok(read),
        hold_file: Ok(hold_file),
        holds_kept: Vec::new(),
        seen: Vec::new(),
    };
    Core::start(setup(terms, known), Desk::new(Books::Well))
}

fn bottles(controller: &Controller, history: &History) -> BTreeMap<Name, Bottle> {
    let mut bottles = BTreeMap::new();
    for (name, reservoir) in &controller.reservoirs {
        let Some(solution) = controller.solution_in(name) else {
            continue;
        };
        let known = history.reservoirs.iter().find(|(known, _)| known == name);
        let holds = known.map_or(reservoir.capacity, |(_, left)| *left);
        let bottle = Bottle {
            capacity: reservoir.capacity,
            reserve: reservoir.reserve,
            solution: solution.name.clone(),
            began: holds,
            holds,
            booked: holds,
            dry: None,
        };
        bottles.insert(name.clone(), bottle);
    }
    bottles
}

/// When the newest test of each quantity was made, before the begin.
pub(super) fn told_at(history: &History, begin: Timestamp) -> BTreeMap<Quantity, Millis> {
    let mut at = BTreeMap::new();
    for told in &history.told {
        if let Some(of) = told.reading().and_then(|reading| reading.of.quantity()) {
            let ms = told.happened.as_millisecond();
            let since = Millis::new(ms.saturating_sub(begin.as_millisecond()));
            let newest = at.entry(of.clone()).or_insert(since);
            *newest = since.max(*newest);
        }
    }
    at
}
