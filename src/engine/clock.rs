//! What the two clocks say, and whether the wall clock is trusted.
//!
//! Elapsed time rules every window and every run. The wall clock rules only which slot is due, and only while it is trusted:
//! somebody said it is set, and it is not behind the newest thing ever written down.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::effect::{Answer, Denial, Effect, Ticket};
use super::event::{Now, TrustSource};
use super::state::Engine;
use crate::quantity::Millis;
use crate::record::{
    CourseState, Entry, HoldScope, Observation, Observed, TakenBack, Who, WrongTime,
};

/// What to do about a clock that nobody vouches for.
const REMEDY: &str = "see with `timedatectl` whether the network time service runs and reaches its servers, or set the time and run `dosewright clock trust`";

/// Differences of the two clocks below this are drift and slewing, not a step (our rule).
const STEP_NOTICED: Millis = Millis::from_secs(2);

impl Engine {
    /// Compares the clocks with the last look at them.
    pub(super) fn observe_clock(&mut self, now: Now) {
        let last = self.clock.last;
        if now.elapsed < last.elapsed {
            let why = format!(
                "the elapsed clock went back from {} to {}; run times can no longer be measured",
                last.elapsed, now.elapsed
            );
            self.stop_everything(now);
            self.out.push(Effect::Exit { why });
            return;
        }
        self.clock.last = now;
        let wall_moved = now
            .wall
            .as_millisecond()
            .saturating_sub(last.wall.as_millisecond());
        let step = Millis::new(wall_moved.saturating_sub(now.elapsed.minus(last.elapsed).as_ms()));
        if step.as_ms().saturating_abs() > STEP_NOTICED.as_ms() {
            self.clock_stepped(step, now);
        }
        self.judge_clock(now);
    }

    fn clock_stepped(&mut self, step: Millis, now: Now) {
        let direction = if step > Millis::ZERO {
            "forwards"
        } else {
            "backwards"
        };
        let size = Millis::new(step.as_ms().saturating_abs());
        let max = self.controller().times.clock_step_max;
        // Before it is trusted a clock may be set by any step, and nothing is held for it: nothing is scheduled then, windows go by the
        // elapsed clock, and slots begin where it is when it becomes trusted. A hold would come with every start of a board without
        // a battery, and teach its owner to lift holds unread.
        let too_far = self.clock.unsure.is_none() && size > max;
        if too_far && self.clock.source != Some(TrustSource::Virtual) {
            // Whoever vouched for the clock vouched for another time than this.
            self.clock.source = None;
            self.clock.outside_why = format!(
                "it was stepped {direction} by {size}, and nobody has said since then that it is right"
            );
        }
        // Judged first: a note written with a clock behind the newest entry must be marked as unsure.
        self.judge_clock(now);
        self.note(
            "clock-stepped",
            None,
            format!("clock stepped {direction} by {size}"),
            Who::Daemon,
            now,
        );
        if too_far {
            let reason = format!(
                "clock stepped {direction} by {size}, over {max}; check the date and time, then resume"
            );
            self.set_hold(HoldScope::All, reason, Who::Daemon, None, now);
        }
    }

    pub(super) fn clock_known(&mut self, source: TrustSource, now: Now) {
        // Time from outside replaces the owner's word.
        if self.clock.source.is_none_or(|by| by == TrustSource::Owner) {
            self.clock.source = Some(source);
            self.clock.outside_why.clear();
        }
        self.judge_clock(now);
    }

    pub(super) fn clock_unknown(&mut self, why: String, now: Now) {
        // The owner's word holds until the next boot; a kernel that was synchronised once keeps time by itself.
        if self.clock.source.is_none() {
            self.clock.outside_why = why;
        }
        self.judge_clock(now);
    }

    /// Whether the wall clock may prove that something of an earlier boot is older than the elapsed clocks say. The owner's word does not:
    /// a date typed wrong would empty every window.
    pub(super) fn clock_proves_age(&self) -> bool {
        self.clock.unsure.is_none() && self.clock.source != Some(TrustSource::Owner)
    }

    /// Why the clock cannot be right, whoever says that it is.
    fn clock_behind(&self, now: Now) -> Option<String> {
        let newest = self.clock.newest.filter(|newest| now.wall < *newest)?;
        let gap = Millis::new(
            newest
                .as_millisecond()
                .saturating_sub(now.wall.as_millisecond()),
        );
        Some(format!(
            "it is {gap} behind the newest entry of the ledger ({}); set it right if it is wrong now; if it was wrong then, say from when to when with `dosewright clock wrong --from THEN --to THEN`",
            self.controller().local(newest)
        ))
    }

    pub(super) fn trust_clock(&mut self, who: &Who, now: Now) -> Result<Answer, Denial> {
        let shown = self.controller().local(now.wall);
        if self.clock.unsure.is_none() {
            let text = format!("the clock is trusted already; it shows {shown}");
            return Ok(Answer::done(text));
        }
        if let Some(why) = self.clock_behind(now) {
            return Err(Denial::new(
                "clock-behind",
                format!("the clock shows {shown}, and {why}"),
            ));
        }
        self.clock.source = Some(TrustSource::Owner);
        self.judge_clock(now);
        self.note(
            "clock-vouched",
            None,
            format!("the owner says that the clock is right; it shows {shown}"),
            who.clone(),
            now,
        );
        Ok(Answer::done(format!(
            "the clock is trusted until the next start; it shows {shown}; what was given before the board was last off counts as if no time had passed while it was off"
        )))
    }

    /// Writes down that times on record are wrong; with the answer the shell starts everything anew, so that there is one way only
    /// from the record to what is known. What was told with such a time is taken back, because nobody knows when it was so; what was
    /// added by hand, or changed, counts as of now.
    pub(super) fn clock_wrong(
        &mut self,
        (from, to): (Timestamp, Timestamp),
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        let at = self.stamp(now);
        let wrong = WrongTime {
            from,
            to,
            who: who.clone(),
            at,
        };
        self.check_wrong(&wrong, now)?;
        let mut text = format!(
            "{}; everything stays on record. What was given then counts for as long as it may still matter, and readings of then are taken back, so test the water. The daemon starts anew now; vouch for the clock (`dosewright clock trust`) unless the network does, then `dosewright resume`",
            wrong.words(&self.controller().time_zone)
        );
        let mut entries = vec![Entry::WrongTime(wrong.clone())];
        for course in self.courses_put_right(&wrong, now) {
            if course.state == CourseState::Paused && !course.what.is_shift() {
                text.push_str("; a date of then had ended it: ");
                text.push_str(&self.course_words(&course));
            }
            self.in_force.put_course(&course);
            entries.push(Entry::Course(course));
        }
        let mut removed = BTreeSet::new();
        let mut added = Vec::new();
        for told in self.told.of_time(&wrong) {
            if matches!(told.what, Observed::Note { .. }) {
                continue;
            }
            let ahead = i64::try_from(added.len()).unwrap_or(0);
            let number = self.told.next_number().saturating_add(ahead);
            let again = (told.reading().is_none()).then(|| Observation {
                number,
                happened: now.wall,
                who: who.clone(),
                at,
                ..told.clone()
            });
            entries.push(Entry::TakenBack(TakenBack {
                number: told.number,
                replaced_by: again.as_ref().map(|again| again.number),
                why: "the clock was wrong, so it is not known when this was".to_owned(),
                who: who.clone(),
                at,
            }));
            removed.insert(told.number);
            added.extend(again);
        }
        entries.extend(added.iter().cloned().map(Entry::Observation));
        self.out.push(Effect::Store {
            entries,
            reply: Some((ticket, Answer::done(text))),
        });
        self.keep(&removed, &added, (None, Some(now.elapsed)), now);
        Ok(())
    }

    fn check_wrong(&self, wrong: &WrongTime, now: Now) -> Result<(), Denial> {
        let deny = |text: String| Err(Denial::new("clock-wrong", text));
        let newest = self.clock.newest;
        let local = |at| self.controller().local(at);
        let (from, to) = (local(wrong.from), local(wrong.to));
        let shown = newest.map_or_else(
            || "no time that was trusted".to_owned(),
            |newest| format!("{} as its newest time", local(newest)),
        );
        if wrong.from > wrong.to {
            return deny(format!(
                "{from} is after {to}; say --from the earlier and --to the later"
            ));
        }
        if wrong.spans(now.wall) {
            return deny(format!(
                "the clock shows {} now, which lies between; set it right first, and name only the times that were wrong",
                local(now.wall)
            ));
        }
        let of_a_dose = || self.past.iter().any(|dose| wrong.spans(dose.at.wall));
        if newest.is_none_or(|newest| !wrong.spans(newest)) && !of_a_dose() {
            return deny(format!(
                "nothing on record lies from {from} to {to}; it shows {shown}, and nothing was changed"
            ));
        }
        Ok(())
    }

    /// Decides anew whether the wall clock is trusted, and tells when that changes.
    pub(super) fn judge_clock(&mut self, now: Now) {
        let unsure = if self.clock.source.is_none() {
            Some(format!("{}; {REMEDY}", self.clock.outside_why))
        } else {
            self.clock_behind(now)
        };
        let was_trusted = self.clock.unsure.is_none();
        self.clock.unsure = unsure;
        let is_trusted = self.clock.unsure.is_none();
        if self.clock_proves_age() && !self.clock.aged {
            self.clock.aged = true;
            self.age_past_doses(now);
        }
        if is_trusted && !was_trusted {
            self.water.anchor_readings(now);
            self.anchor_additions(now);
            self.look_at_readings(now);
            let by = match self.clock.source {
                Some(TrustSource::Owner) => "the owner's word",
                Some(TrustSource::Virtual) => "virtual time",
                Some(TrustSource::Kernel) | None => "the kernel, which is synchronised",
            };
            self.slots_lost_in_outage(now);
            self.note(
                "clock-trusted",
                None,
                format!("clock trusted by {by}"),
                Who::Daemon,
                now,
            );
        }
    }

    /// The wall time at which the elapsed clock will show `at`, as far as can be said now.
    pub(super) fn wall_at(at: Millis, now: Now) -> Option<Timestamp> {
        let ms = now
            .wall
            .as_millisecond()
            .checked_add(at.minus(now.elapsed).as_ms())?;
        Timestamp::from_millisecond(ms).ok()
    }
}
