//! The machine that the daemon runs on: boots, clocks, disk and heads, and how a process dies on it.

use std::path::PathBuf;
use std::sync::Arc;

use super::plan::{Disk, Fault, Shows};
use super::sabotage::Sabotage;
use crate::config::{Controller, HeadOutput, Mode};
use crate::engine::{Event, Now};
use crate::ledger::{Ledger, LedgerError, OpenAs, SessionStart, Timeline};
use crate::quantity::{Millis, Name};
use crate::record::{DoseId, History, Hold, OutputPlace, OutputSeen, Stamp};
use crate::rehearsal::chance::Chance;
use crate::rehearsal::owner::Keeper;
use crate::rehearsal::run::told_at;
use crate::rehearsal::stage::Stage;
use crate::rehearsal::watch::Rule;
use crate::rehearsal::world::{Coming, World};
use crate::shell::{
    Books, Core, Desk, Hands, Known, MustEnd, Read, Terms, before_start, check_arming, parse_holds,
    setup,
};

pub(super) const BOARD: &str = "a board";
/// Between the end of a process and its next start.
pub(super) const AGAIN: Millis = Millis::from_secs(5);

pub(super) struct Machine {
    pub(super) stage: Stage,
    pub(super) keeper: Keeper,
    pub(super) chance: Chance,
    pub(super) folder: PathBuf,
    pub(super) fingerprint: String,
    /// What the engine is given for the controller file.
    pub(super) controller: Arc<Controller>,
    pub(super) sabotage: Option<Sabotage>,
    pub(super) boot: u32,
    seen: Vec<OutputSeen>,
    /// The kernel says that its clock is right.
    pub(super) synced: bool,
    /// Until when nobody tells the time.
    pub(super) no_source: Millis,
    pub(super) disk: Option<Disk>,
    pub(super) copies: Vec<PathBuf>,
    pub(super) crashed_in: Option<DoseId>,
}

pub(super) type Went = Result<(), MustEnd>;

/// The model knows of the record what a start reads of it.
fn goes_by(world: &mut World, ledger: Ledger, history: &History) {
    world.go_by(ledger, history);
    for (stored, _) in &history.calibrations {
        if let Some(head) = world.heads.get_mut(&stored.head) {
            head.calibration = stored.calibration;
        }
    }
    let uptakes = history.uptakes.iter();
    world.recorded = uptakes.map(|u| (u.of.clone(), u.uptake)).collect();
    world.work_out();
    let told = told_at(history, world.begin);
    world.told.retain(|of, _| told.contains_key(of));
}

impl Machine {
    pub(super) fn new(
        (stage, keeper): (Stage, Keeper),
        (folder, fingerprint): (PathBuf, String),
        chance: Chance,
        sabotage: Option<Sabotage>,
    ) -> Self {
        let mut controller = (*stage.world.controller).clone();
        if let Some(sabotage) = sabotage {
            sabotage.changes(&mut controller);
        }
        Self {
            stage,
            keeper,
            chance,
            folder,
            fingerprint,
            controller: Arc::new(controller),
            sabotage,
            boot: 0,
            seen: Vec::new(),
            synced: true,
            no_source: Millis::ZERO,
            disk: None,
            copies: Vec::new(),
            crashed_in: None,
        }
    }

    pub(super) fn now(&self) -> Millis {
        self.stage.world.now
    }

    pub(super) fn is(&self, sabotage: Sabotage) -> bool {
        self.sabotage == Some(sabotage)
    }

    pub(super) fn stamp(&self, trusted: bool) -> Stamp {
        let Now { wall, elapsed } = self.stage.world.now();
        Stamp {
            wall,
            elapsed,
            trusted,
        }
    }

    pub(super) fn path(&self) -> PathBuf {
        self.folder.join("ledger.db")
    }

    pub(super) fn boot_id(&self) -> String {
        format!("boot-{}", self.boot)
    }

    pub(super) fn open_as(&self) -> OpenAs {
        OpenAs {
            timeline: Timeline::Real,
            installation: None,
            session: SessionStart {
                boot: self.boot_id(),
                at: self.stamp(false),
                version: String::new(),
                controller_fingerprint: self.fingerprint.clone(),
                plan_fingerprint: String::new(),
                live: false,
            },
        }
    }

    /// As the daemon opens it.
    pub(super) fn open(&self) -> Result<(Ledger, Read, bool), LedgerError> {
        let at = self.stamp(false);
        let mut ledger = Ledger::open(&self.path(), &self.open_as())?;
        let doubt = ledger.doubt().map(str::to_owned);
        let doubt = doubt.filter(|_| !self.is(Sabotage::DoubtIgnored));
        let arming = ledger.arming()?;
        ledger.own_up(&before_start(doubt.as_deref(), arming, Mode::Live, at))?;
        let arming = ledger.arming()?;
        let live = check_arming(arming.as_ref(), &self.fingerprint, BOARD).is_ok();
        let live = live || self.is(Sabotage::ArmingIgnored);
        if live {
            ledger.mark_session_live()?;
        }
        let read = Read {
            history: ledger.history(at)?,
            told_since_arming: ledger.refilled_since_arming()?,
        };
        Ok((ledger.rehearsed()?, read, live))
    }

    /// The daemon's start, in what is found on the disk.
    pub(super) fn start(&mut self, holds_kept: Vec<Hold>) {
        self.look_at_outputs();
        let opened = if self.disk == Some(Disk::ReadOnly) {
            Err("the file system is mounted read-only".to_owned())
        } else {
            self.open().map_err(|error| error.to_string())
        };
        let dares = self.is(Sabotage::ArmingIgnored);
        let hold_file = self.stage.world.chaos.hold_file.as_deref();
        let mut hold_file = hold_file.map_or(Ok(Vec::new()), parse_holds);
        let world = &mut self.stage.world;
        world.forget_process();
        world.holds.clear();
        world.chaos.starts();
        let (ledger, live) = match opened {
            Ok((ledger, mut read, live)) => {
                goes_by(world, ledger, &read.history);
                if let Some(sabotage) = self.sabotage {
                    sabotage.forgets(&mut read.history, &mut hold_file);
                }
                (Ok(read), live)
            }
            Err(why) => (Err(why), dares),
        };
        world.wet = live;
        let books = match &ledger {
            Ok(_) => Books::Well,
            Err(_) => Books::Absent,
        };
        let seen = if self.is(Sabotage::UnseenForgotten) {
            Vec::new()
        } else {
            self.seen.clone()
        };
        let known = Known {
            ledger,
            hold_file,
            holds_kept,
            seen,
        };
        let terms = Terms {
            controller: Arc::clone(&self.controller),
            plan: Arc::clone(&self.stage.world.plan),
            boot: if self.is(Sabotage::UnseenForgotten) {
                format!("{}-{}", self.boot_id(), self.now().as_ms())
            } else {
                self.boot_id()
            },
            live,
            modelled: false,
            warp: None,
            now: self.stage.world.now(),
        };
        self.stage.core = Core::start(setup(terms, known), Desk::new(books));
        self.apply_disk();
        let started = self.stage.started();
        self.settle(started);
        self.tell_clock();
        self.tell_contacts();
    }

    /// In live mode a start looks at what was left on.
    pub(super) fn look_at_outputs(&mut self) {
        let on: Vec<Name> = self.running();
        if !on.is_empty() {
            self.force_off();
        }
    }

    pub(super) fn running(&self) -> Vec<Name> {
        let heads = self.stage.world.heads.iter();
        let on = heads.filter(|(_, head)| head.run.is_some());
        on.map(|(name, _)| name.clone()).collect()
    }

    /// All outputs are looked at and driven off.
    pub(super) fn force_off(&mut self) {
        let (on, at) = (self.running(), self.stamp(false));
        for (name, head) in &self.stage.world.controller.heads {
            let HeadOutput::Switched(output) = &head.output else {
                continue;
            };
            let was_on = on.contains(name);
            self.seen.push(OutputSeen {
                what: format!("head {name}"),
                place: OutputPlace::Gpio(output.gpio),
                was_on,
                was_off: !was_on,
                is_off: true,
                boot: self.boot_id(),
                at,
            });
        }
        for name in on {
            if let Some(run) = self
                .stage
                .world
                .heads
                .get_mut(&name)
                .and_then(|h| h.run.as_mut())
            {
                run.escaped = true;
            }
            self.stage.world.end_run(&name);
        }
    }

    pub(super) fn dies(&mut self) {
        let world = &mut self.stage.world;
        world.chaos.dead = true;
        world.chaos.waiting.clear();
        world.chaos.at_write = None;
        world.coming.clear();
        world.keeper = None;
        let again = self.crashed_in;
        if again.is_some_and(|dose| world.open.contains_key(&dose)) {
            world.chaos.met("two crashes in one dose");
        }
        let mut runs = world.heads.values().filter_map(|h| h.run.as_ref());
        let dose = runs.next().map(|run| run.intent.id);
        if dose.is_some() {
            world.chaos.met("a crash in a dose");
        }
        let dose = dose.or(again);
        self.crashed_in = dose;
    }

    pub(super) fn kill(&mut self, hook: Option<Millis>, back: Millis) {
        self.dies();
        let (now, mut left) = (self.now(), back);
        if let Some(hook) = hook.filter(|hook| *hook < back) {
            self.stage.pass(now.plus(hook));
            self.force_off();
            left = back.minus(hook);
        }
        let now = self.now();
        self.stage.pass(now.plus(left));
        self.start(Vec::new());
    }

    pub(super) fn power_cut(&mut self, off: Millis, shows: Shows) {
        self.dies();
        for name in self.running() {
            self.stage.world.end_run(&name);
        }
        self.seen.clear();
        let now = self.now();
        self.stage.pass(now.plus(off));
        let world = &mut self.stage.world;
        world.booted = world.now;
        match shows {
            Shows::Right => {}
            Shows::Stood => world.ahead = world.ahead.minus(off),
            Shows::Ahead(by) => world.ahead = world.ahead.plus(by),
        }
        self.boot += 1;
        self.synced = false;
        let told = self
            .now()
            .plus(self.chance.span(Millis::from_secs(3), Millis::HOUR));
        let told = told.max(self.no_source);
        self.stage.world.chaos.due.push((told, Fault::Synced));
        self.start(Vec::new());
    }

    /// In good order.
    pub(super) fn stop(&mut self, back: Millis) {
        self.feed(Event::Stopping);
        let patience = self.now().plus(Millis::from_secs(1));
        let went = self.stage.until(patience);
        self.settle(went);
        if !self.stage.world.chaos.dead {
            self.finish("stopped");
        }
        self.kill(Some(Millis::ZERO), back);
    }

    /// The daemon starts anew by itself, in the same process.
    pub(super) fn start_again(&mut self) {
        let kept = self.stage.core.engine.holds().to_vec();
        self.dies();
        self.force_off();
        self.start(kept);
    }

    /// An engine that wants the end has it, and the service manager starts the next.
    pub(super) fn settle(&mut self, went: Went) {
        let Err(end) = went else {
            return;
        };
        if self.stage.world.chaos.dead {
            return;
        }
        self.stage.world.chaos.met("the engine wants the end");
        let turns = ["turns on the spot", "elapsed clock went back"];
        let is_mad = turns.iter().any(|words| end.why.contains(words));
        self.asserts(Rule::LivesOn, is_mad.then(|| end.why.clone()));
        self.finish(&end.why);
        self.kill(Some(Millis::ZERO), AGAIN);
    }

    /// The way out: heads off, and what they report on it is booked. A head that hangs says nothing and stays on.
    pub(super) fn finish(&mut self, how: &str) {
        self.stage.core.close();
        for head in self.running() {
            self.stage.world.stop_pump(&head);
        }
        let mut went = Ok(());
        for coming in std::mem::take(&mut self.stage.world.coming).into_values() {
            if let Coming::Told(event) = coming
                && matches!(*event, Event::RunEnded { .. })
            {
                went = went.and(self.stage.feed(*event));
            }
        }
        let words = self.stage.core.last_words(how, &mut self.stage.world);
        // It ends anyway.
        went.and(words).and(self.stage.answers()).ok();
    }

    pub(super) fn feed(&mut self, event: Event) {
        let went = self.stage.feed(event);
        self.settle(went);
    }
}
