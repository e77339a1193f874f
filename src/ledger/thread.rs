//! The ledger's own thread: the daemon's loop never waits for a disk.
//!
//! Requests go in through a bounded channel, reports come out through a callback. Outcomes and entries that a failing
//! disk does not take are kept in memory, in order, and tried again at each probe; while any wait, no intent is taken.

use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;

use thiserror::Error;

use super::error::LedgerError;
use super::files::Place;
use super::open::Ledger;
use crate::record::{DoseId, Entry, Intent, Outcome, Stamp};
use crate::shell::{Desk, Write};

/// Requests that may wait for the thread.
const WAITING_MAX: usize = 256;
/// Writes kept in memory while the disk fails: a year of hourly events, or a day of the busiest plan.
const KEPT_MAX: usize = 8_192;

/// What the ledger's thread reports.
#[derive(Debug, Clone)]
pub enum LedgerReport {
    /// The intent is on the disk: the dose may start.
    IntentStored(DoseId),
    /// The intent is not stored: the dose must not start.
    IntentFailed { id: DoseId, why: LedgerError },
    /// The outcome is on the disk.
    OutcomeStored(DoseId),
    /// The outcome is not stored. Until it is, the dose counts in full after a restart.
    OutcomeFailed {
        id: DoseId,
        why: LedgerError,
        /// Whether it waits in memory for the disk to recover.
        kept: bool,
    },
    /// An entry, or all of those that belong together, is on the disk.
    EntryStored,
    /// An entry is not stored, nor what belongs to it.
    EntryFailed {
        why: LedgerError,
        /// Whether it waits in memory for the disk to recover.
        kept: bool,
    },
    /// A probe found everything in order and nothing waiting.
    Healthy,
    /// The ledger does not work: nothing may be dosed until `Healthy`.
    Fault { why: LedgerError },
    /// The thread has ended, for whatever reason, a panic included.
    Ended,
}

impl LedgerReport {
    /// Tells it to the desk. False at the end of the thread, of which the desk knows nothing.
    #[must_use]
    pub fn tell<A>(self, desk: &mut Desk<A>) -> bool {
        match self {
            Self::IntentStored(id) => desk.intent_stored(id),
            Self::IntentFailed { id, why } => desk.intent_failed(id, why.to_string()),
            Self::OutcomeStored(_) => desk.outcome_stored(),
            Self::OutcomeFailed { id, why, kept } => {
                tracing::error!(dose = id.0, kept, reason = %why, "the end of a dose is not on disk yet");
                desk.outcome_failed(why.to_string());
            }
            Self::EntryStored => desk.entry_stored(),
            Self::EntryFailed { why, kept } => desk.entry_failed(why.to_string(), kept),
            Self::Healthy => desk.ledger_healthy(),
            Self::Fault { why } => desk.ledger_fault(why.to_string()),
            Self::Ended => return false,
        }
        true
    }
}

/// The ledger's thread takes no request: it has ended, or is so far behind that it must be taken for stuck.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum LedgerUnavailable {
    /// The queue is full.
    #[error("the ledger is {WAITING_MAX} writes behind; nothing is dosed until it has caught up")]
    Behind,
    /// The thread is gone.
    #[error("the ledger's thread has ended; nothing is dosed")]
    Ended,
}

pub(super) type Report = Box<dyn Fn(LedgerReport) + Send>;

#[derive(Debug)]
pub struct LedgerThread;

/// The way to the thread.
#[derive(Debug)]
pub struct LedgerHandle {
    requests: SyncSender<Option<Write>>,
    thread: JoinHandle<()>,
}

impl LedgerHandle {
    /// Hands over a request. Never waits.
    ///
    /// # Errors
    /// [`LedgerUnavailable`]: the request was not taken, which must be treated as a ledger that cannot be written.
    pub fn send(&self, write: impl Into<Option<Write>>) -> Result<(), LedgerUnavailable> {
        self.requests
            .try_send(write.into())
            .map_err(|error| match error {
                TrySendError::Full(_) => LedgerUnavailable::Behind,
                TrySendError::Disconnected(_) => LedgerUnavailable::Ended,
            })
    }

    /// Whether the thread has ended.
    pub fn is_finished(&self) -> bool {
        self.thread.is_finished()
    }

    /// Waits for the thread after the request to stop. Returns whether it ended without a panic.
    pub fn join(self) -> bool {
        drop(self.requests);
        self.thread.join().is_ok()
    }
}

impl LedgerThread {
    /// Starts the thread, which owns the ledger from now on.
    ///
    /// `report` is called on that thread and must not block.
    ///
    /// # Errors
    /// When the system has no room for a thread.
    pub fn spawn(
        ledger: Ledger,
        report: Box<dyn Fn(LedgerReport) + Send>,
    ) -> std::io::Result<LedgerHandle> {
        let (requests, inbox) = sync_channel(WAITING_MAX);
        let thread = std::thread::Builder::new()
            .name("ledger".to_owned())
            .stack_size(512 * 1024)
            .spawn(move || {
                let last_word = LastWord { report };
                Keeper::new(ledger, &last_word.report).serve(&inbox);
            })?;
        Ok(LedgerHandle { requests, thread })
    }
}

/// Reports the end of the thread on every way out of it.
struct LastWord {
    report: Report,
}

impl Drop for LastWord {
    fn drop(&mut self) {
        (self.report)(LedgerReport::Ended);
    }
}

/// A write that waits for the disk.
#[derive(Debug)]
enum Kept {
    Outcome(Outcome),
    Entries(Vec<Entry>),
}

/// Answers requests; the thread is only the loop round it.
#[derive(Debug)]
pub struct Keeper<R> {
    pub ledger: Ledger,
    kept: VecDeque<Kept>,
    report: R,
}

impl<R: Fn(LedgerReport)> Keeper<R> {
    pub const fn new(ledger: Ledger, report: R) -> Self {
        Self {
            ledger,
            kept: VecDeque::new(),
            report,
        }
    }

    fn serve(mut self, inbox: &Receiver<Option<Write>>) {
        while let Ok(request) = inbox.recv() {
            if self.answer(request).is_break() {
                break;
            }
        }
        if let Err(why) = self.drain() {
            (self.report)(LedgerReport::Fault { why });
        }
    }

    /// Breaks at `None`, which is the end.
    pub fn answer(&mut self, write: impl Into<Option<Write>>) -> ControlFlow<()> {
        match write.into() {
            Some(Write::Intent(intent)) => self.intent(&intent),
            Some(Write::Outcome(outcome)) => self.write(Kept::Outcome(outcome)),
            Some(Write::Entries(entries)) => self.write(Kept::Entries(entries)),
            Some(Write::Probe(at)) => self.probe(at),
            None => return ControlFlow::Break(()),
        }
        ControlFlow::Continue(())
    }

    fn intent(&mut self, intent: &Intent) {
        let id = intent.id;
        let stored = if self.kept.is_empty() {
            self.ledger.store_intent(intent)
        } else {
            Err(self.waiting("write the dose intent"))
        };
        match stored {
            Ok(()) => (self.report)(LedgerReport::IntentStored(id)),
            Err(why) => {
                (self.report)(LedgerReport::IntentFailed {
                    id,
                    why: why.clone(),
                });
                self.fault_of(why);
            }
        }
    }

    /// Writes, or keeps what the disk does not take. What waits already goes first, at the next probe.
    fn write(&mut self, what: Kept) {
        let failed = if self.kept.is_empty() {
            self.write_once(&what).err()
        } else {
            Some(self.waiting("write after what waits already"))
        };
        let Some(why) = failed else { return };
        let kept = why.may_recover() && self.kept.len() < KEPT_MAX;
        self.report_failed(&what, why.clone(), kept);
        if kept {
            self.kept.push_back(what);
        }
        self.fault_of(why);
    }

    /// One attempt; reports success only.
    fn write_once(&mut self, what: &Kept) -> Result<(), LedgerError> {
        match what {
            Kept::Outcome(outcome) => {
                self.ledger.store_outcome(outcome)?;
                (self.report)(LedgerReport::OutcomeStored(outcome.id));
            }
            Kept::Entries(entries) => {
                self.ledger.store(entries)?;
                (self.report)(LedgerReport::EntryStored);
            }
        }
        Ok(())
    }

    fn report_failed(&self, what: &Kept, why: LedgerError, kept: bool) {
        (self.report)(match what {
            Kept::Outcome(outcome) => LedgerReport::OutcomeFailed {
                id: outcome.id,
                why,
                kept,
            },
            Kept::Entries(_) => LedgerReport::EntryFailed { why, kept },
        });
    }

    /// Writes what waits, oldest first, until one fails for a reason that may pass.
    fn drain(&mut self) -> Result<(), LedgerError> {
        while let Some(what) = self.kept.pop_front() {
            match self.write_once(&what) {
                Ok(()) => {}
                Err(why) if why.may_recover() => {
                    self.kept.push_front(what);
                    return Err(why);
                }
                Err(why) => self.report_failed(&what, why, false),
            }
        }
        Ok(())
    }

    fn probe(&mut self, at: Stamp) {
        let found = self.drain().and_then(|()| self.ledger.probe(at));
        (self.report)(match found {
            Ok(()) => LedgerReport::Healthy,
            Err(why) => LedgerReport::Fault { why },
        });
    }

    /// A contradiction concerns one row; anything else concerns the whole ledger.
    fn fault_of(&self, why: LedgerError) {
        if why.may_recover() {
            (self.report)(LedgerReport::Fault { why });
        }
    }

    fn waiting(&self, doing: &'static str) -> LedgerError {
        let kept = self.kept.len();
        let why = format!("{kept} earlier writes wait for the disk to recover");
        LedgerError::Other(Place::new(self.ledger.path(), doing).failed(why))
    }
}
