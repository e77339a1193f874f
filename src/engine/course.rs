//! Courses: a finite extra on one line, on whole local days, on top of its standing volume.
//!
//! A course changes volumes of slots and nothing else: each dose still passes the guard. A day on which little or nothing was
//! given (a hold, an outage) is not made up for: a course gives at most what it says, and may give less.

use super::alarms::AlarmCode;
use super::ask::CourseAction;
use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use super::wish::{CourseFigures, Figures, NewCourse, Worked};
use crate::chemistry::{Quantity, Rises, amount, figures, rises_words};
use crate::plan::{DailyVolumes, check_course, shape_course};
use crate::quantity::{Alkalinity, Name, Volume};
use crate::record::{Course, CourseKind, CourseState, Entry, Who};
use jiff::Timestamp;
use jiff::civil::Date;

/// Courses that may be under way together; each needs an owner who watches it. Ours.
const COURSES_MAX: usize = 8;

/// Days from one review of a top-up to the next at most: a quarter of a year. Ours.
pub(super) const REVIEW_DAYS_MAX: u32 = 92;

/// An alarm asks for the review of a top-up when it gives for so many more days. Ours: time for a lab to answer is the owner's to plan,
/// this is time to test at home.
const REVIEW_ASKED_DAYS: u32 = 3;

/// What a course must not go without being told.
const CLAMPED: &str = "without a fresh reading, or above the band, alkalinity stays at uptake and the course is clamped";

impl Engine {
    /// The standing volumes and what the courses in force add.
    pub(super) fn planned_volumes(&self) -> DailyVolumes {
        let mut daily = crate::plan::plan_daily_volumes(&self.plan);
        self.overlay_changeover(&mut daily);
        for (line, extra) in &self.course_extra {
            // A line that has left the plan, waits for a changeover or has faded out gives nothing, its course neither.
            if let Some(volume) = daily.get_mut(line).filter(|v| **v > Volume::ZERO) {
                *volume = volume.saturating_add(*extra);
            }
        }
        daily
    }

    /// Ends courses whose days are over, and finds what those in force add today.
    pub(super) fn follow_courses(&mut self, now: Now) {
        if self.courses.is_empty() || self.clock.unsure.is_some() {
            return;
        }
        let today = self.local_date(now.wall);
        let over: Vec<Course> = self
            .courses
            .iter()
            .filter(|course| course.is_over_on(today))
            .cloned()
            .collect();
        for course in over {
            let ended = Course {
                state: CourseState::Ended,
                ..course
            };
            if ended.kind == CourseKind::TopUp {
                let text = format!(
                    "course {} on line {} gives nothing more: it came to its review date and no reading confirmed it; test {}, then begin a new one if it is still needed",
                    ended.number, ended.line, ended.raises
                );
                let subject = ended.number.to_string();
                self.raise(AlarmCode::TopUpReview, &subject, text, now);
            }
            // Its cause is over with it: the alarm stays until it is seen, no longer.
            self.put_course(ended, Who::Daemon, None, now);
        }
        self.courses_changed(today, now);
        self.ask_for_reviews(today, now);
    }

    /// Asks for a reading in time before the review date of a top-up.
    fn ask_for_reviews(&mut self, today: Date, now: Now) {
        let due: Vec<(String, Option<String>)> = self
            .courses
            .iter()
            .filter(|c| c.kind == CourseKind::TopUp)
            .map(|course| {
                let left = course.days.saturating_sub(course.days_begun(today));
                let asks = course.state == CourseState::Running && left < REVIEW_ASKED_DAYS;
                let text = asks.then(|| {
                    format!(
                        "course {} on line {} stops after {} unless a new reading confirms it; test {}, then `dosewright course confirm {} --review-days 30`, or let it end",
                        course.number, course.line, course.last(), course.raises, course.number
                    )
                });
                (course.number.to_string(), text)
            })
            .collect();
        for (subject, text) in due {
            self.alarm_if(AlarmCode::TopUpReview, &subject, text, now);
        }
    }

    fn courses_changed(&mut self, today: Date, now: Now) {
        let mut extra = DailyVolumes::new();
        for course in self.courses.iter().filter(|c| c.in_force_on(today)) {
            let sum = extra.entry(course.line.clone()).or_default();
            *sum = sum.saturating_add(course.extra);
        }
        if extra != self.course_extra {
            self.course_extra = extra;
            self.touch_all_lines();
            self.follow_ramp(now);
        }
    }

    pub(super) fn work_out_course(&self, new: &NewCourse, now: Now) -> Result<Worked, Denial> {
        self.clock_for_course()?;
        let refuse = |why: String| Denial::new("course-refused", why);
        let config = self
            .line_config(&new.line)
            .ok_or_else(|| self.no_line(&new.line))?;
        let effect = self.controller.solutions.get(&config.solution);
        let adds = |volume| {
            let parts: Vec<_> = effect.map(|s| (&s.effect, volume)).into_iter().collect();
            Rises::of(&parts, self.controller.tank)
        };
        // A whole litre, so that what 1 mL adds keeps all its figures.
        let litre = adds(Volume::from_ul(1_000_000));
        let per_ml = match &new.raises {
            Quantity::Alkalinity => litre.alkalinity.as_dkh() / 1000.0,
            Quantity::Element(element) => litre.element(element).as_mg_per_l() / 1000.0,
        };
        let shape = shape_course(new.by, new.at_most_per_day, per_ml)
            .map_err(|error| refuse(error.to_string()))?;
        let longest = match new.kind {
            CourseKind::Once => 365,
            CourseKind::TopUp => REVIEW_DAYS_MAX,
        };
        if !(1..=longest).contains(&shape.days) {
            return Err(refuse(format!(
                "{} days are no length of such a course; give 1 to {longest}",
                shape.days
            )));
        }
        if self.courses.len() >= COURSES_MAX {
            return Err(refuse(format!(
                "{COURSES_MAX} courses are under way already; end one first"
            )));
        }
        let extra = self
            .extra_of_others(&new.line, None)
            .saturating_add(shape.extra);
        check_course(
            &self.controller,
            &self.plan,
            &new.line,
            extra,
            self.uptake(),
        )
        .map_err(|error| refuse(error.to_string()))?;
        let days = f64::from(shape.days);
        let shown = CourseFigures {
            line: new.line.clone(),
            raises: new.raises.clone(),
            rise_per_day: shape.rise_per_day,
            rise: shape.rise_per_day * days,
            extra: shape.extra,
            days: shape.days,
            first_date: self.tomorrow(now),
            total: shape.extra.scaled(days).unwrap_or(shape.extra),
            with_all: self.standing_of(&new.line).saturating_add(extra),
        };
        Ok(Worked {
            text: course_words(&shown, new.kind, &adds(shape.extra)),
            figures: Figures::Course(shown),
            ask_twice: None,
            quiet: None,
        })
    }

    pub(super) fn begin_course(
        &mut self,
        new: NewCourse,
        shown: &CourseFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        self.course_last = self.course_last.saturating_add(1);
        let course = Course {
            number: self.course_last,
            kind: new.kind,
            standing: self.standing_of(&new.line),
            line: new.line,
            // The record keeps alkalinity in meq/L.
            rise_per_day: match new.raises {
                Quantity::Alkalinity => Alkalinity::from_dkh(shown.rise_per_day).as_meq_per_l(),
                Quantity::Element(_) => shown.rise_per_day,
            },
            raises: new.raises,
            extra: shown.extra,
            first: shown.first_date,
            days: shown.days,
            state: CourseState::Running,
            note: new.note.into(),
            who: who.clone(),
            at: self.stamp(now),
        };
        self.put_course(course, who, Some(ticket), now);
    }

    pub(super) fn set_course(
        &mut self,
        number: i64,
        action: CourseAction,
        ticket: Ticket,
        who: Who,
        now: Now,
    ) -> Result<(), Denial> {
        self.clock_for_course()?;
        let course = self.courses.iter().find(|c| c.number == number).cloned();
        let course = course.ok_or_else(|| {
            Denial::new(
                "unknown-course",
                format!(
                    "there is no course {number} under way; `dosewright course list` shows them"
                ),
            )
        })?;
        let refuse = |why: &str| Denial::new("course-refused", format!("course {number} {why}"));
        let today = self.local_date(now.wall);
        let mut changed = match (action, course.state) {
            (CourseAction::Pause, CourseState::Running) => {
                // The day that has begun counts as given, so that no day is given twice.
                let left = course.days.saturating_sub(course.days_begun(today));
                Course {
                    days: left,
                    state: CourseState::Paused,
                    ..course
                }
            }
            (CourseAction::Resume, CourseState::Paused) => {
                self.may_go_on(&course)?;
                Course {
                    first: self.tomorrow(now),
                    state: CourseState::Running,
                    standing: self.standing_of(&course.line),
                    ..course
                }
            }
            (CourseAction::Confirm { days, read }, CourseState::Running) => {
                Self::check_review(&course, (days, read), now)?;
                self.may_go_on(&course)?;
                Course {
                    days: course.days_begun(today).saturating_add(days),
                    standing: self.standing_of(&course.line),
                    ..course
                }
            }
            (CourseAction::Confirm { .. }, _) => {
                return Err(refuse("is paused; resume it first"));
            }
            (CourseAction::End, CourseState::Running | CourseState::Paused) => Course {
                days: course.days_begun(today),
                state: CourseState::Ended,
                ..course
            },
            (CourseAction::Pause, _) => return Err(refuse("is paused already")),
            (CourseAction::Resume, _) => return Err(refuse("runs already")),
            (CourseAction::End, CourseState::Ended) => return Err(refuse("is over already")),
        };
        if changed.state == CourseState::Paused && changed.days == 0 {
            changed.state = CourseState::Ended;
        }
        self.put_course(changed, who, Some(ticket), now);
        self.courses_changed(today, now);
        Ok(())
    }

    /// Whether the plan and the limits of today still leave room for it.
    fn may_go_on(&self, course: &Course) -> Result<(), Denial> {
        let others = self.extra_of_others(&course.line, Some(course.number));
        let all = others.saturating_add(course.extra);
        check_course(
            &self.controller,
            &self.plan,
            &course.line,
            all,
            self.uptake(),
        )
        .map_err(|error| {
            let number = course.number;
            Denial::new(
                "course-refused",
                format!("course {number} cannot go on: {error}"),
            )
        })
    }

    /// A top-up goes on when a sample taken since it was last looked at says so.
    fn check_review(
        course: &Course,
        (days, read): (u32, Timestamp),
        now: Now,
    ) -> Result<(), Denial> {
        let refuse = |why: String| {
            let number = course.number;
            Err(Denial::new(
                "course-refused",
                format!("course {number} {why}"),
            ))
        };
        if course.kind != CourseKind::TopUp {
            return refuse("has an aim and ends by itself; there is nothing to confirm".to_owned());
        }
        if !(1..=REVIEW_DAYS_MAX).contains(&days) {
            return refuse(format!(
                "cannot go on for {days} days without a look; give 1 to {REVIEW_DAYS_MAX}"
            ));
        }
        if read <= course.at.wall || read > now.wall {
            return refuse(format!(
                "is confirmed by a sample taken after {:.0}, when it was last looked at, and not in the future; this one is of {read:.0}",
                course.at.wall
            ));
        }
        Ok(())
    }

    /// Dates need a clock.
    pub(super) fn clock_for_course(&self) -> Result<(), Denial> {
        match &self.clock.unsure {
            None => Ok(()),
            Some(why) => Err(Denial::new(
                "clock-unsure",
                format!("this needs dates, and the clock is not trusted: {why}"),
            )),
        }
    }

    fn tomorrow(&self, now: Now) -> Date {
        let today = self.local_date(now.wall);
        today.tomorrow().unwrap_or(today)
    }

    pub(super) fn standing_of(&self, line: &Name) -> Volume {
        let daily = crate::plan::plan_daily_volumes(&self.plan);
        daily.get(line).copied().unwrap_or(Volume::ZERO)
    }

    /// What other courses may add to a line on any day, paused ones included.
    pub(super) fn extra_of_others(&self, line: &Name, not: Option<i64>) -> Volume {
        self.courses
            .iter()
            .filter(|c| c.line == *line && Some(c.number) != not)
            .map(|c| c.extra)
            .sum()
    }

    /// Keeps the new state and writes it down.
    fn put_course(&mut self, course: Course, who: Who, ticket: Option<Ticket>, now: Now) {
        let course = Course {
            who,
            at: self.stamp(now),
            ..course
        };
        self.courses.retain(|known| known.number != course.number);
        if course.kind == CourseKind::TopUp && course.state != CourseState::Running {
            self.clear(AlarmCode::TopUpReview, &course.number.to_string(), now);
        }
        let text = match course.state {
            CourseState::Running => format!(
                "course {}: {} more a day on line {}, from {} for {} days",
                course.number, course.extra, course.line, course.first, course.days
            ),
            CourseState::Paused => format!(
                "course {} is paused with {} days to come; nothing more of it is given until it is resumed",
                course.number, course.days
            ),
            CourseState::Ended => {
                format!("course {} on line {} is over", course.number, course.line)
            }
        };
        if course.state != CourseState::Ended {
            self.courses.push(course.clone());
        }
        self.mark_written(now);
        self.store(
            Entry::Course(course),
            ticket.map(|ticket| (ticket, Answer::Done { text })),
        );
    }
}

/// A course for people, before it begins.
fn course_words(shown: &CourseFigures, kind: CourseKind, each: &Rises) -> Vec<String> {
    let CourseFigures {
        line,
        raises,
        extra,
        days,
        total,
        with_all,
        ..
    } = shown;
    let in_words = |value: f64| match raises {
        Quantity::Alkalinity => format!("{} dKH", figures(value)),
        Quantity::Element(_) => amount(value),
    };
    let ends = match kind {
        CourseKind::Once => {
            "ends by itself; a missed day is not made up for. Test before, in the middle and after."
        }
        CourseKind::TopUp => {
            "stops after these days unless a new reading confirms it (dosewright course confirm); a missed day is not made up for"
        }
    };
    let mut text = vec![
        format!(
            "{extra} more a day on line {line} for {days} days, {total} in all: with its plan and all its courses {with_all} a day, split over its doses"
        ),
        format!(
            "raises {raises} by {} a day, {} in all, if nothing is taken up meanwhile",
            in_words(shown.rise_per_day),
            in_words(shown.rise)
        ),
        format!("each day's extra adds {}", rises_words(each)),
        format!("begins with the next local day and {ends}"),
    ];
    if *raises == Quantity::Alkalinity {
        text.push(CLAMPED.to_owned());
    }
    text
}
