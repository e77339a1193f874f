//! Hands that only remember, and the sample reef in a dry run.

use std::sync::Arc;

use crate::config::check_texts;
use crate::engine::{Effect, Event, Now, RunEnd, RunReport};
use crate::guard::DosePermit;
use crate::quantity::{Millis, Name};
use crate::record::{DoseId, Hold, Intent};
use crate::shell::{Books, Core, Desk, Hands, Known, MustEnd, Read, Terms, Verdict, Write, setup};

const CONTROLLER: &str = include_str!("../../../config/controller.toml");
const PLAN: &str = include_str!("../../../config/plan.toml");

pub(super) fn terms() -> Terms {
    let zones = |zone: &str| jiff::tz::TimeZone::get(zone).ok();
    let texts = [("controller.toml", CONTROLLER), ("plan.toml", PLAN)];
    let loaded = check_texts(texts, &zones, &crate::plan::check_plan).unwrap();
    Terms {
        controller: Arc::new(loaded.controller),
        plan: Arc::new(loaded.plan),
        boot: "virtual".to_owned(),
        live: false,
        modelled: false,
        warp: Some(60),
        now: Now {
            wall: "2026-06-01T00:00:30Z".parse().unwrap(),
            elapsed: Millis::from_secs(1_000),
        },
    }
}

pub(super) fn known() -> Known {
    Known {
        ledger: Ok(Read::default()),
        hold_file: Ok(Vec::new()),
        holds_kept: Vec::new(),
        seen: Vec::new(),
    }
}

pub(super) struct Remembering {
    pub(super) now: Now,
    /// Writes that the ledger still takes.
    pub(super) room: usize,
    pub(super) heads_obey: bool,
    /// The elapsed clock goes back as soon as something is not taken.
    pub(super) clock_fails: bool,
    pub(super) sent: Vec<Write>,
    pub(super) saved: Vec<(u64, Vec<Hold>)>,
    pub(super) given: Vec<(&'static str, Verdict)>,
    /// In words, in order.
    pub(super) did: Vec<String>,
}

impl Remembering {
    pub(super) fn new(now: Now) -> Self {
        Self {
            now,
            room: usize::MAX,
            heads_obey: true,
            clock_fails: false,
            sent: Vec::new(),
            saved: Vec::new(),
            given: Vec::new(),
            did: Vec::new(),
        }
    }

    pub(super) fn intents(&self) -> Vec<Intent> {
        let intent = |write: &Write| match write {
            Write::Intent(intent) => Some(intent.clone()),
            Write::Outcome(_) | Write::Entries(_) | Write::Probe(_) => None,
        };
        self.sent.iter().filter_map(intent).collect()
    }

    fn not_taken(&mut self) {
        if self.clock_fails {
            self.now.elapsed = self.now.elapsed.minus(Millis::from_secs(10));
        }
    }
}

impl Hands<&'static str> for Remembering {
    fn now(&self) -> Now {
        self.now
    }

    fn real(&self) -> Millis {
        self.now.elapsed
    }

    fn stop_pump(&mut self, head: &Name) {
        self.did.push(format!("stop {head}"));
    }

    fn start_pump(&mut self, head: &Name, _permit: DosePermit) -> Result<(), RunReport> {
        self.did.push(format!("start {head}"));
        if self.heads_obey {
            return Ok(());
        }
        self.not_taken();
        Err(RunReport {
            on_time: Millis::ZERO,
            end: RunEnd::Failed {
                why: "it takes no order".to_owned(),
            },
        })
    }

    fn show(&mut self, effect: &Effect) {
        if let Effect::StopPump { head, .. } = effect {
            self.did.push(format!("show stop {head}"));
        }
    }

    fn send(&mut self, write: &Write) -> bool {
        if self.room == 0 {
            self.not_taken();
            return false;
        }
        self.room -= 1;
        self.sent.push(write.clone());
        true
    }

    fn save_holds(&mut self, number: u64, holds: Vec<Hold>) {
        self.saved.push((number, holds));
    }

    fn give(&mut self, asker: &'static str, verdict: Verdict) {
        self.given.push((asker, verdict));
    }
}

/// The sample reef, started, with its first entries taken.
pub(super) fn reef() -> (Core<&'static str>, Remembering) {
    let terms = terms();
    let mut hands = Remembering::new(terms.now);
    let mut core = Core::start(setup(terms, known()), Desk::new(Books::Well));
    core.go_on(&mut hands).unwrap();
    (core, hands)
}

/// Lets time pass to the engine's next deadline, until `done` or for two days.
pub(super) fn pass_until(
    core: &mut Core<&'static str>,
    hands: &mut Remembering,
    mut done: impl FnMut(&Core<&'static str>, &Remembering) -> bool,
) -> Result<(), MustEnd> {
    let end = hands.now.elapsed.plus(Millis::DAY).plus(Millis::DAY);
    while hands.now.elapsed < end {
        let next = core.engine.next_deadline(hands.now);
        let passes = next.minus(hands.now.elapsed).max(Millis::new(1));
        hands.now.elapsed = hands.now.elapsed.plus(passes);
        let ms = hands.now.wall.as_millisecond() + passes.as_ms();
        hands.now.wall = jiff::Timestamp::from_millisecond(ms).unwrap();
        core.feed(Event::Tick, hands)?;
        if done(core, hands) {
            return Ok(());
        }
    }
    panic!("it did not come within two days");
}

/// The sample reef with its first dose of the plan handed to the ledger.
pub(super) fn with_intent() -> (Core<&'static str>, Remembering, DoseId) {
    let (mut core, mut hands) = reef();
    pass_until(&mut core, &mut hands, |_, hands| {
        !hands.intents().is_empty()
    })
    .unwrap();
    let id = hands.intents()[0].id;
    (core, hands, id)
}
