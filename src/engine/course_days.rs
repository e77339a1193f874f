//! Courses under way: what they make of today's volumes, and what a new day brings.
//!
//! An addition is given on its dates and ends by itself. A changeover moves a step on each local day, but only after a day on which the
//! line that grows gave at least half of what it should: what was missed in an outage or a hold is not made up for, so the water never
//! sees two steps at once. Once the new line gives all of it that stays so until the plan file says it itself; the plan that still says
//! the old thing does not undo it.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::alarms::AlarmCode;
use super::effect::{Answer, Ticket};
use super::event::Now;
use super::state::{CourseExtras, Engine, InForce};
use crate::config::{Controller, Plan};
use crate::plan::{DailyVolumes, ShiftShape, departed, plan_daily_volumes, waits};
use crate::quantity::{Millis, Name, Volume};
use crate::record::{Course, CourseState, Departure, Entry, Who};

/// Part of a day's volume that must have been given before the next step. Ours.
const GIVEN_PART: f64 = 0.5;

/// An alarm asks for the review of a top-up when it gives for so many more days. Ours: time for a lab to answer is the owner's to plan,
/// this is time to test at home.
const REVIEW_ASKED_DAYS: u32 = 3;

impl Engine {
    /// The standing volumes and what the courses in force make of them.
    pub(super) fn planned_volumes(&self) -> DailyVolumes {
        let shape = self.shape();
        let step = shape.as_ref().zip(self.in_force.shift().map(|c| c.step));
        departed(
            &self.in_force.standing_volumes(),
            step,
            &self.in_force.course_extras().today,
        )
    }

    pub(super) fn shape(&self) -> Option<ShiftShape> {
        self.shape_in(&self.in_force)
    }

    pub(super) fn shape_in(&self, in_force: &InForce) -> Option<ShiftShape> {
        self.shape_by((&in_force.controller, &in_force.plan), in_force.shift()?)
    }

    pub(super) fn shape_by(
        &self,
        (controller, plan): (&Controller, &Plan),
        course: &Course,
    ) -> Option<ShiftShape> {
        let Departure::Shift { from, to, of } = &course.what else {
            return None;
        };
        ShiftShape::of(
            (controller, plan),
            &plan_daily_volumes(plan),
            (from, to, of),
            course.days,
            &|line| self.dose_min(line),
        )
        .ok()
    }

    /// The smallest dose that a line's head can be asked for, by the configuration and by its calibration.
    pub(super) fn dose_min(&self, line: &Name) -> Volume {
        let Some(config) = self.in_force.line_config(line) else {
            return Volume::ZERO;
        };
        let head = self.controller().heads.get(&config.head);
        self.doses_of(&config.head)
            .map(|(smallest, _)| smallest)
            .or_else(|| head.map(|h| h.dose_min))
            .unwrap_or(Volume::ZERO)
    }

    /// Takes each course into the present day.
    pub(super) fn follow_courses(&mut self, now: Now) {
        if self.in_force.courses().is_empty() || self.clock.unsure.is_some() {
            return;
        }
        let today = self.in_force.local_date(now.wall);
        for course in self.in_force.courses().to_vec() {
            if course.what.is_shift() {
                self.follow_shift(&course, today, now);
            } else if course.is_over_on(today) {
                self.end_addition(course, now);
            } else if course.is_top_up() {
                self.ask_for_review(&course, today, now);
            }
        }
        self.courses_changed(now);
    }

    fn end_addition(&mut self, course: Course, now: Now) {
        if course.is_top_up() {
            let text = format!(
                "course {} on line {} gives nothing more: it came to its review date and no reading confirmed it; test {}, then begin a new one if it is still needed",
                course.number,
                course.what.line(),
                course.what.of()
            );
            self.raise(
                AlarmCode::TopUpReview,
                &course.number.to_string(),
                text,
                now,
            );
        }
        // Its cause is over with it: the alarm stays until it is seen, no longer.
        let ended = Course {
            step: course.days,
            state: CourseState::Ended,
            ..course.clone()
        };
        self.put_course(ended, Who::Daemon, None, now);
        let at = self.stamp(now);
        self.in_force.ended_by_date(course, at);
    }

    /// Asks for a reading in time before the review date of a top-up.
    fn ask_for_review(&mut self, course: &Course, today: Date, now: Now) {
        let left = course.days.saturating_sub(course.days_begun(today));
        let asks = course.state == CourseState::Running && left < REVIEW_ASKED_DAYS;
        let number = course.number;
        let text = asks.then(|| {
            format!(
                "course {number} on line {} stops after {} unless a new reading confirms it; test {}, then `dosewright course confirm {number} --review-days 30`, or let it end",
                course.what.line(), course.last(), course.what.of()
            )
        });
        self.alarm_if(AlarmCode::TopUpReview, &number.to_string(), text, now);
    }

    /// Moves a changeover on to its next step on a new day, if the day before was a real one.
    fn follow_shift(&mut self, current: &Course, today: Date, now: Now) {
        let backwards = current.state == CourseState::Back;
        let under_steps = backwards || current.state == CourseState::Running;
        if today <= current.since || !under_steps {
            return;
        }
        let moved = self.was_a_real_day(current);
        let mut next = Course {
            since: today,
            ..current.clone()
        };
        if moved && backwards {
            next.step = current.step.saturating_sub(1);
            if next.step == 0 {
                next.state = CourseState::Ended;
            }
        } else if moved {
            next.step = current.step.saturating_add(1).min(current.days);
            if next.step == current.days {
                next.state = CourseState::Complete;
            }
        }
        let stalled = match &current.what {
            Departure::Shift { from, to, .. } if !moved => {
                let grows = if backwards { from } else { to };
                Some(format!(
                    "course {number} did not move on: line {grows} gave less than half of its share on {}; see why, or turn it with `dosewright course back {number}`",
                    current.since,
                    number = current.number
                ))
            }
            Departure::Shift { .. } | Departure::Add { .. } => None,
        };
        let subject = current.number.to_string();
        self.alarm_if(AlarmCode::ChangeoverStalled, &subject, stalled, now);
        self.put_course(next, Who::Daemon, None, now);
        self.follow_ramp(now);
    }

    /// Whether the line that grows gave at least half of what the step meant on its day. The other line does not count for it: a new line
    /// that does not dose must not be faded in, and one on hold must not keep the old line from coming back. Where the line that grows is
    /// meant to give nothing yet, the other one is asked forwards; backwards nothing is, because the new one may be what is wrong.
    fn was_a_real_day(&self, current: &Course) -> bool {
        let Some(shape) = self.shape() else {
            return false;
        };
        let day = shape.at(current.step);
        let (line, wanted) = if current.state == CourseState::Back {
            (&shape.from.line, day.from)
        } else if current.step == 0 {
            // Before the first step nothing is asked.
            return true;
        } else if day.to > Volume::ZERO {
            (&shape.to.line, day.to)
        } else {
            (&shape.from.line, day.from)
        };
        self.given_on(line, current.since).as_ml() >= GIVEN_PART * wanted.as_ml()
    }

    /// What a line gave on a local date; nothing for a date that is neither the last on which it dosed nor known any more.
    fn given_on(&self, line: &Name, date: Date) -> Volume {
        self.lines
            .get(line)
            .and_then(|memory| memory.today)
            .filter(|(day, _)| *day == date)
            .map_or(Volume::ZERO, |(_, volume)| volume)
    }

    /// Finds what additions make of today's volumes.
    pub(super) fn courses_changed(&mut self, now: Now) {
        let today = self.in_force.local_date(now.wall);
        if self.in_force.follow_extras(today, now.elapsed) {
            self.touch_all_lines();
            self.follow_ramp(now);
        }
    }

    /// The least and the most that a line can have been meant to give in the last 24 h while courses change it: by today's volumes, and by
    /// those of the day before. `None` for a line that none of them changes.
    pub(super) fn departing_between(&self, line: &Name, now: Now) -> Option<(Volume, Volume)> {
        let shape = self.shape();
        let on_shift = shape
            .as_ref()
            .filter(|shape| shape.from.line == *line || shape.to.line == *line);
        // Back or forward: the step before today's is a neighbour on one side or the other.
        let steps = on_shift.zip(self.in_force.shift()).map(|(shape, course)| {
            let near = course.step.saturating_sub(1)..=course.step.saturating_add(1);
            near.map(move |step| Some((shape, step.min(course.days))))
        });
        let steps: Vec<_> = steps.map_or_else(|| vec![None], Iterator::collect);
        let CourseExtras {
            today,
            before,
            since,
        } = self.in_force.course_extras();
        let fresh = now.elapsed.minus(*since) < Millis::DAY;
        let of = |extra: &BTreeMap<Name, Volume>| extra.get(line).copied();
        if on_shift.is_none() && !(fresh && of(today) != of(before)) {
            return None;
        }
        let standing = self.in_force.standing_volumes();
        let extras = std::iter::once(today).chain(fresh.then_some(before));
        let volumes = extras.flat_map(|extra| {
            let each = steps.iter().map(|step| departed(&standing, *step, extra));
            each.filter_map(|daily| daily.get(line).copied())
                .collect::<Vec<_>>()
        });
        let volumes: Vec<Volume> = volumes.collect();
        Some((*volumes.iter().min()?, *volumes.iter().max()?))
    }

    /// Whether a plan may replace the present one while a changeover is under way.
    ///
    /// # Errors
    /// Why not: the water would see a step, or the changeover would have nothing to go on.
    pub(super) fn courses_allow(&self, plan: &Plan) -> Result<(), String> {
        let Some(current) = self.in_force.shift() else {
            return Ok(());
        };
        let Departure::Shift { from, to, .. } = &current.what else {
            return Ok(());
        };
        let goes_on =
            self.shape_by((self.controller(), plan), current).is_some() && waits(plan, to);
        if agrees(current, plan) || goes_on {
            return Ok(());
        }
        Err(format!(
            "course {}, {}, is under way: line {from} must stay planned and line {to} must wait until it is complete; pause it or step back if the plan must change",
            current.number, current.what
        ))
    }

    /// After a plan was taken, or at a start: a changeover that the plan has caught up with is over, and so is one that the plan knows
    /// nothing of any more.
    pub(super) fn settle_courses(&mut self, now: Now) {
        let Some(current) = self.in_force.shift().cloned() else {
            return;
        };
        let lost = self.courses_allow(&self.in_force.plan).is_err();
        if !lost && !agrees(&current, &self.in_force.plan) {
            return;
        }
        let note = if lost {
            "plan.toml was edited while the daemon was off; its volumes are in force"
        } else {
            "plan.toml says it now"
        };
        if lost {
            let Course {
                number, step, days, ..
            } = current;
            let text = format!(
                "course {number}, {}, ended at step {step} of {days}, because {note}; look whether these are meant",
                current.what
            );
            // Its cause is over with it: the alarm stays until it is seen, no longer.
            let subject = number.to_string();
            self.raise(AlarmCode::ChangeoverStalled, &subject, text, now);
        }
        let ended = Course {
            state: CourseState::Ended,
            note: note.to_owned(),
            ..current
        };
        self.put_course(ended, Who::Daemon, None, now);
    }

    /// At a start: what was begun in the other mode is not in force. A dry run's courses end with it; those begun live wait in the ledger
    /// for the next live start. A rehearsal goes on with either.
    pub(super) fn set_courses_aside(&mut self, now: Now) {
        if self.modelled {
            return;
        }
        for course in self.in_force.set_aside(self.live) {
            let what = if self.live {
                "was begun in a dry run and is over; begin it anew if it is meant"
            } else {
                "was begun live and is not in force in this dry run"
            };
            let text = format!("{course}: it {what}");
            self.note("course-set-aside", None, text, Who::Daemon, now);
            if self.live {
                let ended = Course {
                    state: CourseState::Ended,
                    note: "begun in a dry run".to_owned(),
                    ..course
                };
                self.put_course(ended, Who::Daemon, None, now);
            }
        }
    }

    /// Keeps the new state and writes it down.
    pub(super) fn put_course(
        &mut self,
        course: Course,
        who: Who,
        ticket: Option<Ticket>,
        now: Now,
    ) {
        let (entry, text) = self.keep_course(course, who, now);
        self.mark_written(now);
        self.store(entry, ticket.map(|ticket| (ticket, Answer::done(text))));
    }

    /// Keeps the new state; what is to be written down of it, and the same in words.
    pub(super) fn keep_course(&mut self, course: Course, who: Who, now: Now) -> (Entry, String) {
        let course = Course {
            who,
            at: self.stamp(now),
            ..course
        };
        let subject = course.number.to_string();
        let over = course.state == CourseState::Ended;
        if course.state != CourseState::Running {
            self.clear(AlarmCode::TopUpReview, &subject, now);
        }
        if !matches!(course.state, CourseState::Running | CourseState::Back) {
            self.clear(AlarmCode::ChangeoverStalled, &subject, now);
        }
        if self.in_force.put_course(&course) {
            self.touch_all_lines();
        }
        if over && course.what.is_shift() {
            self.in_force.watch_anew(now.elapsed);
        }
        let text = self.course_words(&course);
        (Entry::Course(course), text)
    }
}

/// Whether a plan says what a complete changeover has brought about: the new line in force, the old one not.
fn agrees(course: &Course, plan: &Plan) -> bool {
    let Departure::Shift { from, to, .. } = &course.what else {
        return false;
    };
    let daily = plan_daily_volumes(plan);
    let gives = |line: &Name| daily.get(line).is_some_and(|v| *v > Volume::ZERO);
    course.state == CourseState::Complete && gives(to) && !gives(from)
}
