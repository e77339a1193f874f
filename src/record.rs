//! What is written down: the facts that effects carry to the ledger, and the history that comes back at start.
//!
//! These are core types. How they lie in a database is the ledger's business.

use std::fmt;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::chemistry::Element;
use crate::metering::{Calibration, Coverage, MeteringLimits, OnRecord, Run};
use crate::plan::{ChangeoverWish, SlotKey};
use crate::quantity::{Alkalinity, Concentration, Millis, Name, Volume};

/// Number of a dose, counted up from 1 over the life of a ledger.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DoseId(pub i64);

/// When something happened, on both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stamp {
    /// Wall time, as the system clock had it.
    pub wall: Timestamp,
    /// The elapsed clock of this boot (it counts through suspend and never steps).
    pub elapsed: Millis,
    /// Whether the wall clock was trusted then.
    pub trusted: bool,
}

/// Who asked for something.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Who {
    Plan,
    /// The daemon itself, for a reason of its own.
    Daemon,
    /// A local user on the control socket, by numeric id.
    Local {
        /// The peer's user id.
        uid: u32,
    },
    /// A sender on the broker, as far as the broker tells.
    Remote {
        /// What is known of the sender.
        name: String,
    },
}

impl fmt::Display for Who {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Plan => f.write_str("the plan"),
            Self::Daemon => f.write_str("dosewright itself"),
            Self::Local { uid } => write!(f, "local user {uid}"),
            Self::Remote { name } => write!(f, "{name}, by remote"),
        }
    }
}

/// Why a head runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DoseKind {
    /// A slot of the plan.
    Plan,
    Hand,
    Prime,
    Calibration,
}

/// A dose about to be given. Stored and synced before the output goes on.
#[derive(Debug, Clone, PartialEq)]
pub struct Intent {
    pub id: DoseId,
    pub line: Name,
    /// The head that runs.
    pub head: Name,
    /// The bottle it draws from.
    pub reservoir: Name,
    /// The solution in it.
    pub solution: Name,
    pub kind: DoseKind,
    /// The slot, for planned doses.
    pub slot: Option<SlotKey>,
    /// Volume meant; never zero.
    pub volume: Volume,
    pub run_time: Millis,
    /// Alkalinity that the whole volume adds to the tank.
    pub alkalinity: Alkalinity,
    pub who: Who,
    /// Whether an output is really driven.
    pub live: bool,
    pub at: Stamp,
}

/// How a dose ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DoseEnd {
    Delivered,
    /// Stopped before its time; the volume is by time.
    Interrupted,
    /// The driver failed; the volume is the most it can have been.
    Failed,
    /// Nobody saw the end (power cut, kill): counted in full.
    Uncertain,
    /// Never started: delivered nothing.
    NotStarted,
}

/// The end of a dose.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    pub id: DoseId,
    pub end: DoseEnd,
    pub delivered: Volume,
    /// Measured on-time; `None` when nobody measured it.
    pub on_time: Option<Millis>,
    /// What is left in the bottle by the books.
    pub reservoir_left: Volume,
    /// Why it ended so, in words; empty for an ordinary end.
    pub cause: String,
    pub at: Stamp,
}

/// A slot that was not given.
#[derive(Debug, Clone, PartialEq)]
pub struct SlotNotGiven {
    pub key: SlotKey,
    /// When it was due.
    pub due: Timestamp,
    pub volume: Volume,
    /// Missed (nobody was there in time) or refused (an interlock).
    pub kind: NotGiven,
    /// The reason in words, with its numbers.
    pub reason: String,
    /// A short stable code of the reason, for programs.
    pub code: String,
    /// When it was written down.
    pub at: Stamp,
}

/// Why a slot was not given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NotGiven {
    /// Its time passed while the daemon was off, the clock unsure, or the clock jumped over it.
    Missed,
    /// An interlock did not allow it.
    Refused,
}

/// Slots of one line that were missed together, in an outage: a range, so that a year's outage is one row.
#[derive(Debug, Clone, PartialEq)]
pub struct OutageMissed {
    pub line: Name,
    /// First instant of the outage, exclusive.
    pub from: Timestamp,
    pub until: Timestamp,
    /// Slots missed; `None` when the outage is too long to count them one by one.
    pub slots: Option<u32>,
    /// Their volume; `None` likewise.
    pub volume: Option<Volume>,
    /// When it was written down.
    pub at: Stamp,
}

/// What a hold stops.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum HoldScope {
    All,
    Line(Name),
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hold {
    pub scope: HoldScope,
    pub reason: String,
    pub who: Who,
    /// When, by the wall clock.
    pub since: Timestamp,
}

/// A change of what a bottle holds, told by the owner.
#[derive(Debug, Clone, PartialEq)]
pub struct Refill {
    pub reservoir: Name,
    pub level: Volume,
    /// What the books said before; `None` for the first entry.
    pub before: Option<Volume>,
    pub who: Who,
    pub note: String,
    pub at: Stamp,
}

/// What a reading measured.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Measured {
    Alkalinity,
    Element(Element),
}

impl Measured {
    /// `alkalinity`, or the symbol of the element: the word in the ledger, on the socket and to people.
    pub fn as_str(&self) -> &str {
        match self {
            Self::Alkalinity => "alkalinity",
            Self::Element(element) => element.symbol(),
        }
    }

    /// Back from [`Self::as_str`]; `None` for a word that is neither.
    pub fn from_word(word: &str) -> Option<Self> {
        if word == "alkalinity" {
            return Some(Self::Alkalinity);
        }
        Element::new(word).map(Self::Element)
    }

    /// The element; `None` for alkalinity.
    pub const fn element(&self) -> Option<&Element> {
        match self {
            Self::Alkalinity => None,
            Self::Element(element) => Some(element),
        }
    }
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// The value of a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ReadingValue {
    /// Alkalinity with its standard uncertainty.
    Alkalinity {
        value: Alkalinity,
        uncertainty: Alkalinity,
    },
    /// A concentration with its standard uncertainty.
    Concentration {
        value: Concentration,
        uncertainty: Concentration,
    },
    /// Below the method's detection limit: stays what it is.
    Below { limit: Concentration },
}

/// One water test result.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub measured: Measured,
    pub value: ReadingValue,
    /// The method, in the owner's words.
    pub method: String,
    /// When the sample was taken.
    pub taken: Timestamp,
    pub who: Who,
    /// When it was written down.
    pub at: Stamp,
}

/// A head's calibration as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredCalibration {
    pub head: Name,
    pub calibration: Calibration,
    /// Coefficient of variation of the runs; `None` when it is not from runs.
    pub variation: Option<f64>,
    /// What it covers; `None` when it is not from runs.
    pub limits: Option<MeteringLimits>,
    /// Whether its runs were those of a simulated head: such a calibration meters nothing real.
    pub simulated: bool,
    /// The runs that it is from, as they were entered.
    pub runs: Vec<CalibrationRun>,
    /// The step of the vessel or scale that they were read by, zero when finer than anything else; `None` when it is not on record.
    pub resolution: Option<Volume>,
    /// What volumes were read from weights by, in words; empty when they were read in mL.
    pub weighing: String,
    /// How fast the head was driven, see `HeadOutput::speed`; empty in ledgers of before this was kept.
    pub drive: String,
    /// How it was got, in words.
    pub method: String,
    pub who: Who,
    pub at: Stamp,
}

impl StoredCalibration {
    /// Which doses it covers within the tolerance that is set now, %.
    pub fn coverage(&self, tolerance_percent: f64) -> Coverage {
        if self.variation.is_none() {
            return Coverage::Assumed;
        }
        let runs = CalibrationRun::used(&self.runs);
        let on_record = OnRecord {
            calibration: self.calibration,
            limits: self.limits,
            runs: &runs,
            resolution: self.resolution,
        };
        match on_record.limits_within(tolerance_percent) {
            Ok(limits) => Coverage::Limits(limits),
            Err(why) => Coverage::Unknown(why),
        }
    }
}

/// One run of a calibration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CalibrationRun {
    /// How long the head was on.
    pub on_time: Millis,
    pub volume: Volume,
    /// As the owner wrote it: `14.8 mL`, `14.76 g`.
    pub typed: String,
    /// The dose that it was; `None` for a run that was timed by hand.
    pub dose: Option<DoseId>,
    /// Whether it counts; a reading that was taken back or replaced is kept and does not.
    pub used: bool,
}

impl CalibrationRun {
    /// What is fitted: the runs that count.
    pub fn used(runs: &[Self]) -> Vec<Run> {
        let bare = |run: &Self| Run {
            on_time: run.on_time,
            volume: run.volume,
        };
        runs.iter().filter(|run| run.used).map(bare).collect()
    }
}

/// One metered run, held against what was measured.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredVerification {
    pub head: Name,
    /// The dose that it was.
    pub dose: DoseId,
    /// What the books say that came out.
    pub expected: Volume,
    pub measured: Volume,
    /// As the owner wrote it.
    pub typed: String,
    /// What it was judged by, %.
    pub tolerance_percent: f64,
    /// Run time of the head since its calibration, this run included.
    pub run_since: Millis,
    pub who: Who,
    pub at: Stamp,
}

/// An accepted change of the established uptake.
#[derive(Debug, Clone, PartialEq)]
pub struct UptakeAccepted {
    /// The new value per day.
    pub uptake: Alkalinity,
    pub before: Alkalinity,
    /// What the plan file declared at that time, so that a new declaration can be told from the old one.
    pub declared: Alkalinity,
    pub who: Who,
    pub at: Stamp,
}

/// An event for the journal that is nothing else above.
#[derive(Debug, Clone, PartialEq)]
pub struct Note {
    /// Short stable code, for programs: `started`, `clock-stepped`, `input`, `alarm-raised` and the like.
    pub code: &'static str,
    /// The line concerned, if one is.
    pub line: Option<Name>,
    /// In words, with numbers and units.
    pub text: String,
    pub who: Who,
    pub at: Stamp,
}

/// The owner's recorded acceptance of the cautions, or its end. Without one that matches nothing is driven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Arming {
    pub armed: bool,
    /// Identifies the configuration and the board that it is for.
    pub fingerprint: String,
    /// The board, in words.
    pub hardware: String,
    /// What was typed; empty for a disarming.
    pub sentence: String,
    pub who: Who,
    pub at: Stamp,
}

/// A fact that the owner tells and that moves nothing by itself: kept for the journal and the owner's arithmetic.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// What kind of fact.
    pub kind: FactKind,
    /// What it is about: the quantity, the lab, the number of a reading.
    pub name: String,
    /// A number, in the unit that belongs to `name`.
    pub value: Option<f64>,
    /// One standard uncertainty of it; a value without one is a detection limit that was not reached.
    pub uncertainty: Option<f64>,
    pub text: String,
    /// When it was so.
    pub happened: Timestamp,
    pub who: Who,
    /// When it was written down.
    pub at: Stamp,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FactKind {
    /// A reading of salinity, pH, temperature, nitrate or phosphate.
    Water,
    /// A change of anything about the tank.
    Change,
    /// An earlier reading is replaced by a later one.
    Correction,
    Panel,
    /// Which columns a lab's reports have.
    PanelColumns,
    /// A water change: litres, and in the text what the new water held, a line each of `alkalinity` (meq/L) or a symbol (mg/L), a tab and
    /// the number.
    WaterChange,
}

impl FactKind {
    pub const ALL: [Self; 6] = [
        Self::Water,
        Self::Change,
        Self::Correction,
        Self::Panel,
        Self::PanelColumns,
        Self::WaterChange,
    ];

    /// Stable word, for the ledger and the socket.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Water => "water",
            Self::Change => "change",
            Self::Correction => "correction",
            Self::Panel => "panel",
            Self::PanelColumns => "panel-columns",
            Self::WaterChange => "water-change",
        }
    }

    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == word)
    }
}

/// A finite extra: so much of one thing over so many days on one line, on top of its standing volume; then it ends by itself.
///
/// Each change of it is written down whole; the newest row of a number is what counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    /// Its number, counted up from 1.
    pub number: i64,
    /// Whether it has an aim or a review date.
    pub kind: CourseKind,
    /// The line that gives it.
    pub line: Name,
    pub raises: Measured,
    /// By how much a day: meq/L for alkalinity, mg/L otherwise.
    pub rise_per_day: f64,
    /// Extra volume on each local day in force.
    pub extra: Volume,
    /// The line's standing volume when this row was written, to tell the extra from it in the record.
    pub standing: Volume,
    /// First local date in force.
    pub first: Date,
    /// Days in force from `first` on.
    pub days: u32,
    pub state: CourseState,
    /// In the owner's words.
    pub note: String,
    /// Who wanted this change.
    pub who: Who,
    pub at: Stamp,
}

/// What a course is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CourseKind {
    /// So much in all, then it is over.
    Once,
    /// So much a day for what is used up all the time; over on its review date unless a new reading confirms it before.
    TopUp,
}

impl CourseKind {
    pub const ALL: [Self; 2] = [Self::Once, Self::TopUp];

    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Once => "once",
            Self::TopUp => "top-up",
        }
    }
}

/// Whether a course runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CourseState {
    /// It is given on its dates.
    Running,
    /// Nothing is given until it is resumed; its days wait.
    Paused,
    /// Over, by itself or by hand.
    Ended,
}

impl CourseState {
    pub const ALL: [Self; 3] = [Self::Running, Self::Paused, Self::Ended];

    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Running => "running",
            Self::Paused => "paused",
            Self::Ended => "ended",
        }
    }
}

impl Course {
    /// Days of it that lie before the end of `today`.
    pub fn days_begun(&self, today: Date) -> u32 {
        let since = (today - self.first).get_days();
        u32::try_from(since.saturating_add(1))
            .unwrap_or(0)
            .min(self.days)
    }

    /// Last local date on which it gives anything.
    pub fn last(&self) -> Date {
        let after = i64::from(self.days.saturating_sub(1));
        self.first
            .checked_add(jiff::Span::new().days(after))
            .unwrap_or(Date::MAX)
    }

    /// Whether it is in force on a local date.
    pub fn in_force_on(&self, today: Date) -> bool {
        self.state == CourseState::Running
            && today >= self.first
            && (today - self.first).get_days() < i32::try_from(self.days).unwrap_or(i32::MAX)
    }

    /// Whether all its days lie before a local date.
    pub fn is_over_on(&self, today: Date) -> bool {
        self.state == CourseState::Running && today >= self.first && !self.in_force_on(today)
    }
}

/// One line fading out while another fades in. Each change of it is written down whole; the newest row of a number counts.
#[derive(Debug, Clone, PartialEq)]
pub struct Changeover {
    /// Its number, counted up from 1.
    pub number: i64,
    /// The line that fades out.
    pub from: Name,
    /// The line that fades in.
    pub to: Name,
    pub by: Measured,
    /// Steps from the one to the other.
    pub days: u32,
    /// The step in force, 0 to `days`.
    pub step: u32,
    /// The local date on which that step came into force, or was last looked at.
    pub on: Date,
    /// What becomes of it.
    pub state: ChangeoverState,
    /// In the owner's words.
    pub note: String,
    /// Who wanted this change.
    pub who: Who,
    pub at: Stamp,
}

impl Changeover {
    /// What was wished for.
    pub fn wish(&self) -> ChangeoverWish {
        ChangeoverWish {
            from: self.from.clone(),
            to: self.to.clone(),
            by: self.by.element().cloned(),
            days: self.days,
        }
    }

    /// Whether it is in force: until plan and water agree again.
    pub const fn is_under_way(&self) -> bool {
        !matches!(self.state, ChangeoverState::Ended)
    }
}

impl fmt::Display for Changeover {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "changeover {} from {} to {}: step {} of {}, {}",
            self.number,
            self.from,
            self.to,
            self.step,
            self.days,
            self.state.as_str()
        )
    }
}

/// What becomes of a changeover.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ChangeoverState {
    /// A step further on each day.
    Forward,
    /// A step back on each day.
    Back,
    /// It stays at its step, on the way forward.
    Paused,
    /// It stays at its step, on the way back.
    PausedBack,
    /// The new line gives all of it; the plan file does not say so yet.
    Complete,
    /// Over: plan and water agree again.
    Ended,
}

impl ChangeoverState {
    pub const ALL: [Self; 6] = [
        Self::Forward,
        Self::Back,
        Self::Paused,
        Self::PausedBack,
        Self::Complete,
        Self::Ended,
    ];

    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Forward => "forward",
            Self::Back => "back",
            Self::Paused => "paused",
            Self::PausedBack => "paused-back",
            Self::Complete => "complete",
            Self::Ended => "ended",
        }
    }
}

/// Another solution in the bottle of a line. Each change of it is written down whole; the newest row counts.
#[derive(Debug, Clone, PartialEq)]
pub struct BottleSwap {
    /// Its number, counted up from 1.
    pub number: i64,
    pub line: Name,
    pub from: Name,
    /// The solution in the new bottle.
    pub to: Name,
    pub by: Measured,
    /// What the tube held of the old solution when the bottle was swapped.
    pub tube: Volume,
    /// What the line gave a day of the old one.
    pub before: Volume,
    /// What it gives a day of the new one.
    pub after: Volume,
    /// Lines that followed it, with what they gave a day: they are to stay there.
    pub followers: Vec<(Name, Volume)>,
    /// The last dose of all before the swap: what the line gave since went through the tube.
    pub dose_last: DoseId,
    /// Whether outputs were driven: one of a dry run is a rehearsal.
    pub live: bool,
    /// What becomes of it.
    pub state: SwapState,
    /// In the owner's words.
    pub note: String,
    /// Who wanted this change.
    pub who: Who,
    pub at: Stamp,
}

impl BottleSwap {
    /// Whether it is in force: until both files say what is so.
    pub const fn is_under_way(&self) -> bool {
        !matches!(self.state, SwapState::Ended)
    }

    /// What the outlet gives: solution, and volume a day.
    pub const fn in_force(&self) -> (&Name, Volume) {
        match self.state {
            SwapState::Tube => (&self.from, self.before),
            SwapState::Through | SwapState::Ended => (&self.to, self.after),
        }
    }
}

impl fmt::Display for BottleSwap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "bottle swap {} on line {} from {} at {} a day to {} at {} a day, {}",
            self.number,
            self.line,
            self.from,
            self.before,
            self.to,
            self.after,
            self.state.as_str()
        )
    }
}

/// What becomes of a swapped bottle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SwapState {
    /// The tube still gives the old solution.
    Tube,
    /// The new solution is through; the files do not say so yet.
    Through,
    /// Over: the files say what is so.
    Ended,
}

impl SwapState {
    pub const ALL: [Self; 3] = [Self::Tube, Self::Through, Self::Ended];

    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Tube => "tube",
            Self::Through => "through",
            Self::Ended => "ended",
        }
    }
}

/// Everything that is written beside intents and outcomes.
#[derive(Debug, Clone, PartialEq)]
pub enum Entry {
    /// A slot not given.
    SlotNotGiven(SlotNotGiven),
    /// Slots missed in an outage.
    OutageMissed(OutageMissed),
    /// A hold was set.
    HoldSet(Hold, Stamp),
    /// A hold was lifted, by whom.
    HoldLifted(HoldScope, Who, Stamp),
    /// A bottle was filled.
    Refill(Refill),
    /// A reading was entered.
    Reading(Reading),
    /// A head was calibrated.
    Calibration(StoredCalibration),
    /// A head was checked against its calibration.
    Verification(StoredVerification),
    /// The uptake was changed.
    Uptake(UptakeAccepted),
    /// Outputs may be driven from now on, or no longer.
    Arming(Arming),
    /// A course was begun, paused, resumed or ended.
    Course(Course),
    /// A changeover was begun, moved on, paused, turned or ended.
    Changeover(Changeover),
    /// A bottle was swapped, its solution is through, or the files say so.
    Swap(BottleSwap),
    /// The owner told something.
    Fact(Fact),
    Note(Note),
}

/// A past dose, as much of it as the windows need. Its age is worked out from its session's clocks.
#[derive(Debug, Clone, PartialEq)]
pub struct PastDose {
    pub id: DoseId,
    pub line: Name,
    pub head: Name,
    pub reservoir: Name,
    pub solution: Name,
    pub kind: DoseKind,
    /// The slot, for planned doses.
    pub slot: Option<SlotKey>,
    /// Volume that counts: delivered, or all of it when nobody saw the end.
    pub counted: Volume,
    /// Run time that counts.
    pub run_time: Millis,
    /// How it ended; `Uncertain` for an intent without an outcome.
    pub end: DoseEnd,
    pub alkalinity: Alkalinity,
    pub at: Stamp,
    /// Session it belongs to, an index into [`History::sessions`].
    pub session: usize,
}

/// One start of the daemon, as far as the ledger knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PastSession {
    /// The kernel's boot id: sessions of one boot share the elapsed clock.
    pub boot: String,
    /// Largest elapsed time written down in this session.
    pub elapsed_last: Millis,
}

/// What the ledger knows at start.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct History {
    /// Highest dose number so far; 0 in a new ledger.
    pub dose_last: i64,
    /// Newest wall time of any entry that was written with a trusted clock.
    pub newest_wall: Option<Timestamp>,
    /// Doses that may still count in a 24 h window, oldest first, intents without outcome included in full.
    pub doses: Vec<PastDose>,
    /// Sessions, oldest first, at least all that `doses` refer to, and all after those.
    pub sessions: Vec<PastSession>,
    /// Intents without an outcome; the engine closes them as uncertain.
    pub open: Vec<Intent>,
    /// Bottle contents by the books, open intents not yet taken off.
    pub reservoirs: Vec<(Name, Volume)>,
    /// The latest calibration of each head, with the run time of its head since then.
    pub calibrations: Vec<(StoredCalibration, Millis)>,
    pub holds: Vec<Hold>,
    /// Slots settled without a dose (missed one by one, or refused) on recent local dates.
    pub settled: Vec<SlotKey>,
    /// The last reading of each quantity.
    pub readings: Vec<Reading>,
    /// Alkalinity added since the last alkalinity reading was taken, all lines, open intents in full.
    pub alkalinity_since_reading: Alkalinity,
    /// The last accepted change of uptake.
    pub uptake: Option<UptakeAccepted>,
    /// The newest word on each course, ended ones included.
    pub courses: Vec<Course>,
    /// When the water was last changed.
    pub water_changed: Option<Timestamp>,
    /// The newest word on the newest changeover, ended or not.
    pub changeover: Option<Changeover>,
    /// The newest word on the newest swapped bottle, with what its line gave since: delivered, or all of it when nobody saw the end.
    pub swap: Option<(BottleSwap, Volume)>,
}
