//! Everything the engine remembers. What is of one subject is a part with its state to itself, in a file below this one.

mod benches;
mod books;
mod estimates;
mod holds;
mod in_force;
mod inputs;
mod told;
mod water;

pub(super) use benches::{BenchSession, Benches, SILENT_AFTER};
pub(super) use books::{ActiveDose, Books};
pub(super) use estimates::{Estimates, on_record, place_of};
pub(super) use holds::Holds;
pub(super) use in_force::{CourseExtras, InForce};
pub(super) use inputs::{CHATTER_CHANGES, CHATTER_SPAN, Inputs, meaning};
pub(super) use told::Told;
pub(super) use water::Water;

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use jiff::civil::Date;

use super::alarms::Alarms;
use super::effect::{Answer, Effect, Ticket};
use super::event::{Now, TrustSource};
use super::wish::Pending;
use crate::config::Controller;
use crate::guard::Refusal;
use crate::metering::Coverage;
use crate::plan::{Slot, SlotKey};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{
    CalibrationRun, Code, DoseId, Entry, Hold, Note, PastDose, PastForgotten, PastSession, Stamp,
    StoredCalibration, Who, WrongTime,
};

/// The state machine. Made by [`Engine::start`], moved by [`Engine::handle`].
#[derive(Debug)]
pub struct Engine {
    pub(super) in_force: InForce,
    pub(super) live: bool,
    pub(super) modelled: bool,
    pub(super) waits: Waits,
    pub(super) stopping: bool,
    pub(super) clock: ClockState,
    pub(super) ledger: LedgerState,
    pub(super) holds: Holds,
    pub(super) heads: BTreeMap<Name, HeadMemory>,
    pub(super) benches: Benches,
    pub(super) lines: BTreeMap<Name, LineMemory>,
    pub(super) books: Books,
    pub(super) slots: Slots,
    pub(super) water: Water,
    pub(super) estimates: Estimates,
    pub(super) told: Told,
    pub(super) inputs: Inputs,
    pub(super) alarms: Alarms,
    pub(super) pending: Option<Box<Pending>>,
    /// Doses of earlier boots, kept to age them anew when the clock becomes trusted.
    pub(super) past: Vec<PastDose>,
    pub(super) past_sessions: Vec<PastSession>,
    /// When the ledger last was one that may have forgotten something.
    pub(super) forgotten: Option<PastForgotten>,
    pub(super) boot: String,
    pub(super) out: Vec<Effect>,
}

#[derive(Debug)]
pub(super) struct Waits {
    /// How long after its planned end a run's report may come.
    pub(super) grace: Millis,
    /// How long a proposal may wait for its confirmation.
    pub(super) proposal_valid: Millis,
}

#[derive(Debug)]
pub(super) struct Slots {
    pub(super) waiting: Vec<WaitingSlot>,
    pub(super) settled: BTreeSet<SlotKey>,
    /// Slots up to this instant have been dealt with.
    pub(super) cursor: Timestamp,
}

#[derive(Debug)]
pub(super) struct ClockState {
    pub(super) last: Now,
    pub(super) started: Now,
    pub(super) source: Option<TrustSource>,
    /// Why the clock is not trusted; `None` when it is.
    pub(super) unsure: Option<String>,
    /// Newest wall time ever written down with a trusted clock.
    pub(super) newest: Option<Timestamp>,
    pub(super) outside_why: String,
    /// Times on record that say nothing.
    pub(super) wrong: Vec<WrongTime>,
    /// Doses of earlier boots have been aged by the wall clock: once a boot, at its first trust. Elapsed time does the rest.
    pub(super) aged: bool,
}

#[derive(Debug)]
pub(super) enum LedgerState {
    Writable,
    NotWritable {
        why: String,
    },
    /// It could not be read at the start, so nothing is known of earlier doses; only a new start makes that good.
    Unread {
        why: String,
    },
}

#[derive(Debug, Default)]
pub(super) struct HeadMemory {
    /// Its limits are those of the tolerance that is set now.
    pub(super) calibration: Option<StoredCalibration>,
    /// Which doses it covers.
    pub(super) coverage: Option<Coverage>,
    pub(super) run_since: Millis,
    /// A run was checked since, and passed.
    pub(super) verified: bool,
    /// Runs that were measured at the bench and are in no calibration yet.
    pub(super) measured: Vec<CalibrationRun>,
    /// The first dose that this calibration was in force for; zero when it is from before the start.
    pub(super) dose_first: DoseId,
    /// How fast the head was driven for a calibration that does not hold for how fast it is driven now.
    pub(super) other_speed: Option<String>,
}

#[derive(Debug, Default)]
pub(super) struct LineMemory {
    pub(super) today: Option<(Date, Volume)>,
    pub(super) last_dose: Option<(Timestamp, Volume)>,
    pub(super) last_refusal: Option<(Refusal, Timestamp)>,
    /// Changes with everything that could make a prepared dose mean something else.
    pub(super) generation: u64,
}

#[derive(Debug)]
pub(super) struct WaitingSlot {
    pub(super) slot: Slot,
    pub(super) give_up: Millis,
    pub(super) retry_at: Option<Millis>,
}

impl Engine {
    /// The stamp of this moment.
    pub(super) fn stamp(&self, now: Now) -> Stamp {
        Stamp {
            wall: now.wall,
            elapsed: now.elapsed,
            trusted: self.clock.unsure.is_none(),
        }
    }

    pub(super) fn store(&mut self, entry: Entry, reply: Option<(Ticket, Answer)>) {
        self.estimates.note(&entry);
        self.out.push(Effect::Store {
            entries: vec![entry],
            reply,
        });
    }

    /// Writes down an event that is nothing else.
    pub(super) fn note(
        &mut self,
        code: &'static str,
        line: Option<&Name>,
        text: String,
        who: Who,
        now: Now,
    ) {
        let at = self.stamp(now);
        self.mark_written(now);
        self.store(
            Entry::Note(Note {
                code: Code::new(code),
                line: line.cloned(),
                text,
                who,
                at,
            }),
            None,
        );
    }

    /// Remembers that something was written at this wall time.
    pub(super) fn mark_written(&mut self, now: Now) {
        if self.clock.unsure.is_none() {
            self.clock.newest = self.clock.newest.max(Some(now.wall));
        }
    }

    /// The last note of a session, when the shell ends it; no other effect comes of it.
    pub fn last_words(&mut self, how: &str, now: Now) -> Vec<Effect> {
        self.note("ended", None, how.to_owned(), Who::Daemon, now);
        std::mem::take(&mut self.out)
    }

    /// All holds in force, for a shell that starts the engine anew.
    pub fn holds(&self) -> &[Hold] {
        self.holds.list()
    }

    pub(super) fn controller(&self) -> &Controller {
        &self.in_force.controller
    }

    pub(super) fn touch_line(&mut self, line: &Name) {
        let memory = self.lines.entry(line.clone()).or_default();
        memory.generation = memory.generation.wrapping_add(1);
    }

    pub(super) fn touch_all_lines(&mut self) {
        for memory in self.lines.values_mut() {
            memory.generation = memory.generation.wrapping_add(1);
        }
    }

    /// Adds to the volume of the line's local day.
    pub(super) fn add_today(&mut self, line: &Name, volume: Volume, wall: Timestamp) {
        let date = self.in_force.local_date(wall);
        let memory = self.lines.entry(line.clone()).or_default();
        memory.today = match memory.today {
            Some((day, sum)) if day == date => Some((day, sum.saturating_add(volume))),
            Some(_) | None => Some((date, volume)),
        };
    }
}
