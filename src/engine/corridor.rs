//! Corridors: the owner lets the standing addition follow the estimate, so far and so long, by small steps without being asked.
//!
//! A step is a new uptake in force, at most one a local day and no more than 2 % of the middle; every dose of it passes the guard. What
//! hinders an advice pauses it; what changes the ground it was granted on ends it.

use jiff::civil::Date;

use super::alarms::AlarmCode;
use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::Now;
use super::figures::UptakeFigures;
use super::means::{Gain, Means};
use super::state::Engine;
use super::status::CorridorStatus;
use super::wish::{Figures, Worked};
use crate::chemistry::Quantity;
use crate::estimate::filter::Estimate;
use crate::estimate::policy::{self, Addition};
use crate::quantity::{Millis, Name};
use crate::record::{Corridor, CorridorGrant, Entry, Uptake, UptakeHow, Who, amount};

/// What may be granted: a hundredth to a fifth either way, for at most a quarter of a year. Ours.
const SHARE: (f64, f64) = (0.01, 0.2);
const DAYS_MAX: u32 = 92;
/// No two steps within less, whatever the wall clock says: a day of 23 hours.
const STEP_APART: Millis = Millis::from_mins(23 * 60);
/// A step smaller than this part of the middle is none: it is there.
const STEP_WORTH: f64 = 0.001;
/// The plan adds what it did when the corridor was granted.
const SAME: f64 = 1e-3;

fn refused(why: String) -> Denial {
    Denial::new("corridor-refused", why)
}

impl Engine {
    pub(super) fn work_out_corridor(
        &self,
        of: &Quantity,
        (share, days): (f64, u32),
        now: Now,
    ) -> Result<Worked, Denial> {
        let (least, most) = SHARE;
        if !(least..=most).contains(&share) || !(1..=DAYS_MAX).contains(&days) {
            return Err(refused(format!(
                "a corridor of {:.1} % for {days} days cannot be; give {:.0} to {:.0} % for 1 to {DAYS_MAX} days",
                share * 100.0,
                least * 100.0,
                most * 100.0
            )));
        }
        self.hindered(of, self.estimate_of(of, now).as_ref(), now)?;
        let means = self.means(of)?;
        let added = means.gain.added(means.uptake);
        // What is undone by one word is undone in one step, which must be one that may be taken.
        let reach = share * added;
        let step = means
            .aim
            .change_max
            .min(means.aim.rise_max)
            .min(means.aim.fall_max);
        if reach > step {
            return Err(refused(format!(
                "{:.1} % of {} a day are {}, more than may be changed at once ({}, the smallest of the largest change of uptake, rise and fall); give at most {:.1} %",
                share * 100.0,
                amount(of, added),
                amount(of, reach),
                amount(of, step),
                (step / added * 1000.0).floor() / 10.0
            )));
        }
        let today = self.in_force.local_date(now.wall);
        let until = today
            .checked_add(jiff::Span::new().days(i64::from(days)))
            .unwrap_or(today);
        let figures = CorridorGrant {
            of: of.clone(),
            middle: means.uptake,
            added,
            follows: means.gain.follows(means.uptake),
            share,
            until,
        };
        let (low, high) = figures.edges();
        let text = vec![
            format!(
                "{of}: until {until} the plan may add {low} to {high} a day, now {}, without asking",
                amount(of, added)
            ),
            "after each test that fits it follows the estimate, by at most 2 % of that a day; every limit holds".to_owned(),
            "it waits while a reading is questioned or too old, an alarm of it is on, or its lines are on hold".to_owned(),
            "it ends with another uptake, another solution or another plan; dosewright advise --take-back undoes it".to_owned(),
        ];
        Ok(Worked {
            figures: Figures::Corridor(figures),
            text,
            ask_twice: None,
            quiet: None,
            seen: None,
        })
    }

    pub(super) fn grant_corridor(
        &mut self,
        grant: CorridorGrant,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let corridor = Corridor {
            grant,
            granted: self.in_force.local_date(now.wall),
            ended: None,
            live: self.live,
            who,
            at: self.stamp(now),
        };
        let text = corridor.to_string();
        self.in_force.put_corridor(corridor.clone());
        self.mark_written(now);
        let entry = Entry::Corridor(corridor);
        self.store(entry, Some((ticket, Answer::done(text))));
    }

    pub(super) fn work_out_corridor_back(&self, of: &Quantity) -> Result<Worked, Denial> {
        let corridor = self.in_force.corridor(of).ok_or_else(|| {
            Denial::new(
                "no-corridor",
                format!("no corridor of {of} is granted, so there is nothing to take back"),
            )
        })?;
        self.may_give(of, corridor.grant.middle).map_err(refused)?;
        let figures = UptakeFigures {
            of: of.clone(),
            uptake: corridor.grant.middle,
            before: self.in_force.uptake_of(of),
        };
        Ok(Worked {
            text: vec![
                figures.words("becomes"),
                "the corridor ends with it".to_owned(),
            ],
            figures: Figures::Uptake(figures),
            ask_twice: None,
            quiet: None,
            seen: None,
        })
    }

    /// The uptake of before the corridor comes back, and the corridor is over: both, in one transaction.
    pub(super) fn take_corridor_back(
        &mut self,
        shown: UptakeFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let of = shown.of.clone();
        let (entry, text) = self.keep_uptake(self.stepped(shown, who.clone(), now));
        let mut entries = vec![entry];
        let mut texts = vec![text];
        if let Some((entry, text)) = self.keep_corridor_ended(&of, "taken back", who, now) {
            entries.push(entry);
            texts.push(text);
        }
        self.work_out_plan();
        self.follow_ramp(now);
        self.mark_written(now);
        let text = texts.join("; ");
        self.out.push(Effect::Store {
            entries,
            reply: Some((ticket, Answer::done(text))),
        });
    }

    fn stepped(&self, figures: UptakeFigures, who: Who, now: Now) -> Uptake {
        Uptake {
            of: figures.of,
            uptake: figures.uptake,
            before: figures.before,
            how: UptakeHow::Corridor,
            who,
            at: self.stamp(now),
        }
    }

    /// What a new day brings: a step, or the end. Dates need a clock.
    pub(super) fn follow_corridors(&mut self, now: Now) {
        if self.clock.unsure.is_some() {
            return;
        }
        let today = self.in_force.local_date(now.wall);
        let corridors: Vec<Corridor> = self.in_force.corridors().cloned().collect();
        for corridor in corridors {
            if today >= corridor.grant.until {
                let why = format!("it was granted until {}", corridor.grant.until);
                self.end_corridor(&corridor.grant.of, &why, Who::Daemon, now);
            } else if self.may_step(&corridor, today, now) {
                self.step_corridor(&corridor, now);
            }
        }
    }

    fn may_step(&self, corridor: &Corridor, today: Date, now: Now) -> bool {
        let of = &corridor.grant.of;
        let stepped = self.in_force.recorded_uptake(of);
        let stepped = stepped.filter(|uptake| uptake.how == UptakeHow::Corridor);
        let last = stepped.map(|uptake| self.in_force.local_date(uptake.at.wall));
        let apart = self.in_force.corridor_stepped(of);
        today > corridor.granted.max(last.unwrap_or(corridor.granted))
            && apart.is_none_or(|at| now.elapsed.minus(at) >= STEP_APART)
            && self.corridor_waits(corridor, now).is_none()
    }

    fn step_corridor(&mut self, corridor: &Corridor, now: Now) {
        let of = &corridor.grant.of;
        let (Ok(means), Some(estimate)) = (self.means(of), self.estimate_of(of, now)) else {
            return;
        };
        let gain = &means.gain;
        let given = gain.added(means.uptake);
        let followed = bounds(corridor, gain);
        let Some(added) = followed.step(given, &estimate, &means.aim) else {
            return;
        };
        let uptake = gain.uptake(added);
        let little = (uptake - means.uptake).abs() < STEP_WORTH * corridor.grant.middle;
        if little || self.may_give(of, uptake).is_err() {
            return;
        }
        let figures = UptakeFigures {
            of: of.clone(),
            uptake,
            before: Some(means.uptake),
        };
        let (entry, _) = self.keep_uptake(self.stepped(figures, Who::Daemon, now));
        self.in_force.corridor_steps(of, now.elapsed);
        self.mark_written(now);
        self.store(entry, None);
        self.work_out_plan();
        self.follow_ramp(now);
    }

    /// Why it does not step at present.
    fn corridor_waits(&self, corridor: &Corridor, now: Now) -> Option<String> {
        let of = &corridor.grant.of;
        if let Err(denial) = self.hindered(of, self.estimate_of(of, now).as_ref(), now) {
            return Some(denial.text);
        }
        // Not one of a level that is going to leave its band: small steps towards target are what helps against that.
        if self.alarms.is_active(AlarmCode::ReadingAlarm, of.as_str()) {
            return Some(format!("an alarm of {of} is on; see `dosewright status`"));
        }
        let course = self.courses_of(of).next();
        course.map(|course| format!("course {} of {of} is under way", course.number))
    }

    /// Whether the corridor does what is wanted by itself, or comes so near to it that nobody need be asked.
    pub(super) fn corridor_follows(
        &self,
        of: &Quantity,
        estimate: &Estimate,
        (means, wanted): (&Means, &Addition),
        kit: f64,
        now: Now,
    ) -> bool {
        let corridor = self.in_force.corridor(of);
        let Some(corridor) = corridor.filter(|c| self.corridor_waits(c, now).is_none()) else {
            return false;
        };
        let bounds = bounds(corridor, &means.gain);
        let now_wanted = wanted.on_day(0.0);
        if (bounds.held(now_wanted) - now_wanted).abs() < 1e-9 {
            return true;
        }
        let reached = Addition::standing(bounds.held(wanted.per_day));
        policy::advise(estimate, &reached, &means.aim, kit)
            .change
            .is_none()
    }

    pub(super) fn corridor_words(&self, corridor: &Corridor, now: Now) -> String {
        match self.corridor_waits(corridor, now) {
            Some(why) => format!("{corridor}; it waits: {why}"),
            None => corridor.to_string(),
        }
    }

    pub(super) fn corridors_status(&self, now: Now) -> Vec<CorridorStatus> {
        let status = |corridor: &Corridor| CorridorStatus {
            corridor: corridor.clone(),
            waits: self.corridor_waits(corridor, now),
            words: self.corridor_words(corridor, now),
        };
        self.in_force.corridors().map(status).collect()
    }

    /// Takes a corridor out of force; what is to be written down of that, and the same in words.
    pub(super) fn keep_corridor_ended(
        &mut self,
        of: &Quantity,
        why: &str,
        who: Who,
        now: Now,
    ) -> Option<(Entry, String)> {
        let corridor = self.in_force.corridor(of)?.clone();
        let ended = Corridor {
            ended: Some(why.to_owned()),
            who,
            at: self.stamp(now),
            ..corridor
        };
        self.in_force.put_corridor(ended.clone());
        let text = ended.to_string();
        Some((Entry::Corridor(ended), text))
    }

    pub(super) fn end_corridor(&mut self, of: &Quantity, why: &str, who: Who, now: Now) {
        if let Some((entry, _)) = self.keep_corridor_ended(of, why, who, now) {
            self.mark_written(now);
            self.store(entry, None);
        }
    }

    /// A plan was taken, or seen at a start: a corridor holds for the one that it was granted on.
    pub(super) fn settle_corridors(&mut self, now: Now) {
        let grants = self.in_force.corridors().map(|c| c.grant.clone());
        let grants: Vec<CorridorGrant> = grants.collect();
        for CorridorGrant {
            of,
            middle,
            added,
            follows,
            ..
        } in grants
        {
            let gain = Gain::of(&self.in_force, &of, middle);
            let moved = |then: f64, now: f64| (then - now).abs() > SAME * added.abs();
            if moved(added, gain.added(middle)) || moved(follows, gain.follows(middle)) {
                let why = "plan.toml says something else of its lines now";
                self.end_corridor(&of, why, Who::Daemon, now);
            }
        }
    }

    /// A bottle holds another solution.
    pub(super) fn end_corridors_on(&mut self, reservoir: &Name, now: Now) {
        let lines = self.controller().drawing_on(reservoir);
        let lines: Vec<Name> = lines.map(|line| line.name.clone()).collect();
        let corridors = self.in_force.corridors().map(|c| c.grant.of.clone());
        let concerned = corridors.filter(|of| lines.iter().any(|line| self.concerns(line, of)));
        let concerned: Vec<Quantity> = concerned.collect();
        for of in concerned {
            let why = format!("reservoir {reservoir} holds another solution");
            self.end_corridor(&of, &why, Who::Daemon, now);
        }
    }

    /// At a start: what was granted in the other mode is not in force. A dry run's ends with it; one granted live waits in the ledger.
    /// A rehearsal goes on with either.
    pub(super) fn set_corridors_aside(&mut self, now: Now) {
        if self.modelled {
            return;
        }
        let other: Vec<Quantity> = self
            .in_force
            .corridors()
            .filter(|corridor| corridor.live != self.live)
            .map(|corridor| corridor.grant.of.clone())
            .collect();
        for of in other {
            if self.live {
                self.end_corridor(&of, "it was granted in a dry run", Who::Daemon, now);
            } else {
                self.in_force.forget_corridor(&of);
            }
        }
    }
}

/// The corridor in what is added; its end is looked at by date.
fn bounds(corridor: &Corridor, gain: &Gain) -> policy::Corridor {
    policy::Corridor {
        middle: gain.added(corridor.grant.middle),
        share: corridor.grant.share,
        until: Millis::MAX,
    }
}
