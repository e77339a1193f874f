//! Doses that may still count, on the elapsed clock.
//!
//! The window is true elapsed time: no step of the wall clock, change of zone or restart moves a dose out of it early.
//! A dose that has not ended counts in full; so does one whose end nobody saw.

use super::allowance::ROUNDING;
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
    /// Elapsed time at which it began, or was allowed to; once it has ended, at which it can have begun at the latest.
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

    /// Volume that one line gave to the tank in the `length` before `now`, every dose in full that ended within them.
    pub fn volume_within(&self, length: Millis, line: &Name, now: Millis) -> Volume {
        let since = now.minus(length);
        self.doses
            .iter()
            .filter(|d| d.line == *line && d.into == Destination::Tank)
            .filter(|d| d.ended.is_none_or(|ended| ended > since))
            .map(|d| d.volume)
            .sum()
    }

    /// What doses gave of one thing: `weigh` says how much each of them.
    pub(super) fn given(&self, weigh: impl Fn(&Counted) -> Option<f64>) -> Given {
        let parts = self.doses.iter().filter_map(|dose| {
            Some(Part {
                amount: weigh(dose)?,
                span: dose.ended.map(|ended| (dose.began, ended)),
            })
        });
        Given {
            parts: parts.collect(),
        }
    }
}

/// What doses gave of one thing, each evenly from its begin to its end: a head runs at one rate.
#[derive(Debug, Clone)]
pub(super) struct Given {
    parts: Vec<Part>,
}

#[derive(Debug, Clone)]
struct Part {
    amount: f64,
    /// Begin and end; `None` while it has not ended.
    span: Option<(Millis, Millis)>,
}

/// A dose that is wanted, with its part of what is counted.
#[derive(Debug, Clone, Copy)]
pub(super) struct Wanted {
    pub(super) amount: f64,
    pub(super) run_time: Millis,
}

/// What a limit is on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limit {
    pub(super) most: f64,
    /// In every stretch of elapsed time of this length.
    pub(super) length: Millis,
}

/// How a dose would be over a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Over {
    /// What the worst stretch would come to.
    pub(super) total: f64,
    /// Earliest elapsed time at which it fits; `None` when that is never, or when a dose that has not ended would have to leave.
    pub(super) until: Option<Millis>,
}

impl Given {
    /// Counts every dose as if all of it came at its end.
    pub(super) fn at_ends(mut self) -> Self {
        for (began, ended) in self.parts.iter_mut().filter_map(|p| p.span.as_mut()) {
            *began = *ended;
        }
        self
    }

    /// Whether a dose that begins now leaves every stretch of the limit's length within it, wherever that begins.
    pub(super) fn fits(&self, wanted: Wanted, limit: Limit, now: Millis) -> Result<(), Over> {
        let most = limit.most * (1.0 + ROUNDING);
        let fits = |at: Millis| self.most_with(wanted, limit.length, at) <= most;
        if fits(now) {
            return Ok(());
        }
        let ends = self.parts.iter().filter_map(|p| p.span);
        let (mut refused, last) = (now, ends.map(|(_, end)| end).max().unwrap_or(now));
        let mut free = last.plus(limit.length).max(now).plus(Millis::new(1));
        // The later it begins the less is left beside it, so that halving finds the first moment at which it fits.
        let until = fits(free).then(|| {
            while free.minus(refused) > Millis::new(1) {
                let between = refused.plus(Millis::new(free.minus(refused).as_ms() / 2));
                if fits(between) {
                    free = between;
                } else {
                    refused = between;
                }
            }
            free
        });
        Err(Over {
            total: self.most_with(wanted, limit.length, now),
            until,
        })
    }

    /// The most that a stretch holds which ends while a dose runs that begins at `at`. In time the sum moves along straight lines, so
    /// that it is largest where one of them begins or ends; later stretches hold all of this dose and no more of the others.
    fn most_with(&self, wanted: Wanted, length: Millis, at: Millis) -> f64 {
        let over = at.plus(wanted.run_time.max(Millis::new(1)));
        let spans = self.parts.iter().filter_map(|part| part.span);
        let leaving = spans
            .flat_map(|(began, ended)| [began, ended.max(began.plus(Millis::new(1)))])
            .map(|edge| edge.plus(length))
            .filter(|edge| (at..over).contains(edge));
        let sums = leaving.chain([at, over]).map(|end| {
            let own = wanted.amount * share(at, over, end);
            let since = end.minus(length);
            own + self.parts.iter().map(|p| p.after(since)).sum::<f64>()
        });
        sums.fold(0.0, f64::max)
    }
}

impl Part {
    /// What it gave after this moment; all of it until it has ended.
    fn after(&self, since: Millis) -> f64 {
        self.span.map_or(self.amount, |(began, ended)| {
            let ended = ended.max(began.plus(Millis::new(1)));
            self.amount * (1.0 - share(began, ended, since))
        })
    }
}

/// What part of a stretch is over.
fn share(began: Millis, ended: Millis, at: Millis) -> f64 {
    let (whole, done) = (ended.minus(began), at.minus(began));
    (done.as_secs() / whole.as_secs()).clamp(0.0, 1.0)
}
