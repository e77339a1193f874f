//! What the ledger and the hold file have not taken yet, and who waits for it.
//!
//! It says what to send and whom to answer; it sends and answers nothing itself. Everything in it is bounded: what the ledger
//! does not take any more is refused with the reason, never kept without end.

use std::collections::{BTreeMap, VecDeque};

use crate::engine::{Answer, Denial, Event, Ticket};
use crate::quantity::Millis;
use crate::record::{DoseId, Entry, Intent, Outcome, Stamp};

/// Writes that wait here for the ledger's thread to take them. It takes them at once unless it is stuck, and then this many are
/// an hour of the busiest plan.
const WAITING_MAX: usize = 1_024;
/// A hold is answered after this time even when its file is not written yet: it is in force. Before whoever asks takes the daemon for
/// dead.
const HOLD_ANSWER_PATIENCE: Millis = Millis::from_secs(1);

/// A thread that was asked something and has said nothing for this many seconds hangs, or its disk does.
const SILENT_SECONDS: u32 = 5;

/// What the ledger is to write.
#[derive(Debug, Clone, PartialEq)]
pub enum Write {
    Intent(Intent),
    Outcome(Outcome),
    Entries(Vec<Entry>),
    /// Prove that it works.
    Probe(Stamp),
}

/// What is asked is done, or why not.
pub type Verdict = Result<Answer, Denial>;

/// An answer that is given once what it speaks of is on disk.
type Owed = (Ticket, Answer);

/// How the ledger is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Books {
    /// It could not be opened: nothing is sent to it.
    Absent,
    AtFault,
    Well,
}

/// Generic over how an asker is answered.
#[derive(Debug)]
pub struct Desk<A> {
    books: Books,
    askers: BTreeMap<Ticket, A>,
    ticket_last: u64,
    /// Not taken by the ledger yet, in order.
    waiting: VecDeque<Write>,
    /// One for each group of entries that waits or is sent and not reported on, in order.
    entries: VecDeque<Option<Owed>>,
    /// Entries that failed once and will be reported on again.
    retried: usize,
    order_last: u64,
    /// Hold sets being written, by number, with when patience ends.
    holds: BTreeMap<u64, (Owed, Millis)>,
    order_heard: u64,
    hold_file_at_fault: bool,
    /// Writes that the ledger has taken and not reported on.
    unreported: u32,
    ledger_silence: Silence,
    hold_silence: Silence,
    /// When a second was last counted, in real time.
    counted: Millis,
    events: VecDeque<Event>,
    answers: VecDeque<(A, Verdict)>,
}

/// Seconds without a word, counted only while the loop itself runs: a machine that was asleep or starved says nothing about a
/// thread.
#[derive(Debug, Default)]
struct Silence {
    seconds: u32,
}

impl Silence {
    const fn broken(&mut self) {
        self.seconds = 0;
    }

    /// Another second of the loop; whether it has just become too long.
    const fn goes_on(&mut self, is_asked: bool) -> bool {
        self.seconds = if is_asked {
            self.seconds.saturating_add(1)
        } else {
            0
        };
        self.seconds == SILENT_SECONDS
    }
}

impl<A> Desk<A> {
    pub fn new(books: Books) -> Self {
        Self {
            books,
            askers: BTreeMap::new(),
            ticket_last: 0,
            waiting: VecDeque::new(),
            entries: VecDeque::new(),
            retried: 0,
            order_last: 0,
            holds: BTreeMap::new(),
            order_heard: 0,
            hold_file_at_fault: false,
            unreported: 0,
            ledger_silence: Silence::default(),
            hold_silence: Silence::default(),
            counted: Millis::ZERO,
            events: VecDeque::new(),
            answers: VecDeque::new(),
        }
    }

    pub fn books(&self) -> Books {
        self.books
    }

    pub fn ticket(&mut self, asker: A) -> Ticket {
        self.ticket_last = self.ticket_last.wrapping_add(1);
        let ticket = Ticket(self.ticket_last);
        self.askers.insert(ticket, asker);
        ticket
    }

    pub fn reply(&mut self, ticket: Ticket, verdict: Verdict) {
        if let Some(asker) = self.askers.remove(&ticket) {
            self.answers.push_back((asker, verdict));
        }
    }

    /// Whom to answer next.
    pub fn next_answer(&mut self) -> Option<(A, Verdict)> {
        self.answers.pop_front()
    }

    /// What the engine is to be told next.
    pub fn next_event(&mut self) -> Option<Event> {
        self.events.pop_front()
    }

    /// An intent is for now: behind a ledger that takes nothing it would come too late.
    pub fn intent(&mut self, intent: Intent) {
        if self.books == Books::Absent || !self.waiting.is_empty() {
            self.intent_not_taken(intent.id);
        } else {
            self.waiting.push_back(Write::Intent(intent));
        }
    }

    /// One that is never written counts in full after a restart.
    pub fn outcome(&mut self, outcome: Outcome) {
        if self.books == Books::Absent {
            return;
        }
        if self.is_full() {
            tracing::error!(
                dose = outcome.id.0,
                "the end of a dose will not be recorded: too much waits for the ledger"
            );
            return;
        }
        self.waiting.push_back(Write::Outcome(outcome));
    }

    /// With the answer that is given once it is on disk.
    pub fn entries(&mut self, entries: Vec<Entry>, reply: Option<(Ticket, Answer)>) {
        let why = if self.books == Books::Absent {
            "the ledger cannot be used"
        } else if self.is_full() {
            tracing::error!(
                ?entries,
                "this will not be recorded: too much waits for the ledger"
            );
            "too much waits for the ledger already"
        } else {
            self.entries.push_back(reply);
            self.waiting.push_back(Write::Entries(entries));
            return;
        };
        self.not_recorded(reply, why);
    }

    pub fn probe(&mut self, at: Stamp) {
        if self.books != Books::Absent && self.waiting.is_empty() {
            self.waiting.push_back(Write::Probe(at));
        }
    }

    fn is_full(&self) -> bool {
        self.waiting.len() >= WAITING_MAX
    }

    /// What to send to the ledger next; to be followed by [`Desk::taken`] or [`Desk::not_taken`].
    pub fn next_write(&self) -> Option<&Write> {
        self.waiting.front()
    }

    /// The ledger has taken what came next.
    pub fn taken(&mut self) {
        self.waiting.pop_front();
        self.unreported = self.unreported.saturating_add(1);
    }

    fn reported(&mut self) {
        self.unreported = self.unreported.saturating_sub(1);
        self.ledger_silence.broken();
    }

    /// The ledger takes nothing more for now, and counts as not writable. What can wait waits.
    pub fn not_taken(&mut self) {
        self.books = Books::AtFault;
        match self.waiting.pop_front() {
            Some(Write::Intent(intent)) => self.intent_not_taken(intent.id),
            Some(Write::Probe(_)) | None => {}
            Some(write @ (Write::Outcome(_) | Write::Entries(_))) => self.waiting.push_front(write),
        }
    }

    fn intent_not_taken(&mut self, id: DoseId) {
        let why = "the ledger does not take it; it is behind with its writing".to_owned();
        self.events.push_back(Event::IntentFailed { id, why });
    }

    pub fn intent_stored(&mut self, id: DoseId) {
        self.reported();
        self.events.push_back(Event::IntentStored(id));
    }

    pub fn intent_failed(&mut self, id: DoseId, why: String) {
        self.reported();
        self.at_fault(why.clone());
        self.events.push_back(Event::IntentFailed { id, why });
    }

    pub fn outcome_stored(&mut self) {
        self.reported();
    }

    pub fn outcome_failed(&mut self, why: String) {
        self.reported();
        self.at_fault(why);
    }

    pub fn entry_stored(&mut self) {
        self.reported();
        if self.retried > 0 {
            self.retried = self.retried.saturating_sub(1);
        } else if let Some(Some((ticket, answer))) = self.entries.pop_front() {
            self.reply(ticket, Ok(answer));
        }
    }

    /// `kept` says that the ledger tries again and will report on it again.
    pub fn entry_failed(&mut self, why: String, kept: bool) {
        self.reported();
        self.retried = self.retried.saturating_add(usize::from(kept));
        let owed = self.entries.pop_front().flatten();
        self.not_recorded(owed, &why);
        self.at_fault(why);
    }

    pub fn ledger_healthy(&mut self) {
        self.reported();
        self.books = Books::Well;
        self.events.push_back(Event::LedgerHealthy);
    }

    /// Comes after what failed, or in answer to a probe.
    pub fn ledger_fault(&mut self, why: String) {
        self.ledger_silence.broken();
        self.at_fault(why);
    }

    fn at_fault(&mut self, why: String) {
        self.books = Books::AtFault;
        self.events.push_back(Event::LedgerFault { why });
    }

    /// Numbers a set of holds that is to be written; the number comes back with [`Desk::holds_written`].
    pub fn order_holds(&mut self, reply: Option<(Ticket, Answer)>, real: Millis) -> u64 {
        self.order_last = self.order_last.wrapping_add(1);
        if let Some(owed) = reply {
            let until = real.plus(HOLD_ANSWER_PATIENCE);
            self.holds.insert(self.order_last, (owed, until));
        }
        self.order_last
    }

    /// This order and all before it are on disk, or are not.
    pub fn holds_written(&mut self, number: u64, result: &Result<(), String>) {
        self.order_heard = self.order_heard.max(number);
        self.hold_silence.broken();
        match result {
            Ok(()) if self.hold_file_at_fault => {
                self.hold_file_at_fault = false;
                self.events.push_back(Event::HoldFileHealthy);
            }
            Ok(()) => {}
            Err(why) => self.hold_file_fault(why.clone()),
        }
        let later = self.holds.split_off(&number.saturating_add(1));
        for (_, ((ticket, answer), _)) in std::mem::replace(&mut self.holds, later) {
            match result {
                Ok(()) => self.reply(ticket, Ok(answer)),
                Err(why) => self.reply(ticket, Ok(not_lasting(&answer, why))),
            }
        }
    }

    pub fn waits_for_hold_file(&self) -> bool {
        !self.holds.is_empty()
    }

    fn hold_file_fault(&mut self, why: String) {
        self.hold_file_at_fault = true;
        self.events.push_back(Event::HoldFileFault { why });
    }

    /// To be told at least once a second: notices who has waited too long, and what does not answer.
    pub fn time_passes(&mut self, real: Millis) {
        self.answer_slow_holds(real);
        if real.minus(self.counted) < Millis::from_secs(1) {
            return;
        }
        self.counted = real;
        let silent = |what: &str| {
            format!(
                "{what} has not answered for {SILENT_SECONDS} s: its disk hangs, or is far too slow; look at the disk and its cable (`dmesg`), and restart the machine if it stays so"
            )
        };
        if self.ledger_silence.goes_on(self.unreported > 0) {
            self.at_fault(silent("the ledger"));
        }
        if self
            .hold_silence
            .goes_on(self.order_heard < self.order_last)
        {
            self.hold_file_fault(silent("the hold file"));
        }
    }

    /// Answers those who have waited too long for the hold file.
    fn answer_slow_holds(&mut self, real: Millis) {
        let is_late = |_: &u64, (_, until): &mut (Owed, Millis)| *until <= real;
        let late: Vec<_> = self.holds.extract_if(.., is_late).collect();
        for (_, ((ticket, answer), _)) in late {
            let answer = not_lasting(&answer, "the disk does not answer");
            self.reply(ticket, Ok(answer));
        }
    }

    fn not_recorded(&mut self, owed: Option<Owed>, why: &str) {
        if let Some((ticket, answer)) = owed {
            self.reply(ticket, Err(in_force_only(&answer, why)));
        }
    }

    /// Gives up what was never taken; for the end.
    pub fn give_up(&mut self) -> impl Iterator<Item = Write> {
        self.entries.clear();
        std::mem::take(&mut self.waiting).into_iter()
    }
}

/// A hold in force is no refusal, also when a restart may forget it.
fn not_lasting(answer: &Answer, why: &str) -> Answer {
    Answer::done(format!(
        "{}: in force now, but not on disk yet: {why}. IT MAY NOT SURVIVE A RESTART OR A POWER CUT: as long as `dosewright status` shows hold-file-fault, pull the pumps' plug before the machine goes down; make room on the disk, or mend it",
        answer.text()
    ))
}

/// What was asked is in force, but not written down.
fn in_force_only(answer: &Answer, why: &str) -> Denial {
    Denial::new(
        "not-recorded",
        format!(
            "{}: in force now, but not on disk yet: {why}",
            answer.text()
        ),
    )
}
