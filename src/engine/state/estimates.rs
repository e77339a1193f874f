//! The estimates of the water, and the doses that they go by.
//!
//! All of it follows from the record and the two files alone, whatever the order in which it became known: doses lie in the order of their
//! numbers, what was told in that of its times, and what comes late, or is corrected, leads to the estimate being worked out anew. So a start
//! gives, bit for bit, what a daemon that ran through would have.

use std::collections::BTreeMap;

use crate::chemistry::Quantity;
use crate::engine::event::Now;
use crate::estimate::filter::{Estimate, Estimator, Event, Finding, Prior};
use crate::quantity::{Millis, f64_from_usize};
use crate::record::{
    Brought, CHANGES_MAX, Change, ESTIMATE_DOSES_MAX, ESTIMATE_READINGS_MAX, ESTIMATE_SPAN,
    ESTIMATED, Entry, History, Uptake,
};

/// What there is one estimate of, counted along [`ESTIMATED`].
pub(crate) fn place_of(of: &Quantity) -> Option<usize> {
    ESTIMATED.iter().position(|word| *word == of.as_str())
}

/// The time of the record: of the wall clock, as far as it is trusted.
pub(crate) fn on_record(at: jiff::Timestamp) -> Millis {
    Millis::new(at.as_millisecond())
}

#[derive(Debug, Default)]
pub(crate) struct Estimates {
    /// By number; `None` for a time that is not known.
    doses: BTreeMap<i64, (Option<Millis>, Gave)>,
    /// The same by time, those of unknown time too.
    timeline: Vec<(Millis, Gave)>,
    /// Highest number of a dose of any kind.
    dose_last: i64,
    of_each: [Option<Followed>; ESTIMATED.len()],
    /// Every uptake that was put into force, oldest first.
    pub(crate) uptakes: Vec<Uptake>,
    /// What may have made uptake break, beside what was told.
    journal: Vec<Change>,
    /// When it was last looked at where the levels are going; `None` when that must be looked at now.
    pub(crate) looked: Option<Millis>,
}

/// Amount and variance of each.
type Gave = [(f64, f64); ESTIMATED.len()];

#[derive(Debug)]
pub(crate) struct Followed {
    estimator: Estimator,
    findings: Vec<Finding>,
    /// The first reading that counts, and the last event beside doses.
    first: Millis,
    last: Millis,
    /// What doses gave since then, and when the last of them was.
    tail: (f64, f64),
    tail_at: Millis,
}

impl Estimates {
    pub(crate) fn new(history: &History) -> Self {
        let mut all = Self {
            dose_last: history.dose_last,
            uptakes: history.uptakes.clone(),
            journal: history.journal.clone(),
            ..Self::default()
        };
        for dose in &history.brought {
            let at = dose.timed.then(|| on_record(dose.at));
            all.doses.insert(dose.id.0, (at, gave(dose)));
        }
        all.order_doses();
        all
    }

    /// Takes one more dose. Whether what is known must be worked out anew for it.
    pub(crate) fn add(&mut self, dose: &Brought) -> bool {
        let gave = gave(dose);
        let at = dose.timed.then(|| on_record(dose.at));
        let newest_at = self
            .timeline
            .last()
            .map_or(Millis::new(i64::MIN), |(at, _)| *at);
        let follows =
            |(id, (at, _)): (&i64, &(Option<Millis>, Gave))| *id < dose.id.0 && at.is_some();
        let follows = self.doses.last_key_value().is_none_or(follows);
        let in_tails = |at: Millis| self.of_each.iter().flatten().all(|f| at >= f.last);
        let in_order = at.filter(|at| follows && *at >= newest_at && in_tails(*at));
        self.doses.insert(dose.id.0, (at, gave));
        self.number(dose.id.0);
        let Some(at) = in_order else {
            return true;
        };
        self.timeline.push((at, gave));
        for (followed, gave) in self.of_each.iter_mut().zip(gave) {
            if let Some(followed) = followed {
                followed.give(at, gave);
            }
        }
        let from = self.known_from();
        self.of_each.iter().flatten().any(|f| f.first < from)
    }

    /// A dose of any kind has this number: the oldest ones fall out.
    pub(crate) fn number(&mut self, id: i64) {
        self.dose_last = self.dose_last.max(id);
        let oldest = self.dose_last.saturating_sub(ESTIMATE_DOSES_MAX);
        while self
            .doses
            .first_key_value()
            .is_some_and(|(id, _)| *id <= oldest)
        {
            self.doses.pop_first();
        }
        if self.timeline.len() > self.doses.len().saturating_mul(2).max(1_000) {
            self.order_doses();
        }
    }

    /// Since when all doses are known.
    fn known_from(&self) -> Millis {
        let timed = self.doses.values().find_map(|(at, _)| *at);
        timed
            .filter(|_| self.dose_last > ESTIMATE_DOSES_MAX)
            .unwrap_or(Millis::new(i64::MIN))
    }

    /// Lays the doses out by time. Those of unknown time are spread evenly between their neighbours by number; before the first or after the
    /// last dose of known time they are put at that.
    pub(crate) fn order_doses(&mut self) {
        let mut timeline = Vec::with_capacity(self.doses.len());
        let mut lost: Vec<Gave> = Vec::new();
        let mut before = None;
        for (at, gave) in self.doses.values() {
            let Some(at) = at else {
                lost.push(*gave);
                continue;
            };
            spread(&mut timeline, &mut lost, before.unwrap_or(*at), *at);
            timeline.push((*at, *gave));
            before = Some(*at);
        }
        if let Some(before) = before {
            spread(&mut timeline, &mut lost, before, before);
        }
        timeline.sort_by_key(|(at, _)| *at);
        self.timeline = timeline;
    }

    pub(crate) fn put(&mut self, place: usize, found: Option<Followed>) {
        if let Some(followed) = self.of_each.get_mut(place) {
            *followed = found;
        }
    }

    /// Works out one anew, by what was told of it (in order) and what was believed before.
    pub(crate) fn worked_out(
        &self,
        place: usize,
        events: &[Event],
        prior: impl FnOnce(Millis) -> Prior,
    ) -> Option<Followed> {
        self.replayed(place, events, prior, (&[], &mut |_| {}))
    }

    /// The same, with looks on the way at these times (in order): what was believed then by what was so until then.
    pub(crate) fn replayed(
        &self,
        place: usize,
        events: &[Event],
        prior: impl FnOnce(Millis) -> Prior,
        (looks, seen): (&[Millis], &mut dyn FnMut(Option<Estimate>)),
    ) -> Option<Followed> {
        let is_reading =
            |event: &&Event| matches!(event, Event::Reading { .. } | Event::Below { .. });
        let readings = || events.iter().filter(is_reading).map(Event::at);
        let newest = readings().next_back()?;
        let oldest = readings().rev().take(ESTIMATE_READINGS_MAX).last()?;
        let from = newest
            .minus(ESTIMATE_SPAN)
            .max(oldest)
            .max(self.known_from());
        let events = || events.iter().filter(|event| event.at() >= from);
        let first = events()
            .find(|event| matches!(event, Event::Reading { .. }))?
            .at();
        let mut followed = Followed {
            estimator: Estimator::new(prior(first)),
            findings: Vec::new(),
            first,
            last: first,
            tail: (0.0, 0.0),
            tail_at: first,
        };
        let begins = self.timeline.partition_point(|(at, _)| *at < first);
        let mut doses = self
            .timeline
            .get(begins..)
            .unwrap_or_default()
            .iter()
            .peekable();
        let mut give_until = |followed: &mut Followed, until: Millis| {
            while let Some((at, gave)) = doses.next_if(|(at, _)| *at < until) {
                followed.give(*at, gave.get(place).copied().unwrap_or_default());
            }
        };
        let mut looks = looks.iter().peekable();
        for event in events() {
            while let Some(at) = looks.next_if(|at| **at < event.at()) {
                give_until(&mut followed, *at);
                seen(followed.at(*at).filter(|_| *at >= first));
            }
            give_until(&mut followed, event.at());
            followed.take(event);
        }
        for at in looks {
            give_until(&mut followed, *at);
            seen(followed.at(*at));
        }
        give_until(&mut followed, Millis::new(i64::MAX));
        Some(followed)
    }

    pub(crate) fn note(&mut self, entry: &Entry) {
        self.journal.extend(Change::of(entry));
        let over = self.journal.len().saturating_sub(CHANGES_MAX);
        self.journal.drain(..over);
    }

    pub(crate) fn journal(&self) -> &[Change] {
        &self.journal
    }

    /// `None` without a reading.
    pub(crate) fn at(&self, of: &Quantity, now: Now) -> Option<Estimate> {
        let followed = self.of_each.get(place_of(of)?)?.as_ref()?;
        followed.at(on_record(now.wall))
    }

    /// Oldest first.
    pub(crate) fn findings(&self, of: &Quantity) -> &[Finding] {
        let followed = place_of(of).and_then(|place| self.of_each.get(place)?.as_ref());
        followed.map_or(&[], |followed| &followed.findings)
    }
}

impl Followed {
    fn give(&mut self, at: Millis, (amount, variance): (f64, f64)) {
        self.tail.0 += amount;
        self.tail.1 += variance;
        self.tail_at = at;
    }

    fn take(&mut self, event: &Event) {
        let tail = self.tail_event();
        self.findings.extend(self.estimator.take(&tail));
        self.findings.extend(self.estimator.take(event));
        (self.last, self.tail, self.tail_at) = (event.at(), (0.0, 0.0), event.at());
    }

    fn at(&self, at: Millis) -> Option<Estimate> {
        let mut estimator = self.estimator.clone();
        estimator.take(&self.tail_event());
        estimator.at(at)
    }

    const fn tail_event(&self) -> Event {
        Event::Dosed {
            at: self.tail_at,
            amount: self.tail.0,
            variance: self.tail.1,
        }
    }
}

fn gave(dose: &Brought) -> Gave {
    ESTIMATED.map(|word| {
        let carried = dose.carries.iter().find(|(of, _)| of.as_str() == word);
        let whole = carried.map_or(0.0, |(_, amount)| *amount);
        (whole * dose.part, (whole * dose.part_sd).powi(2))
    })
}

fn spread(timeline: &mut Vec<(Millis, Gave)>, lost: &mut Vec<Gave>, from: Millis, to: Millis) {
    let step = to.minus(from).as_secs() / f64_from_usize(lost.len());
    for (place, gave) in lost.drain(..).enumerate() {
        let after = Millis::from_secs_f64(step * (f64_from_usize(place) + 0.5));
        timeline.push((from.plus(after.unwrap_or(Millis::ZERO)), gave));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::DoseId;
    use proptest::prelude::*;

    const ALKALINITY: Quantity = Quantity::Alkalinity;

    fn dose(id: i64, minutes: i64, timed: bool, dkh: f64) -> Brought {
        Brought {
            id: DoseId(id),
            at: jiff::Timestamp::from_millisecond(minutes * 60_000).unwrap(),
            timed,
            carries: std::sync::Arc::new([(ALKALINITY, dkh)].into()),
            part: 0.5,
            part_sd: 0.1,
        }
    }

    fn reading(minutes: i64, value: f64) -> Event {
        Event::Reading {
            at: Millis::from_mins(minutes),
            value,
            sd: 0.1,
            step: 0.0,
        }
    }

    fn anew(all: &mut Estimates, events: &[Event]) {
        let mut events = events.to_vec();
        events.sort_by_key(Event::at);
        let found = all.worked_out(0, &events, |_| Prior::told(0.8));
        all.put(0, found);
    }

    fn of_record(doses: &[Brought], events: &[Event]) -> Estimates {
        let mut brought = doses.to_vec();
        brought.sort_by_key(|dose| dose.id);
        let history = History {
            dose_last: brought.last().map_or(0, |dose| dose.id.0),
            brought,
            ..History::default()
        };
        let mut all = Estimates::new(&history);
        anew(&mut all, events);
        all
    }

    fn now(minutes: i64) -> Now {
        Now {
            wall: jiff::Timestamp::from_millisecond(minutes * 60_000).unwrap(),
            elapsed: Millis::ZERO,
        }
    }

    #[test]
    fn doses_of_unknown_time_are_spread_between_their_neighbours() {
        let doses = [
            dose(1, 0, true, 1.0),
            dose(2, 9_000, false, 1.0),
            dose(3, 9_000, false, 1.0),
            dose(4, 400, true, 1.0),
        ];
        let all = of_record(&doses, &[]);
        let minutes: Vec<i64> = all
            .timeline
            .iter()
            .map(|(at, _)| at.as_ms() / 60_000)
            .collect();
        assert_eq!(minutes, [0, 100, 300, 400]);
    }

    #[test]
    fn readings_older_than_the_span_do_not_count() {
        let day = 24 * 60;
        let all = of_record(&[], &[reading(0, 3.0), reading(181 * day, 8.0)]);
        let alone = of_record(&[], &[reading(181 * day, 8.0)]);
        assert_eq!(
            all.at(&ALKALINITY, now(182 * day)),
            alone.at(&ALKALINITY, now(182 * day))
        );
        assert_eq!(all.at(&ALKALINITY, now(182 * day)).unwrap().readings, 1);
    }

    #[test]
    fn where_old_doses_are_not_at_hand_readings_of_before_them_do_not_count() {
        let mut all = of_record(
            &[dose(1, 5, true, 0.1), dose(2, 20, true, 0.1)],
            &[reading(0, 3.0), reading(10, 8.0)],
        );
        assert_eq!(all.at(&ALKALINITY, now(30)).unwrap().readings, 2);
        assert!(all.add(&dose(1 + ESTIMATE_DOSES_MAX, 30, true, 0.1)));
        anew(&mut all, &[reading(0, 3.0), reading(10, 8.0)]);
        assert_eq!(all.at(&ALKALINITY, now(30)), None);
    }

    #[derive(Debug, Clone)]
    enum Step {
        /// Minutes since the last, in dKH; whether its time is known; whether the next one ends first.
        Dose(i64, f64, bool, bool),
        /// Minutes before now.
        Read(i64, f64),
        TakeBack(prop::sample::Index),
    }

    fn step() -> impl Strategy<Value = Step> {
        prop_oneof![
            6 => (1..600_i64, 0.01..0.2_f64, prop::bool::weighted(0.95), prop::bool::weighted(0.2))
                .prop_map(|(gap, dkh, timed, late)| Step::Dose(gap, dkh, timed, late)),
            2 => (0..2_000_i64, 7.0..9.0_f64).prop_map(|(back, value)| Step::Read(back, value)),
            1 => any::<prop::sample::Index>().prop_map(Step::TakeBack),
        ]
    }

    proptest! {
        /// Whatever comes in whatever order, what runs through believes bit for bit what is read back from the record.
        #[test]
        fn the_estimate_follows_from_the_record_alone(steps in prop::collection::vec(step(), 1..80)) {
            let mut running = of_record(&[], &[]);
            let (mut doses, mut events) = (Vec::new(), Vec::new());
            let (mut minutes, mut id, mut waits) = (10_000, 0, None);
            for step in steps {
                match step {
                    Step::Dose(gap, dkh, timed, late) => {
                        minutes += gap;
                        id += 1;
                        let new = dose(id, minutes, timed, dkh);
                        let ended: Vec<Brought> = if late && waits.is_none() {
                            waits = Some(new);
                            Vec::new()
                        } else {
                            [Some(new), waits.take()].into_iter().flatten().collect()
                        };
                        for dose in ended {
                            if running.add(&dose) {
                                running.order_doses();
                                anew(&mut running, &events);
                            }
                            doses.push(dose);
                        }
                    }
                    Step::Read(back, value) => {
                        events.push(reading(minutes - back, value));
                        anew(&mut running, &events);
                    }
                    Step::TakeBack(which) => {
                        if !events.is_empty() {
                            events.remove(which.index(events.len()));
                            anew(&mut running, &events);
                        }
                    }
                }
            }
            let read_back = of_record(&doses, &events);
            let at = now(minutes + 500);
            prop_assert_eq!(running.at(&ALKALINITY, at), read_back.at(&ALKALINITY, at));
            prop_assert_eq!(running.findings(&ALKALINITY), read_back.findings(&ALKALINITY));
        }
    }
}
