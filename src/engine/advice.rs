//! Advice on one water quantity: worked out of the estimate and of what is in force, shown, and put into force as one proposal.
//!
//! What is advised is an addition, what is put into force is the uptake by which the plan makes it (`means.rs`), and a course that brings the
//! level back to target. It changes volumes of slots and nothing else: each dose still passes the guard.

use jiff::civil::Date;

use super::advised::{
    AddedNow, Advice, AdviceChange, AdviceDay, AdviceOutlook, NextTestAdvice, TestBecause, Verdict,
};
use super::ask::CourseAction;
use super::course::may_stand_beside;
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::figures::{CourseFigures, UptakeFigures};
use super::means::{Means, aim};
use super::state::{Engine, InForce};
use super::wish::{Figures, Seen, Worked};
use crate::chemistry::{Quantity, figures};
use crate::estimate::filter::Estimate;
use crate::estimate::policy::{self, Addition, Aim, Outlook, WhyTest};
use crate::quantity::{Name, f64_from_usize, i64_from_f64};
use crate::record::{Course, CourseState, Departure, Ends, Uptake, UptakeHow, Who};

/// A course that moves the level by less than this part of the well zone is not worth its rows. Ours.
const COURSE_WORTH: f64 = 0.05;
/// A course that takes longer is none that an owner waits for. Ours.
const COURSE_DAYS_MAX: u32 = 60;
/// A level that has moved by more than this part of the well zone since it was shown is another one. Ours.
const MOVED_PART: f64 = 0.25;

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
        let kit = kit + limits.map_or(0.0, |limits| limits.kit_step.powi(2) / 12.0);
        let judged = policy::advise(estimate, &addition, &aim, kit.max(f64::MIN_POSITIVE));
        let today = self.in_force.local_date(now.wall);
        let as_it_is = outlook(&judged.as_it_is, today);
        advice.next_test = Some(next_test(&judged.next_test, today));
        if let Ok(means) = &means {
            let wanted = judged.change.as_ref().map(|change| change.addition);
            let wanted = wanted
                .filter(|wanted| !self.corridor_follows(of, estimate, (means, wanted), kit, now));
            let change = wanted
                .map(|wanted| self.change(of, (estimate, &judged.as_it_is), (means, &wanted), now));
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

    /// What a wanted addition comes to; nothing when it is what is in force.
    fn change(
        &self,
        of: &Quantity,
        (estimate, as_it_is): (&Estimate, &Outlook),
        (means, wanted): (&Means, &Addition),
        now: Now,
    ) -> Result<Option<AdviceChange>, String> {
        let uptake = means.uptake_for(wanted.per_day);
        // Where caps or heads do not let it go so far, what goes is offered, and said why not more.
        let wanted_uptake = means.gain.uptake(wanted.per_day);
        let held_back = self.may_give(of, wanted_uptake).err();
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
            return held_back.or(no_course).map_or(Ok(None), Err);
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
        let all = Outlook::of(estimate, &addition, &means.aim, as_it_is.weighed_days);
        if let Some(why) = held_back.as_ref().filter(|_| !all.is_worth(as_it_is)) {
            return Err(format!("{of} should be given otherwise and cannot: {why}"));
        }
        let volumes = then.standing_volumes().into_iter();
        let now_given = self.in_force.standing_volumes();
        Ok(Some(AdviceChange {
            uptake: figures,
            volumes: volumes
                .filter(|(line, volume)| now_given.get(line) != Some(volume))
                .collect(),
            course,
            no_course,
            held_back,
            ends_courses: ended.iter().map(|course| course.number).collect(),
            outlook: outlook(&all, self.in_force.local_date(now.wall)),
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
        for slower in [1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0] {
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
            reply: Some((ticket, Answer::done(text))),
        });
    }
}

/// Where nothing is proposed because not enough can be given.
fn too_little(judged: &policy::Advice, estimate: &Estimate, aim: &Aim) -> Option<String> {
    let lost = judged.as_it_is.days_outside * 2.0 > f64_from_usize(judged.as_it_is.weighed_days);
    (lost && aim.addition_max < estimate.state.uptake).then(|| {
        format!(
            "caps, heads and limits let its lines add {} a day at most, less than the {} that are taken up; raise the caps or use a stronger solution",
            figures(aim.addition_max),
            figures(estimate.state.uptake)
        )
    })
}

fn outlook(outlook: &Outlook, today: Date) -> AdviceOutlook {
    let days = (1..).zip(&outlook.days).map(|(n, day)| AdviceDay {
        date: days_on(today, n),
        added: rounded(day.added),
        level: rounded(day.level),
        level_low: rounded(day.interval.0),
        level_high: rounded(day.interval.1),
    });
    AdviceOutlook {
        weighed_days: outlook.weighed_days,
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
