//! What must always hold, looked at after every event against what really reached the tank.
//!
//! A head that runs faster than at its calibration, or scatters, gives more than it is metered for and nobody in the process can know:
//! by that much (`over`, which the model knows of each run) a flow is reckoned smaller before it is held against a limit. Nothing else is
//! forgiven but rounding.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;

use super::plant::{Bottle, Run};
use crate::chemistry::Quantity;
use crate::config::{ApartRule, Controller, Uptakes};
use crate::plan::SlotKey;
use crate::quantity::{Millis, Name, Volume, f64_from_i64};
use crate::record::{Carried, DoseId, Hold, HoldScope, Outcome};

/// Room for rounding: a run is timed in whole milliseconds, and booked in whole microlitres.
const ROUNDING_UL: f64 = 2.0;
const ROUNDING: f64 = 1e-6;
/// Broken rules that are named one by one; more are only counted.
const NAMED_MAX: usize = 20;
/// Slots that are remembered.
const SLOTS_MAX: usize = 4_000;
/// A step of the clock that is none may come between, and a permit, and a change of the zone by an hour.
const SLOT_EARLY: Millis = Millis::from_mins(-62);
const SLOT_LATE: Millis = Millis::from_mins(62);

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    NoRecord,
    DailyCap,
    HourlyCap,
    DoseCap,
    Ramp,
    KeepApart,
    EmptyMeansStop,
    ExactBooks,
    HoldStops,
    NoCatchUp,
    ClockTrusted,
    InputStops,
    AtBench,
    NotLive,
    Plausible,
    LivesOn,
}

/// A rule that was broken, with time and numbers.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Broken {
    pub at: Timestamp,
    pub rule: Rule,
    pub text: String,
}

/// One stretch of liquid that really went in.
#[derive(Debug, Clone)]
pub(super) struct Flow {
    pub(super) line: Name,
    pub(super) solution: Name,
    pub(super) began: Millis,
    pub(super) ended: Millis,
    /// Microlitres, the least that they were meant to be.
    pub(super) meant: f64,
    /// What that adds.
    pub(super) adds: Carried,
}

impl Flow {
    /// What part of it came after a moment.
    fn after(&self, since: Millis) -> f64 {
        let lasted = self.ended.minus(self.began).max(Millis::new(1));
        (self.ended.minus(since).as_secs() / lasted.as_secs()).clamp(0.0, 1.0)
    }
}

#[derive(Debug, Default)]
pub(super) struct Watch {
    flows: VecDeque<Flow>,
    /// That were given.
    slots: BTreeSet<(Date, SlotKey)>,
    seen: BTreeSet<(Rule, i64)>,
    /// How often each rule was looked at: one that never was shows nothing.
    pub(super) looked: BTreeMap<Rule, u64>,
    pub(super) broken: Vec<Broken>,
    /// A clock that is called right and is not hides how old doses are.
    #[cfg(test)]
    pub(super) misled: bool,
}

/// What is held against what, at one moment.
pub(super) struct Sight<'a> {
    pub(super) wall: Timestamp,
    pub(super) now: Millis,
    /// By the wall clock as it is, right or wrong.
    pub(super) shown: Timestamp,
    pub(super) controller: &'a Controller,
    /// Quantities of which there is no reading that is new enough to raise them by.
    pub(super) unread: &'a BTreeSet<Quantity>,
}

impl Watch {
    pub(super) fn count(&self) -> usize {
        self.seen.len()
    }

    /// Looks whether a rule holds; `wrong` says what is not as it must be. It fails once for each rule and dose.
    pub(super) fn holds(&mut self, at: Timestamp, rule: Rule, id: DoseId, wrong: Option<String>) {
        let looked = self.looked.entry(rule).or_default();
        *looked = looked.saturating_add(1);
        let Some(text) = wrong else {
            return;
        };
        #[cfg(test)]
        if self.misled
            && matches!(
                rule,
                Rule::DailyCap | Rule::HourlyCap | Rule::Ramp | Rule::KeepApart
            )
        {
            return;
        }
        if self.seen.insert((rule, id.0)) && self.broken.len() < NAMED_MAX {
            self.broken.push(Broken { at, rule, text });
        }
    }

    /// A head starts, with the intent of that number as it is on record.
    pub(super) fn starts(
        &mut self,
        sight: &Sight<'_>,
        (run, bottle): (&Run, &Bottle),
        beside: &[&Name],
    ) {
        let intent = &run.intent;
        let id = intent.id;
        if let Some(slot) = &intent.slot {
            self.slot(sight, id, slot);
        }
        let left = bottle.booked.saturating_sub(intent.volume);
        let wrong = (left < bottle.reserve).then(|| {
            format!(
                "dose {} of {} leaves {left} in {}, below its reserve of {}",
                id.0, intent.volume, intent.reservoir, bottle.reserve
            )
        });
        self.holds(sight.wall, Rule::EmptyMeansStop, id, wrong);
        let is_dry = bottle.dry.is_some_and(|since| sight.now >= since);
        let wrong = is_dry.then(|| {
            format!(
                "dose {} starts, and the float of {} says empty",
                id.0, intent.reservoir
            )
        });
        self.holds(sight.wall, Rule::EmptyMeansStop, id, wrong);
        for rule in &sight.controller.apart {
            let Some(other) = other_side(rule, &bottle.solution) else {
                continue;
            };
            let ends = self.flows.iter().filter(|f| f.solution == *other);
            let beside = beside.iter().filter(|solution| **solution == other);
            let gaps = ends.map(|f| sight.now.minus(f.ended));
            let gap = gaps.chain(beside.map(|_| Millis::ZERO)).min();
            let wrong = gap.filter(|gap| *gap < rule.gap).map(|gap| {
                format!(
                    "dose {} of {} begins {gap} after {other} ended, within {}",
                    id.0, bottle.solution, rule.gap
                )
            });
            self.holds(sight.wall, Rule::KeepApart, id, wrong);
        }
    }

    /// Given once, and in its time.
    fn slot(&mut self, sight: &Sight<'_>, id: DoseId, slot: &SlotKey) {
        let (times, zone) = (&sight.controller.times, &sight.controller.time_zone);
        let begins = zone.to_ambiguous_timestamp(slot.date.at(0, 0, 0, 0));
        let late = begins.compatible().map_or(Millis::ZERO, |day| {
            let since = sight
                .shown
                .as_millisecond()
                .saturating_sub(day.as_millisecond());
            Millis::new(since).minus(Millis::from_secs(slot.number.into()))
        });
        let most = times.slot_lateness_max.plus(times.slot_wait_max);
        let in_time = late >= SLOT_EARLY && late <= most.plus(SLOT_LATE);
        let wrong =
            (!in_time).then(|| format!("dose {} of slot {slot:?} starts {late} after it", id.0));
        self.holds(sight.wall, Rule::NoCatchUp, id, wrong);
        let is_new = self.slots.insert((slot.date, slot.clone()));
        let wrong = (!is_new).then(|| format!("dose {} gives slot {slot:?} once more", id.0));
        self.holds(sight.wall, Rule::NoCatchUp, id, wrong);
        if self.slots.len() > SLOTS_MAX {
            self.slots.pop_first();
        }
    }

    /// Another record, which cannot know what was given.
    #[cfg(test)]
    pub(super) fn forget_slots(&mut self) {
        self.slots.clear();
    }

    pub(super) fn no_record(&mut self, at: Timestamp, id: DoseId, line: &Name) {
        let wrong = format!("a dose of line {line} started without an intent on record");
        self.holds(at, Rule::NoRecord, id, Some(wrong));
    }

    /// After every event: all that runs now.
    pub(super) fn runs<'a>(
        &mut self,
        sight: &Sight<'_>,
        running: impl Iterator<Item = (&'a Run, f64)>,
        holds: &[Hold],
    ) {
        for (run, flowed) in running {
            let intent = &run.intent;
            let held = holds.iter().find(|hold| match &hold.scope {
                HoldScope::All => true,
                HoldScope::Line(line) => *line == intent.line,
            });
            let wrong = held.map(|hold| {
                format!(
                    "line {} runs (dose {}) although it is on hold: {}",
                    intent.line, intent.id.0, hold.reason
                )
            });
            self.holds(sight.wall, Rule::HoldStops, intent.id, wrong);
            self.volume(sight, run, flowed);
        }
    }

    /// What one run gave, up to now or in all, against its record and the dose cap.
    fn volume(&mut self, sight: &Sight<'_>, run: &Run, flowed: f64) {
        let intent = &run.intent;
        let meant = flowed / run.over - ROUNDING_UL;
        let id = intent.id;
        if run.escaped {
            return;
        }
        let gave = || format!("dose {} gave {:.3} mL", id.0, flowed / 1000.0);
        let wrong = (meant > ul(intent.volume))
            .then(|| format!("{}, and {} is on record", gave(), intent.volume));
        self.holds(sight.wall, Rule::NoRecord, id, wrong);
        let Some(line) = sight.controller.line(&intent.line) else {
            return;
        };
        let wrong = (meant > ul(line.dose_cap)).then(|| {
            let cap = line.dose_cap;
            format!(
                "{}, over the dose cap of {cap} of line {}",
                gave(),
                line.name
            )
        });
        self.holds(sight.wall, Rule::DoseCap, id, wrong);
    }

    /// A run is over; what it gave is `flow`.
    pub(super) fn ended(
        &mut self,
        sight: &Sight<'_>,
        (run, flowed, flow): (&Run, f64, Flow),
        hourly_cap: Option<Volume>,
        uptakes: &Uptakes,
    ) {
        self.volume(sight, run, flowed);
        let since = sight.now.minus(Millis::DAY).minus(Millis::HOUR);
        while self.flows.front().is_some_and(|f| f.ended < since) {
            self.flows.pop_front();
        }
        let adds = flow.adds.clone();
        self.flows.push_back(flow);
        let id = run.intent.id;
        let line = sight.controller.line(&run.intent.line);
        let Some(line) = line.filter(|_| !run.escaped) else {
            return;
        };
        let of_line = |f: &Flow| if f.line == line.name { f.meant } else { 0.0 };
        for (rule, length, cap) in [
            (Rule::DailyCap, Millis::DAY, Some(line.daily_cap)),
            (Rule::HourlyCap, Millis::HOUR, hourly_cap),
        ] {
            let Some(cap) = cap else {
                continue;
            };
            let most = self.most(length, of_line);
            let wrong = (most > ul(cap) + ROUNDING_UL).then(|| {
                format!(
                    "line {} got {:.3} mL in {length}, over its cap of {cap}",
                    line.name,
                    most / 1000.0
                )
            });
            self.holds(sight.wall, rule, id, wrong);
        }
        for (of, limits) in &sight.controller.water {
            let uptake = uptakes.get(of).copied().unwrap_or(0.0);
            let most = self.most(Millis::DAY, |f| f.adds.get(of).copied().unwrap_or(0.0));
            let rise = if sight.unread.contains(of) {
                0.0
            } else {
                limits.max_rise
            };
            let allowed = uptake + rise;
            let known = uptakes.contains_key(of) || !of.needs_uptake();
            if !adds.contains_key(of) {
                continue;
            }
            let too_much = !known || most > allowed * (1.0 + ROUNDING);
            let wrong = too_much.then(|| {
                format!(
                    "{} of {of} were added in 24 h, over its uptake of {} and the largest rise of {} together",
                    of.amount(most),
                    of.amount(uptake),
                    of.amount(rise)
                )
            });
            self.holds(sight.wall, Rule::Ramp, id, wrong);
        }
    }

    /// The most that any stretch of this length holds which ends in the newest flow.
    fn most(&self, length: Millis, weigh: impl Fn(&Flow) -> f64) -> f64 {
        let Some(newest) = self.flows.back() else {
            return 0.0;
        };
        let edges = self.flows.iter().flat_map(|f| [f.began, f.ended]);
        let leaving = edges.map(|edge| edge.plus(length));
        let ends = leaving.filter(|end| (newest.began..newest.ended).contains(end));
        let sums = ends.chain([newest.ended]).map(|end| {
            let since = end.minus(length);
            let of = |f: &Flow| weigh(f) * (f.after(since) - f.after(end)).max(0.0);
            self.flows.iter().map(of).sum::<f64>()
        });
        sums.fold(0.0, f64::max)
    }

    /// The end of a dose as it is booked: the bottle lost just that, and no less is booked than flowed.
    pub(super) fn booked(
        &mut self,
        at: Timestamp,
        (outcome, reservoir, booked): (&Outcome, &Name, Volume),
        flowed: Option<(f64, f64)>,
    ) {
        let id = outcome.id;
        let wrong = (outcome.reservoir_left != booked).then(|| {
            format!(
                "after dose {} the books say {} left in {reservoir}, and refills less doses are {booked}",
                id.0, outcome.reservoir_left
            )
        });
        self.holds(at, Rule::ExactBooks, id, wrong);
        let (flowed, over) = flowed.unwrap_or((0.0, 1.0));
        let wrong = (flowed / over > ul(outcome.delivered) + ROUNDING_UL).then(|| {
            format!(
                "dose {} gave {:.3} mL, and only {} is booked",
                id.0,
                flowed / 1000.0,
                outcome.delivered
            )
        });
        self.holds(at, Rule::ExactBooks, id, wrong);
    }
}

fn ul(volume: Volume) -> f64 {
    f64_from_i64(volume.as_ul())
}

fn other_side<'a>(rule: &'a ApartRule, solution: &Name) -> Option<&'a Name> {
    if rule.first == *solution {
        Some(&rule.second)
    } else {
        (rule.second == *solution).then_some(&rule.first)
    }
}

/// Caps of an hour as they are in force, by line.
pub(super) type HourlyCaps = BTreeMap<Name, Volume>;
