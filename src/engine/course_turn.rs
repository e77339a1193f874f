//! Courses under way as the owner turns them: paused, resumed, taken back, confirmed, ended.

use jiff::Timestamp;
use jiff::civil::Date;

use super::ask::CourseAction;
use super::course::{REVIEW_DAYS_MAX, refused};
use super::effect::{Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use crate::config::Controller;
use crate::record::{Course, CourseState, Departure, Who, WrongTime};

impl Engine {
    pub(super) fn set_course(
        &mut self,
        number: i64,
        action: CourseAction,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.clock_for_course()?;
        let mut courses = self.in_force.courses().iter();
        let course = courses.find(|c| c.number == number).cloned();
        let course = course.ok_or_else(|| {
            Denial::new(
                "unknown-course",
                format!(
                    "there is no course {number} under way; `dosewright course list` shows them"
                ),
            )
        })?;
        let changed = if course.what.is_shift() {
            turned_shift(course, action, self.in_force.local_date(now.wall))
        } else {
            self.turned_addition(course, action, now)
        };
        let changed = changed.map_err(|why| refused(format!("course {number} {why}")))?;
        if matches!(action, CourseAction::Resume | CourseAction::Confirm { .. })
            && changed.state == CourseState::Running
        {
            self.hold_course(&self.in_force, &changed, now)
                .map_err(|error| refused(format!("course {number} cannot go on: {error}")))?;
        }
        self.put_course(changed, who, Some(ticket), now);
        self.courses_changed(now);
        self.follow_ramp(now);
        Ok(())
    }

    /// What times that were wrong did to courses, undone: of an addition that a date of then ended, what is left is paused, so that nothing
    /// goes on by itself; a changeover looks at its step from today on.
    pub(super) fn courses_put_right(&self, wrong: &WrongTime, now: Now) -> Vec<Course> {
        let today = self.in_force.local_date(now.wall);
        let ended = self.in_force.ended().iter().filter_map(|(was, ended)| {
            let by_date = was.is_over_on(self.in_force.local_date(ended.wall));
            // Days of one that was begun in that time are no true ones.
            let dated = !wrong.spans(was.at.wall) && was.at.wall <= now.wall;
            // What was given since, by true dates, counts as given.
            let begun = was.days_begun(today);
            let is_left = begun < was.days && was.live == self.live;
            (by_date && wrong.spans(ended.wall) && dated && is_left).then(|| Course {
                step: begun,
                since: today,
                state: CourseState::Paused,
                ..was.clone()
            })
        });
        let ahead = |c: &&Course| c.what.is_shift() && c.since > today && wrong.spans(c.at.wall);
        let shifts = self.in_force.courses().iter().filter(ahead);
        let shifts = shifts.map(|c| Course {
            since: today,
            ..c.clone()
        });
        let (who, at) = (&wrong.who, wrong.at);
        let all = ended.chain(shifts).map(|course| Course {
            who: who.clone(),
            at,
            ..course
        });
        all.collect()
    }

    pub(super) fn turned_addition(
        &self,
        course: Course,
        action: CourseAction,
        now: Now,
    ) -> Result<Course, String> {
        let today = self.in_force.local_date(now.wall);
        // The day that has begun counts as given, so that no day is given twice.
        let begun = if course.state == CourseState::Running {
            course.days_begun(today)
        } else {
            course.step
        };
        let over = |state| {
            if begun < course.days {
                state
            } else {
                CourseState::Ended
            }
        };
        let (step, state, since, days) = match (action, course.state) {
            (CourseAction::Pause, CourseState::Running) => {
                (begun, over(CourseState::Paused), course.since, course.days)
            }
            (CourseAction::Pause, _) => return Err("is paused already".to_owned()),
            (CourseAction::Resume, CourseState::Paused) => {
                let tomorrow = today.tomorrow().unwrap_or(today);
                (begun, CourseState::Running, tomorrow, course.days)
            }
            (CourseAction::Resume, _) => return Err("runs already".to_owned()),
            (CourseAction::Back, _) => {
                return Err("has no steps to go back; end it instead".to_owned());
            }
            (CourseAction::Confirm { days, read }, CourseState::Running) => {
                check_review(&course, (days, read), self.controller(), now)?;
                let days = begun.saturating_add(days);
                (course.step, CourseState::Running, course.since, days)
            }
            (CourseAction::Confirm { .. }, _) => {
                return Err("is paused; resume it first".to_owned());
            }
            (CourseAction::End, _) => (begun, CourseState::Ended, course.since, course.days),
        };
        let what = match &course.what {
            Departure::Add {
                line,
                of,
                per_day,
                ends,
                ..
            } if state == CourseState::Running => self
                .addition(&self.in_force, (line, of, *per_day), *ends)
                .map_err(|error| format!("cannot go on: {error}"))?,
            Departure::Add { .. } | Departure::Shift { .. } => course.what,
        };
        Ok(Course {
            what,
            days,
            step,
            since,
            state,
            ..course
        })
    }
}

fn turned_shift(course: Course, action: CourseAction, today: Date) -> Result<Course, String> {
    use CourseState::{Back, Complete, Ended, Paused, PausedBack, Running};
    let begun = course.step > 0;
    let state = match (action, course.state) {
        (CourseAction::Pause, Running) => Paused,
        (CourseAction::Pause, Back) => PausedBack,
        // What was paused goes on the way it went; what steps back is turned.
        (CourseAction::Resume, PausedBack) => Back,
        (CourseAction::Resume, Paused | Back) => Running,
        (CourseAction::Back, Back) => return Err("steps back already".to_owned()),
        (CourseAction::Back, _) if begun => Back,
        // Before its first step there is nothing to step back from.
        (CourseAction::Back | CourseAction::End, _) if !begun => Ended,
        (CourseAction::Back | CourseAction::End, _) => {
            return Err(format!(
                "is at step {} of {}, and its end would be a jump; `dosewright course back {}` takes it back, a step a day",
                course.step, course.days, course.number
            ));
        }
        (CourseAction::Pause | CourseAction::Resume, Complete) => {
            return Err(
                "is complete and stays so; write it into plan.toml, or step back".to_owned(),
            );
        }
        (CourseAction::Pause, _) => return Err("is paused already".to_owned()),
        (CourseAction::Resume, _) => return Err("goes forward already".to_owned()),
        (CourseAction::Confirm { .. }, _) => {
            return Err("is a changeover; there is nothing to confirm".to_owned());
        }
    };
    // The day of the change must be a real one before the next step.
    Ok(Course {
        state,
        since: today,
        ..course
    })
}

/// A top-up goes on when a sample taken since it was last looked at says so.
fn check_review(
    course: &Course,
    (days, read): (u32, Timestamp),
    controller: &Controller,
    now: Now,
) -> Result<(), String> {
    if !course.is_top_up() {
        return Err("has an aim and ends by itself; there is nothing to confirm".to_owned());
    }
    if !(1..=REVIEW_DAYS_MAX).contains(&days) {
        return Err(format!(
            "cannot go on for {days} days without a look; give 1 to {REVIEW_DAYS_MAX}"
        ));
    }
    if read <= course.at.wall || read > now.wall {
        return Err(format!(
            "is confirmed by a sample taken after {}, when it was last looked at, and not in the future; this one is of {}",
            controller.local(course.at.wall),
            controller.local(read)
        ));
    }
    Ok(())
}
