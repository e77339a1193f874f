//! The one way from an event to what comes of it.
//!
//! Events wait in one queue and are fed to the engine one at a time; effects are carried out in one place, each before the next.
//! What comes of carrying one out at once (an intent that the ledger does not take, a head that takes no order) is an event like
//! any other. That the engine wants the end is the result of feeding it, so it cannot be overlooked.

use std::collections::VecDeque;

use super::desk::{Desk, Verdict, Write};
use super::virtual_time::VirtualTime;
use crate::engine::{Effect, Engine, Event, Now, RunReport, Setup};
use crate::guard::DosePermit;
use crate::quantity::{Millis, Name};
use crate::record::Hold;

/// In virtual time the engine looks at least this often, so that what has no time of its own is not late by much.
const VIRTUAL_LOOK_EVERY: Millis = Millis::from_mins(5);

/// Something can no longer be relied on: all outputs must go off, and the process must end.
#[derive(Debug, Clone, PartialEq, Eq)]
#[must_use = "an end that is overlooked is a daemon that goes on without its senses"]
pub struct MustEnd {
    pub why: String,
}

/// What a shell does for the core. None of it waits, and there is no way to be handed [`Effect::Exit`].
pub trait Hands<A> {
    fn now(&self) -> Now;
    /// Elapsed time as it passes for disks and threads, also when the plan's time is virtual.
    fn real(&self) -> Millis;
    fn stop_pump(&mut self, head: &Name);
    /// # Errors
    /// The report of the run that could not begin.
    fn start_pump(&mut self, head: &Name, permit: DosePermit) -> Result<(), RunReport>;
    /// For the log and for displays, before the effect is carried out; a stop has been carried out by then.
    fn show(&mut self, effect: &Effect);
    /// Whether the ledger has taken it.
    fn send(&mut self, write: &Write) -> bool;
    fn save_holds(&mut self, number: u64, holds: Vec<Hold>);
    fn give(&mut self, asker: A, verdict: Verdict);
}

/// The engine, and the desk beside it.
pub struct Core<A> {
    pub engine: Engine,
    pub desk: Desk<A>,
    events: VecDeque<Event>,
    /// Decided and not carried out yet.
    effects: VecDeque<Effect>,
    closing: bool,
}

impl<A> Core<A> {
    /// Starts the engine. What it decides at once is carried out with the first event, or by [`Core::go_on`].
    pub fn start(setup: Setup, desk: Desk<A>) -> Self {
        let (engine, effects) = Engine::start(setup);
        Self {
            engine,
            desk,
            events: VecDeque::new(),
            effects: effects.into(),
            closing: false,
        }
    }

    /// Gives the engine an event and carries out what comes of it.
    ///
    /// # Errors
    /// When the engine wants the end. Everything else that came of it has been carried out too.
    pub fn feed(&mut self, event: Event, hands: &mut impl Hands<A>) -> Result<(), MustEnd> {
        self.events.push_back(event);
        self.go_on(hands)
    }

    /// Carries out what is open, until nothing is.
    ///
    /// # Errors
    /// As for [`Core::feed`].
    pub fn go_on(&mut self, hands: &mut impl Hands<A>) -> Result<(), MustEnd> {
        let mut end = Ok(());
        self.desk.time_passes(hands.real());
        loop {
            self.pass_on(hands);
            if let Some(effect) = self.effects.pop_front() {
                // The first reason is the one to tell; the rest is still carried out.
                end = end.and(self.carry_out(effect, hands));
            } else if let Some(event) = self.next_event() {
                self.effects = self.engine.handle(event, hands.now()).into();
            } else {
                break;
            }
        }
        end
    }

    /// Lets virtual time pass until something is to be seen to, or a thread has still to say that it has done what takes until then. When a
    /// tick is wanted.
    pub fn let_pass(&mut self, time: &mut VirtualTime, real: Millis) -> Millis {
        let now = time.now(real);
        let look = now.elapsed.plus(VIRTUAL_LOOK_EVERY);
        let due = self.engine.next_deadline(now).min(look);
        time.let_pass_until(due.min(self.engine.awaited()), real);
        due
    }

    fn next_event(&mut self) -> Option<Event> {
        self.events.pop_front().or_else(|| self.desk.next_event())
    }

    /// From the desk to the ledger and to those who wait.
    fn pass_on(&mut self, hands: &mut impl Hands<A>) {
        while let Some(write) = self.desk.next_write() {
            if hands.send(write) {
                self.desk.taken();
            } else {
                self.desk.not_taken();
                break;
            }
        }
        while let Some((asker, verdict)) = self.desk.next_answer() {
            hands.give(asker, verdict);
        }
    }

    fn carry_out(&mut self, effect: Effect, hands: &mut impl Hands<A>) -> Result<(), MustEnd> {
        // Before the log, whose reader may be slow: nothing comes before a stop.
        if let Effect::StopPump { head, .. } = &effect {
            hands.stop_pump(head);
        }
        if self.closing && matches!(effect, Effect::StoreIntent(_) | Effect::StartPump { .. }) {
            return Ok(());
        }
        hands.show(&effect);
        match effect {
            Effect::StoreIntent(intent) => self.desk.intent(intent),
            Effect::StartPump { head, permit } => {
                let id = permit.dose();
                if let Err(report) = hands.start_pump(&head, permit) {
                    self.events.push_back(Event::RunEnded { id, report });
                }
            }
            Effect::StopPump { .. } => {}
            Effect::StoreOutcome(outcome) => self.desk.outcome(outcome),
            Effect::Store { entries, reply } => self.desk.entries(entries, reply),
            Effect::SaveHolds { holds, reply } => {
                let number = self.desk.order_holds(reply, hands.real());
                hands.save_holds(number, holds);
            }
            Effect::Reply { ticket, answer } => self.desk.reply(ticket, answer),
            Effect::Exit { why } => return Err(MustEnd { why }),
        }
        Ok(())
    }

    /// From now on nothing is begun any more: no intent is stored and no head started. What ends is booked as before.
    pub fn close(&mut self) {
        self.closing = true;
    }

    /// Writes down how it ended.
    ///
    /// # Errors
    /// As for [`Core::feed`].
    pub fn last_words(&mut self, how: &str, hands: &mut impl Hands<A>) -> Result<(), MustEnd> {
        let words = self.engine.last_words(how, hands.now());
        self.effects.extend(words);
        self.go_on(hands)
    }
}
