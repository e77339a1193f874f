//! The uptake in force, told or accepted by the owner, and the volumes that follow from it.

use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::figures::UptakeFigures;
use super::state::Engine;
use super::wish::{Figures, NewUptake, Worked};
use crate::chemistry::Quantity;
use crate::config::StartUptake;
use crate::plan::{UPTAKE_DOUBTFUL_DKH_PER_DAY, planned_rise};
use crate::quantity::Millis;
use crate::record::{Entry, Uptake, UptakeHow, Who, amount};

/// The uptake of an element changes by at most this part of itself at a time. Ours.
const PART_MAX: f64 = 0.25;

/// Time to settle of a quantity without a band (ours; that of the demo configuration).
const SETTLING: Millis = Millis::from_mins(7 * 24 * 60);

/// A first uptake is asked about when it is over what was given before by this factor, or under it. Ours.
const FACTOR_DOUBTFUL: f64 = 2.0;

impl Engine {
    /// Works the daily volumes out anew: an uptake, the plan or what leaves an outlet has changed.
    pub(super) fn work_out_plan(&mut self) {
        self.in_force.work_out();
        self.touch_all_lines();
    }

    /// Writes down starting values of the plan that nothing was known of before: from then on an edit of the file moves no uptake, and so
    /// no limit that hangs on it.
    pub(super) fn take_starts(&mut self, now: Now) {
        for (of, start) in self.in_force.plan.starts.clone() {
            let StartUptake::PerDay(uptake) = start else {
                continue;
            };
            if self.in_force.recorded_uptake(&of).is_none() {
                let entry = Uptake {
                    of,
                    uptake,
                    before: None,
                    how: UptakeHow::Start,
                    who: Who::Daemon,
                    at: self.stamp(now),
                };
                self.put_uptake(entry, None, now);
            }
        }
    }

    /// An uptake that the owner tells or accepts.
    pub(super) fn work_out_uptake(&self, new: &NewUptake, now: Now) -> Result<Worked, Denial> {
        let refuse = |why: String| Denial::new("uptake-refused", why);
        let (of, unit) = (&new.of, new.of.unit());
        let most = unit.uptake_max();
        if !(0.0..=most).contains(&new.per_day) {
            return Err(refuse(format!(
                "an uptake of {} {unit} of {of} a day is outside 0 to {most} {unit} a day",
                new.per_day
            )));
        }
        if let Some(why) = &self.clock.unsure {
            return Err(refuse(format!(
                "it is not known how long the uptake has settled until the clock is trusted: {why}"
            )));
        }
        let known = self.in_force.recorded_uptake(of);
        match known.filter(|known| known.how != UptakeHow::Start) {
            Some(known) => self.check_change(known, new.per_day, now).map_err(refuse)?,
            None if !new.sure => self.question_first(new)?,
            None => {}
        }
        let figures = UptakeFigures {
            of: of.clone(),
            uptake: new.per_day,
            before: self.in_force.uptake_of(of),
        };
        Ok(Worked {
            text: vec![figures.words("becomes")],
            figures: Figures::Uptake(figures),
            ask_twice: None,
            quiet: None,
            seen: None,
        })
    }

    pub(super) fn take_uptake(
        &mut self,
        how: UptakeHow,
        shown: UptakeFigures,
        (ticket, who): (Ticket, Who),
        now: Now,
    ) {
        let of = shown.of.clone();
        let entry = Uptake {
            of: shown.of,
            uptake: shown.uptake,
            before: shown.before,
            how,
            who: who.clone(),
            at: self.stamp(now),
        };
        self.put_uptake(entry, Some(ticket), now);
        self.end_corridor(&of, "another uptake was told", who, now);
        self.work_out_plan();
        self.in_force.watch_anew(now.elapsed);
        self.follow_ramp(now);
    }

    fn check_change(&self, known: &Uptake, per_day: f64, now: Now) -> Result<(), String> {
        let limits = self.controller().tracked(&known.of);
        let most = limits.map_or(PART_MAX * known.uptake, |limits| limits.uptake_change_max);
        let settling = limits.map_or(SETTLING, |limits| limits.settling);
        let (of, unit, stays) = (&known.of, known.of.unit(), known.amount());
        let change = (per_day - known.uptake).abs();
        if change > most + 1e-9 {
            return Err(format!(
                "uptake may change by {most:.2} {unit} a day at a time; from {stays} to {per_day:.2} {unit} is {change:.2} {unit}; uptake of {of} stays {stays} a day"
            ));
        }
        // Steps within a corridor are small, and must not keep the owner from telling better.
        if known.how == UptakeHow::Corridor {
            return Ok(());
        }
        let since = now
            .wall
            .as_millisecond()
            .saturating_sub(known.at.wall.as_millisecond());
        let since = Millis::new(since);
        if since < settling {
            return Err(format!(
                "uptake was changed {since} ago and must settle for {settling}; uptake of {of} stays {stays} a day"
            ));
        }
        Ok(())
    }

    /// The first one that is told has nothing to be held against but what was given, so an unlikely one is asked about.
    fn question_first(&self, new: &NewUptake) -> Result<(), Denial> {
        let (of, unit, wanted) = (&new.of, new.of.unit(), new.per_day);
        let ask = |why: String| {
            Err(Denial::new(
                "uptake-questioned",
                format!(
                    "{why}; look at the readings again, and if it is right, say it again with --sure"
                ),
            ))
        };
        if *of == Quantity::Alkalinity && wanted > UPTAKE_DOUBTFUL_DKH_PER_DAY {
            return ask(format!(
                "an uptake of {wanted} dKH a day is over {UPTAKE_DOUBTFUL_DKH_PER_DAY} dKH a day, which few tanks take up"
            ));
        }
        let given = planned_rise(&self.in_force.plan, self.controller(), of);
        let near = given / FACTOR_DOUBTFUL..=given * FACTOR_DOUBTFUL;
        if given > 0.0 && !near.contains(&wanted) {
            return ask(format!(
                "{given:.2} {unit} of {of} a day were given until now, and an uptake of {wanted} {unit} is not within a factor of {FACTOR_DOUBTFUL} of that"
            ));
        }
        Ok(())
    }

    fn put_uptake(&mut self, entry: Uptake, ticket: Option<Ticket>, now: Now) {
        let (entry, text) = self.keep_uptake(entry);
        self.mark_written(now);
        self.store(entry, ticket.map(|ticket| (ticket, Answer::done(text))));
    }

    /// Puts an uptake into force; what is to be written down of it, and the same in words. The volumes are to be worked out yet.
    pub(super) fn keep_uptake(&mut self, entry: Uptake) -> (Entry, String) {
        let shown = UptakeFigures {
            of: entry.of.clone(),
            uptake: entry.uptake,
            before: entry.before,
        };
        let text = shown.words("is");
        self.in_force.put_uptake(entry.clone());
        self.estimates.uptakes.push(entry.clone());
        self.estimate_anew();
        (Entry::Uptake(entry), text)
    }
}

impl UptakeFigures {
    pub(super) fn words(&self, verb: &str) -> String {
        let of = &self.of;
        let before = self
            .before
            .map_or_else(|| "none".to_owned(), |before| amount(of, before));
        format!(
            "uptake of {of} {verb} {} a day, before {before}",
            amount(of, self.uptake)
        )
    }
}
