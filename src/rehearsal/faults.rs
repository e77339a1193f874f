//! What goes wrong, as the scenario has it: when, and what it does to the model tank and to the process.

use std::collections::VecDeque;

use super::chance::Chance;
use super::found::FaultMet;
use super::owner::Keeper;
use super::plant::Head;
use super::stage::Stage;
use crate::config::{Controller, Fault, FaultKind, FaultWhen, Scenario};
use crate::engine::Event;
use crate::quantity::{Millis, Name, f64_from_usize, i64_from_f64, listed};
use crate::record::REHEARSED_BOOT;
use crate::shell::MustEnd;

/// A process that is stopped in good order has said its last after this time.
const STOP_TAKES: Millis = Millis::from_secs(1);
/// A board without a clock of its own is back after this time.
const BOOT_TAKES: Millis = Millis::from_mins(1);

/// Begins the next process in a boot of this name.
pub(super) type Again<'a> = &'a dyn Fn(&mut Stage, &str) -> Result<(), MustEnd>;

pub(super) struct Faults<'a> {
    again: Again<'a>,
    coming: VecDeque<(Millis, Fault)>,
    chance: Chance,
    boots: u32,
    pub(super) met: Vec<FaultMet>,
}

impl<'a> Faults<'a> {
    pub(super) fn of(scenario: &Scenario, (days, seed): (u32, u64), again: Again<'a>) -> Self {
        let mut coming = Vec::new();
        for (number, fault) in scenario.faults.iter().enumerate() {
            let mut chance = Chance::of(seed, &format!("fault {number}"));
            let on: Vec<f64> = match fault.when {
                FaultWhen::OnDay(day) => vec![day],
                FaultWhen::OnShareOfDays(share) => (0..days)
                    .filter_map(|day| {
                        let hour = chance.uniform();
                        chance.happens(share).then(|| f64::from(day) + hour)
                    })
                    .collect(),
            };
            let at = |day: f64| Millis::from_secs_f64(day * 86_400.0).unwrap_or(Millis::ZERO);
            coming.extend(on.into_iter().map(|day| (at(day), fault.clone())));
        }
        coming.sort_by_key(|(at, _)| *at);
        Self {
            again,
            coming: coming.into(),
            chance: Chance::of(seed, "which head"),
            boots: 1,
            met: Vec::new(),
        }
    }

    /// Lets time pass, and what is to go wrong in it goes wrong. It may end later: nothing happens while the machine is off.
    pub(super) fn until(
        &mut self,
        (stage, keeper): (&mut Stage, &mut Keeper),
        end: Millis,
    ) -> Result<(), MustEnd> {
        while self.coming.front().is_some_and(|(at, _)| *at < end) {
            let Some((at, fault)) = self.coming.pop_front() else {
                break;
            };
            stage.until(at.max(stage.world.now))?;
            let (at, day) = (stage.world.wall(), stage.world.day());
            let text = self.strikes(stage, keeper, &fault)?;
            let what = fault.what.word();
            self.met.push(FaultMet {
                day,
                at,
                what,
                text,
            });
        }
        stage.until(end.max(stage.world.now))
    }

    /// What happened, in words.
    fn strikes(
        &mut self,
        stage: &mut Stage,
        keeper: &mut Keeper,
        fault: &Fault,
    ) -> Result<String, MustEnd> {
        let lasts = fault.lasts;
        let until = stage.world.now.plus(lasts);
        Ok(match &fault.what {
            FaultKind::PowerCut => {
                let amid = amid(stage);
                self.cut_off(stage, lasts, Millis::ZERO)?;
                format!("the power failed for {lasts}{amid}")
            }
            FaultKind::ClockUnknown => {
                let amid = amid(stage);
                self.cut_off(stage, BOOT_TAKES, lasts)?;
                format!("the board started anew{amid}, and nobody told it the time for {lasts}")
            }
            FaultKind::DaemonStopped => {
                stop(stage)?;
                self.goes_on(stage, lasts.minus(STOP_TAKES))?;
                format!("the daemon was stopped for {lasts}")
            }
            FaultKind::RefillLate(bottle) => {
                keeper.not_filled.push((bottle.clone(), until));
                let which = bottle.as_ref().map_or_else(
                    || "no bottle".to_owned(),
                    |name| format!("bottle {name} not"),
                );
                format!("{which} filled for {lasts}, whatever was asked")
            }
            FaultKind::HeadBlocked(told) => {
                let (name, head) = self.head(stage, told.as_ref())?;
                head.blocked_until = until;
                format!("head {name} was blocked for {lasts}: it turned and gave nothing")
            }
            FaultKind::HeadWorn(told, part) => {
                let (name, head) = self.head(stage, told.as_ref())?;
                head.worn *= 1.0 + *part;
                let less = if *part < 0.0 { "less" } else { "more" };
                let percent = part.abs() * 100.0;
                format!("the tube of head {name} gave {percent:.0} % {less} from then on")
            }
        })
    }

    /// The one that is told, or one that chance picks.
    fn head<'s>(
        &mut self,
        stage: &'s mut Stage,
        told: Option<&Name>,
    ) -> Result<(Name, &'s mut Head), MustEnd> {
        let heads = &mut stage.world.heads;
        let drawn = self.chance.uniform() * f64_from_usize(heads.len());
        let drawn = i64_from_f64(drawn.floor()).and_then(|n| usize::try_from(n).ok());
        let none = || MustEnd {
            why: "there is no head that could fail".to_owned(),
        };
        let name = told.or_else(|| heads.keys().nth(drawn?)).cloned();
        let name = name.ok_or_else(none)?;
        match heads.get_mut(&name) {
            Some(head) => Ok((name, head)),
            None => Err(none()),
        }
    }

    /// All is off at once, in whatever it was at.
    fn cut_off(&mut self, stage: &mut Stage, off: Millis, unknown: Millis) -> Result<(), MustEnd> {
        let world = &mut stage.world;
        let heads: Vec<Name> = world.heads.keys().cloned().collect();
        for head in heads {
            world.end_run(&head);
        }
        stage.pass(stage.world.now.plus(off));
        let world = &mut stage.world;
        world.booted = world.now;
        self.boots = self.boots.saturating_add(1);
        if unknown > Millis::ZERO {
            world.ahead = world.ahead.minus(off);
            world.time_told_at = world.now.plus(unknown);
        }
        self.goes_on(stage, Millis::ZERO)
    }

    /// The next process, after a while.
    fn goes_on(&self, stage: &mut Stage, after: Millis) -> Result<(), MustEnd> {
        stage.pass(stage.world.now.plus(after));
        let boot = format!("{REHEARSED_BOOT}{}", self.boots);
        (self.again)(stage, &boot)?;
        stage.started()?;
        stage.tell_outside()
    }
}

/// In the middle of what, for the end of a clause.
fn amid(stage: &Stage) -> String {
    let running = stage
        .world
        .heads
        .iter()
        .find(|(_, head)| head.run.is_some());
    running.map_or_else(String::new, |(name, _)| {
        format!(", in the middle of a dose of head {name}")
    })
}

fn stop(stage: &mut Stage) -> Result<(), MustEnd> {
    stage.feed(Event::Stopping)?;
    stage.until(stage.world.now.plus(STOP_TAKES))?;
    stage.core.close();
    stage.core.last_words("stopped", &mut stage.world)?;
    stage.answers()
}

/// A head or a bottle that a fault names and the controller does not have.
pub(super) struct Unknown {
    /// Of the fault, from 1.
    pub(super) number: usize,
    pub(super) kind: &'static str,
    pub(super) name: Name,
    pub(super) known: String,
}

/// The first of them.
pub(super) fn unknown(scenario: &Scenario, controller: &Controller) -> Option<Unknown> {
    let (heads, bottles) = (&controller.heads, &controller.reservoirs);
    let mut faults = scenario.faults.iter().enumerate();
    faults.find_map(|(number, fault)| {
        let (kind, name, is_known, known) = match &fault.what {
            FaultKind::HeadBlocked(Some(name)) | FaultKind::HeadWorn(Some(name), _) => {
                ("head", name, heads.contains_key(name), listed(heads.keys()))
            }
            FaultKind::RefillLate(Some(name)) => {
                let known = listed(bottles.keys());
                ("bottle", name, bottles.contains_key(name), known)
            }
            FaultKind::PowerCut
            | FaultKind::DaemonStopped
            | FaultKind::ClockUnknown
            | FaultKind::RefillLate(None)
            | FaultKind::HeadBlocked(None)
            | FaultKind::HeadWorn(None, _) => return None,
        };
        (!is_known).then(|| Unknown {
            number: number.saturating_add(1),
            kind,
            name: name.clone(),
            known,
        })
    })
}
