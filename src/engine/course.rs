//! Courses as they are asked for: worked out, shown and begun.
//!
//! A course changes volumes of slots and nothing else: each dose still passes the guard. A day on which little or nothing was
//! given (a hold, an outage) is not made up for: a course gives at most what it says, and may give less.
//!
//! Beside each other: one changeover at a time; any number of additions on a line, as long as none of them pulls the other way on that
//! line or on that quantity. An addition on a line of a changeover goes along with what the line gives.

use jiff::civil::Date;

use super::effect::{Denial, Ticket};
use super::event::Now;
use super::figures::{CourseDay, CourseFigures};
use super::state::{Engine, InForce};
use super::wish::{CourseWish, Figures, NewCourse, Worked};
use crate::chemistry::Quantity;
use crate::plan::{
    Carrier, CourseError, DailyVolumes, Outlook, ShiftShape, departed, equal_days, hold_fall,
    rises_of_day,
};
use crate::quantity::{Alkalinity, Name, Volume};
use crate::record::{Course, CourseState, Departure, Ends, Who};

/// Courses that may be under way together; each needs an owner who watches it. Ours.
const COURSES_MAX: usize = 8;

/// Days from one review of a top-up to the next at most: a quarter of a year. Ours.
pub(super) const REVIEW_DAYS_MAX: u32 = 92;

pub(super) fn refused(why: impl Into<String>) -> Denial {
    Denial::new("course-refused", why)
}

impl Engine {
    pub(super) fn work_out_course(&self, new: &NewCourse, now: Now) -> Result<Worked, Denial> {
        self.clock_for_course()?;
        let course = self
            .wanted(&new.what, now)
            .map_err(|error| refused(error.to_string()))?;
        may_stand_beside(&self.in_force, &course).map_err(refused)?;
        let by_day = self
            .hold_course(&self.in_force, &course, now)
            .map_err(|error| refused(error.to_string()))?;
        Ok(Worked {
            text: self.proposal_words(&course, &by_day),
            figures: Figures::Course(CourseFigures {
                course: course.number,
                what: course.what,
                days: course.days,
                since: course.since,
                by_day,
            }),
            ask_twice: None,
            quiet: None,
            seen: None,
        })
    }

    /// Whether a course may be begun now, beside those under way.
    ///
    /// # Errors
    /// Why not, as its proposal would say.
    pub fn may_begin(&self, course: &NewCourse, now: Now) -> Result<(), String> {
        let worked = self.work_out_course(course, now);
        worked.map(drop).map_err(|denial| denial.text)
    }

    pub(super) fn begin_course(
        &mut self,
        new: NewCourse,
        shown: CourseFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let begun = self.new_course(shown.what, (shown.days, shown.since), now);
        let course = Course {
            note: new.note.into(),
            ..begun
        };
        self.put_course(course, who, Some(ticket), now);
    }

    /// The next course, as it begins.
    pub(super) fn new_course(
        &self,
        what: Departure,
        (days, since): (u32, Date),
        now: Now,
    ) -> Course {
        Course {
            number: self.in_force.next_course(),
            what,
            days,
            step: 0,
            since,
            state: CourseState::Running,
            live: self.live,
            note: String::new(),
            who: Who::Daemon,
            at: self.stamp(now),
        }
    }

    fn wanted(&self, wish: &CourseWish, now: Now) -> Result<Course, CourseError> {
        let today = self.in_force.local_date(now.wall);
        let tomorrow = today.tomorrow().unwrap_or(today);
        let (what, days, since) = match wish {
            CourseWish::Change {
                line,
                of,
                by,
                at_most_per_day,
            } => {
                let (days, per_day) = equal_days(by.abs(), *at_most_per_day)?;
                let per_day = per_day.copysign(*by);
                (
                    self.addition(&self.in_force, (line, of, per_day), Ends::Aim)?,
                    days,
                    tomorrow,
                )
            }
            CourseWish::TopUp {
                line,
                of,
                per_day,
                days,
            } => {
                equal_days(*per_day, *per_day)?;
                if !(1..=REVIEW_DAYS_MAX).contains(days) {
                    return Err(CourseError::Days {
                        days: *days,
                        longest: REVIEW_DAYS_MAX,
                    });
                }
                let what = self.addition(&self.in_force, (line, of, *per_day), Ends::Review)?;
                (what, *days, tomorrow)
            }
            CourseWish::Changeover { from, to, of, days } => {
                let what = Departure::Shift {
                    from: from.clone(),
                    to: to.clone(),
                    of: of.clone(),
                };
                (what, *days, today)
            }
        };
        Ok(self.new_course(what, (days, since), now))
    }

    /// So much a day on a line, by what is in its bottle now.
    pub(super) fn addition(
        &self,
        in_force: &InForce,
        (line, of, per_day): (&Name, &Quantity, f64),
        ends: Ends,
    ) -> Result<Departure, CourseError> {
        let carrier = self.carrier(in_force, (line, of))?;
        let shape = self.shape_in(in_force);
        let step = shape.as_ref().zip(in_force.shift().map(|c| c.step));
        let given = departed(&in_force.standing_volumes(), step, &DailyVolumes::new());
        if given.get(line).is_none_or(|v| *v <= Volume::ZERO) {
            return Err(CourseError::NotPlanned { line: line.clone() });
        }
        let none = CourseError::Value {
            what: "the volume a day in mL",
            value: per_day.abs() / carrier.per_ml,
        };
        let extra = carrier.volume_of(per_day);
        Ok(Departure::Add {
            line: line.clone(),
            of: of.clone(),
            per_day,
            ends,
            standing: in_force.standing_of(line),
            extra: extra.filter(|extra| *extra != Volume::ZERO).ok_or(none)?,
        })
    }

    fn carrier(
        &self,
        in_force: &InForce,
        (line, of): (&Name, &Quantity),
    ) -> Result<Carrier, CourseError> {
        Carrier::of(
            (&in_force.controller, &in_force.plan),
            (line, of),
            self.dose_min(line),
        )
    }

    /// The days of a course from today on as they would be given, each of them and every 24 h across their midnights held against all
    /// limits. Others count with the most they may give on any day, paused ones too.
    pub(super) fn hold_course(
        &self,
        in_force: &InForce,
        course: &Course,
        now: Now,
    ) -> Result<Vec<CourseDay>, CourseError> {
        let today = in_force.local_date(now.wall);
        let standing = in_force.standing_volumes();
        let (shape, lines) = self.moved_by(in_force, course, &standing)?;
        let moves = if course.what.is_shift() {
            Some(course)
        } else {
            in_force.shift()
        };
        let lowers = matches!(course.what, Departure::Add { per_day, .. } if per_day < 0.0);
        let (mut shown, mut most) = (Vec::new(), Vec::new());
        for day in 0..=days_ahead(course, today) {
            let date = today
                .checked_add(jiff::Span::new().days(i64::from(day)))
                .unwrap_or(Date::MAX);
            let step = shape.as_ref().zip(moves.map(|c| step_after(c, day)));
            let forecast = in_force.extras(Some(course), |c, _| c.in_force_on(date));
            let volumes = departed(&standing, step, &forecast);
            if lowers && day > 0 {
                let less = in_force.extras(Some(course), |_, extra| extra < Volume::ZERO);
                let size = |(line, extra)| (line, Volume::ZERO.saturating_sub(extra));
                let less = less.into_iter().map(size).collect();
                let without = departed(&standing, step, &DailyVolumes::new());
                for carrier in &lines {
                    let controller = (&*in_force.controller, &in_force.plan.uptakes);
                    hold_fall(controller, (day, &without), &less, carrier)?;
                }
            }
            let counts = |c: &Course| c.number != course.number || day > 0;
            let raises =
                in_force.extras(Some(course), |c, extra| extra > Volume::ZERO && counts(c));
            most.push(departed(&standing, step, &raises));
            let of_course = lines.iter().filter_map(|carrier| {
                let volume = volumes.get(&carrier.line).copied()?;
                Some((carrier.line.clone(), volume))
            });
            shown.push(CourseDay {
                date,
                volumes: of_course.collect(),
                alkalinity: rises_of_day(&in_force.controller, &volumes).alkalinity,
                across_midnight: None,
            });
        }
        // What gives less is over no limit that was kept without it.
        if !lowers {
            let crossings = outlook(in_force, course, (today, most)).hold(&lines)?;
            for (day, crossing) in shown.iter_mut().skip(1).zip(crossings) {
                let rise = crossing.rise_of(&Quantity::Alkalinity);
                day.across_midnight = Some(Alkalinity::from_dkh(rise));
            }
        }
        Ok(shown)
    }

    /// The changeover that goes on beside a course, or is it, and the lines that the course moves.
    fn moved_by(
        &self,
        in_force: &InForce,
        course: &Course,
        standing: &DailyVolumes,
    ) -> Result<(Option<ShiftShape>, Vec<Carrier>), CourseError> {
        let (from, to, of) = match &course.what {
            Departure::Add { line, of, .. } => {
                return Ok((
                    self.shape_in(in_force),
                    vec![self.carrier(in_force, (line, of))?],
                ));
            }
            Departure::Shift { from, to, of } => (from, to, of),
        };
        let begins = in_force.shift().is_none_or(|s| s.number != course.number);
        let work_out = if begins {
            ShiftShape::to_begin
        } else {
            ShiftShape::of
        };
        let shape = work_out(
            (&in_force.controller, &in_force.plan),
            standing,
            (from, to, of),
            course.days,
            &|line| self.dose_min(line),
        )?;
        let lines = vec![shape.from.clone(), shape.to.clone()];
        Ok((Some(shape), lines))
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
}

pub(super) fn may_stand_beside(in_force: &InForce, course: &Course) -> Result<(), String> {
    if in_force.courses().len() >= COURSES_MAX {
        return Err(format!(
            "{COURSES_MAX} courses are under way already; end one first"
        ));
    }
    for other in in_force.courses() {
        let number = other.number;
        match (&course.what, &other.what) {
            (Departure::Shift { .. }, Departure::Shift { .. }) => {
                return Err(format!("{other} is under way; one changeover at a time"));
            }
            (
                Departure::Add {
                    line, of, per_day, ..
                },
                Departure::Add {
                    line: other_line,
                    of: other_of,
                    per_day: against,
                    ..
                },
            ) if per_day * against < 0.0 && (line == other_line || of == other_of) => {
                return Err(format!(
                    "course {number} is a {} and pulls the other way; end it first",
                    other.what
                ));
            }
            (Departure::Add { .. } | Departure::Shift { .. }, _) => {}
        }
    }
    Ok(())
}

fn outlook<'a>(
    in_force: &'a InForce,
    course: &Course,
    (today, days): (Date, Vec<DailyVolumes>),
) -> Outlook<'a> {
    let way = if course.what.is_shift() {
        "take more days for it, or use a solution of another strength"
    } else {
        "raise by less a day, or use a stronger solution"
    };
    // A course of something else need not answer for the alkalinity that is planned without it.
    let asked = course.what.is_shift()
        || in_force
            .controller
            .effect_of(course.what.line())
            .is_some_and(crate::chemistry::SolutionEffect::carries_alkalinity);
    Outlook {
        controller: &in_force.controller,
        plan: &in_force.plan,
        uptake: in_force.uptake().filter(|_| asked),
        today,
        days,
        way,
    }
}

/// Local days from today to the last of a course.
fn days_ahead(course: &Course, today: Date) -> u32 {
    let left = if course.what.is_shift() {
        course.days.saturating_sub(course.step)
    } else {
        u32::try_from((course.last() - today).get_days()).unwrap_or(0)
    };
    left.min(crate::plan::AIM_DAYS_MAX)
}

/// The step of a changeover so many days on.
fn step_after(course: &Course, days: u32) -> u32 {
    match course.state {
        CourseState::Running => course.step.saturating_add(days).min(course.days),
        CourseState::Back => course.step.saturating_sub(days),
        CourseState::Paused
        | CourseState::PausedBack
        | CourseState::Complete
        | CourseState::Ended => course.step,
    }
}
