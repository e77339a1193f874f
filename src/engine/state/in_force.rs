//! The plan in force: what the files say, what is told of uptakes and outlets, and the courses under way.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::Timestamp;
use jiff::civil::Date;

use crate::chemistry::Quantity;
use crate::config::{Controller, Line, Plan, StartUptake, Uptakes};
use crate::plan::{BusiestHour, DailyVolumes, Schedule, plan_daily_volumes, worked_out};
use crate::quantity::{Alkalinity, Millis, Name, Volume};
use crate::record::{Corridor, Course, CourseState, Departure, Stamp, Uptake, starts_not_in_force};

#[derive(Debug, Clone)]
pub(crate) struct InForce {
    /// controller.toml with what was told of bottles and tubes since.
    pub(crate) controller: Arc<Controller>,
    /// plan.toml with the volumes that follow from the uptakes in force and from what the outlets give.
    pub(crate) plan: Arc<Plan>,
    pub(crate) schedule: Schedule,
    /// The newest uptake of each quantity.
    uptakes: BTreeMap<Quantity, Uptake>,
    /// Courses that are not over.
    courses: Vec<Course>,
    /// Courses that ended by their date, as they ran before, with when that was.
    ended: Vec<(Course, Stamp)>,
    /// Highest number of a course so far.
    course_last: i64,
    extras: CourseExtras,
    /// Corridors that are granted, and when each stepped last in this run.
    corridors: BTreeMap<Quantity, (Corridor, Option<Millis>)>,
    /// The busiest hour of the volumes in force, and the day and volumes that it is of; `None` for times that have changed since.
    busiest_hour: BusiestHour,
    busiest_of: Option<(Date, DailyVolumes)>,
    watched_from: Millis,
}

/// What additions put on each line or take off it.
#[derive(Debug, Clone, Default)]
pub(crate) struct CourseExtras {
    pub(crate) today: DailyVolumes,
    /// Before they last changed,
    pub(crate) before: DailyVolumes,
    /// and when that was.
    pub(crate) since: Millis,
}

impl InForce {
    pub(crate) fn new(
        (controller, plan): (&Arc<Controller>, &Arc<Plan>),
        (uptakes, corridors): (Vec<Uptake>, Vec<Corridor>),
        (courses, ended): (Vec<Course>, Vec<(Course, Stamp)>),
        now: Millis,
    ) -> Self {
        Self {
            controller: Arc::clone(controller),
            plan: Arc::clone(plan),
            schedule: Schedule::new(Arc::clone(controller), plan),
            uptakes: uptakes.into_iter().map(|u| (u.of.clone(), u)).collect(),
            course_last: courses.iter().map(|c| c.number).max().unwrap_or(0),
            courses: courses
                .into_iter()
                .filter(|course| course.state != CourseState::Ended)
                .collect(),
            ended,
            extras: CourseExtras::default(),
            corridors: corridors
                .into_iter()
                .filter(|corridor| corridor.ended.is_none())
                .map(|corridor| (corridor.grant.of.clone(), (corridor, None)))
                .collect(),
            busiest_hour: BusiestHour::default(),
            busiest_of: None,
            watched_from: now,
        }
    }

    pub(crate) fn local_date(&self, wall: Timestamp) -> Date {
        self.controller.time_zone.to_datetime(wall).date()
    }

    pub(crate) fn line_config(&self, line: &Name) -> Option<&Line> {
        self.controller.lines.iter().find(|l| l.name == *line)
    }

    /// Takes a plan that was read again; its volumes are to be worked out yet.
    pub(crate) fn replace_plan(&mut self, plan: Arc<Plan>, now: Millis) {
        self.schedule = Schedule::new(Arc::clone(&self.controller), &plan);
        self.plan = plan;
        self.outlet_changed(now);
    }

    /// Times or volumes of slots are others from now on.
    pub(crate) fn outlet_changed(&mut self, now: Millis) {
        self.busiest_of = None;
        self.watch_anew(now);
    }

    /// What was given so far was given by another measure.
    pub(crate) fn watch_anew(&mut self, now: Millis) {
        self.watched_from = now;
    }

    /// How long the plan in force has been watched.
    pub(crate) fn watched_for(&self, now: Millis) -> Millis {
        now.minus(self.watched_from)
    }

    /// Works the daily volumes out anew: an uptake, the plan or what leaves an outlet has changed.
    pub(crate) fn work_out(&mut self) {
        let recorded = self.recorded_uptakes();
        self.plan = Arc::new(worked_out(&self.plan, &self.controller, &recorded));
    }

    pub(crate) fn recorded_uptakes(&self) -> Uptakes {
        let each = self.uptakes.iter();
        each.map(|(of, uptake)| (of.clone(), uptake.uptake))
            .collect()
    }

    pub(crate) fn recorded_uptake(&self, of: &Quantity) -> Option<&Uptake> {
        self.uptakes.get(of)
    }

    pub(crate) fn put_uptake(&mut self, uptake: Uptake) {
        self.uptakes.insert(uptake.of.clone(), uptake);
    }

    pub(crate) fn starts_not_in_force(&self) -> Vec<String> {
        starts_not_in_force(&self.plan, &self.uptakes, &self.controller.time_zone)
    }

    /// Established uptake of a quantity per day, in its unit. The one place that tells it.
    pub(crate) fn uptake_of(&self, of: &Quantity) -> Option<f64> {
        self.plan.uptakes.get(of).copied()
    }

    pub(crate) fn uptake(&self) -> Option<Alkalinity> {
        self.uptake_of(&Quantity::Alkalinity)
            .map(Alkalinity::from_dkh)
    }

    /// Whether a line goes by an uptake that is alkalinity's, or tied to it and without one of its own.
    pub(crate) fn goes_with_alkalinity(&self, line: &Name) -> bool {
        let planned = self.plan.lines.iter().find(|p| p.line == *line);
        planned.and_then(|p| p.gives.of()).is_some_and(|of| {
            let tied = self.plan.starts.get(of) == Some(&StartUptake::WithAlkalinity);
            *of == Quantity::Alkalinity || (tied && !self.uptakes.contains_key(of))
        })
    }

    pub(crate) fn carries(&self, line: &Name, of: &Quantity) -> bool {
        self.controller.outlet(line).is_some_and(|outlet| {
            outlet.solution().effect.carries(of) || outlet.bottle.effect.carries(of)
        })
    }

    /// How much of a quantity these volumes add, in its unit.
    pub(crate) fn amount_in(&self, of: &Quantity, daily: &DailyVolumes) -> f64 {
        let rises = daily.iter().filter_map(|(line, volume)| {
            let effect = self.controller.effect_of(line)?;
            Some(effect.rise(of, *volume, self.controller.tank))
        });
        rises.sum()
    }

    /// What the plan says, without courses.
    pub(crate) fn standing_volumes(&self) -> DailyVolumes {
        plan_daily_volumes(&self.plan)
    }

    pub(crate) fn standing_of(&self, line: &Name) -> Volume {
        let daily = self.standing_volumes();
        daily.get(line).copied().unwrap_or(Volume::ZERO)
    }

    /// Volume of the line's largest planned dose, zero when it has no plan.
    pub(crate) fn largest_slot(&self, line: &Name) -> Volume {
        self.schedule
            .largest_slot(line, &self.standing_volumes())
            .unwrap_or(Volume::ZERO)
    }

    pub(crate) const fn busiest_hour(&self) -> &BusiestHour {
        &self.busiest_hour
    }

    /// The hourly limits follow the busiest hour of what is planned.
    pub(crate) fn follow_hours(&mut self, of: (Date, DailyVolumes)) {
        if self.busiest_of.as_ref() != Some(&of) {
            let (today, daily) = &of;
            self.busiest_hour =
                BusiestHour::around(&self.controller, &mut self.schedule, *today, daily);
            self.busiest_of = Some(of);
        }
    }

    pub(crate) fn courses(&self) -> &[Course] {
        &self.courses
    }

    /// The changeover that is under way: until plan and water agree again.
    pub(crate) fn shift(&self) -> Option<&Course> {
        self.courses.iter().find(|c| c.what.is_shift())
    }

    pub(crate) const fn next_course(&self) -> i64 {
        self.course_last.saturating_add(1)
    }

    /// Keeps the new state of a course. Whether that moves a changeover.
    pub(crate) fn put_course(&mut self, course: &Course) -> bool {
        let step = |all: &Self| all.shift().map(|c| (c.number, c.step));
        let before = step(self);
        self.course_last = self.course_last.max(course.number);
        self.courses.retain(|known| known.number != course.number);
        self.ended.retain(|(was, _)| was.number != course.number);
        if course.state != CourseState::Ended {
            self.courses.push(course.clone());
        }
        step(self) != before
    }

    pub(crate) fn corridors(&self) -> impl Iterator<Item = &Corridor> {
        self.corridors.values().map(|(corridor, _)| corridor)
    }

    pub(crate) fn corridor(&self, of: &Quantity) -> Option<&Corridor> {
        self.corridors.get(of).map(|(corridor, _)| corridor)
    }

    /// Keeps the new state of a corridor.
    pub(crate) fn put_corridor(&mut self, corridor: Corridor) {
        self.corridors.remove(&corridor.grant.of);
        if corridor.ended.is_none() {
            let of = corridor.grant.of.clone();
            self.corridors.insert(of, (corridor, None));
        }
    }

    pub(crate) fn forget_corridor(&mut self, of: &Quantity) {
        self.corridors.remove(of);
    }

    /// When it stepped last in this run.
    pub(crate) fn corridor_stepped(&self, of: &Quantity) -> Option<Millis> {
        self.corridors.get(of)?.1
    }

    pub(crate) fn corridor_steps(&mut self, of: &Quantity, at: Millis) {
        if let Some((_, stepped)) = self.corridors.get_mut(of) {
            *stepped = Some(at);
        }
    }

    /// A course that has just ended by its date, as it ran before.
    pub(crate) fn ended_by_date(&mut self, was: Course, at: Stamp) {
        self.ended.push((was, at));
    }

    pub(crate) fn ended(&self) -> &[(Course, Stamp)] {
        &self.ended
    }

    /// Takes out the courses that were begun in the other mode.
    pub(crate) fn set_aside(&mut self, live: bool) -> Vec<Course> {
        let of_mode = |course: &mut Course| course.live != live;
        self.courses.extract_if(.., of_mode).collect()
    }

    pub(crate) const fn course_extras(&self) -> &CourseExtras {
        &self.extras
    }

    /// Finds what additions make of today's volumes. Whether that has changed.
    pub(crate) fn follow_extras(&mut self, today: Date, now: Millis) -> bool {
        let extra = self.extras(None, |course, _| course.in_force_on(today));
        let changed = extra != self.extras.today;
        if changed {
            let before = std::mem::replace(&mut self.extras.today, extra);
            self.extras.before = before;
            self.extras.since = now;
        }
        changed
    }

    /// What additions put on each line or take off it: of those that are under way, and of one that is asked for in place of its like.
    pub(crate) fn extras(
        &self,
        own: Option<&Course>,
        counts: impl Fn(&Course, Volume) -> bool,
    ) -> DailyVolumes {
        self.extras_by(&self.controller, own, counts)
    }

    /// The same by what another controller says that outlets give.
    pub(crate) fn extras_by(
        &self,
        controller: &Controller,
        own: Option<&Course>,
        counts: impl Fn(&Course, Volume) -> bool,
    ) -> DailyVolumes {
        let others = self.courses.iter();
        let others = others.filter(|c| own.is_none_or(|own| own.number != c.number));
        let mut sums = DailyVolumes::new();
        for course in others.chain(own) {
            let Departure::Add {
                line, of, per_day, ..
            } = &course.what
            else {
                continue;
            };
            // What the line carries nothing of any more is not given.
            let extra = crate::plan::extra_a_day(controller, line, of, *per_day);
            let extra = extra.unwrap_or(Volume::ZERO);
            if counts(course, extra) {
                let sum = sums.entry(line.clone()).or_default();
                *sum = sum.saturating_add(extra);
            }
        }
        sums
    }
}
