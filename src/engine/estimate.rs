//! One estimate for each of alkalinity, calcium and magnesium, driven by what most probably reached the water. What the guard goes by is in
//! `water.rs`; the two numbers are never mixed.

use std::collections::BTreeMap;

use jiff::Timestamp;

use super::alarms::AlarmCode;
use super::estimate_status::{BreakStatus, EstimateAt, EstimateStatus};
use super::event::Now;
use super::state::{Engine, on_record, place_of};
use crate::chemistry::{CALCIUM_MG_PER_MEQ, Measurand, Quantity, taken_along};
use crate::config::StartUptake;
use crate::estimate::filter::{Estimate, Event, Finding, Prior, Z95};
use crate::estimate::policy::{Addition, leaves_alarm_band};
use crate::plan::{DailyVolumes, departed, extra_a_day};
use crate::quantity::{Alkalinity, Millis};
use crate::record::{
    Brought, Departure, Destination, Found, Intent, Observation, Observed, Uptake, UptakeHow,
    estimated,
};

/// What a reef takes up that nothing was told of. Common practice, no source.
const ORDINARY_DKH_PER_DAY: f64 = 0.8;

/// One standard deviation of what is told of new water, as a share of it. Ours: a label, or a test of one bucket.
const NEW_WATER_SHARE: f64 = 0.03;

/// A kit's standard uncertainty is taken for at least this share of what it found: nobody reads a test better. Ours.
const UNCERTAINTY_SHARE_MIN: f64 = 0.003;

/// One standard deviation of a detection limit, as a share of it. Ours.
const LIMIT_SHARE: f64 = 0.1;

/// Readings scatter more, or less, than assumed by this factor before it is said. Ours: over twenty readings chance makes 1.4 of 1.
const SCATTER_SAID: f64 = 1.5;

/// What changed in so many days before a break may have to do with it. Ours.
const CAUSE_SPAN: Millis = Millis::from_mins(7 * 24 * 60);

/// It is warned of a level that leaves the alarm band within so many days, and no longer when it takes longer than these; the difference
/// keeps the alarm from coming and going. Ours.
const WARNED_DAYS: usize = 7;
const CLEARED_DAYS: usize = 9;

/// A look at where the levels are going is good for so long.
const LOOK_EVERY: Millis = Millis::from_mins(10);

impl Engine {
    /// Whether what was dosed so reaches water: the tank's when live, the model's in a rehearsal.
    pub(super) const fn reaches_water(&self, live: bool) -> bool {
        live || self.modelled
    }

    /// Where a quantity is now and what is taken up of it; `None` without a reading, and while the clock is not trusted.
    pub(super) fn estimate_of(&self, of: &Quantity, now: Now) -> Option<Estimate> {
        let is_trusted = self.clock.unsure.is_none();
        self.estimates.at(of, now).filter(|_| is_trusted)
    }

    /// What the readings told beside the level, oldest first.
    pub(super) fn findings_of(&self, of: &Quantity) -> &[Finding] {
        self.estimates.findings(of)
    }

    /// What the plan in force adds from now on: the lines' volumes by what leaves their outlets now, and what courses put on top or take off.
    /// Holds do not count. Several courses become one that gives as much in all and lasts as long as the longest.
    pub(super) fn addition_of(&self, of: &Quantity, now: Now) -> Addition {
        let shape = self.shape();
        let step = shape.as_ref().zip(self.in_force.shift().map(|c| c.step));
        let standing = departed(
            &self.in_force.standing_volumes(),
            step,
            &DailyVolumes::new(),
        );
        let amount = |daily: DailyVolumes| self.in_force.amount_in(of, &self.limited(daily));
        let per_day = amount(standing);
        let mut addition = Addition::standing(per_day);
        let today = self.in_force.local_date(now.wall);
        let (mut raw, mut in_all) = (0.0, 0.0);
        for course in self
            .in_force
            .courses()
            .iter()
            .filter(|c| c.gives_from(today))
        {
            if let Departure::Add {
                line,
                of: what,
                per_day,
                ..
            } = &course.what
                && let Some(extra) = extra_a_day(self.controller(), line, what, *per_day)
            {
                let rise = self
                    .in_force
                    .amount_in(of, &DailyVolumes::from([(line.clone(), extra)]));
                let days = self.days_until_end_of(course.last(), now);
                raw += rise;
                in_all += rise * days;
                addition.course_days = addition.course_days.max(days);
            }
        }
        let whole = raw * addition.course_days;
        if whole.abs() > 0.0 {
            let extras = self.in_force.extras(None, |c, _| c.gives_from(today));
            let all = departed(&self.in_force.standing_volumes(), step, &extras);
            addition.course = (amount(all) - per_day) * in_all / whole;
        }
        addition
    }

    fn days_until_end_of(&self, date: jiff::civil::Date, now: Now) -> f64 {
        let end = date.tomorrow().and_then(|next| {
            self.controller()
                .time_zone
                .to_timestamp(next.to_datetime(jiff::civil::Time::midnight()))
        });
        end.map_or(0.0, |end| {
            on_record(end).minus(on_record(now.wall)).as_days().max(0.0)
        })
    }

    pub(super) fn estimates_status(&self, now: Now) -> BTreeMap<String, EstimateStatus> {
        let is_tracked = |of: &Quantity| {
            self.controller().tracked(of).is_some()
                || self.in_force.uptake_of(of).is_some()
                || self.told.newest_readings().contains_key(of.as_str())
        };
        let each = estimated().filter(is_tracked);
        each.map(|of| (of.as_str().to_owned(), self.estimate_status(&of, now)))
            .collect()
    }

    pub(super) fn estimate_status(&self, of: &Quantity, now: Now) -> EstimateStatus {
        let unit = of.unit().to_string();
        let Some(estimate) = self.estimate_of(of, now) else {
            return EstimateStatus {
                unit,
                ..EstimateStatus::default()
            };
        };
        let (level_low, level_high) = estimate.level_interval();
        let (uptake_low, uptake_high) = estimate.uptake_interval();
        let age = on_record(now.wall).minus(estimate.newest_reading);
        EstimateStatus {
            unit,
            level: Some(shown(estimate.state.level)),
            level_low: Some(shown(level_low)),
            level_high: Some(shown(level_high)),
            uptake_per_day: Some(shown(estimate.state.uptake)),
            uptake_low_per_day: Some(shown(uptake_low)),
            uptake_high_per_day: Some(shown(uptake_high)),
            reading_age_s: Some(age.max(Millis::ZERO).as_ms() / 1000),
            readings: estimate.readings,
            questioned: self.questioned(of, &estimate),
            scatter: Some(shown(estimate.scatter)),
            liveliness: liveliness(estimate.scatter),
            broke: self.broke(of),
        }
    }

    /// What was believed at each of these times (in order), where anything was. It looks back no further than the estimate does.
    pub fn estimates_over(&self, of: &Quantity, times: &[Timestamp]) -> Vec<EstimateAt> {
        let looks: Vec<Millis> = times.iter().map(|at| on_record(*at)).collect();
        let mut found = Vec::new();
        let mut at = times.iter();
        let mut seen = |estimate: Option<Estimate>| {
            found.extend(at.next().zip(estimate).map(|(at, estimate)| {
                let (level_low, level_high) = estimate.level_interval();
                let (uptake_low, uptake_high) = estimate.uptake_interval();
                EstimateAt {
                    at: *at,
                    level: shown(estimate.state.level),
                    level_low: shown(level_low),
                    level_high: shown(level_high),
                    uptake_per_day: shown(estimate.state.uptake),
                    uptake_low_per_day: shown(uptake_low),
                    uptake_high_per_day: shown(uptake_high),
                }
            }));
        };
        let prior = |first| self.prior(of, first);
        if let Some(place) = place_of(of) {
            let looks: (&[Millis], &mut dyn FnMut(_)) = (&looks, &mut seen);
            self.estimates
                .replayed(place, &self.told_of(of), prior, looks);
        }
        found
    }

    fn questioned(&self, of: &Quantity, estimate: &Estimate) -> Option<String> {
        let newest = self
            .findings_of(of)
            .last()
            .filter(|_| estimate.questioned)?;
        let Finding::Questioned {
            value, foretold, ..
        } = newest
        else {
            return None;
        };
        Some(format!(
            "the reading of {} does not fit, {} was to be expected; it counts when a second one agrees: test again, and correct it if it was a slip",
            of.amount(*value),
            of.amount(*foretold)
        ))
    }

    fn broke(&self, of: &Quantity) -> Option<BreakStatus> {
        let mut findings = self.findings_of(of).iter().rev();
        let (since, seen, before, after) = findings.find_map(|finding| match *finding {
            Finding::Broke {
                since,
                seen,
                before,
                after,
            } => Some((since, seen, before, after)),
            Finding::Questioned { .. } | Finding::LetIn { .. } => None,
        })?;
        let span = since.minus(CAUSE_SPAN)..=seen;
        let told = self.told.all().filter(|told| told.reading().is_none());
        let told = told.map(|told| (told.happened, told.what.to_string()));
        let journal = self.estimates.journal().iter();
        let journal = journal.map(|change| (change.at, change.what.clone()));
        let within = |(at, _): &(Timestamp, String)| span.contains(&on_record(*at));
        let mut changes: Vec<_> = told.chain(journal).filter(within).collect();
        changes.sort();
        Some(BreakStatus {
            since: Timestamp::from_millisecond(since.as_ms()).ok()?,
            seen: Timestamp::from_millisecond(seen.as_ms()).ok()?,
            before_per_day: shown(before),
            after_per_day: shown(after),
            changes: changes
                .into_iter()
                .map(|(at, what)| format!("{}: {what}", self.controller().local(at)))
                .collect(),
        })
    }

    /// Looks at where the levels are going under the plan in force.
    pub(super) fn watch_levels(&mut self, now: Now) {
        let looked = self.estimates.looked;
        if looked.is_some_and(|at| now.elapsed.minus(at) < LOOK_EVERY) {
            return;
        }
        self.estimates.looked = Some(now.elapsed);
        for of in estimated() {
            let cause = self.leaves(&of, now);
            self.alarm_if(AlarmCode::LevelLeaving, of.as_str(), cause, now);
        }
    }

    /// How a level leaves its alarm band within the next days, in words. Nothing is foretold from a stale reading, nor in a dry run, where
    /// what is planned never reaches the water.
    fn leaves(&self, of: &Quantity, now: Now) -> Option<String> {
        let limits = self
            .controller()
            .tracked(of)
            .filter(|_| self.reaches_water(self.live))?;
        let estimate = self.estimate_of(of, now)?;
        let age = on_record(now.wall).minus(estimate.newest_reading);
        if age > limits.stale_after || estimate.questioned {
            return None;
        }
        let (low, high) = (limits.alarm_low, limits.alarm_high);
        let leaving = leaves_alarm_band(&estimate, &self.addition_of(of, now), (low, high))?;
        let days = if self.alarms.is_active(AlarmCode::LevelLeaving, of.as_str()) {
            CLEARED_DAYS
        } else {
            WARNED_DAYS
        };
        let (verb, limit, remedy) = if leaving.below {
            ("falls below", low, "give more")
        } else {
            ("rises above", high, "give less")
        };
        (leaving.in_days <= days).then(|| {
            format!(
                "{of} is at about {} and {verb} the alarm limit of {} within {} with the plan as it is; test it, then {remedy}: `dosewright advise {of}` says how much",
                of.amount(estimate.state.level),
                of.amount(limit),
                days_words(leaving.in_days)
            )
        })
    }

    /// A dose is over.
    pub(super) fn estimate_dose(&mut self, intent: &Intent, part: (f64, f64)) {
        if !self.reaches_water(intent.live) || intent.into != Destination::Tank || part.0 <= 0.0 {
            return self.estimates.number(intent.id.0);
        }
        // Of the doses of this session none is older than what was said of wrong times.
        let is_past = self.past.iter().any(|past| past.id == intent.id);
        let is_wrong = is_past && self.clock.wrong.iter().any(|w| w.spans(intent.at.wall));
        let dose = Brought {
            id: intent.id,
            at: intent.at.wall,
            timed: intent.at.trusted && !is_wrong,
            carries: intent.carries.clone().into(),
            part: part.0,
            part_sd: part.1,
        };
        if self.estimates.add(&dose) {
            self.estimates.order_doses();
            self.estimate_anew();
        }
    }

    /// Works every estimate out anew: something it rests on is another now.
    pub(super) fn estimate_anew(&mut self) {
        self.estimates.looked = None;
        for (place, of) in estimated().enumerate() {
            let events = self.told_of(&of);
            let prior = |first| self.prior(&of, first);
            // The borrow ends before the estimate is put in its place.
            let found = self.estimates.worked_out(place, &events, prior);
            self.estimates.put(place, found);
        }
    }

    /// What was told of the level, in the order of its times. What a clock told that was not trusted has no time.
    fn told_of(&self, of: &Quantity) -> Vec<Event> {
        let timed = |told: &&Observation| told.at.trusted || told.happened != told.at.wall;
        let mut told: Vec<&Observation> = self.told.all().filter(timed).collect();
        told.sort_by_key(|told| (told.happened, told.number));
        let tank = self.controller().tank.as_litres();
        let mut events = scaled(&told);
        events.extend(told.into_iter().filter_map(|told| event(told, of, tank)));
        events.sort_by_key(Event::at);
        events
    }

    /// What was believed of an uptake when the first reading was taken: what was in force then, else what the plan began with or the owner
    /// told first. What was accepted later came out of these very readings, and would count them twice.
    fn prior(&self, of: &Quantity, first: Millis) -> Prior {
        let entries = || {
            self.estimates
                .uptakes
                .iter()
                .filter(|uptake| uptake.of == *of)
        };
        let before = |uptake: &&Uptake| on_record(uptake.at.wall) <= first;
        let begun = || {
            entries()
                .next()
                .filter(|uptake| uptake.how != UptakeHow::Accepted)
        };
        let known = entries()
            .rfind(before)
            .or_else(begun)
            .map(|uptake| uptake.uptake);
        let alkalinity = Quantity::Alkalinity;
        let tied = || {
            let tied = self.in_force.plan.starts.get(of) == Some(&StartUptake::WithAlkalinity);
            let dkh = tied.then(|| self.prior(&alkalinity, first).uptake)?;
            Some(CALCIUM_MG_PER_MEQ * Alkalinity::from_dkh(dkh).as_meq_per_l())
        };
        match known.or_else(tied).filter(|uptake| *uptake > 0.0) {
            Some(uptake) => Prior::told(uptake),
            None => Prior::unknown(ordinary(of)),
        }
    }
}

/// What an ordinary reef takes up a day; calcium and magnesium as far as calcification takes them along.
fn ordinary(of: &Quantity) -> f64 {
    let along = taken_along(Alkalinity::from_dkh(ORDINARY_DKH_PER_DAY));
    match place_of(of) {
        Some(1) => along.calcium.as_mg_per_l(),
        Some(2) => {
            let (coral, algae) = along.magnesium;
            coral.as_mg_per_l().midpoint(algae.as_mg_per_l())
        }
        _ => ORDINARY_DKH_PER_DAY,
    }
}

/// With the decimals in which the status carries it.
fn shown(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

fn liveliness(scatter: f64) -> Option<String> {
    let (how, why) = if scatter > SCATTER_SAID {
        (
            "more",
            "the tank is livelier, or the test coarser, than assumed",
        )
    } else if scatter < 1.0 / SCATTER_SAID {
        (
            "less",
            "the tank is quieter, or the test finer, than assumed",
        )
    } else {
        return None;
    };
    Some(format!(
        "the readings scatter {scatter:.1} times as much as kit and tank allow, {how} than they should: {why}"
    ))
}

fn days_words(days: usize) -> String {
    match days {
        1 => "a day".to_owned(),
        days => format!("{days} days"),
    }
}

/// Where salinity moved by more than the errors of its readings can make, everything dissolved moved with it: when, in the middle between them.
/// Readings that agree are one value, known better with each.
fn scaled(told: &[&Observation]) -> Vec<Event> {
    let mut scaled = Vec::new();
    let mut known: Option<(Millis, f64, f64)> = None;
    for told in told {
        let salinity = told.reading().filter(|r| r.of == Measurand::Salinity);
        let Some(Found::Value { value, uncertainty }) = salinity.map(|reading| reading.found)
        else {
            continue;
        };
        let at = on_record(told.happened);
        let variance = uncertainty.powi(2).max(f64::MIN_POSITIVE);
        known = Some(match known {
            Some((since, before, of_before)) if before > 0.0 && value > 0.0 => {
                let both = of_before + variance;
                if (value - before).abs() > Z95 * both.sqrt() {
                    scaled.push(Event::Scaled {
                        at: Millis::new(since.as_ms().midpoint(at.as_ms())),
                        factor: value / before,
                        sd: both.sqrt() / before,
                    });
                    (at, value, variance)
                } else {
                    let part = of_before / both;
                    (at, before + part * (value - before), part * variance)
                }
            }
            Some(_) | None => (at, value, variance),
        });
    }
    scaled
}

fn event(told: &Observation, of: &Quantity, tank_litres: f64) -> Option<Event> {
    let at = on_record(told.happened);
    match &told.what {
        Observed::Reading(reading) if reading.of.quantity() == Some(of) => {
            Some(match reading.found {
                Found::Value { value, uncertainty } => Event::Reading {
                    at,
                    value,
                    sd: uncertainty.max(UNCERTAINTY_SHARE_MIN * value),
                    step: reading.step.unwrap_or(0.0),
                },
                Found::Below(bound) => Event::Below {
                    at,
                    bound,
                    sd: LIMIT_SHARE * bound,
                },
            })
        }
        Observed::WaterChange { litres, held } => Some(Event::Changed {
            at,
            fraction: (litres / tank_litres).clamp(0.0, 1.0),
            held: held.get(of).map(|level| (*level, NEW_WATER_SHARE * level)),
        }),
        Observed::Addition(addition) => Some(Event::Dosed {
            at,
            amount: *addition.adds.get(of)?,
            variance: 0.0,
        }),
        Observed::Reading(_) | Observed::Note { .. } | Observed::Job { .. } => None,
    }
}
