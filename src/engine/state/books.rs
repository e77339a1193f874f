//! The books of doses and bottles.

use std::collections::BTreeMap;

use crate::engine::effect::Ticket;
use crate::engine::event::Now;
use crate::guard::{DosePermit, DoseWindow};
use crate::metering::Calibration;
use crate::quantity::{Millis, Name, Volume};
use crate::record::{DoseId, Intent};

#[derive(Debug)]
pub(crate) struct Books {
    pub(crate) window: DoseWindow,
    /// Doses that are being stored or run.
    pub(crate) active: BTreeMap<DoseId, ActiveDose>,
    /// What is left in each bottle that was told of.
    left: BTreeMap<Name, Volume>,
    /// Highest number of a dose so far.
    last: i64,
}

#[derive(Debug)]
pub(crate) struct ActiveDose {
    pub(crate) intent: Intent,
    /// Present until the pump is started.
    pub(crate) permit: Option<DosePermit>,
    /// Whether it is a run by time.
    pub(crate) timed: bool,
    /// What its run time was worked out by. It books the run, whatever is calibrated in the meantime.
    pub(crate) calibration: Option<Calibration>,
    pub(crate) ticket: Option<Ticket>,
    pub(crate) stop_cause: Option<String>,
    /// When the intent should be stored, at once, and then when the run should end.
    pub(crate) awaited_at: Millis,
    /// When its end should long have been reported.
    pub(crate) overdue_at: Millis,
}

impl Books {
    pub(crate) fn new(left: BTreeMap<Name, Volume>, last: i64) -> Self {
        Self {
            window: DoseWindow::default(),
            active: BTreeMap::new(),
            left,
            last,
        }
    }

    pub(crate) const fn last_dose_id(&self) -> DoseId {
        DoseId(self.last)
    }

    pub(crate) const fn next_dose_id(&self) -> DoseId {
        DoseId(self.last.saturating_add(1))
    }

    /// Uses the next number.
    pub(crate) fn number(&mut self, id: DoseId) {
        assert!(id == self.next_dose_id(), "dose numbers go up by one");
        self.last = id.0;
    }

    /// The dose that is being stored or runs on a line.
    pub(crate) fn active_on(&self, line: &Name) -> Option<&ActiveDose> {
        self.active.values().find(|dose| dose.intent.line == *line)
    }

    pub(crate) fn runs(&self, head: &Name) -> bool {
        self.active.values().any(|dose| dose.intent.head == *head)
    }

    /// When the next run should have ended. What is still being stored waits for the ledger's answer, not for a time.
    pub(crate) fn next_overdue(&self) -> Option<Millis> {
        let running = self.active.values().filter(|a| a.permit.is_none());
        running.map(|a| a.overdue_at).min()
    }

    pub(crate) fn awaited(&self) -> Option<Millis> {
        self.active.values().map(|a| a.awaited_at).min()
    }

    /// A dose that gave nothing counts for nothing.
    pub(crate) fn forget(&mut self, id: DoseId, now: Now) {
        self.window.update(id, |dose| {
            dose.volume = Volume::ZERO;
            dose.carries.clear();
            dose.began = now.elapsed.minus(Millis::DAY);
            dose.ended = Some(now.elapsed.minus(Millis::DAY).minus(Millis::DAY));
        });
    }

    /// What is left in a bottle; `None` when nobody has told.
    pub(crate) fn left_in(&self, reservoir: &Name) -> Option<Volume> {
        self.left.get(reservoir).copied()
    }

    pub(crate) fn fill(&mut self, reservoir: &Name, level: Volume) {
        self.left.insert(reservoir.clone(), level);
    }

    pub(crate) fn forget_bottle(&mut self, reservoir: &Name) {
        self.left.remove(reservoir);
    }

    /// Takes a dose off its bottle. What is left then.
    pub(crate) fn take_from(&mut self, reservoir: &Name, volume: Volume) -> Volume {
        let left = self.left.entry(reservoir.clone()).or_default();
        *left = left.saturating_sub(volume);
        *left
    }
}
