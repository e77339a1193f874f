//! Guards that are broken on purpose: the simulation that does not find them is worth nothing.

use super::{DAYS, HONEST, Options, draw, live, number, runs_of};
use crate::config::Controller;
use crate::quantity::Millis;
use crate::record::{History, Hold};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sabotage {
    /// The interlock of this place in the guard's list is not asked.
    Interlock(usize),
    /// Heads run on when they are told to stop.
    StopsIgnored,
    /// The ledger says that an intent is stored, and has not stored it.
    IntentsUnstored,
    /// A slot is given however late.
    LatenessOff,
    /// A run that was too long is booked as it was meant.
    OverrunUnbooked,
    /// A start forgets what ended before it.
    DosesForgotten,
    /// A start forgets intents without an outcome.
    OpenForgotten,
    /// A start counts a dose that was cut off in the same boot as it was meant.
    UnseenForgotten,
    HoldsForgotten,
    /// A start forgets which slots are settled, and the newest time on record.
    SlotsForgotten,
    /// A ledger that is behind its mark is taken for the right one.
    DoubtIgnored,
    /// What a lost ledger may have forgotten does not count.
    LossForgotten,
    /// It drives without an arming.
    ArmingIgnored,
    /// The kernel's clock is always taken for right.
    AlwaysTrusted,
    /// No step of the clock is too far.
    StepsIgnored,
    /// No reading is too old.
    StalenessOff,
}

/// With the first run to try: the one that is known to find it.
const ALL: &[(&str, Sabotage, u64)] = &[
    ("hold not asked", Sabotage::Interlock(0), 1),
    ("bench not asked", Sabotage::Interlock(1), 3),
    ("inputs not asked", Sabotage::Interlock(4), 3),
    ("clock not asked", Sabotage::Interlock(3), 1),
    ("dose cap not asked", Sabotage::Interlock(6), 1),
    ("bottle not asked", Sabotage::Interlock(8), 1),
    ("caps of hour and day not asked", Sabotage::Interlock(9), 1),
    ("ramp not asked", Sabotage::Interlock(10), 5),
    ("apart not asked", Sabotage::Interlock(13), 1),
    ("stops ignored", Sabotage::StopsIgnored, 1),
    ("intents unstored", Sabotage::IntentsUnstored, 1),
    ("lateness off", Sabotage::LatenessOff, 1),
    ("overrun unbooked", Sabotage::OverrunUnbooked, 1),
    ("doses forgotten at start", Sabotage::DosesForgotten, 5),
    (
        "open intents forgotten at start",
        Sabotage::OpenForgotten,
        1,
    ),
    ("unseen run counted as meant", Sabotage::UnseenForgotten, 5),
    ("holds forgotten at start", Sabotage::HoldsForgotten, 2),
    ("slots forgotten at start", Sabotage::SlotsForgotten, 3),
    ("mark not believed", Sabotage::DoubtIgnored, 1),
    ("lost ledger not counted", Sabotage::LossForgotten, 1),
    ("arming not asked", Sabotage::ArmingIgnored, 1),
    ("clock always trusted", Sabotage::AlwaysTrusted, 8),
    ("clock steps ignored", Sabotage::StepsIgnored, 2),
    ("old readings believed", Sabotage::StalenessOff, 1),
];

impl Sabotage {
    /// What the engine is given for the controller file.
    pub(super) fn changes(self, controller: &mut Controller) {
        let never = Millis::from_mins(60 * 24 * 3_650);
        match self {
            Self::LatenessOff => {
                controller.times.slot_lateness_max = never;
                controller.times.slot_wait_max = never;
            }
            Self::StepsIgnored => controller.times.clock_step_max = never,
            Self::StalenessOff => {
                for limits in controller.water.values_mut() {
                    if let Some(tracked) = &mut limits.tracked {
                        tracked.stale_after = never;
                    }
                }
            }
            _ => {}
        }
    }

    /// What a start is told of the record.
    pub(super) fn forgets(self, history: &mut History, hold_file: &mut Result<Vec<Hold>, String>) {
        match self {
            Self::DosesForgotten => history.doses.clear(),
            Self::OpenForgotten => {
                let open = std::mem::take(&mut history.open);
                history
                    .doses
                    .retain(|past| open.iter().all(|intent| intent.id != past.id));
            }
            Self::HoldsForgotten => {
                history.holds.clear();
                *hold_file = Ok(Vec::new());
            }
            Self::SlotsForgotten => {
                history.settled.clear();
                history.newest_wall = None;
                for dose in &mut history.doses {
                    dose.slot = None;
                }
            }
            Self::LossForgotten => history.forgotten = None,
            _ => {}
        }
    }
}

/// Without years to search only the first so many are tried.
const FEW: usize = 3;

/// Every broken guard, with the run that finds it and is clean with the honest one.
#[test]
fn guards_that_are_broken_on_purpose_are_found() {
    let years = number("SIMULATE_YEARS");
    let tried = if years.is_some() { ALL.len() } else { FEW };
    let mut missed = Vec::new();
    for (name, sabotage, known) in &ALL[..tried] {
        let options = Options {
            sabotage: Some(*sabotage),
            recent: false,
        };
        let (mut events, mut days) = (0, 0.0);
        let found = (*known..known + runs_of(years.unwrap_or(2))).find_map(|seed| {
            let (planned, _) = draw(seed, DAYS);
            let lived = live(seed, &planned, options);
            events += lived.events;
            days += lived.days;
            let broken = lived.broken?;
            let is_clean = live(seed, &planned, HONEST).broken.is_none();
            is_clean.then_some((seed, broken))
        });
        match found {
            Some((seed, (rule, text))) => println!(
                "| {name} | `{rule:?}` | {seed} | {events} | {:.2} | {text}",
                days / 365.0
            ),
            None => missed.push(*name),
        }
    }
    assert!(missed.is_empty(), "not found: {missed:?}");
}
