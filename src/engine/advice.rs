//! Advice on one water quantity: worked out of the estimate and of what is in force, shown, and put into force as one proposal.
//!
//! Terms: the *gain* is what the plan adds by an uptake, for lines that go by it follow it; what is advised is an addition, what is put into
//! force is the uptake by which the plan makes it, and a course that brings the level back to target. It changes volumes of slots and
//! nothing else: each dose still passes the guard.

use jiff::civil::Date;

use super::advised::{
    AddedNow, Advice, AdviceChange, AdviceDay, AdviceOutlook, NextTestAdvice, TestBecause, Verdict,
};
use super::alarms::AlarmCode;
use super::ask::CourseAction;
use super::course::may_stand_beside;
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::figures::{CourseFigures, UptakeFigures};
use super::state::{Engine, InForce};
use super::wish::{Figures, Seen, Worked};
use crate::chemistry::{Quantity, figures};
use crate::config::WaterLimits;
use crate::estimate::filter::Estimate;
use crate::estimate::policy::{self, Addition, Aim, Outlook, WhyTest};
use crate::plan::{bottle_within, plan_daily_volumes, planned_rise, worked_out};
use crate::quantity::{Name, Volume, f64_from_usize, i64_from_f64};
use crate::record::{Course, CourseState, Departure, Ends, HoldScope, Uptake, UptakeHow, Who};

/// A course that moves the level by less than this part of the well zone is not worth its rows. Ours.
const COURSE_WORTH: f64 = 0.05;
/// A course that takes longer is none that an owner waits for. Ours.
const COURSE_DAYS_MAX: u32 = 60;
/// Part of the largest rise that a course takes: volumes are whole microlitres.
const RISE_PART: f64 = 0.98;
/// A level that has moved by more than this part of the well zone since it was shown is another one. Ours.
const MOVED_PART: f64 = 0.25;

/// What the plan adds a day of a quantity by an uptake: so much in any case, and so much for each unit of it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Gain {
    fixed: f64,
    per_unit: f64,
}

impl Gain {
    pub(super) fn of(in_force: &InForce, of: &Quantity, uptake: f64) -> Self {
        let unit = if uptake > 0.0 { uptake } else { 1.0 };
        let added = |uptake| {
            let plan = plan_by(in_force, of, uptake);
            planned_rise(&plan, &in_force.controller, of)
        };
        let (once, twice) = (added(unit), added(2.0 * unit));
        let per_unit = (twice - once) / unit;
        Self {
            fixed: once - per_unit * unit,
            per_unit,
        }
    }

    pub(super) fn added(&self, uptake: f64) -> f64 {
        self.fixed + self.per_unit * uptake
    }

    /// What of that goes by the uptake.
    pub(super) fn follows(&self, uptake: f64) -> f64 {
        self.per_unit * uptake
    }

    /// The uptake by which so much is added.
    pub(super) fn uptake(&self, added: f64) -> f64 {
        ((added - self.fixed) / self.per_unit).max(0.0)
    }
}

fn plan_by(in_force: &InForce, of: &Quantity, uptake: f64) -> crate::config::Plan {
    let mut recorded = in_force.recorded_uptakes();
    recorded.insert(of.clone(), uptake);
    worked_out(&in_force.plan, &in_force.controller, &recorded)
}

/// What can be changed, and how far.
#[derive(Debug, Clone, Copy)]
pub(super) struct Means {
    pub(super) uptake: f64,
    /// Largest change of it at once.
    uptake_step: f64,
    /// The most that caps, heads and limits let its lines follow.
    uptake_most: f64,
    pub(super) gain: Gain,
    pub(super) aim: Aim,
}

impl Means {
    /// With the decimals in which it is shown.
    fn uptake_for(&self, added: f64) -> f64 {
        let wanted = self.gain.uptake(added);
        let scale = if wanted < 0.1 { 1e5 } else { 100.0 };
        let shown = (wanted * scale).round() / scale;
        // Rounded down where caps hold it, so that what is shown is within them.
        let most = (self.uptake_most.min(self.uptake + self.uptake_step) * scale + 1e-6).floor();
        shown
            .max(self.uptake - self.uptake_step)
            .min(most / scale)
            .max(0.0)
    }
}

impl Engine {
    /// What to do about a quantity, or why nothing is proposed.
    pub fn advice(&self, of: &Quantity, now: Now) -> Advice {
        self.advice_by(of, self.estimate_of(of, now).as_ref(), now)
    }

    fn advice_by(&self, of: &Quantity, estimate: Option<&Estimate>, now: Now) -> Advice {
        let addition = self.addition_of(of, now);
        let limits = self.controller().water.get(of);
        let mut advice = Advice {
            of: of.clone(),
            unit: of.unit().to_string(),
            at: now.wall,
            verdict: Verdict::NotNow,
            because: String::new(),
            target: None,
            well: None,
            water: self.estimate_status(of, now),
            adds: AddedNow {
                per_day: rounded(addition.per_day),
                course_per_day: rounded(addition.course),
                course_days: rounded(addition.course_days),
            },
            as_it_is: None,
            change: None,
            next_test: None,
            unseen: self.unseen_of(of),
            corridor: self
                .in_force
                .corridor(of)
                .map(|corridor| self.corridor_words(corridor, now)),
        };
        let means = self
            .hindered(of, estimate, now)
            .and_then(|()| self.accepted_since_reading(of))
            .and_then(|()| self.means(of));
        let aim = match &means {
            Ok(means) => Some(means.aim),
            Err(denial) => {
                advice.because.clone_from(&denial.text);
                limits.and_then(|limits| aim(limits, 1.0, addition.per_day))
            }
        };
        let Some((aim, estimate)) = aim.zip(estimate) else {
            return advice;
        };
        (advice.target, advice.well) = (Some(aim.target), Some(aim.well));
        let kit = self
            .water
            .reading(of)
            .map_or(0.0, |(_, uncertainty, _)| uncertainty.powi(2));
        let judged = policy::advise(estimate, &addition, &aim, kit.max(f64::MIN_POSITIVE));
        let today = self.in_force.local_date(now.wall);
        let as_it_is = outlook(&judged.as_it_is, judged.weighed_days, today);
        advice.next_test = Some(next_test(&judged.next_test, today));
        if let Ok(means) = &means {
            let wanted = judged.change.as_ref().map(|change| change.addition);
            let wanted = wanted
                .filter(|wanted| !self.corridor_follows(of, estimate, (means, wanted), kit, now));
            let of_days = judged.weighed_days;
            let change =
                wanted.map(|wanted| self.change(of, (estimate, of_days), (means, &wanted), now));
            (advice.verdict, advice.because) = match change {
                Some(Ok(Some(change))) => {
                    advice.change = Some(change);
                    (Verdict::Change, String::new())
                }
                Some(Err(why)) => (Verdict::NotNow, why),
                Some(Ok(None)) | None => match too_little(&judged, estimate, &means.aim) {
                    Some(why) => (Verdict::NotNow, format!("{of}: {why}")),
                    None => (Verdict::LeaveAlone, String::new()),
                },
            };
        }
        advice.as_it_is = Some(as_it_is);
        advice.because = advice.reasons();
        advice
    }

    fn unseen_of(&self, of: &Quantity) -> Vec<String> {
        let mut unseen = crate::plan::unseen(&self.in_force.plan, self.controller(), of);
        if !self.reaches_water(self.live) {
            unseen.push("dry run: no dose reaches the water, so none counts here; what you add by other means you tell with `dosewright changes add by-hand`".to_owned());
        }
        unseen
    }

    /// Why nothing may be proposed of a quantity now, and what to do first.
    pub(super) fn hindered(
        &self,
        of: &Quantity,
        estimate: Option<&Estimate>,
        now: Now,
    ) -> Result<(), Denial> {
        let no = |code: &str, text: String| Err(Denial::new(code, text));
        let Some(limits) = self.controller().tracked(of) else {
            return no(
                "no-band",
                format!(
                    "{of} has no band, so it is not known where you want it; give it one in controller.toml under [water.{of}]: band-low and band-high, with their unit"
                ),
            );
        };
        if let Some(why) = &self.clock.unsure {
            return no(
                "clock-unsure",
                format!("the clock is not trusted: {why}; then `dosewright clock trust`"),
            );
        }
        self.stopped(of)?;
        let test = format!("test, then `dosewright reading add {of}`");
        let age = self.water.reading_age(of, now);
        let Some(estimate) = estimate else {
            return no(
                "no-reading",
                if age.is_none() {
                    format!("there is no {of} reading to go by; {test}")
                } else {
                    format!(
                        "no estimate is made of {of}; go by its readings (`dosewright reading list`)"
                    )
                },
            );
        };
        if age.is_none_or(|age| age > limits.stale_after) {
            let old = age.map_or("of unknown age".to_owned(), |age| format!("{age} old"));
            return no(
                "stale",
                format!(
                    "the last {of} reading is {old}, over {}; {test}",
                    limits.stale_after
                ),
            );
        }
        if estimate.questioned {
            return no(
                "questioned",
                format!(
                    "the newest {of} reading does not fit what was expected, so it is not believed until a second one agrees; {test}, or correct it with `dosewright reading correct`"
                ),
            );
        }
        Ok(())
    }

    /// Why what the plan says is not what the water gets.
    fn stopped(&self, of: &Quantity) -> Result<(), Denial> {
        let no = |code: &str, text: String| Err(Denial::new(code, text));
        if self.holds.has(&HoldScope::All) {
            return no(
                "held",
                "all dosing is on hold; see why with `dosewright status`, then `dosewright resume`"
                    .to_owned(),
            );
        }
        if let Some(shift) = self.in_force.shift() {
            return no(
                "changeover",
                format!(
                    "{shift} is under way; one thing at a time, or nobody can tell what did what: finish it or go back first"
                ),
            );
        }
        let planned = self.in_force.standing_volumes();
        for line in planned.keys().filter(|line| self.concerns(line, of)) {
            if self.holds.has(&HoldScope::Line(line.clone())) {
                return no(
                    "held",
                    format!(
                        "line {line} is on hold; see why with `dosewright status`, then `dosewright resume {line}`"
                    ),
                );
            }
            if self
                .alarms
                .is_active(AlarmCode::UnderDelivered, line.as_str())
            {
                return no(
                    "under-delivered",
                    format!(
                        "line {line} gave much less than its plan; find out why before anything is changed (`dosewright status`, `dosewright ledger list not-given`)"
                    ),
                );
            }
        }
        Ok(())
    }

    /// Whether a line brings a quantity or goes by its uptake.
    pub(super) fn concerns(&self, line: &Name, of: &Quantity) -> bool {
        let planned = self.in_force.plan.lines.iter().find(|p| p.line == *line);
        self.in_force.carries(line, of) || planned.is_some_and(|p| p.gives.of() == Some(of))
    }

    /// One advice a reading: what was accepted last must be seen by a test before more is changed.
    fn accepted_since_reading(&self, of: &Quantity) -> Result<(), Denial> {
        let accepted = self
            .in_force
            .recorded_uptake(of)
            .filter(|uptake| uptake.how == UptakeHow::Accepted);
        let taken = self.water.reading(of).map(|(_, _, taken)| taken);
        match accepted.zip(taken) {
            Some((accepted, taken)) if accepted.at.wall >= taken => Err(Denial::new(
                "test-first",
                format!(
                    "advice was accepted on {:.0}, after the last {of} reading: leave it alone until the next test, then ask again",
                    accepted.at.wall
                ),
            )),
            Some(_) | None => Ok(()),
        }
    }

    pub(super) fn means(&self, of: &Quantity) -> Result<Means, Denial> {
        let in_force = &self.in_force;
        let limits = in_force.controller.water.get(of);
        let (limits, uptake) = limits.zip(in_force.uptake_of(of)).ok_or_else(|| {
            Denial::new(
                "no-uptake",
                format!(
                    "no uptake of {of} is in force; tell a first one with `dosewright uptake {of} VALUE`, or give it a start in plan.toml"
                ),
            )
        })?;
        let gain = Gain::of(in_force, of, uptake);
        if gain.per_unit <= 0.0 {
            return Err(Denial::new(
                "no-line-follows",
                format!(
                    "no line of plan.toml that carries {of} goes by its uptake, so no dose can follow advice; give one `share-of-uptake` or change its volume there"
                ),
            ));
        }
        let step = limits.tracked.map_or(0.0, |band| band.uptake_change_max);
        let most = self.uptake_most(of, uptake, uptake + step + limits.max_rise / gain.per_unit);
        let aim = aim(limits, gain.per_unit, gain.added(most))
            .ok_or_else(|| Denial::new("no-band", format!("{of} has no band")))?;
        Ok(Means {
            uptake,
            uptake_step: step,
            uptake_most: most,
            gain,
            aim,
        })
    }

    /// The largest uptake up to `most` that caps, heads and limits let all lines follow.
    fn uptake_most(&self, of: &Quantity, now: f64, most: f64) -> f64 {
        if self.may_give(of, most).is_ok() {
            return most;
        }
        let (mut fits, mut over) = (now, most);
        for _ in 0..12 {
            let middle = f64::midpoint(fits, over);
            if self.may_give(of, middle).is_ok() {
                fits = middle;
            } else {
                over = middle;
            }
        }
        fits
    }

    /// Whether the lines that change may give what follows from an uptake. A line whose doses its head does not meter anyway gives none and
    /// is no reason to leave the others as they are.
    pub(super) fn may_give(&self, of: &Quantity, uptake: f64) -> Result<(), String> {
        let plan = plan_by(&self.in_force, of, uptake);
        let daily = plan_daily_volumes(&plan);
        let alkalinity = plan.uptakes.get(&Quantity::Alkalinity).copied();
        let alkalinity = alkalinity.map(crate::quantity::Alkalinity::from_dkh);
        let given = self.in_force.standing_volumes();
        let changes = |bottle: &&Name| {
            let mut lines = self.controller().drawing_on(bottle);
            lines.any(|line| daily.get(&line.name) != given.get(&line.name))
        };
        for bottle in self.controller().reservoirs.keys().filter(changes) {
            let dose_min = |line: &Name| {
                let smallest = self.dose_min(line);
                if self.in_force.largest_slot(line) < smallest {
                    Volume::ZERO
                } else {
                    smallest
                }
            };
            bottle_within(
                (self.controller(), &plan),
                (bottle, &daily),
                alkalinity,
                &dose_min,
            )?;
        }
        Ok(())
    }

    /// What a wanted addition comes to; nothing when it is what is in force.
    fn change(
        &self,
        of: &Quantity,
        (estimate, weighed_days): (&Estimate, usize),
        (means, wanted): (&Means, &Addition),
        now: Now,
    ) -> Result<Option<AdviceChange>, String> {
        let uptake = means.uptake_for(wanted.per_day);
        self.may_give(of, uptake)
            .map_err(|why| format!("{of} asks for more or less than may be given: {why}"))?;
        let figures = UptakeFigures {
            of: of.clone(),
            uptake,
            before: Some(means.uptake),
        };
        let mut then = self.in_force.clone();
        then.put_uptake(self.accepted(&figures, Who::Daemon, now));
        then.work_out();
        let ended: Vec<Course> = self.courses_of(of).cloned().collect();
        for course in &ended {
            then.put_course(&Course {
                state: CourseState::Ended,
                ..course.clone()
            });
        }
        let (course, no_course) =
            match self.course_back(&then, (of, estimate), (means, wanted), now) {
                Ok(course) => (course, None),
                Err(why) => (None, Some(why)),
            };
        if (uptake - means.uptake).abs() < 1e-9 && course.is_none() && ended.is_empty() {
            return no_course.map_or(Ok(None), Err);
        }
        let back = course.as_ref().and_then(|figures| match &figures.what {
            Departure::Add { per_day, .. } => Some((*per_day, f64::from(figures.days))),
            Departure::Shift { .. } => None,
        });
        let (per_day, days) = back.unwrap_or_default();
        let addition = Addition {
            course: per_day,
            course_days: days,
            ..Addition::standing(means.gain.added(uptake))
        };
        let all = Outlook::of(estimate, &addition, &means.aim, weighed_days);
        let volumes = then.standing_volumes().into_iter();
        let now_given = self.in_force.standing_volumes();
        Ok(Some(AdviceChange {
            uptake: figures,
            volumes: volumes
                .filter(|(line, volume)| now_given.get(line) != Some(volume))
                .collect(),
            course,
            no_course,
            ends_courses: ended.iter().map(|course| course.number).collect(),
            outlook: outlook(&all, weighed_days, self.in_force.local_date(now.wall)),
        }))
    }

    /// Additions of a quantity that are under way.
    pub(super) fn courses_of<'a>(&'a self, of: &'a Quantity) -> impl Iterator<Item = &'a Course> {
        let courses = self.in_force.courses().iter();
        courses.filter(move |course| !course.what.is_shift() && course.what.of() == of)
    }

    fn accepted(&self, figures: &UptakeFigures, who: Who, now: Now) -> Uptake {
        Uptake {
            of: figures.of.clone(),
            uptake: figures.uptake,
            before: figures.before,
            how: UptakeHow::Accepted,
            who,
            at: self.stamp(now),
        }
    }

    /// The course that brings the level back, on the line that adds most; over more days where limits do not allow it in fewer.
    fn course_back(
        &self,
        then: &InForce,
        (of, estimate): (&Quantity, &Estimate),
        (means, wanted): (&Means, &Addition),
        now: Now,
    ) -> Result<Option<CourseFigures>, String> {
        let gap = policy::gap(&estimate.state, &means.aim);
        if gap.abs() < COURSE_WORTH * means.aim.well {
            return Ok(None);
        }
        let daily = then.standing_volumes();
        let adds = |line: &Name| {
            let alone = daily.get(line).map(|volume| (line.clone(), *volume));
            then.amount_in(of, &alone.into_iter().collect())
        };
        let lead = daily.keys().max_by(|a, b| adds(a).total_cmp(&adds(b)));
        let Some(lead) = lead.filter(|line| adds(line) > 0.0) else {
            return Err(format!("no line gives {of}"));
        };
        let mut why = "caps and limits leave no room for it".to_owned();
        for slower in [1.0, 1.25, 1.5, 2.0, 4.0] {
            let days = i64_from_f64((gap / wanted.course * slower).ceil());
            let days = days.and_then(|days| u32::try_from(days).ok());
            let Some(days) = days.filter(|days| (1..=COURSE_DAYS_MAX).contains(days)) else {
                break;
            };
            let per_day = rounded(gap / f64::from(days));
            match self.try_course(then, (lead, of, per_day), days, now) {
                Ok(figures) => return Ok(Some(figures)),
                Err(error) => why = error,
            }
        }
        Err(why)
    }

    fn try_course(
        &self,
        then: &InForce,
        add: (&Name, &Quantity, f64),
        days: u32,
        now: Now,
    ) -> Result<CourseFigures, String> {
        let what = self
            .addition(then, add, Ends::Aim)
            .map_err(|error| error.to_string())?;
        let today = self.in_force.local_date(now.wall);
        let tomorrow = today.tomorrow().unwrap_or(today);
        let course = self.new_course(what, (days, tomorrow), now);
        may_stand_beside(then, &course)?;
        let by_day = self
            .hold_course(then, &course, now)
            .map_err(|error| error.to_string())?;
        Ok(CourseFigures {
            course: course.number,
            what: course.what,
            days: course.days,
            since: course.since,
            by_day,
        })
    }

    pub(super) fn work_out_advice(
        &self,
        of: &Quantity,
        seen: Option<&Seen>,
        now: Now,
    ) -> Result<Worked, Denial> {
        let fresh = self.estimate_of(of, now).map(|estimate| Seen {
            told: self.told.next_number(),
            estimate,
        });
        let seen = match (seen, fresh) {
            (Some(seen), Some(fresh)) if self.is_as_seen(of, seen, &fresh) => Some(*seen),
            (_, fresh) => fresh,
        };
        let advice = self.advice_by(of, seen.as_ref().map(|seen| &seen.estimate), now);
        let text = advice.lines();
        let Some(change) = advice.change else {
            return Err(Denial::new(
                "nothing-to-accept",
                format!(
                    "there is nothing to accept: {}{}",
                    if advice.verdict == Verdict::LeaveAlone {
                        "leave it alone: "
                    } else {
                        ""
                    },
                    advice.because
                ),
            ));
        };
        Ok(Worked {
            figures: Figures::Advice(Box::new(change)),
            text,
            ask_twice: None,
            quiet: None,
            seen,
        })
    }

    /// Whether an estimate of now tells no other story than the one that was shown.
    fn is_as_seen(&self, of: &Quantity, seen: &Seen, fresh: &Seen) -> bool {
        let known = |seen: &Seen| {
            let Estimate {
                readings,
                newest_reading,
                questioned,
                ..
            } = seen.estimate;
            (seen.told, readings, newest_reading, questioned)
        };
        let well = self.controller().water.get(of);
        let well = well
            .and_then(|limits| aim(limits, 1.0, 0.0))
            .map_or(0.0, |aim| aim.well);
        let moved = (seen.estimate.state.level - fresh.estimate.state.level).abs();
        known(seen) == known(fresh) && moved < MOVED_PART * well
    }

    /// Uptake and course come into force together, and are written down in one transaction.
    pub(super) fn take_advice(
        &mut self,
        change: AdviceChange,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let (of, mut entries, mut words) = (change.uptake.of.clone(), Vec::new(), Vec::new());
        let mut keep = |(entry, text)| {
            entries.push(entry);
            words.push(text);
        };
        let uptake = self.accepted(&change.uptake, who.clone(), now);
        keep(self.keep_uptake(uptake));
        for number in change.ends_courses {
            let course = self.courses_of(&of).find(|c| c.number == number).cloned();
            let ended = course.map(|course| self.turned_addition(course, CourseAction::End, now));
            if let Some(Ok(ended)) = ended {
                keep(self.keep_course(ended, who.clone(), now));
            }
        }
        if let Some(shown) = change.course {
            let course = self.new_course(shown.what, (shown.days, shown.since), now);
            let course = Course {
                note: "advice".to_owned(),
                ..course
            };
            keep(self.keep_course(course, who.clone(), now));
        }
        if let Some(ended) = self.keep_corridor_ended(&of, "advice was accepted", who, now) {
            keep(ended);
        }
        self.work_out_plan();
        self.in_force.watch_anew(now.elapsed);
        self.courses_changed(now);
        self.follow_ramp(now);
        self.mark_written(now);
        let text = words.join("; ");
        self.out.push(Effect::Store {
            entries,
            reply: Some((ticket, Answer::Done { text })),
        });
    }
}

fn aim(limits: &WaterLimits, per_unit: f64, addition_max: f64) -> Option<Aim> {
    let band = limits.tracked?;
    Some(Aim {
        target: band.target,
        well: (band.band_high - band.band_low) / 2.0,
        rise_max: limits.max_rise * RISE_PART,
        fall_max: band.max_fall * RISE_PART,
        change_max: band.uptake_change_max * per_unit,
        addition_max,
    })
}

/// Where nothing is proposed because not enough can be given.
fn too_little(judged: &policy::Advice, estimate: &Estimate, aim: &Aim) -> Option<String> {
    let lost = judged.as_it_is.days_outside * 2.0 > f64_from_usize(judged.weighed_days);
    (lost && aim.addition_max < estimate.state.uptake).then(|| {
        format!(
            "caps, heads and limits let its lines add {} a day at most, less than the {} that are taken up; raise the caps or use a stronger solution",
            figures(aim.addition_max),
            figures(estimate.state.uptake)
        )
    })
}

fn outlook(outlook: &Outlook, weighed_days: usize, today: Date) -> AdviceOutlook {
    let days = (1..).zip(&outlook.days).map(|(n, day)| AdviceDay {
        date: days_on(today, n),
        added: rounded(day.added),
        level: rounded(day.level),
        level_low: rounded(day.interval.0),
        level_high: rounded(day.interval.1),
    });
    AdviceOutlook {
        weighed_days,
        days_outside: rounded(outlook.days_outside),
        days: days.collect(),
    }
}

fn next_test(next: &policy::NextTest, today: Date) -> NextTestAdvice {
    NextTestAdvice {
        date: days_on(today, next.in_days),
        in_days: next.in_days,
        why: match next.why {
            WhyTest::Questioned => TestBecause::Questioned,
            WhyTest::MayLeave => TestBecause::MayLeave,
            WhyTest::Routine => TestBecause::Routine,
        },
        level_before: rounded(next.level.0),
        level_after: rounded(next.level.1),
        uptake_before: rounded(next.uptake.0),
        uptake_after: rounded(next.uptake.1),
    }
}

fn days_on(date: Date, days: usize) -> Date {
    let days = i64::try_from(days).unwrap_or(0);
    date.checked_add(jiff::Span::new().days(days))
        .unwrap_or(date)
}

/// To four figures: no more is known, and it reads back as it was shown.
pub(super) fn rounded(value: f64) -> f64 {
    if value.abs() < 1e-9 || !value.is_finite() {
        return 0.0;
    }
    let scale = 10.0_f64.powf(3.0 - value.abs().log10().floor());
    (value * scale).round() / scale
}
