//! Doses that may still count, on the elapsed clock.
//!
//! The window is true elapsed time: no step of the wall clock, change of zone or restart moves a dose out of it early.
//! A dose that has not ended counts in full; so does one whose end nobody saw.

use crate::quantity::{Millis, Name, Volume};
use crate::record::{Carried, Destination, DoseId, DoseKind};

/// One dose as the windows count it.
#[derive(Debug, Clone, PartialEq)]
pub struct Counted {
    pub id: DoseId,
    pub line: Name,
    pub head: Name,
    pub reservoir: Name,
    pub solution: Name,
    pub kind: DoseKind,
    pub volume: Volume,
    /// What its volume adds to the tank.
    pub carries: Carried,
    pub into: Destination,
    /// Elapsed time at which it began, or was allowed to.
    pub began: Millis,
    /// Elapsed time at which it ended; `None` while it is being stored or runs.
    pub ended: Option<Millis>,
    /// Elapsed time by which it should be over.
    pub due: Millis,
}

impl Counted {
    /// What was added by hand, as a dose of no head and no volume.
    pub fn by_hand(number: i64, solution: Option<&Name>, carries: Carried, at: Millis) -> Self {
        let nobody = Name::by_hand();
        Self {
            // No dose has a number below zero.
            id: DoseId(number.saturating_neg()),
            line: nobody.clone(),
            head: nobody.clone(),
            reservoir: nobody.clone(),
            solution: solution.cloned().unwrap_or(nobody),
            kind: DoseKind::Hand,
            volume: Volume::ZERO,
            carries,
            into: Destination::Tank,
            began: at,
            ended: Some(at),
            due: at,
        }
    }

    pub const fn is_by_hand(&self) -> bool {
        self.id.0 < 0
    }

    pub fn is_in_tank(&self) -> bool {
        self.into == Destination::Tank
    }
}

/// All doses that may still count, in the order in which they began.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DoseWindow {
    doses: Vec<Counted>,
}

impl DoseWindow {
    pub fn add(&mut self, dose: Counted) {
        let place = self.doses.partition_point(|d| d.began <= dose.began);
        self.doses.insert(place, dose);
    }

    /// Drops what was added by hand, to be counted anew.
    pub fn forget_by_hand(&mut self) {
        self.doses.retain(|dose| !dose.is_by_hand());
    }

    /// Changes a dose of this number, if it is here.
    pub fn update(&mut self, id: DoseId, change: impl FnOnce(&mut Counted)) {
        if let Some(dose) = self.doses.iter_mut().find(|d| d.id == id) {
            change(dose);
        }
    }

    /// Counts what a head gave from a dose on as given to the tank, when it began. What that adds.
    pub fn into_tank(&mut self, head: &Name, first: DoseId) -> Carried {
        let mut added = Carried::new();
        let of_session =
            |d: &&mut Counted| d.head == *head && d.id >= first && d.into == Destination::Bench;
        for dose in self.doses.iter_mut().filter(of_session) {
            dose.into = Destination::Tank;
            for (of, amount) in &dose.carries {
                *added.entry(of.clone()).or_default() += amount;
            }
        }
        added
    }

    /// Drops what can no longer count: all that ended more than 24 h and one hour ago.
    pub fn prune(&mut self, now: Millis) {
        let horizon = now.minus(Millis::DAY).minus(Millis::from_mins(60));
        self.doses
            .retain(|d| d.ended.is_none_or(|ended| ended > horizon));
    }

    /// All doses, oldest first.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Counted> {
        self.doses.iter()
    }

    /// Doses that have not ended.
    pub fn active(&self) -> impl Iterator<Item = &Counted> {
        self.doses.iter().filter(|d| d.ended.is_none())
    }

    /// Volume that one line gave to the tank and that counts in the 24 h before `now`, every dose in full that ended within them.
    pub fn volume_24h(&self, line: &Name, now: Millis) -> Volume {
        self.volume_24h_of(now, |d| d.line == *line && d.into == Destination::Tank)
    }

    /// The same of the doses that are chosen.
    pub(super) fn volume_24h_of(&self, now: Millis, chosen: impl Fn(&Counted) -> bool) -> Volume {
        let since = now.minus(Millis::DAY);
        self.doses
            .iter()
            .filter(|d| chosen(d) && d.ended.is_none_or(|ended| ended > since))
            .map(|d| d.volume)
            .sum()
    }

    /// Earliest elapsed time at which `amount` and what then still counts stay within `limit`.
    ///
    /// `weigh` says how much of the limit a dose takes and when it leaves the window. `None` when the amount alone is too much,
    /// or when a dose that has not ended would have to leave.
    pub fn room_at(
        &self,
        amount: f64,
        limit: f64,
        now: Millis,
        weigh: impl Fn(&Counted) -> Option<(f64, Option<Millis>)>,
    ) -> Option<Millis> {
        let mut leaving: Vec<(Option<Millis>, f64)> = self
            .doses
            .iter()
            .filter_map(|d| {
                weigh(d).map(|(weight, since)| (since.map(|s| s.plus(Millis::DAY)), weight))
            })
            .filter(|(leaves, _)| leaves.is_none_or(|at| at > now))
            .collect();
        leaving.sort_by_key(|(leaves, _)| leaves.unwrap_or(Millis::MAX));
        let mut total: f64 = leaving.iter().map(|(_, weight)| weight).sum::<f64>() + amount;
        if total <= limit {
            return Some(now);
        }
        for (leaves, weight) in leaving {
            total -= weight;
            let leaves = leaves?;
            if total <= limit {
                return Some(leaves);
            }
        }
        None
    }
}
