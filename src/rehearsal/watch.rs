//! What must always hold, looked at after every event against what really reached the tank.
//!
//! A head that runs faster than at its calibration, or scatters, gives more than it is metered for and nobody in the process can know:
//! by that much (`over`, which the model knows of each run) a flow is reckoned smaller before it is held against a limit. Nothing else is
//! forgiven but rounding.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use jiff::Timestamp;
use serde::Serialize;

use super::plant::{Bottle, Run};
use crate::config::{ApartRule, Controller, Uptakes};
use crate::quantity::{Millis, Name, Volume, f64_from_i64};
use crate::record::{Carried, DoseId, Hold, HoldScope, Outcome};

/// Room for rounding: a run is timed in whole milliseconds, and booked in whole microlitres.
const ROUNDING_UL: f64 = 2.0;
const ROUNDING: f64 = 1e-6;
/// Broken rules that are named one by one; more are only counted.
const NAMED_MAX: usize = 20;

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
    seen: BTreeSet<(Rule, i64)>,
    pub(super) broken: Vec<Broken>,
}

/// What is held against what, at one moment.
pub(super) struct Sight<'a> {
    pub(super) wall: Timestamp,
    pub(super) now: Millis,
    pub(super) controller: &'a Controller,
}

impl Watch {
    pub(super) fn count(&self) -> usize {
        self.seen.len()
    }

    /// Once for each rule and dose.
    fn fails(&mut self, at: Timestamp, rule: Rule, id: DoseId, text: String) {
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
        let left = bottle.booked.saturating_sub(intent.volume);
        if left < bottle.reserve {
            let text = format!(
                "dose {} of {} leaves {left} in {}, below its reserve of {}",
                id.0, intent.volume, intent.reservoir, bottle.reserve
            );
            self.fails(sight.wall, Rule::EmptyMeansStop, id, text);
        }
        if bottle.dry.is_some_and(|since| sight.now >= since) {
            let text = format!(
                "dose {} starts, and the float of {} says empty",
                id.0, intent.reservoir
            );
            self.fails(sight.wall, Rule::EmptyMeansStop, id, text);
        }
        for rule in &sight.controller.apart {
            let Some(other) = other_side(rule, &bottle.solution) else {
                continue;
            };
            let ends = self.flows.iter().filter(|f| f.solution == *other);
            let beside = beside.iter().filter(|solution| **solution == other);
            let gaps = ends.map(|f| sight.now.minus(f.ended));
            let gap = gaps.chain(beside.map(|_| Millis::ZERO)).min();
            if let Some(gap) = gap.filter(|gap| *gap < rule.gap) {
                let text = format!(
                    "dose {} of {} begins {gap} after {other} ended, within {}",
                    id.0, bottle.solution, rule.gap
                );
                self.fails(sight.wall, Rule::KeepApart, id, text);
            }
        }
    }

    pub(super) fn no_record(&mut self, at: Timestamp, id: DoseId, line: &Name) {
        let text = format!("a dose of line {line} started without an intent on record");
        self.fails(at, Rule::NoRecord, id, text);
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
            if let Some(hold) = held {
                let text = format!(
                    "line {} runs (dose {}) although it is on hold: {}",
                    intent.line, intent.id.0, hold.reason
                );
                self.fails(sight.wall, Rule::HoldStops, intent.id, text);
            }
            self.volume(sight, run, flowed);
        }
    }

    /// What one run gave, up to now or in all, against its record and the dose cap.
    fn volume(&mut self, sight: &Sight<'_>, run: &Run, flowed: f64) {
        let intent = &run.intent;
        let meant = flowed / run.over - ROUNDING_UL;
        let id = intent.id;
        if meant > ul(intent.volume) {
            let text = format!(
                "dose {} gave {:.3} mL, and {} is on record",
                id.0,
                flowed / 1000.0,
                intent.volume
            );
            self.fails(sight.wall, Rule::NoRecord, id, text);
        }
        let line = sight.controller.line(&intent.line);
        if let Some(line) = line.filter(|line| meant > ul(line.dose_cap)) {
            let text = format!(
                "dose {} gave {:.3} mL, over the dose cap of {} of line {}",
                id.0,
                flowed / 1000.0,
                line.dose_cap,
                line.name
            );
            self.fails(sight.wall, Rule::DoseCap, id, text);
        }
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
        let Some(line) = sight.controller.line(&run.intent.line) else {
            return;
        };
        let of_line = |f: &Flow| if f.line == line.name { f.meant } else { 0.0 };
        for (rule, length, cap) in [
            (Rule::DailyCap, Millis::DAY, Some(line.daily_cap)),
            (Rule::HourlyCap, Millis::HOUR, hourly_cap),
        ] {
            let most = self.most(length, of_line);
            if let Some(cap) = cap.filter(|cap| most > ul(*cap) + ROUNDING_UL) {
                let text = format!(
                    "line {} got {:.3} mL in {length}, over its cap of {cap}",
                    line.name,
                    most / 1000.0
                );
                self.fails(sight.wall, rule, id, text);
            }
        }
        for (of, limits) in &sight.controller.water {
            let uptake = uptakes.get(of).copied().unwrap_or(0.0);
            let most = self.most(Millis::DAY, |f| f.adds.get(of).copied().unwrap_or(0.0));
            let allowed = uptake + limits.max_rise;
            let known = uptakes.contains_key(of) || !of.needs_uptake();
            if adds.contains_key(of) && (!known || most > allowed * (1.0 + ROUNDING)) {
                let text = format!(
                    "{} of {of} were added in 24 h, over its uptake of {} and the largest rise of {} together",
                    of.amount(most),
                    of.amount(uptake),
                    of.amount(limits.max_rise)
                );
                self.fails(sight.wall, Rule::Ramp, id, text);
            }
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
        if outcome.reservoir_left != booked {
            let text = format!(
                "after dose {} the books say {} left in {reservoir}, and refills less doses are {booked}",
                id.0, outcome.reservoir_left
            );
            self.fails(at, Rule::ExactBooks, id, text);
        }
        let (flowed, over) = flowed.unwrap_or((0.0, 1.0));
        if flowed / over > ul(outcome.delivered) + ROUNDING_UL {
            let text = format!(
                "dose {} gave {:.3} mL, and only {} is booked",
                id.0,
                flowed / 1000.0,
                outcome.delivered
            );
            self.fails(at, Rule::ExactBooks, id, text);
        }
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
