//! From what was found at start to what the engine is started with.

use std::collections::BTreeSet;
use std::sync::Arc;

use crate::config::{Controller, Plan};
use crate::engine::{Now, Setup};
use crate::quantity::{Millis, Name};
use crate::record::{History, Hold, OutputSeen};

/// A report of a run may come this long after its planned end before its thread counts as lost.
const REPORT_GRACE: Millis = Millis::from_secs(5);

/// What this start is for.
#[derive(Debug, Clone)]
pub struct Terms {
    pub controller: Arc<Controller>,
    pub plan: Arc<Plan>,
    /// The kernel's boot id.
    pub boot: String,
    /// Whether outputs are really driven.
    pub live: bool,
    /// Whether what is not live reaches the water of a model all the same.
    pub modelled: bool,
    /// How many times faster than real time virtual time passes; `None` in real time.
    pub warp: Option<u32>,
    pub now: Now,
}

/// What the ledger says.
#[derive(Debug, Clone, Default)]
pub struct Read {
    pub history: History,
    /// Bottles of which a person said since the latest arming what they hold.
    pub told_since_arming: BTreeSet<Name>,
}

/// What is known from before.
#[derive(Debug, Clone)]
pub struct Known {
    /// What the ledger says, or why it cannot be used.
    pub ledger: Result<Read, String>,
    /// What the hold file says, or why it cannot be read.
    pub hold_file: Result<Vec<Hold>, String>,
    /// Holds that were in force in a loop before this one, whatever the file says.
    pub holds_kept: Vec<Hold>,
    /// What outputs were found doing, oldest first.
    pub seen: Vec<OutputSeen>,
}

/// Joins all of it. What cannot be read never makes an error here, because the engine must run to say so.
pub fn setup(terms: Terms, known: Known) -> Setup {
    let (read, ledger_fault) = match known.ledger {
        Ok(read) => (read, None),
        Err(why) => (Read::default(), Some(why)),
    };
    let (history, not_counted) = counting(read, terms.live);
    let (mut file_holds, hold_file_fault) = match known.hold_file {
        Ok(holds) => (holds, None),
        Err(why) => (Vec::new(), Some(why)),
    };
    file_holds.extend(known.holds_kept);
    Setup {
        controller: terms.controller,
        plan: terms.plan,
        history,
        levels_not_counted: not_counted,
        ledger_fault,
        file_holds,
        hold_file_fault,
        seen: known.seen,
        boot: terms.boot,
        live: terms.live,
        modelled: terms.modelled,
        virtual_time: terms.warp.is_some(),
        pace: terms.warp.unwrap_or(1),
        grace: REPORT_GRACE,
        now: terms.now,
    }
}

/// What a bottle held in a dry run says nothing about the real one.
fn counting(read: Read, live: bool) -> (History, Vec<Name>) {
    let mut history = read.history;
    let all = std::mem::take(&mut history.reservoirs);
    let counts = |name: &Name| !live || read.told_since_arming.contains(name);
    let (counting, others): (Vec<_>, Vec<_>) = all.into_iter().partition(|(name, _)| counts(name));
    history.reservoirs = counting;
    history
        .contents
        .retain(|content| counts(&content.reservoir));
    (history, others.into_iter().map(|(name, _)| name).collect())
}
